"""The error model of a transfer: one list of error sources, whoever fills it.

A source says what one standard uncertainty of it changes in a transfer h of shape (…, legs, 2), for any
leading axes: of one unit, or of thousands. The list is filled from a capture and its through reference
(`measured_errors`), or predicted from what bench.toml specifies and from the parts' tolerances
(`predicted_errors`). The budgets of readings and the margins of fault coverage both come from it.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from harness.arrays import Complex, Floats
from harness.measure.budget import Origin, Sampled
from harness.measure.reference import ToneReference
from harness.measure.through_readings import corrections, in_crossing, through_readings
from harness.measure.tone import ToneFit
from harness.roles import Capture

Line = Literal[
    "noise",
    "input gain",
    "range gain",
    "through reference",
    "repeatability",
    "generator level",
    "generator drift",
    "fit",
    "trigger",
    "tolerance of parts",
]
"""The lines of a budget that the error sources make."""

HALF_SQUARE = 0.6  # of a gain's limit squared: half of what the square of two gains' ratio stays under
LEGS = ("hot", "cold")
EVERY = slice(None)

# What the circuit doesn't know: strays, of a value and of an e.m.f. Common practice, no source.
STRAYS_RELATIVE = 1e-4
STRAYS_ABSOLUTE = 5e-6

# Predicted standard uncertainties, as budgets of simulated runs have them (eight bits, 20 000 samples).
NOISE = 4e-4  # of what a leg carries
NOISE_FLOOR = 1e-6  # of a leg's e.m.f.: a silent input on its most sensitive range
RANGE_GAIN = 6e-4  # of an input's range against the drive's, where they differ
SAME_RANGE = 0.6  # a leg that carries more than this part of the e.m.f. is on the drive's range
THROUGH_READ = 2e-4  # of a source leg's through reading
THROUGH = 3e-4  # the same, with room for records that repeat less well and for a usual generator's drift
GENERATOR = 0.01  # limit of its level, where no through reference is taken: common practice, no source


@dataclass(frozen=True, kw_only=True, eq=False)
class ErrorSource:
    """One source of error. line: its line in a budget. source: its name; of one name, it is one error.

    at: the rows and columns of a transfer that it acts on. There it changes h by `relative` times h plus
    `absolute`, for one standard uncertainty, times `scale`; all of a shape that broadcasts with
    h[…, rows, columns].
    even: it lies anywhere between two limits with the same probability. sampled: it was found from few
    values.
    """

    line: Line
    source: str
    origin: Origin = "bench"
    at: tuple[Any, Any] = (EVERY, EVERY)
    relative: Any = 0.0
    absolute: Any = 0.0
    scale: Any = 1.0
    even: bool = False
    sampled: Sampled | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class ErrorModel:
    """All that may be wrong with one capture's transfer, of one unit or of many.

    sources: tolerances of parts come last.
    """

    sources: tuple[ErrorSource, ...]

    @property
    def first_part(self) -> int:
        """Index of the first tolerance of a part; without any, the end."""
        return sum(source.origin != "parts" for source in self.sources)

    def deltas(self, h: Complex) -> Complex:
        """What each source changes in h, (…, legs, 2): (sources, …, legs, 2)."""
        leading = h.shape[:-2]  # last in memory: what is picked out of this is one leg's of all units
        result = np.zeros((len(self.sources), *h.shape[-2:], *leading), dtype=np.complex128)
        axes = range(result.ndim - len(leading), result.ndim)
        result = np.moveaxis(result, axes, range(1, 1 + len(leading)))
        for delta, source in zip(result, self.sources, strict=True):
            at = (..., *source.at)
            delta[at] = (source.relative * h[at] + source.absolute) * source.scale
        return result

    def standard(self, h: Complex) -> Floats:
        """Standard uncertainty of each entry of h, real and imaginary part together: (…, legs, 2)."""
        return np.asarray(np.sqrt((np.abs(self.deltas(h)) ** 2).sum(axis=0)))


def stray_standard(h: Complex) -> Floats:
    """Standard uncertainty of real and imaginary part, each, by what the circuit doesn't know."""
    return np.asarray(np.hypot(STRAYS_RELATIVE * np.abs(h), STRAYS_ABSOLUTE))


