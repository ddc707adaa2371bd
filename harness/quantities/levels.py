"""Levels: gain, isolation, crosstalk, the balance of legs, the match of channels, the response."""

from collections.abc import Iterable, Sequence
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator

from harness.quantities.forms import differential, leg_answer
from harness.quantities.limits import DECIBELS, SILENCE
from harness.quantities.need import Need, PortView, pair_tone
from harness.quantities.quantity import (
    Frequencies,
    Options,
    PlannedReading,
    Suggestion,
    SweptOptions,
    several,
)
from harness.quantities.steady import OfTransfers, Ratio
from harness.reading import Limit
from harness.units import InQuantity

Complex = NDArray[np.complex128]

CLOSE = Limit(kind="within", unit="dB", high=0.2)  # of levels that are suggested
REFERENCE_HZ = 1000.0
RESPONSE_HZ = (
    20.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 10000.0, 12500.0, 16000.0, 20000.0,
)  # fmt: skip


class GainOptions(Options):
    """Of a gain check, which judges ports that the circuit predicts silent as well.

    silent_below: dB; None: the usual.
    """

    silent_below: Annotated[float, InQuantity("ratio_db")] | None = None

    @property
    def silent_below_db(self) -> float | None:
        """That."""
        return self.silent_below


class Gain(Ratio):
    """Differential at a port over that of the source's e.m.f."""

    name, words, unit, limits = "gain", "gain", "dB", DECIBELS
    options = GainOptions
    suggested = Suggestion(rank=1, limit=CLOSE)
    matrix_rank = 0
    only_with_signal = True
    judges_silent_ports = True


class Isolation(Ratio):
    """The gain of a port that should be silent."""

    name, words, unit, limits = "isolation", "isolation", "dB", SILENCE
    at_silent_ports = True
    matrix_rank = 1

    def readings(self, need: Need) -> Iterable[PlannedReading[OfTransfers]]:
        """None where the drive is led to the port."""
        return () if need.live else super().readings(need)

    def unread(self, options: Options) -> str:
        """See Quantity."""
        return (
            "the drive is led there, and isolation is of a port that is silent; expected a state in which it "
            "is, or gain in place of isolation"
        )


class Balance(Ratio):
    """Hot leg's level over the cold leg's."""

    name, words, unit, limits = "balance", "balance of the legs", "dB", DECIBELS
    suggested = Suggestion(rank=3, limit=CLOSE)
    inputs_swapped = True
    only_with_signal = True
    needs = "both"
    lacks = "a leg shows no signal, so the legs can't be compared"

    def numerator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The hot leg."""
        return leg_answer(h[0], views[0].rows[0])

    def denominator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The cold leg."""
        return leg_answer(h[0], views[0].rows[1])


class ChannelMatch(Ratio):
    """A channel's gain less the first channel's, at the same port in the same state."""

    name, words, unit, limits = "channel_match", "match of the channels", "dB", DECIBELS
    suggested = Suggestion(rank=5, limit=CLOSE)
    between_channels = True
    needs = "denominator"

    def readings(self, need: Need) -> Iterable[PlannedReading[OfTransfers]]:
        """See `of_channels`."""
        return of_channels(self, need)

    def numerator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The channel's own, which is captured last."""
        return differential(h[1], views[1].rows)

    def denominator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The first channel's."""
        return differential(h[0], views[0].rows)


def of_channels(quantity: Ratio, need: Need) -> Iterable[PlannedReading[OfTransfers]]:
    """A reading of two captures: of the first channel driven, and of this one driven."""
    if need.first is None or not need.live:
        return
    captures = [one.capture(pair_tone(need)) for one in (need.first, need)]
    yield quantity.planned(need, [each for each in captures if each], limit=need.check.limit)


class Crosstalk(Ratio):
    """Differential at a channel that is not driven over that at the same port of the one that is."""

    name, words, unit, limits = "crosstalk", "crosstalk", "dB", SILENCE
    suggested = Suggestion(rank=4, limit=Limit(kind="below", unit="dB", high=-60.0))
    matrix_rank = 2
    only_with_signal = True
    needs = "denominator"

    def across(self, options: Options) -> bool:
        """Always."""
        return True

    def denominator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The driven channel's."""
        return differential(h[0], views[0].driven_rows or views[0].rows)


class ResponseOptions(SweptOptions):
    """Of a response check."""

    frequencies: Annotated[Frequencies, AfterValidator(several(1))] = RESPONSE_HZ


class Response(Ratio):
    """A port's gain at a frequency over its gain at 1 kHz."""

    name, words, unit, limits = "response", "response over frequency", "dB", DECIBELS
    options = ResponseOptions
    swept = True
    drawn_over_frequency = True
    only_with_signal = True
    needs = "denominator"

    def readings(self, need: Need) -> Iterable[PlannedReading[OfTransfers]]:
        """One for each frequency, of its own capture and that of 1 kHz, which all of them share."""
        reference = need.capture(pair_tone(need, REFERENCE_HZ)) if need.live else None
        if reference is None:
            return
        for hz in need.check.options.several_hz:
            own = None if hz == REFERENCE_HZ else need.capture(pair_tone(need, hz))
            if own is not None:
                yield self.planned(need, [own, reference], limit=need.check.limit, frequency_hz=hz)

    def denominator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """At 1 kHz: what is wrong at all frequencies alike cancels."""
        return differential(h[1], views[1].rows)
