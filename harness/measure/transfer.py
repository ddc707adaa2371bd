"""From a fit to the transfer matrix: complex volts at each viewed leg per volt of each source leg.

Of two transfers of the same legs, taken with each pair's scope inputs swapped, one is made. A through
reference has each input's reading of one source alone, so the ratio r of a pair's two gains is unknown. With
the inputs one way round r is in the entries that cross, where an input sees the source that its partner saw
in the reference; with the inputs swapped it is in the others. Together the two transfers show r, and both
can be freed of it. Without a reference both legs' means have the same gain.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from harness.arrays import Complex, Flags, Floats
from harness.errors import ReadingError
from harness.measure.budget import Component, merged
from harness.measure.errors import measured_errors
from harness.measure.reference import ToneReference
from harness.measure.tone import ToneFit
from harness.roles import Capture

GENERATOR_ACCURACY = 0.01  # of an amplitude as set: common practice, no source; used without a reference
ANCHOR = 5.0  # a phase is taken from an entry this many times its standard uncertainty
PREDICTED = 0.1  # of what was measured: under this, the circuit's phase there says nothing


@dataclass(frozen=True, kw_only=True, eq=False)
class Transfer:
    """A transfer matrix, measured or predicted. values: complex, (legs, 2), as in `Prediction.transfer`.

    phase_known: phases are those against the drive, which was in view. polarity_known: the sign of a leg's
    answer can be believed, by that or because the unit is passive. made: by a capture alone, by one with a
    through reference, or by the circuit. anchors: by column, the row whose phase was set to the predicted
    one; None if none was.
    """

    values: Complex
    components: tuple[Component, ...]
    phase_known: bool
    polarity_known: bool
    made: Literal["measured", "referenced", "predicted"] = "measured"
    anchors: tuple[int | None, ...] = (None, None)

    @property
    def square(self) -> Floats:
        """Square of the standard uncertainty of each entry, (legs, 2), by all components."""
        return sum((np.abs(each.delta) ** 2 for each in self.components), np.zeros(self.values.shape))


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
        made="predicted",
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Unturned:
    """A transfer whose columns have the phases of their records, perhaps of some instant that nobody knows.

    values: complex, (legs, 2). noise: standard uncertainty of each entry by noise alone.
    """

    values: Complex
    noise: Floats
    components: tuple[Component, ...]
    made: Literal["measured", "referenced"]


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
    level_drifts: tuple[float, float] = (0.0, 0.0),
    acquisition: str,
    passive: bool = True,
) -> Transfer:
    """Make the transfer that a capture shows: see `make_unturned` and `turned`, which raise ReadingError."""
    unturned = make_unturned(
        capture,
        fit,
        emf_vrms=emf_vrms,
        reference=reference,
        gain_accuracy=gain_accuracy,
        generator_accuracy=generator_accuracy,
        level_drifts=level_drifts,
        acquisition=acquisition,
    )
    return turned(unturned, prediction=prediction, drive_rows=drive_rows, passive=passive)


def make_unturned(
    capture: Capture,
    fit: ToneFit,
    *,
    emf_vrms: tuple[float, float],
    reference: ToneReference | None,
    gain_accuracy: float,
    generator_accuracy: float,
    level_drifts: tuple[float, float] = (0.0, 0.0),
    acquisition: str,
) -> Unturned:
    """What a capture shows, corrected by the through reference if there is one.

    fit: tones hot, cold first. emf_vrms: open-circuit RMS volts set at the hot and the cold output.
    gain_accuracy, generator_accuracy: fractions, limits of a uniform distribution, as are level_drifts, of
    what the hot and the cold output's level has changed by since the reference. acquisition: a name that no
    other capture has.

    With a reference an input's gain cancels where it sees the source that it saw in the through setup; where
    a cold input sees the hot source (or the reverse), the unknown ratio of the pair's two gains stays.
    The e.m.f. is the through reading over the transfer that the circuit predicts for the through setup.

    Raises ReadingError for a reference of other inputs or tones.
    """
    factor, errors = measured_errors(
        capture,
        fit,
        emf_vrms=emf_vrms,
        reference=reference,
        gain_accuracy=gain_accuracy,
        generator_accuracy=generator_accuracy,
        level_drifts=level_drifts,
        acquisition=acquisition,
    )
    values = fit.phasors[:, :2] * factor
    return Unturned(
        values=values,
        noise=fit.standard[:, :2] * np.abs(factor),
        components=tuple(
            Component(
                name=source.line,
                source=source.source,
                delta=delta,
                origin=source.origin,
                even=source.even,
                sampled=source.sampled,
            )
            for source, delta in zip(errors.sources, errors.deltas(values), strict=True)
        ),
        made="measured" if reference is None else "referenced",
    )


def joined_unturned(parts: Sequence[Unturned]) -> Unturned:
    """One of several that are counted from the same phase of the generator's sines: all their legs."""
    ends = np.cumsum([0, *(len(part.values) for part in parts)])
    values = np.concatenate([part.values for part in parts])
    changes = (
        (component, slice(start, stop), component.delta)
        for part, start, stop in zip(parts, ends, ends[1:], strict=False)
        for component in part.components
    )
    return Unturned(
        values=values,
        noise=np.concatenate([part.noise for part in parts]),
        components=merged(values.shape, changes),
        made=parts[0].made,
    )