def measured_errors(
    capture: Capture,
    fit: ToneFit,
    *,
    emf_vrms: tuple[float, float],
    reference: ToneReference | None,
    gain_accuracy: float,
    generator_accuracy: float,
    level_drifts: tuple[float, float],
    acquisition: str,
) -> tuple[Complex, ErrorModel]:
    """What turns a capture's phasors into a transfer, (legs, 2), and what may be wrong with that.

    Arguments as those of `make_transfer`. Raises ReadingError for a reference of other inputs or tones.
    """
    if reference is None:
        factor, sources = _unreferenced(
            capture, fit.frequencies_hz[:2], emf_vrms, gain_accuracy, generator_accuracy
        )
    else:
        reference.check_serves(capture.inputs, fit.frequencies_hz[:2])
        factor, sources = _referenced(capture, reference, emf_vrms, gain_accuracy, generator_accuracy)
        sources += _repeats(reference, capture, acquisition)
        sources += _drifts(reference, capture.inputs, level_drifts)
    standard = fit.standard[:, :2] * np.abs(factor)
    sources = [*_noise(standard, capture.inputs, acquisition, fit.correlation), *sources]
    if capture.trigger_within_s:
        middle_s = capture.origin_s + fit.duration_s / 2
        counted_s = math.hypot(capture.trigger_within_s / math.sqrt(3), middle_s * fit.clock.standard)
        sources += _trigger([(hz, counted_s) for hz in fit.frequencies_hz[:2]], acquisition)
    loss = (np.pi * np.asarray(fit.cycles[:2]) * fit.clock.standard) ** 2 / 6
    if loss.max() > 1e-5:  # what a tone off its frequency loses in a record of whole cycles: 1 - sinc
        sources.append(ErrorSource(line="fit", source=f"{acquisition} clock", relative=loss))
    return factor, ErrorModel(sources=tuple(sources))


