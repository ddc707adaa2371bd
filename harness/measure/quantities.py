"""The quantities that are checked, each a function of the transfer matrix.

A view is a transfer and the two rows of one port's legs, hot and cold. The drive of every quantity is
antiphase: +½ V of e.m.f. on the hot source leg and -½ V on the cold one, 1 V differential.
All raise ReadingError where there is no such number.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.budget import Component, estimate, merged, propagate
from harness.measure.reference import Offset
from harness.measure.tone import ToneFit
from harness.measure.transfer import Transfer
from harness.reading import Contribution, Estimate

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

CERTAIN = 4.0  # standard uncertainties: what a sign, a phase or a ratio is taken from stands so far out
CLEAR_DEG = 45.0  # a phase this close to 0 or 180 degrees is a polarity; between, it is none


@dataclass(frozen=True, kw_only=True, eq=False)
class View:
    """A port as seen by one transfer: the rows of its hot and its cold leg."""

    transfer: Transfer
    hot: int
    cold: int


def leg_answer(h: Complex, row: int) -> Complex:
    """Volts on a leg under the antiphase drive. h: shape (…, legs, 2)."""
    return np.asarray((h[..., row, 0] - h[..., row, 1]) / 2)


def differential(h: Complex, hot: int, cold: int) -> Complex:
    """Differential volts at a port under the antiphase drive: D = ½[(Hhh - Hch) - (Hhc - Hcc)]."""
    return leg_answer(h, hot) - leg_answer(h, cold)


def gain(view: View, k: float = 2.0) -> Estimate:
    """Differential at the port over that of the drive's e.m.f., dB; of a silent port, its isolation."""
    return propagate(
        lambda h: differential(h, view.hot, view.cold),
        view.transfer.values,
        view.transfer.components,
        coverage_factor=k,
        scale="db",
    )


def leg_gain(transfer: Transfer, row: int, k: float = 2.0) -> Estimate:
    """One leg's level over that of a source leg under the antiphase drive, dB."""
    return propagate(
        lambda h: 2 * leg_answer(h, row), transfer.values, transfer.components, coverage_factor=k, scale="db"
    )


def polarity(view: View, k: float = 2.0) -> Estimate:
    """+1 normal, -1 inverted: the sign of the differential's in-phase part.

    0, undecided, where the port is silent, where its phase lies between (a missing leg, not a polarity), or
    where neither the drive is in view nor the unit passive.
    """
    found = complex(differential(view.transfer.values, view.hot, view.cold))
    angle = abs(float(np.degrees(np.angle(found))))
    sign = 0.0
    if not gain(view, max(k, CERTAIN)).floor and view.transfer.polarity_known:
        sign = 1.0 if angle <= CLEAR_DEG else -1.0 if angle >= 180 - CLEAR_DEG else 0.0
    return Estimate(value=sign, standard=0.0, low=sign, high=sign, coverage_factor=k, floor=False, budget=())


def phase(view: View, k: float = 2.0) -> Estimate:
    """Phase of the differential against the drive, degrees."""
    _need_phase(view)
    _need_signal(view, k)
    return _angle(lambda h: differential(h, view.hot, view.cold), view.transfer, k)


def balance(view: View, k: float = 2.0) -> Estimate:
    """Hot leg's level over the cold leg's under the antiphase drive, dB."""
    _need_legs(view, k)
    return propagate(
        lambda h: leg_answer(h, view.hot) / leg_answer(h, view.cold),
        view.transfer.values,
        view.transfer.components,
        coverage_factor=k,
        scale="db",
    )


def balance_phase(view: View, k: float = 2.0) -> Estimate:
    """Departure of the legs' phases from 180 degrees under the antiphase drive, degrees: hot less cold."""
    _need_phase(view)
    _need_legs(view, k)
    return _angle(lambda h: -leg_answer(h, view.hot) / leg_answer(h, view.cold), view.transfer, k)


def crosstalk(quiet: View, driven: View, k: float = 2.0) -> Estimate:
    """Differential at the other channel's port over that of the driven channel's port, dB."""
    return level_ratio(quiet, driven, k)


def channel_match(right: View, left: View, k: float = 2.0) -> Estimate:
    """Right's gain less left's, same state and port, each driven in its own acquisition, dB."""
    return level_ratio(right, left, k)


def channel_phase(right: View, left: View, k: float = 2.0) -> Estimate:
    """Right's phase less left's, same state and port, each driven in its own acquisition, degrees."""
    for view in (right, left):
        _need_phase(view)
        _need_signal(view, k)
    return _of_ratio(right, left, k, scale="deg")


def offset(
    fit: ToneFit,
    row: int,
    zero: Offset | None,
    *,
    gain_accuracy: float,
    offset_accuracy_v: float,
    k: float = 2.0,
) -> Estimate:
    """Mean of one leg, V, less what the input itself adds; without `zero` that may be ±offset_accuracy_v."""
    return _offset(fit, {row: 1.0}, {row: zero}, gain_accuracy, offset_accuracy_v, k)


