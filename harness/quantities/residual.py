"""Quantities of a state at rest that are in a record besides its tone: noise, distortion, DC offset."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import sqrt
from typing import ClassVar, Literal

import numpy as np

from harness.arrays import Floats
from harness.measure.budget import Component, in_db, propagate
from harness.measure.own_noise import OwnNoise
from harness.measure.reference import InputOffset, harmonics_of
from harness.measure.residuals import Harmonics, least_noise_vrms, noise, thd
from harness.measure.tone import ToneFit
from harness.measure.tones import SILENCE, TERMINATED, Stimulus
from harness.quantities.forms import StateSeen, differential
from harness.quantities.need import Need, PortView, one_tone
from harness.quantities.quantity import (
    OF_WHAT_IS_NOT_PREDICTED,
    Family,
    LimitRule,
    Options,
    PlannedReading,
    Quantity,
)
from harness.reading import Estimate
from harness.units import ZERO_DBU_VRMS, dbu_from_vrms

LARGEST_RESIDUAL = 0.003  # of a tone, generator and scope together: common practice, no source
INPUT_OFFSET_DIVISIONS = 0.1  # of an input without a zero: common practice, no source


@dataclass(frozen=True, kw_only=True)
class OfRecord:
    """How a residual's one capture shows its port, and the check's options. leg: of one leg alone, or "".

    inverted: whether the circuit turns the drive's polarity on its way to the port.
    """

    views: tuple[PortView]
    options: Options
    leg: Literal["", "hot", "cold"] = ""
    inverted: bool = False

    @property
    def rows(self) -> tuple[int, int]:
        """The port's, hot first."""
        return self.views[0].rows


class Residual(Quantity[OfRecord, StateSeen]):
    """A quantity of one record's samples. The circuit predicts nothing of it."""

    family: ClassVar[Family] = "residual"
    weighed = False

    def planned(
        self,
        need: Need,
        stimulus: Stimulus,
        *,
        frequency_hz: float | None = None,
        leg: Literal["", "hot", "cold"] = "",
    ) -> Iterable[PlannedReading[OfRecord]]:
        """A reading of one capture."""
        capture = need.capture(stimulus)
        yield PlannedReading(
            key=self.key(need, frequency_hz, leg),
            quantity=self,
            limit=need.limit,
            captures=capture.numbers,
            given=OfRecord(views=(capture.view,), options=need.options, leg=leg),
            route=need.route if self.driven else "",
        )


class NoiseOptions(Options):
    """Of a noise check."""

    weighting: Literal["none", "A", "quasi-peak"] = "none"

    tells_apart = ("weighting",)