def predicted_errors(
    h: Complex,
    *,
    spreads: Complex,
    good: Complex,
    gain_accuracy: float,
    referenced: bool,
    ratios_known: bool = False,
    inputs_swapped: bool = False,
    level_drifts: tuple[float, float] = (0.0, 0.0),
    quiet: float = 0.0,
    names: Sequence[str] = (),
    triggers: Sequence[tuple[float, float]] = (),
) -> ErrorModel:
    """What may be wrong with a transfer before it is measured: of many units, h of shape (units, legs, 2).

    spreads: (parameters, legs, 2), one standard uncertainty of each of a good unit's parts; good: (legs, 2),
    its transfer. What a unit attenuates more than a good one, it attenuates of the parts' spread as well.
    referenced: by a through reference; ratios_known: by one that was taken with swapped inputs as well.
    inputs_swapped: the scope's inputs are swapped in another capture, so that errors of their gains cancel.
    level_drifts: limits of what the outputs' levels change by after the through reference.
    Nothing is one error in two captures. quiet: the noise of a quiet leg, of its e.m.f., if that is known to
    be more than usual. names: of the parameters, if wanted. triggers: of pairs of legs that are each counted
    from a trigger of their own, the frequency of each column and one standard uncertainty of the instant.
    """
    levels = np.abs(h).sum(axis=2)
    legs = h.shape[1]
    pairs = range(0, legs, 2)
    sources = list(
        _noise(np.repeat((NOISE * levels + max(NOISE_FLOOR, quiet))[:, :, None], 2, axis=2), range(legs))
    )
    for k in (0, 1):
        if referenced:
            through = max(THROUGH, math.hypot(THROUGH_READ, level_drifts[k] / math.sqrt(3)))
            sources += [
                _of_pair("through reference", f"source {hot} {LEGS[k]}", hot, k, through) for hot in pairs
            ]
        else:
            sources.append(_of_output("generator level", k, GENERATOR / math.sqrt(3)))
    if not inputs_swapped:
        if referenced:
            standard = THROUGH if ratios_known else _of_two_gains(gain_accuracy)
            sources += [_gain_ratio(hot, (0, 1), standard, f"gain ratio {hot}") for hot in pairs]
        for row in range(legs):
            other_range = np.where(levels[:, row] < SAME_RANGE, RANGE_GAIN, 0.0)[:, None]
            sources.append(
                _of_input("range gain", f"range {row}", row, other_range)
                if referenced
                else _of_input("input gain", f"gain of input {row}", row, gain_accuracy / math.sqrt(3))
            )
    for hot in pairs if triggers else ():
        sources += _trigger(triggers, f"pair {hot}", slice(hot, hot + 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.minimum(np.nan_to_num(np.abs(h) / np.abs(good), nan=0.0, posinf=1.0), 1.0)
    sources += [
        ErrorSource(
            line="tolerance of parts",
            source=names[number] if names else f"part {number}",
            origin="parts",
            absolute=spread,
            scale=scale,
        )
        for number, spread in enumerate(spreads)
    ]
    return ErrorModel(sources=tuple(sources))


def _noise(
    standard: Floats, inputs: Sequence[int], acquisition: str = "", correlation: Complex | None = None
) -> list[ErrorSource]:
    """Noise of each leg at each tone, real and imaginary part. standard: (…, legs, 2), of each of these.

    correlation: complex, (pairs,), of the noise of each pair's second leg with that of its first, as in
    `ToneFit`; else each leg has its own. What goes with the first leg's is one source with it.
    """
    sources = []
    for row, number in enumerate(inputs):
        pair = row // 2
        shared = 0j if correlation is None or pair >= len(correlation) else complex(correlation[pair])
        for k, leg in enumerate(LEGS):
            own = standard[..., row, k]
            rows: int | slice = row
            if row % 2:
                own = own * math.sqrt(max(1 - abs(shared) ** 2, 0.0))
            elif shared:
                rows = slice(row, row + 2)
                own = np.stack([own, shared * standard[..., row + 1, k]], axis=-1)
            sources += [
                ErrorSource(
                    line="noise",
                    source=f"{acquisition} noise {number} {leg} {part}",
                    origin="noise",
                    at=(rows, k),
                    absolute=own * unit,
                )
                for part, unit in (("re", 1), ("im", 1j))
            ]
    return sources


def _trigger(columns: Sequence[tuple[float, float]], name: str, rows: slice = EVERY) -> Iterator[ErrorSource]:
    """What the instants turn that records are counted from, 2 pi f t: each source leg has its own record.

    columns: of each leg, hertz and one standard uncertainty in seconds.
    """
    for k, (leg, (hz, standard_s)) in enumerate(zip(LEGS, columns, strict=True)):
        turns = 2j * math.pi * hz * standard_s
        yield ErrorSource(
            line="trigger", source=f"{name} trigger {leg}", at=(rows, k), relative=turns, even=True
        )


def _unreferenced(
    capture: Capture,
    frequencies_hz: Sequence[float],
    emf_vrms: tuple[float, float],
    gain_accuracy: float,
    generator_accuracy: float,
) -> tuple[Complex, list[ErrorSource]]:
    """By the specifications of scope and generator alone: anywhere between two limits.

    They do not say that the error at one frequency, or on one range, is that at another.
    """
    gain, level = gain_accuracy / math.sqrt(3), generator_accuracy / math.sqrt(3)
    at = f"at {frequencies_hz[0]:g} Hz"
    sources = []
    for row, number in enumerate(capture.inputs):
        setting = capture.setting.inputs[number].volts_per_division
        source = f"gain of input {number} on {setting:g} V per division {at}"
        sources.append(_of_input("input gain", source, row, gain, even=True))
    sources += [
        _of_output("generator level", k, level, even=True, source=f"generator level {LEGS[k]} {at}")
        for k in (0, 1)
    ]
    return np.ones((len(capture.inputs), 2)) / np.asarray(emf_vrms) + 0j, sources


def _referenced(
    capture: Capture,
    reference: ToneReference,
    emf_vrms: tuple[float, float],
    gain_accuracy: float,
    generator_accuracy: float,
) -> tuple[Complex, list[ErrorSource]]:
    factor = np.ones((len(capture.inputs), 2), dtype=np.complex128)
    sources: list[ErrorSource] = []
    for row, number in enumerate(capture.inputs):
        setting = capture.setting.inputs[number].volts_per_division
        ratio = reference.range_gain(number, setting)
        factor[row] /= ratio.gain if ratio else 1.0
        shares: list[complex] = [math.sqrt(2) * gain_accuracy / math.sqrt(3)]
        if ratio:
            shares = [ratio.standard, 1j * ratio.standard]
        sources += [
            _of_input("range gain", f"{reference.identity} range {number} {setting:g} {index}", row, share)
            for index, share in enumerate(shares)
            if share
        ]
    sources += _source_errors(reference, capture.inputs, factor)
    sources += _gain_ratios(reference, capture.inputs, gain_accuracy)
    for k, leg in enumerate(LEGS):
        scale = reference.emf_vrms[k] / emf_vrms[k]
        factor[:, k] *= scale
        if abs(scale - 1) > 1e-9:
            off = math.sqrt(2) * generator_accuracy / math.sqrt(3)
            source = _of_output("generator level", k, off, source=f"level of {leg} at {emf_vrms[k]:g} V")
            sources.append(source)
    return factor, sources


def _source_errors(reference: ToneReference, inputs: tuple[int, ...], factor: Complex) -> list[ErrorSource]:
    """Correct by the through readings, in place; returns their errors.

    Each reading is the mean of some records, which differ beyond their noise; that is common to all
    acquisitions.
    """
    sources = []
    for hot in range(0, len(inputs), 2):
        pair = inputs[hot : hot + 2]
        factor[hot : hot + 2] *= corrections(reference, pair)
        for reading in through_readings(reference, pair):
            name = f"{reference.identity} source {reading.name}"
            noise = reading.noise
            sources.append(_in_pair("through reference", f"{name} re", hot, noise * reading.magnitude))
            if reading.phase.any():
                turned = np.asarray(1j * noise * reading.phase)
                sources.append(_in_pair("through reference", f"{name} im", hot, turned))
            if reading.repeats:
                sampled = Sampled(freedom=reading.freedom, series=f"repeats of {LEGS[reading.leg]}")
                name = f"{reference.identity} repeat {reading.name}"
                differs = reading.repeats * reading.magnitude
                sources.append(_in_pair("repeatability", name, hot, differs, sampled))
    return sources


def _drifts(
    reference: ToneReference, inputs: tuple[int, ...], level_drifts: tuple[float, float]
) -> list[ErrorSource]:
    """What the levels of the two outputs have changed by since the reference, each by itself.

    So the levels of the legs may have moved apart, which a ratio of them shows in full. Between the through
    setup and the one with swapped inputs they may have as well: of b/a it is half the difference.
    """
    standards = [limit / math.sqrt(3) for limit in level_drifts]
    sources = [
        _of_output("generator drift", k, standard, even=True, source=f"drift of {LEGS[k]}")
        for k, standard in enumerate(standards)
        if standard
    ]
    apart = math.hypot(*standards) / 2
    for hot in range(0, len(inputs) if reference.swapped is not None and apart else 0, 2):
        crossed = in_crossing(reference, inputs[hot : hot + 2]) * apart
        sources.append(_in_pair("generator drift", "drift between the through setups", hot, crossed))
    return sources


def _gain_ratios(
    reference: ToneReference, inputs: tuple[int, ...], gain_accuracy: float
) -> list[ErrorSource]:
    """The ratio of each pair's two gains if it is not known, where an input sees its partner's source."""
    sources: list[ErrorSource] = []
    if reference.swapped is not None:
        return sources
    for hot in range(0, len(inputs), 2):
        own = [reference.inputs.index(number) % 2 for number in inputs[hot : hot + 2]]
        first, second = sorted(inputs[hot : hot + 2])
        # Each range has a gain of its own, so a reference on another range knows another ratio.
        ranges = " and ".join(f"{reference.drive_range(number):g}" for number in (first, second))
        named = f"gain ratio of inputs {first} and {second} at {ranges} V a division"
        # One is off by the ratio, the other by its inverse, and (r + 1/r)/2 is above 1: all that is left
        # where the legs are crossed and the first order cancels. Of two gains, each anywhere within ±a, half
        # the square of their difference is under 1.2 a² in 95 of 100: closed form, 1 - (2 - x)²/4.
        square = HALF_SQUARE * gain_accuracy**2
        ratio = _gain_ratio(hot, (own[0], own[1]), _of_two_gains(gain_accuracy), named)
        sources += [
            ratio,
            ErrorSource(line=ratio.line, source=f"square of {named}", at=ratio.at, relative=square),
        ]
    return sources


def _repeats(reference: ToneReference, capture: Capture, acquisition: str) -> list[ErrorSource]:
    """How records differ beyond noise: this one, and the ladder's to its ranges.

    Each record has its own error, so what is of the ladder is common to all acquisitions and what is of
    this one is not (JCGM 100:2008, 4.2.3).
    """
    sources: list[ErrorSource] = []
    for row, number in enumerate(capture.inputs):
        index = reference.inputs.index(number)
        single = reference.repeatability.standard[index]
        if single == 0:
            continue
        k = index % 2
        sampled = Sampled(freedom=reference.repeatability.freedom[index], series=f"repeats of {LEGS[k]}")
        # Whether the output or the input was unsteady is not known. An output's error is the same on both
        # inputs of the pair and cancels in their ratio; an input's does not, so it is taken for that.
        sources.append(
            _of_input("repeatability", f"{acquisition} repeat {number}", row, single, sampled=sampled)
        )
        setting = capture.setting.inputs[number].volts_per_division
        ratio = reference.range_gain(number, setting)
        if ratio and ratio.rungs:
            name = f"{reference.identity} repeat of range {number} {setting:g}"
            climbed = single * math.sqrt(2 * ratio.rungs)
            sources.append(_of_input("repeatability", name, row, climbed, sampled=sampled))
    return sources


def _of_input(
    line: Line, source: str, row: int, share: Any, *, even: bool = False, sampled: Sampled | None = None
) -> ErrorSource:
    """A relative error of everything that one input reads."""
    return ErrorSource(line=line, source=source, at=(row, EVERY), relative=share, even=even, sampled=sampled)


def _of_output(line: Line, column: int, share: float, *, source: str = "", even: bool = False) -> ErrorSource:
    """A relative error of everything that comes from one output."""
    named = source or f"level of {LEGS[column]}"
    return ErrorSource(line=line, source=named, at=(EVERY, column), relative=share, even=even)


def _of_pair(line: Line, source: str, row: int, column: int, share: complex) -> ErrorSource:
    """A relative error of one output as both inputs of a pair read it. row: of either input."""
    pair = slice(row - row % 2, row - row % 2 + 2)
    return ErrorSource(line=line, source=source, at=(pair, column), relative=share)


def _in_pair(
    line: Line, source: str, hot: int, relative: Complex | Floats, sampled: Sampled | None = None
) -> ErrorSource:
    """A relative error of each entry of a pair, (2, 2). hot: the row of its hot leg."""
    pair = slice(hot, hot + 2)
    return ErrorSource(line=line, source=source, at=(pair, EVERY), relative=relative, sampled=sampled)


def _of_two_gains(gain_accuracy: float) -> float:
    """Standard uncertainty of the ratio of two gains that each lie anywhere within ±gain_accuracy."""
    return math.sqrt(2) * gain_accuracy / math.sqrt(3)


def _gain_ratio(hot: int, own: tuple[int, int], standard: float, source: str) -> ErrorSource:
    """The ratio of a pair's two gains. own: the source that each input saw in the through reference."""
    return ErrorSource(
        line="input gain",
        source=source,
        at=([hot, hot + 1], [1 - column for column in own]),
        relative=np.array([standard if column else -standard for column in own]),
    )