def pair_offset(
    fit: ToneFit,
    rows: tuple[int, int],
    zeros: tuple[Offset | None, Offset | None],
    *,
    gain_accuracy: float,
    offset_accuracy_v: float,
    k: float = 2.0,
) -> Estimate:
    """Mean of a pair, hot less cold, V."""
    hot, cold = rows
    return _offset(
        fit, {hot: 1.0, cold: -1.0}, {hot: zeros[0], cold: zeros[1]}, gain_accuracy, offset_accuracy_v, k
    )


def supply_current(current_a: float, scatter_a: float, *, meter_accuracy: float, k: float = 2.0) -> Estimate:
    """Relay supply's current, A. scatter_a: one standard uncertainty; meter_accuracy: limits, a fraction."""
    lines = [
        Contribution(name="supply's meter", standard=meter_accuracy * abs(current_a) / 3**0.5),
        Contribution(name="supply's scatter", standard=scatter_a),
    ]
    return estimate(current_a, lines, k, even=(lines[0].standard,))


def near_deg(angle: Estimate, expected_deg: float) -> Estimate:
    """Shift an angle by whole turns to lie within half a turn of what is expected."""
    turns = 360 * round((expected_deg - angle.value) / 360)
    return replace(angle, value=angle.value + turns, low=angle.low + turns, high=angle.high + turns)


def _offset(
    fit: ToneFit,
    signs: dict[int, float],
    zeros: dict[int, Offset | None],
    gain_accuracy: float,
    offset_accuracy_v: float,
    k: float,
) -> Estimate:
    """Signed sum of some inputs' means, each corrected by its own zero."""
    values = np.zeros(len(fit.offset_v))
    components = []

    def add(name: str, row: int, standard: float, *, even: bool = False) -> None:
        delta = np.zeros(len(values))
        delta[row] = standard
        components.append(Component(name=name, source=f"{name} {row}", delta=delta, even=even))

    for row, zero in zeros.items():
        values[row] = fit.offset_v[row] - (zero.offset_v if zero else 0.0)
        add("noise", row, float(fit.offset_standard_v[row]))
        add("input gain", row, abs(float(values[row])) * gain_accuracy / 3**0.5, even=True)
        if zero:
            add("through reference", row, zero.standard_v)
        else:
            add("input offset", row, offset_accuracy_v / 3**0.5, even=True)

    def total(v: Floats) -> Floats:
        return np.asarray(sum(sign * v[..., row] for row, sign in signs.items()))

    return propagate(total, values, components, coverage_factor=k)


def level_ratio(view: View, reference: View, k: float) -> Estimate:
    """Ratio of two ports' differentials, dB; the second must be there."""
    _need_signal(reference, k)
    return _of_ratio(view, reference, k, scale="db")


def _of_ratio(view: View, reference: View, k: float, *, scale: Literal["db", "deg"]) -> Estimate:
    """Level or angle of one port's differential over another's."""
    both, shift = together(view, reference)

    def over(h: Complex) -> Complex:
        below = differential(h, reference.hot + shift, reference.cold + shift)
        return np.asarray(differential(h, view.hot, view.cold) / below)

    if scale == "deg":
        return _angle(over, both, k)
    return propagate(over, both.values, both.components, coverage_factor=k, scale="db")


def _angle(function: Callable[[Complex], Complex], transfer: Transfer, k: float) -> Estimate:
    """Angle of a function of a transfer, degrees."""
    return propagate(
        lambda h: np.degrees(np.angle(function(h))),
        transfer.values,
        transfer.components,
        coverage_factor=k,
        scale="deg",
    )


def _need_phase(view: View) -> None:
    if not view.transfer.phase_known:
        raise ReadingError("phase can't be told here: the driven port is not in view")


def _need_signal(view: View, k: float) -> None:
    if gain(view, max(k, CERTAIN)).floor:
        raise ReadingError("the port shows no signal to compare with")


def _need_legs(view: View, k: float) -> None:
    for row in (view.hot, view.cold):
        if leg_gain(view.transfer, row, max(k, CERTAIN)).floor:
            raise ReadingError("a leg shows no signal, so the legs can't be compared")


def together(one: View, two: View) -> tuple[Transfer, int]:
    """One transfer that holds both views, and by how much the second's rows have moved.

    Components of the same source act on both at once: that is all their correlation.
    """
    first, second = one.transfer, two.transfer
    if first is second:
        return first, 0
    shift = len(first.values)
    values = np.concatenate([first.values, second.values])
    changes = (
        (component, slice(start, start + len(transfer.values)), component.delta)
        for transfer, start in ((first, 0), (second, shift))
        for component in transfer.components
    )
    components = merged(values.shape, changes)
    known = first.phase_known and second.phase_known
    return Transfer(values=values, components=components, phase_known=known, polarity_known=known), shift
