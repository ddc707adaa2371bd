"""From a fit to the transfer matrix: complex volts at each viewed leg per volt of each source leg."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.budget import Component
from harness.measure.freedom import Sampled
from harness.measure.reference import ToneReference
from harness.measure.tone import ToneFit
from harness.roles import Capture

Complex = NDArray[np.complex128]

GENERATOR_ACCURACY = 0.01  # of an amplitude as set: common practice, no source; used without a reference
ANCHOR = 5.0  # a phase is taken from an entry this many times its standard uncertainty
PREDICTED = 0.1  # of what was measured: under this, the circuit's phase there says nothing
LEGS = ("hot", "cold")
SPECIFIED = ("input gain", "generator level")  # without a through reference: anywhere between two limits


@dataclass(frozen=True, kw_only=True, eq=False)
class Transfer:
    """A transfer matrix, measured or predicted. values: complex, (legs, 2), as in `Prediction.transfer`.

    phase_known: phases are those against the drive, which was in view. polarity_known: the sign of a leg's
    answer can be believed, by that or because the unit is passive.
    """

    values: Complex
    components: tuple[Component, ...]
    phase_known: bool
    polarity_known: bool


class Share(NamedTuple):
    """What one source of error does to every entry, (legs, 2): a line of the budget, its source, how much."""

    name: str
    source: str
    delta: Complex
    sampled: Sampled | None = None


def predicted_transfer(values: Complex, spreads: Complex, names: Sequence[str] = ()) -> Transfer:
    """Dress a prediction as a transfer, so that what is expected is computed as what is measured is.

    spreads: complex, (parameters, legs, 2), one standard uncertainty each; names: of the parameters.
    """
    sources = names or [str(index) for index in range(len(spreads))]
    return Transfer(
        values=values,
        components=tuple(
            Component(name="tolerance of parts", source=f"part {source}", delta=delta)
            for source, delta in zip(sources, spreads, strict=True)
        ),
        phase_known=True,
        polarity_known=True,
    )


def make_transfer(
    capture: Capture,
    fit: ToneFit,
    *,
    emf_vrms: tuple[float, float],
    reference: ToneReference | None,
    prediction: Complex,
    drive_rows: tuple[int, int] | None,
    gain_accuracy: float,
    generator_accuracy: float,
    acquisition: str,
    passive: bool = True,
) -> Transfer:
    """Make the transfer that a capture shows, corrected by the through reference where there is one.

    fit: tones hot, cold first. emf_vrms: open-circuit RMS volts set at the hot and the cold output.
    prediction: (legs, 2), what the circuit expects, for phases alone. drive_rows: the rows that view the
    driven port's hot and cold leg, if any do. gain_accuracy, generator_accuracy: fractions, limits of a
    uniform distribution. acquisition: a name that no other capture has.

    With a reference an input's gain cancels where it sees the source that it saw in the through hookup; where
    a cold input sees the hot source (or the reverse), the unknown ratio of the pair's two gains stays.
    The e.m.f. is the through reading over the transfer that the circuit predicts for the through hookup.

    Phase: each acquisition starts at an unknown instant, so one phase of each column is set. With the driven
    port in view it is the predicted one there, and all phases are then against the drive. Otherwise the
    column's largest entry gets its predicted phase, or 0 where the circuit expects next to nothing there, and
    no phase is claimed. A polarity still is, of a passive unit: the transfer function of an RC network with a
    common ground has no negative coefficients (Fialkow and Gerst, Quart. Appl. Math. 10, 1952, from memory),
    so no leg can come out inverted, and a pair that does shows each leg's tone on the other leg.

    Raises ReadingError for a prediction or a reference of other inputs or tones.
    """
    if prediction.shape != (len(capture.inputs), 2):
        raise ReadingError(f"{len(capture.inputs)} legs were captured and {len(prediction)} predicted")
    factor, relative = _factors(capture, fit, emf_vrms, reference, gain_accuracy, generator_accuracy)
    if reference is not None:
        relative += _repeats(reference, capture, acquisition)
    raw = fit.phasors[:, :2] * factor
    standard = fit.standard[:, :2] * np.abs(factor)
    parts = _noise(capture.inputs, standard, acquisition)
    parts += [share._replace(delta=raw * share.delta) for share in relative]
    loss = (np.pi * np.asarray(fit.cycles[:2]) * fit.clock.standard) ** 2 / 6
    if loss.max() > 1e-5:  # what a tone off its frequency loses in a record of whole cycles: 1 - sinc
        parts.append(Share("fit", f"{acquisition} clock", raw * loss))
    anchors = [_anchor(raw[:, k], standard[:, k], drive_rows and drive_rows[k]) for k in (0, 1)]
    phase_known = drive_rows is not None and all(
        row == drive and row is not None for row, drive in zip(anchors, drive_rows, strict=True)
    )
    values = _turned(raw, anchors, raw, prediction)
    deltas = np.stack([part.delta for part in parts])
    turned = _turned(raw + deltas, anchors, raw, prediction) - _turned(raw - deltas, anchors, raw, prediction)
    return Transfer(
        values=values,
        components=tuple(
            Component(
                name=part.name,
                source=part.source,
                delta=delta / 2,
                even=reference is None and part.name in SPECIFIED,
                sampled=part.sampled,
            )
            for part, delta in zip(parts, turned, strict=True)
        ),
        phase_known=phase_known,
        polarity_known=phase_known or passive,
    )


def _noise(inputs: tuple[int, ...], standard: NDArray[np.float64], acquisition: str) -> list[Share]:
    """Noise of each leg at each tone, real and imaginary part."""
    parts = []
    for row, number in enumerate(inputs):
        for k, leg in enumerate(LEGS):
            for part, unit in (("re", 1), ("im", 1j)):
                delta = np.zeros(standard.shape, dtype=np.complex128)
                delta[row, k] = standard[row, k] * unit
                parts.append(Share("noise", f"{acquisition} noise {number} {leg} {part}", delta))
    return parts


def _factors(
    capture: Capture,
    fit: ToneFit,
    emf_vrms: tuple[float, float],
    reference: ToneReference | None,
    gain_accuracy: float,
    generator_accuracy: float,
) -> tuple[Complex, list[Share]]:
    """What turns readings into transfers, (legs, 2), and its relative errors, each with its source."""
    rows = len(capture.inputs)
    gain, level = gain_accuracy / math.sqrt(3), generator_accuracy / math.sqrt(3)
    if reference is None:
        relative = [
            Share("input gain", f"gain of input {number}", _row(rows, row, gain))
            for row, number in enumerate(capture.inputs)
        ]
        relative += [
            Share("generator level", f"level of {leg}", _column(rows, k, level)) for k, leg in enumerate(LEGS)
        ]
        return np.ones((rows, 2)) / np.asarray(emf_vrms) + 0j, relative
    reference.check_serves(capture.inputs, fit.frequencies_hz[:2])
    factor = np.ones((rows, 2), dtype=np.complex128)
    relative = []
    for row, number in enumerate(capture.inputs):
        setting = capture.setting.inputs[number].volts_per_division
        ratio = reference.range_gain(number, setting)
        factor[row] /= ratio.gain if ratio else 1.0
        shares = [ratio.standard, 1j * ratio.standard] if ratio else [math.sqrt(2) * gain]
        relative += [
            Share(
                "range gain",
                f"{reference.identity} range {number} {setting:g} {index}",
                _row(rows, row, share),
            )
            for index, share in enumerate(shares)
            if share
        ]
    relative += _source_errors(reference, capture.inputs, factor)
    relative += _gain_ratios(reference, capture.inputs, gain_accuracy)
    for k, leg in enumerate(LEGS):
        scale = reference.emf_vrms[k] / emf_vrms[k]
        factor[:, k] *= scale
        if abs(scale - 1) > 1e-9:
            relative.append(
                Share(
                    "generator level",
                    f"level of {leg} at {emf_vrms[k]:g} V",
                    _column(rows, k, math.sqrt(2) * level),
                )
            )
    return factor, relative


def _gain_ratios(reference: ToneReference, inputs: tuple[int, ...], gain_accuracy: float) -> list[Share]:
    """The unknown ratio of each pair's two gains, where an input sees the source that its partner saw."""
    relative = []
    rows = len(inputs)
    for hot in range(0, rows, 2):
        share = np.zeros((rows, 2), dtype=np.complex128)
        for row in (hot, hot + 1):
            own = reference.inputs.index(inputs[row]) % 2
            share[row, 1 - own] = (1 if own else -1) * math.sqrt(2) * gain_accuracy / math.sqrt(3)
        first, second = sorted(inputs[hot : hot + 2])
        # Each range has a gain of its own, so a reference on another range knows another ratio.
        ranges = " and ".join(f"{reference.drive_range(number):g}" for number in (first, second))
        named = f"gain ratio of inputs {first} and {second} at {ranges} V a division"
        # One is off by the ratio, the other by its inverse, and (r + 1/r)/2 is above 1: all that is left
        # where the legs are crossed and the first order cancels. Uniform from nothing to its limit.
        square = np.where(share, (2 * gain_accuracy) ** 2 / 2 / math.sqrt(3), 0) + 0j
        relative += [
            Share("input gain", named, share),
            Share("input gain", f"square of {named}", square),
        ]
    return relative


