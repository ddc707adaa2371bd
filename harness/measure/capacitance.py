"""Stray capacitance behind crosstalk or off-isolation: known by its 6 dB an octave, and fitted in farads."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.budget import Component, merged, propagate
from harness.measure.quantities import View, differential, gain
from harness.reading import Estimate

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

FEWEST = 3
LEAST_SLOPE_DB, MOST_SLOPE_DB = 5.0, 7.0  # per octave: common practice, no source; a capacitance has 6.02
CLEAREST_SLOPE_DB = 1.0  # expanded uncertainty of a slope that can be told from a flat one


@dataclass(frozen=True, kw_only=True, eq=False)
class Quiet:
    """A port that should be silent, at one frequency; driven: the port it hears, None for the e.m.f."""

    frequency_hz: float
    view: View
    driven: View | None = None


@dataclass(frozen=True, kw_only=True)
class Coupling:
    """Capacitance in farads, the slope it was known by (dB per octave), and the frequencies used for both."""

    capacitance_f: Estimate
    slope_db_per_octave: Estimate
    frequencies_hz: tuple[float, ...]


def coupling_capacitance(
    points: Sequence[Quiet], *, resistance_ohm: float, resistance_standard_ohm: float, k: float = 2.0
) -> Coupling:
    """Fit the capacitance that couples a silent port to a driven one, from three frequencies or more.

    resistance_ohm: the transfer resistance that the circuit has there: what the quiet port's differential is,
    in volts, per ampere that flows through the capacitance, while the coupled level is small. The level is
    then |h| = w R C / sqrt(1 + (w R C)²), from which each frequency gives a capacitance; the logarithms of
    these are averaged by their weights. Frequencies at which the port shows nothing are left out.
    Raises ReadingError where fewer than three are left, where the slope is not a capacitance's (a leak or a
    shared return is flat), or where the slope is too unsure.
    """
    seen = [point for point in points if not gain(point.view, k).floor]
    frequencies = {round(point.frequency_hz, 6) for point in seen}
    if len(frequencies) < FEWEST:
        raise ReadingError(
            f"{len(frequencies)} of {len(points)} frequencies show anything above the floor, and a slope "
            f"needs {FEWEST}. Drive a higher level, or measure at higher frequencies"
        )
    stack = _Stack(seen, resistance_ohm, resistance_standard_ohm)
    hz = np.array([point.frequency_hz for point in seen])
    weights = stack.weights()
    slope = propagate(
        lambda v: _slope(np.log2(hz), 20 * np.log10(stack.levels(v)), weights),
        stack.values,
        stack.components,
        coverage_factor=k,
    )
    _refuse(slope)

    def capacitance(v: Complex) -> Floats:
        level = np.minimum(stack.levels(v), 0.999)
        each = level / np.sqrt(1 - level**2) / (2 * np.pi * hz * v[..., -1:].real)
        return np.asarray(np.exp(np.sum(weights * np.log(each), axis=-1)))

    found = propagate(capacitance, stack.values, stack.components, coverage_factor=k)
    return Coupling(capacitance_f=found, slope_db_per_octave=slope, frequencies_hz=tuple(hz.tolist()))


class _Stack:
    """All transfers of some points in one flat array, the resistance last; shared sources act at once."""

    def __init__(self, points: Sequence[Quiet], resistance_ohm: float, standard_ohm: float) -> None:
        self._points = points
        views = [view for point in points for view in (point.view, point.driven) if view is not None]
        starts: dict[int, int] = {}
        pieces: list[Complex] = []
        size = 0
        for view in views:
            if id(view.transfer) not in starts:
                starts[id(view.transfer)] = size
                pieces.append(np.asarray(view.transfer.values.ravel(), dtype=np.complex128))
                size += pieces[-1].size
        self._starts = starts
        self.values = np.concatenate([*pieces, np.array([resistance_ohm], dtype=np.complex128)])
        changes = (
            (component, slice(start, start + transfer.values.size), component.delta.ravel())
            for transfer in {id(view.transfer): view.transfer for view in views}.values()
            for start in (starts[id(transfer)],)
            for component in transfer.components
        )
        tolerance = np.zeros_like(self.values)
        tolerance[-1] = standard_ohm
        name = "tolerance of the circuit"
        self.components = [*merged(self.values.shape, changes)]
        self.components.append(Component(name=name, source=name, delta=tolerance))

    def levels(self, v: Complex) -> Floats:
        """Level of each point, over its driven port where it has one: (batch, entries) to (batch, points)."""
        columns = []
        for point in self._points:
            level = np.abs(self._differential(v, point.view))
            if point.driven is not None:
                level = level / np.abs(self._differential(v, point.driven))
            columns.append(np.maximum(level, 1e-30))
        return np.stack(columns, axis=-1)

    def weights(self) -> Floats:
        """Weight of each point by the variance that noise gives its logarithm; errors they share don't count.

        Sum 1.
        """
        own = [each for each in self.components if each.origin == "noise"]
        if not own:
            return np.full(len(self._points), 1 / len(self._points))
        level = np.log(self.levels(self.values[None]))[0]
        moved = np.log(self.levels(self.values + np.stack([each.delta for each in own]))) - level
        variance = np.sum(moved**2, axis=0) + 1e-12
        return np.asarray(1 / variance / np.sum(1 / variance))

    def _differential(self, v: Complex, view: View) -> Complex:
        start, shape = self._starts[id(view.transfer)], view.transfer.values.shape
        h = v[:, start : start + view.transfer.values.size].reshape(len(v), *shape)
        return differential(h, view.hot, view.cold)


def _slope(octaves: Floats, level_db: Floats, weights: Floats) -> Floats:
    """Slope of a weighted straight line; level_db: (batch, points)."""
    centred = octaves - np.sum(weights * octaves)
    return np.asarray(np.sum(weights * centred * level_db, axis=-1) / np.sum(weights * centred**2))


def _refuse(slope: Estimate) -> None:
    """Raise ReadingError unless the slope is a capacitance's."""
    doubt = (slope.high - slope.low) / 2
    said = f"{slope.value:.1f} dB per octave, ±{doubt:.1f}"
    if doubt > CLEAREST_SLOPE_DB or not math.isfinite(doubt):
        raise ReadingError(
            f"the slope is {said}: too unsure to tell a capacitance from a leak. Take frequencies that are "
            "further apart"
        )
    if slope.value < LEAST_SLOPE_DB:
        raise ReadingError(f"the slope is {said}, and a capacitance has 6: this is a leak or a shared return")
    if slope.value > MOST_SLOPE_DB:
        raise ReadingError(
            f"the slope is {said}, and a capacitance has 6: more than one couples, or a resonance does"
        )
