"""Levels: of a port, between its legs, between channels, over frequency; and polarity."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import AfterValidator, BeforeValidator

from harness.arrays import Complex, Floats
from harness.errors import ReadingError
from harness.judge import judge_polarity
from harness.measure.budget import at_least, below
from harness.measure.transfer import Transfer
from harness.quantities.estimates import (
    CERTAIN,
    Estimates,
    LegDifferenceEstimates,
    PredictedUnits,
    SignEstimates,
    is_present,
)
from harness.quantities.forms import Stack, StateSeen, differential, leg_answer, port_transfers
from harness.quantities.need import Need, PlannedCapture, PortView, pair_tone
from harness.quantities.predicted_ratios import (
    propagate_many,
)
from harness.quantities.quantity import (
    DECIBELS,
    KINDS,
    SILENCE,
    Decision,
    Frequencies,
    Judged,
    LimitRule,
    Options,
    PlannedReading,
    Suggestion,
    SweptOptions,
    several,
)
from harness.quantities.steady import Needs, OfTransfers, Ratio, predicted_views
from harness.quantities.tolerance import TOLERANCE
from harness.reading import Estimate, Limit
from harness.units import parse_quantity

CLOSE = Limit(kind="within", unit="dB", high=0.2)  # of levels that are suggested
REFERENCE_HZ = 1000.0
RESPONSE_HZ = (
    20.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 10000.0, 12500.0, 16000.0, 20000.0,
)  # fmt: skip


OPEN_CONTACT_F = 1e-12  # of a signal relay's open contact: common practice, no source
SCOPE_OHM = 1e6
THROUGH_OR_SILENT = LimitRule(
    dimension="ratio_db", unit="dB", kinds=KINDS, example='below = "-80 dB"', tolerance=("within", "below")
)
ROOM_DB = 12.0  # over what the circuit predicts, for strays: common practice, no source


def _level_or_tolerance(text: object) -> object:
    return text if text == TOLERANCE else parse_quantity(text, "ratio_db")


LevelOrTolerance = Annotated[float | Literal["tolerance"], BeforeValidator(_level_or_tolerance)]


class GainOptions(Options):
    """Of a gain check, which judges ports that the circuit predicts silent as well.

    silent_ports_below: dB; None: the usual.
    """

    silent_ports_below: (
        Annotated[float | Literal["tolerance"], BeforeValidator(_level_or_tolerance)] | None
    ) = None

    @property
    def of_silent_ports(self) -> Limit | None:
        """None: the usual."""
        below = self.silent_ports_below
        if isinstance(below, str):
            return Limit(kind="below", unit="dB", tolerance=True)
        return None if below is None else Limit(kind="below", unit="dB", high=below)


class Gain(Ratio):
    """Differential at a port over that of the source's e.m.f."""

    name, label, unit, limits = "gain", "gain", "dB", DECIBELS
    options = GainOptions
    suggested = Suggestion(
        rank=1,
        limit=CLOSE,
        comment="Levels must be as the circuit predicts, and ports without a signal silent.",
    )
    matrix_rank = 0
    only_with_signal = True
    judges_silent_ports = True


class Isolation(Ratio):
    """The gain of a port that should be silent."""

    name, label, unit, limits = "isolation", "isolation", "dB", SILENCE
    at_silent_ports = True
    matrix_rank = 1

    def unread(self, options: Options) -> str:
        """See Quantity."""
        return (
            "the drive reaches this port; isolation needs a port with no signal: expected a state in which "
            "it is silent, or gain instead"
        )