class Noise(Residual):
    """Noise between the legs, less the bench's own; a floor if that is not known on the same ranges."""

    name, label, unit = "noise", "noise", "dBu"
    limits = LimitRule(dimension="level", unit="dBu", kinds=("below",), example='below = "-60 dBu"')
    options = NoiseOptions
    look_for = "hum, a leaking supply or an open screen"
    takes_tone = False
    less_the_bench = True

    def readings(self, need: Need) -> Iterable[PlannedReading[OfRecord]]:
        """With the source idle."""
        return self.planned(need, TERMINATED)

    def scope_floor(self, options: NoiseOptions, volts_per_division: float, k: float) -> float:
        """In dBu."""
        least_vrms = least_noise_vrms(volts_per_division, TERMINATED.tones, weighting=options.weighting, k=k)
        return dbu_from_vrms(least_vrms)

    def measure(self, planned: PlannedReading[OfRecord], seen: Sequence[StateSeen], k: float) -> Estimate:
        """In dBu."""
        capture, rows = seen[0].capture, planned.given.rows
        options, own = planned.given.options, own_noise(seen[0], rows)
        at = [] if own is None else [own.inputs.index(capture.inputs[row]) for row in rows]
        gain_standard = (seen[0].gain_accuracy / sqrt(3), seen[0].gain_accuracy / sqrt(3))
        result = noise(
            capture.volts[list(rows)],
            capture.interval_s,
            own_volts=None if own is None else own.volts[at],
            own_interval_s=None if own is None else own.interval_s,
            own_above_v2_hz=None if own is None else own.above_v2_hz[at[0] // 2],
            step_v=(capture.step_v[rows[0]], capture.step_v[rows[1]]),
            weighting=options.weighting if isinstance(options, NoiseOptions) else "none",
            gain_standard=gain_standard,
            k=k,
        )
        return in_db(result, ZERO_DBU_VRMS)


def own_noise(seen: StateSeen, rows: tuple[int, int]) -> OwnNoise | None:
    """The bench's record of the same two inputs by itself, if one was taken on the same ranges."""
    numbers = [seen.capture.inputs[row] for row in rows]
    return seen.bench.own_noise(numbers, [seen.volts_per_division(row) for row in rows])


class DistortionOptions(Options):
    """Of a distortion check. include: what counts besides harmonics: noise and all else."""

    include: Literal["harmonics", "everything"] = "harmonics"

    tells_apart = ("include",)


class Distortion(Residual):
    """Harmonics between the legs over the tone, less what the same tone shows in the through setup."""

    name, label, unit = "distortion", "distortion", "%"
    limits = LimitRule(dimension="fraction", unit="%", kinds=("below",), example='below = "0.3 %"')
    options = DistortionOptions
    look_for = "a joint that rectifies, or an overdriven part"
    less_the_bench = True

    def readings(self, need: Need) -> Iterable[PlannedReading[OfRecord]]:
        """With both outputs at one frequency."""
        if not need.live:
            return
        inverted = bool(differential(need.predicted(need.frequency_hz), (0, 1)).real < 0)
        for each in self.planned(need, one_tone(need), frequency_hz=need.frequency_hz):
            yield replace(each, given=replace(each.given, inverted=inverted))

    def measure(self, planned: PlannedReading[OfRecord], seen: Sequence[StateSeen], k: float) -> Estimate:
        """A fraction."""
        one, rows, options = seen[0], planned.given.rows, planned.given.options
        result = harmonics_of(one.capture, rows, one.stimulus)
        key = (one.stimulus.frequency_hz, one.stimulus.level_vrms, rows[0] // 2)
        through, alike = _on_the_same_ranges(one.bench.harmonics.get(key, ()), result)
        everything = isinstance(options, DistortionOptions) and options.include == "everything"
        residual = 0.0 if through else LARGEST_RESIDUAL
        return thd(
            result,
            through,
            alike=alike,
            inverted=planned.given.inverted,
            and_noise=everything,
            largest_residual=residual,
            k=k,
        )


def _on_the_same_ranges(through: Sequence[Harmonics], seen: Harmonics) -> tuple[Harmonics | None, bool]:
    """The bench's harmonics on the ranges of the unit's record, else those at the tone's own level."""
    for each in through:
        if not each.volts_per_division or np.allclose(
            each.volts_per_division, seen.volts_per_division, rtol=1e-3
        ):
            return each, True
    return (through[0] if through else None), False


class DcOffset(Residual):
    """Direct voltage of each leg, and between them, less what the inputs themselves add."""

    name, label, unit = "dc_offset", "DC offset", "V"
    limits = LimitRule(
        dimension="voltage", unit="V", kinds=OF_WHAT_IS_NOT_PREDICTED, example='between = ["-5 mV", "5 mV"]'
    )
    takes_tone = False
    driven = False
    look_for = "leakage from the supply or a coil"

    def readings(self, need: Need) -> Iterable[PlannedReading[OfRecord]]:
        """Of the pair and of each leg, with nothing driven."""
        for leg in ("", "hot", "cold"):
            yield from self.planned(need, SILENCE, leg=leg)

    def measure(self, planned: PlannedReading[OfRecord], seen: Sequence[StateSeen], k: float) -> Estimate:
        """In V."""
        one, (hot, cold) = seen[0], planned.given.rows
        signs = {"": {hot: 1.0, cold: -1.0}, "hot": {hot: 1.0}, "cold": {cold: 1.0}}[planned.given.leg]
        return direct_voltage(
            one.fit,
            signs,
            {row: one.zero(row) for row in signs},
            gain_accuracy=one.gain_accuracy,
            offset_accuracy_v=INPUT_OFFSET_DIVISIONS * max(map(one.volts_per_division, (hot, cold))),
            k=k,
        )


def direct_voltage(
    fit: ToneFit,
    signs: dict[int, float],
    zeros: dict[int, InputOffset | None],
    *,
    gain_accuracy: float,
    offset_accuracy_v: float,
    k: float = 2.0,
) -> Estimate:
    """Signed sum of some rows' means, each corrected by its own zero, V.

    A row without a zero may be off by ±offset_accuracy_v.
    """
    values = np.zeros(len(fit.offset_v))
    components = []

    def add(name: str, row: int, standard: float, *, even: bool = False) -> None:
        delta = np.zeros(len(values))
        delta[row] = standard
        components.append(Component(name=name, source=f"{name} {row}", delta=delta, even=even))

    for row, zero in zeros.items():
        values[row] = fit.offset_v[row] - (zero.offset_v if zero else 0.0)
        add("noise", row, float(fit.offset_standard_v[row]))
        add("input gain", row, abs(float(values[row])) * gain_accuracy / sqrt(3), even=True)
        if zero:
            add("through reference", row, zero.standard_v)
        else:
            add("input offset", row, offset_accuracy_v / sqrt(3), even=True)

    def total(v: Floats) -> Floats:
        return np.asarray(sum(sign * v[..., row] for row, sign in signs.items()))

    return propagate(total, values, components, coverage_factor=k)