def turned(
    unturned: Unturned, *, prediction: Complex, drive_rows: tuple[int, int] | None, passive: bool
) -> Transfer:
    """Give each column of a transfer its phase.

    prediction: (legs, 2), what the circuit predicts, for phases alone. drive_rows: the rows that view the
    driven port's hot and cold leg, if any do.

    Each acquisition starts at an unknown instant, so one phase of each column is set. With the driven
    port in view it is the predicted one there, and all phases are then against the drive. Otherwise the
    column's largest entry gets its predicted phase, or 0 where the circuit predicts next to nothing there,
    and no phase is claimed. A polarity still is, of a passive unit: the transfer function of an RC network
    with a common ground has no negative coefficients (Fialkow and Gerst, Quart. Appl. Math. 10, 1952, from
    memory), so no leg can come out inverted, and a pair that does shows each leg's tone on the other leg.

    Of an output that drives nothing but ground, at the cold of an unbalanced port, no phase is needed.

    Raises ReadingError for a prediction of other legs.
    """
    raw, standard = unturned.values, unturned.noise
    if prediction.shape != raw.shape:
        raise ReadingError(f"{len(raw)} legs were captured and {len(prediction)} predicted")
    anchors = [_anchor(raw[:, k], standard[:, k], drive_rows and drive_rows[k]) for k in (0, 1)]
    phase_known = drive_rows is not None and all(
        np.abs(prediction[:, k]).max() < NOTHING_LED or (row == drive and row is not None)
        for k, (row, drive) in enumerate(zip(anchors, drive_rows, strict=True))
    )
    deltas = np.stack([component.delta for component in unturned.components])
    above, below = (_turned(raw + sign * deltas, anchors, raw, prediction) for sign in (1, -1))
    return Transfer(
        values=_turned(raw, anchors, raw, prediction),
        components=tuple(
            replace(component, delta=delta / 2)
            for component, delta in zip(unturned.components, above - below, strict=True)
        ),
        phase_known=phase_known,
        polarity_known=phase_known or passive,
        made=unturned.made,
        anchors=tuple(
            row if row is not None and is_foretold(prediction[row, k], raw[row, k]) else None
            for k, row in enumerate(anchors)
        ),
    )


def _anchor(column: Complex, standard: Floats, drive_row: int | None) -> int | None:
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
        target = np.angle(expected) if is_foretold(expected, raw[row, k]) else 0.0
        turned[..., :, k] *= np.exp(1j * (target - np.angle(values[..., row, k])))[..., None]
    return turned