class LegIsolation(Ratio):
    """Volts on one leg of a port that should be silent over the e.m.f. between the source's legs.

    A contact that is stuck in one leg alone may bring the same to both, through a load that floats: then
    nothing is between the legs, and `isolation` sees only how well the inputs' gains are known.
    """

    name, label, unit, limits = "leg_isolation", "isolation of each leg", "dB", SILENCE
    legs_apart = True
    at_silent_ports = True

    def readings(self, need: Need) -> Iterable[PlannedReading[OfTransfers]]:
        """One for each leg, of one capture; none if the drive is led to the port."""
        if need.live:
            return
        capture = need.capture(pair_tone(need))
        hot, cold = capture.view.rows
        predicted = need.predicted(need.frequency_hz)
        for index, (leg, rows) in enumerate((("hot", (hot, cold)), ("cold", (cold, hot)))):
            yield replace(
                self.planned(need, [capture], need.frequency_hz, leg=leg),
                limit=_limit(need, float(abs(leg_answer(predicted, index)))),
                given=OfTransfers(views=(replace(capture.view, rows=rows),)),
            )

    def numerator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The leg, whose row comes first."""
        return leg_answer(h[0], views[0].rows[0])

    def unread(self, options: Options) -> str:
        """See Quantity."""
        return (
            "the drive is led there, and leg isolation is of a port that is silent; expected a state in "
            "which it is"
        )


def _limit(need: Need, predicted: float) -> Limit | None:
    """The check's own; a general one no lower than what a good unit may show: see `open_leg_db`."""
    limit = need.limit
    if limit is None or limit.high is None or not need.limit_is_general:
        return limit
    known_db = 20 * math.log10(predicted) + ROOM_DB if predicted > 0 else -math.inf
    return replace(limit, high=max(limit.high, known_db, open_leg_db(need.frequency_hz)))


def open_leg_db(frequency_hz: float) -> float:
    """What an open contact brings to a leg that only a scope's input holds to ground.

    It brings as much to the other leg, so that between them is much less.
    """
    return 20 * math.log10(math.pi * frequency_hz * OPEN_CONTACT_F * SCOPE_OHM)


class OfLegs(Ratio):
    """The hot leg over the cold one."""

    of_both_legs = legs_apart = True
    needs: ClassVar[Needs] = "both"
    lacks = "a leg shows no signal, so the legs can't be compared"

    def numerator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The hot leg."""
        return leg_answer(h[0], views[0].rows[0])

    def denominator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The cold leg."""
        return leg_answer(h[0], views[0].rows[1])


class LegGainDifference(OfLegs):
    """Hot leg's level over the cold leg's."""

    name, label, unit, limits = "leg_gain_difference", "gain difference of the legs", "dB", DECIBELS
    suggested = Suggestion(
        rank=3, limit=CLOSE, comment="The legs must differ by no more than plugs and parts make them differ."
    )
    inputs_swapped = True
    only_with_signal = True

    def bound(self, levels: Sequence[Estimate]) -> Estimate:
        """If one leg alone shows a signal, how far the other is below it at least."""
        hot, cold = levels
        if hot.floor and cold.floor:
            raise ReadingError(self.lacks)
        k = hot.coverage_factor
        return below(hot.high - cold.low, k=k) if hot.floor else at_least(hot.low - cold.high, k=k)

    def predict(self, planned: PlannedReading[OfTransfers], units: PredictedUnits) -> Estimates | None:
        """Of units whose hot leg alone shows a signal, by the cold leg over the hot one."""
        views, seen = predicted_views(planned, units)
        k = units.coverage_factor
        hot, cold = partial(self.numerator, views), partial(self.denominator, views)
        has_hot, has_cold = (is_present(propagate_many(leg, None, seen), k) for leg in (hot, cold))
        return LegDifferenceEstimates(
            level=propagate_many(hot, cold, seen),
            taken=has_cold,
            inverse=propagate_many(cold, hot, seen),
            by_inverse=has_hot & ~has_cold,
            k=k,
        )


class OfChannels(Ratio):
    """A channel over the module's first one, at the same port in the same state, each driven in turn."""

    between_channels = True
    only_with_signal = True

    def captures(self, need: Need) -> Sequence[PlannedCapture]:
        """Of the first channel driven, and of this one driven."""
        return [each.capture(pair_tone(need)) for each in (need.first, need) if each is not None]

    def numerator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The channel's own, which is captured last."""
        return differential(h[1], views[1].rows)

    def denominator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The first channel's."""
        return differential(h[0], views[0].rows)


class ChannelGainDifference(OfChannels):
    """A channel's gain less the first channel's."""

    name, label, unit, limits = "channel_gain_difference", "gain difference of the channels", "dB", DECIBELS
    suggested = Suggestion(rank=5, limit=CLOSE)
    needs = "denominator"