def _source_errors(reference: ToneReference, inputs: tuple[int, ...], factor: Complex) -> list[Share]:
    """Divide by the through readings, in place; returns their relative errors.

    Each column of a pair is divided by what that pair's one input read of that source, be the pair exchanged
    or not.
    """
    relative = []
    for row, number in enumerate(inputs):
        place = reference.inputs.index(number)
        k = place % 2
        served = -_served(len(inputs), row, k)
        source = reference.source[place]
        factor[row - row % 2 : row - row % 2 + 2, k] *= reference.through[place] / source
        noise = reference.source_standard[place] / abs(source)
        for part, unit in (("re", 1), ("im", 1j)):
            relative.append(
                Share(
                    "through reference", f"{reference.identity} source {number} {part}", served * noise * unit
                )
            )
    return relative


def _repeats(reference: ToneReference, capture: Capture, acquisition: str) -> list[Share]:
    """How records differ beyond noise: this one, the reference's mean of some, and the ladder's to a range.

    Each record has its own error, so what is of the reference is common to all acquisitions and what is of
    this one is not (JCGM 100:2008, 4.2.3: s, and s/√n of a mean).
    """
    shares = []
    rows = len(capture.inputs)
    for row, number in enumerate(capture.inputs):
        place = reference.inputs.index(number)
        one = reference.repeatability.standard[place]
        if one == 0:
            continue
        leg = LEGS[place % 2]
        sampled = Sampled(freedom=reference.repeatability.freedom[place], series=f"repeats of {leg}")
        served = _served(rows, row, place % 2)
        mean = served * one / math.sqrt(reference.spread.records)
        found = [
            (f"{reference.identity} repeat {number}", mean),
            (f"{acquisition} repeat {number}", served * one),
        ]
        setting = capture.setting.inputs[number].volts_per_division
        ratio = reference.range_gain(number, setting)
        if ratio and ratio.rungs:
            climbed = _row(rows, row, one * math.sqrt(2 * ratio.rungs))
            found.append((f"{reference.identity} repeat of range {number} {setting:g}", climbed))
        shares += [Share("repeatability", source, delta, sampled) for source, delta in found]
    return shares