def is_foretold(expected: complex, raw: complex) -> bool:
    """Whether the circuit's phase of an entry says anything of what was measured there."""
    return bool(abs(expected) > PREDICTED * abs(raw))


NOTHING_LED = 1e-6  # of an e.m.f.: what joints leave of a source that drives the ground
CLEAR = 20.0  # times its standard uncertainty: below, a leg's signal tells no ratio


def without_gain_ratios(plain: Transfer, swapped: Transfer) -> Transfer:
    """Combine the transfers of a setup and of its partner with swapped inputs, both by leg, both corrected by
    the reference.

    A pair one of whose legs shows too little of its own source to tell a ratio by is left as `plain` has it.
    Raises ReadingError for transfers of different legs.
    """
    if plain.values.shape != swapped.values.shape:
        raise ReadingError("a swap of inputs needs two transfers of the same legs")
    clear = _is_clear(plain) & _is_clear(swapped)
    both = (
        (component, index, component.delta)
        for index, transfer in enumerate((plain, swapped))
        for component in transfer.components
    )
    components = []
    for component in merged((2, *plain.values.shape), both):
        first, second = component.delta
        above = _combined(plain.values + first, swapped.values + second, clear)
        below = _combined(plain.values - first, swapped.values - second, clear)
        components.append(replace(component, delta=(above - below) / 2))
    return Transfer(
        values=_combined(plain.values, swapped.values, clear),
        components=tuple(components),
        phase_known=plain.phase_known and swapped.phase_known,
        polarity_known=plain.polarity_known and swapped.polarity_known,
    )


def _combined(plain: Complex, swapped: Complex, is_known: Flags) -> Complex:
    """The mean of both, each freed of the ratio that they show together, pair by pair."""
    mean = plain.copy()
    for hot in range(0, len(plain), 2):
        cold = hot + 1
        if not is_known[hot] or not is_known[cold]:
            continue
        # The geometric mean of both legs is free of what a source's level did in between.
        ratio = np.sqrt(plain[hot, 0] / swapped[hot, 0] * swapped[cold, 1] / plain[cold, 1])
        mean[hot, 0] = (plain[hot, 0] + swapped[hot, 0] * ratio) / 2
        mean[cold, 1] = (plain[cold, 1] + swapped[cold, 1] / ratio) / 2
        mean[hot, 1] = (plain[hot, 1] / ratio + swapped[hot, 1]) / 2
        mean[cold, 0] = (plain[cold, 0] * ratio + swapped[cold, 0]) / 2
    return mean


def _is_clear(transfer: Transfer) -> Flags:
    """By leg, whether its own source stands clear of the noise."""
    square = np.zeros(transfer.values.shape)
    for component in transfer.components:
        if component.origin == "noise":
            square += np.abs(component.delta) ** 2
    rows = np.arange(len(square))
    own = np.abs(transfer.values[rows, rows % 2])
    return np.asarray(own > np.maximum(CLEAR * np.sqrt(square[rows, rows % 2]), 1e-9))


def combine_swapped(first: Transfer, second: Transfer) -> Transfer:
    """Combine two transfers of the same legs, taken with the pairs' two scope inputs swapped.

    Both have their rows by leg: hot, cold, hot, cold… In `second` each leg was seen through the input that
    its partner had in `first`. The mean of both sees both legs of a pair through the mean of its two gains: a
    component "input gain" of either input is then the same relative change of both legs, and cancels in
    whatever is a ratio within the pair. Noise is averaged. Raises ReadingError for transfers of different
    legs.
    """
    if first.values.shape != second.values.shape:
        raise ReadingError("a swap of inputs needs two transfers of the same legs")
    halves = (
        (component, slice(None), component.delta / 2)
        for transfer in (first, second)
        for component in transfer.components
    )
    return Transfer(
        values=(first.values + second.values) / 2,
        components=merged(first.values.shape, halves),
        phase_known=first.phase_known and second.phase_known,
        polarity_known=first.polarity_known and second.polarity_known,
    )