class Crosstalk(Ratio):
    """Differential at a channel that is not driven over that at the same port of the one that is.

    An upper limit is of what should not be there: it is read in states in which no path leads from the driven
    channel to the other. Where parts join them (a mono sum, a balance control), what comes through is wanted:
    the other limits are read there, and there alone.
    """

    name, label, unit, limits = "crosstalk", "crosstalk", "dB", THROUGH_OR_SILENT
    suggested = Suggestion(
        rank=4,
        limit=Limit(kind="below", unit="dB", high=-60.0),
        comment="A channel that is not driven must be silent.",
    )
    matrix_rank = 2
    only_with_signal = True
    needs = "denominator"

    def across(self, options: Options) -> bool:
        """Always."""
        return True

    def readings(self, need: Need) -> Iterable[PlannedReading[OfTransfers]]:
        """One, if its limit is of what the circuit leads to the other channel in this state, or of none."""
        unwanted = need.limit is not None and need.limit.kind == "below"
        if need.led_here != unwanted:
            yield from super().readings(need)

    def unread(self, options: Options) -> str:
        """See Quantity."""
        return (
            "`below` is read where the drive reaches the port and no path joins the channels, the other "
            "limits where one does; expected such states, or such a limit"
        )

    def denominator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The driven channel's."""
        return differential(h[0], views[0].driven_rows or views[0].rows)


class ResponseOptions(SweptOptions):
    """Of a response check."""

    frequencies: Annotated[Frequencies, AfterValidator(several(1))] = RESPONSE_HZ


class Response(Ratio):
    """A port's gain at a frequency over its gain at 1 kHz."""

    name, label, unit, limits = "response", "response over frequency", "dB", DECIBELS
    options = ResponseOptions
    swept = True
    drawn_over_frequency = True
    only_with_signal = True
    needs = "denominator"

    def readings(self, need: Need) -> Iterable[PlannedReading[OfTransfers]]:
        """One for each frequency, of its own capture and that of 1 kHz, which all of them share."""
        if not need.live:
            return
        reference = need.capture(pair_tone(need, REFERENCE_HZ))
        for hz in need.options.several_hz:
            if hz != REFERENCE_HZ:
                yield self.planned(need, [need.capture(pair_tone(need, hz)), reference], hz)

    def denominator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """At 1 kHz: what is wrong at all frequencies alike cancels."""
        return differential(h[1], views[1].rows)


CLEAR_DEG = 45.0  # a phase this close to 0 or 180 degrees is a polarity; between, it is none


def signs_of(level: Complex) -> Floats:
    """1, -1, or 0 if undecided, by the phase."""
    angle_deg = np.abs(np.degrees(np.angle(level)))
    return np.where(angle_deg <= CLEAR_DEG, 1.0, np.where(angle_deg >= 180 - CLEAR_DEG, -1.0, 0.0))


class Polarity(Ratio):
    """Whether a port is in phase with the drive, +1, or inverted, -1.

    0, undecided, if the port is silent, if its phase lies between (a missing leg, not a polarity), or if
    neither the drive is in view nor the unit passive.
    """

    name, label, unit, limits = "polarity", "polarity", "", None
    legs_apart = True
    suggested = Suggestion(rank=2, comment="Hot must be hot.")
    only_with_signal = True

    def drive_in_view(self, *, amplified: bool) -> bool:
        """An amplifier can invert without swapping the legs."""
        return amplified

    def of_transfers(
        self, planned: PlannedReading[OfTransfers], transfers: Sequence[Transfer], k: float
    ) -> Estimate:
        """The sign of the differential's in-phase part."""
        ports = port_transfers(planned.given.views, transfers)
        transfer, view = ports[0].transfer, ports[0].view
        result = complex(differential(transfer.values, view.rows))
        level = self.of_ports(ports, Stack.of([transfer]), max(k, CERTAIN))
        sign = 0.0
        if not level.floor and transfer.polarity_known:
            sign = float(signs_of(np.asarray(result)))
        return Estimate(
            value=sign, standard=0.0, low=sign, high=sign, coverage_factor=k, floor=False, budget=()
        )

    def predict(self, planned: PlannedReading[OfTransfers], units: PredictedUnits) -> Estimates | None:
        """See Quantity."""
        level = self.ratio_of_many(*predicted_views(planned, units))
        return SignEstimates(level=level, signs=signs_of(level.value), k=units.coverage_factor)

    def judged(
        self,
        planned: PlannedReading[OfTransfers],
        seen: Sequence[StateSeen],
        result: Estimate,
        expected: Estimate | None,
        *,
        decision: Decision,
    ) -> Judged:
        """It must be as predicted."""
        verdict = judge_polarity(result.value, expected.value if expected else 0.0)
        lost = "" if result.value else "neither in phase nor inverted: check for a missing leg"
        return Judged(verdict=verdict, reason=lost)
