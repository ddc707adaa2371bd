"""From a fit to the transfer matrix: complex volts at each viewed leg per volt of each source leg."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.budget import Component
from harness.measure.errors import measured_errors
from harness.measure.reference import ToneReference
from harness.measure.tone import ToneFit
from harness.roles import Capture

Complex = NDArray[np.complex128]

GENERATOR_ACCURACY = 0.01  # of an amplitude as set: common practice, no source; used without a reference
ANCHOR = 5.0  # a phase is taken from an entry this many times its standard uncertainty
PREDICTED = 0.1  # of what was measured: under this, the circuit's phase there says nothing


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


def predicted_transfer(values: Complex, spreads: Complex, names: Sequence[str] = ()) -> Transfer:
    """Dress a prediction as a transfer, so that what is expected is computed as what is measured is.

    spreads: complex, (parameters, legs, 2), one standard uncertainty each; names: of the parameters.
    """
    sources = names or [str(index) for index in range(len(spreads))]
    return Transfer(
        values=values,
        components=tuple(
            Component(name="tolerance of parts", source=f"part {source}", delta=delta, origin="parts")
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
    factor, errors = measured_errors(
        capture,
        fit,
        emf_vrms=emf_vrms,
        reference=reference,
        gain_accuracy=gain_accuracy,
        generator_accuracy=generator_accuracy,
        acquisition=acquisition,
    )
    raw = fit.phasors[:, :2] * factor
    standard = fit.standard[:, :2] * np.abs(factor)
    anchors = [_anchor(raw[:, k], standard[:, k], drive_rows and drive_rows[k]) for k in (0, 1)]
    phase_known = drive_rows is not None and all(
        row == drive and row is not None for row, drive in zip(anchors, drive_rows, strict=True)
    )
    values = _turned(raw, anchors, raw, prediction)
    deltas = errors.deltas(raw)
    turned = _turned(raw + deltas, anchors, raw, prediction) - _turned(raw - deltas, anchors, raw, prediction)
    return Transfer(
        values=values,
        components=tuple(
            Component(
                name=source.line,
                source=source.source,
                delta=delta / 2,
                origin=source.origin,
                even=source.even,
                sampled=source.sampled,
            )
            for source, delta in zip(errors.sources, turned, strict=True)
        ),
        phase_known=phase_known,
        polarity_known=phase_known or passive,
    )


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