def _served(rows: int, row: int, column: int) -> Complex:
    """Where an input's own tone is read: both legs of its pair."""
    served = np.zeros((rows, 2), dtype=np.complex128)
    served[row - row % 2 : row - row % 2 + 2, column] = 1.0
    return served


def _row(rows: int, row: int, share: complex) -> Complex:
    """A relative error of everything that one input reads."""
    delta = np.zeros((rows, 2), dtype=np.complex128)
    delta[row] = share
    return delta


def _column(rows: int, column: int, share: complex) -> Complex:
    """A relative error of everything that comes from one output."""
    delta = np.zeros((rows, 2), dtype=np.complex128)
    delta[:, column] = share
    return delta


def _anchor(column: Complex, standard: NDArray[np.float64], drive_row: int | None) -> int | None:
    """The row that a column takes its phase from: the driven leg, else the largest; None in mere noise."""
    if drive_row is not None and abs(column[drive_row]) > ANCHOR * standard[drive_row]:
        return drive_row
    largest = int(np.argmax(np.abs(column)))
    return largest if abs(column[largest]) > ANCHOR * standard[largest] else None


def _turned(values: Complex, anchors: Sequence[int | None], raw: Complex, prediction: Complex) -> Complex:
    """Turn each column of `values`, (…, legs, 2), so that its anchor has the phase that it should have."""
    turned = values.copy()
    for k, row in enumerate(anchors):
        if row is None:
            continue
        expected = prediction[row, k]
        target = np.angle(expected) if abs(expected) > PREDICTED * abs(raw[row, k]) else 0.0
        turned[..., :, k] *= np.exp(1j * (target - np.angle(values[..., row, k])))[..., None]
    return turned
