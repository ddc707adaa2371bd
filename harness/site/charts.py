"""The charts of the pages: individuals in their order, their distribution, yields, and a unit's trend."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from harness.reading import Verdict
from harness.records.history import RunLine, label_of
from harness.report.plotter import Axis, Picture, Scale, Shape, roomy, scale_of, ticks
from harness.statistics.batch import class_count
from harness.statistics.compare import SideDifference
from harness.statistics.control_charts import RUN_RULES, IndividualsChart
from harness.statistics.yields import Proportion, clopper_pearson
from harness.units import difference_unit, format_value

UNITS_A_GROUP = 20  # of the yield chart, so that its whiskers tell something
MOST_GROUPS = 24
_FEWEST_BINS, _MOST_BINS = 5, 60
_LINE = 10.0  # from one name to the next below it
_FAR_OFF = 4.0  # a limit further away than so many widths of the values is named and not drawn
_SHAPES: dict[str, Shape] = {"pass": "dot", "fail": "cross", "unproven": "diamond", "missing": "square"}


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What a value must keep to; None where open."""

    low: float | None
    high: float | None

    @property
    def known(self) -> list[float]:
        """The ends that are not open."""
        return [end for end in (self.low, self.high) if end is not None]


def individuals(
    label: str, unit: str, chart: IndividualsChart, names: Sequence[str], limits: Limits
) -> Markup:
    """Values of one reading, unit after unit, with the chart's own limits and those of the reading.

    names: serial numbers, one a value. Points that meet a run rule are drawn as squares.
    """
    values = chart.values.tolist()
    own = [*values, chart.lower, chart.upper]
    scale = scale_of(own, unit)
    near = _near(limits, own)
    low, high = roomy([*own, *near.known])
    picture = Picture(640, 216)
    y = Axis(low=low / scale.factor, high=high / scale.factor, start=190, end=16)
    x = Axis(low=-0.5, high=len(values) - 0.5, start=52, end=566)
    picture.text(4, 11, scale.unit, kind="unit")
    picture.level_axis(y, 52, 566)
    levels = [(chart.centre, "centre", "mean")]
    if chart.sigma > 0:
        levels += [(chart.upper, "control", "+3 sigma"), (chart.lower, "control", "−3 sigma")]
    levels += [(end, "limit", "limit") for end in near.known]
    _levels(picture, y, [(value / scale.factor, kind, text) for value, kind, text in levels])
    points = [(x.at(index), y.at(value / scale.factor)) for index, value in enumerate(values)]
    picture.path(points, "trace")
    signalled = {signal.at: signal.rule for signal in reversed(chart.signals)}
    for index, (across, up) in enumerate(points):
        hint = f"{names[index]}: {format_value(values[index], unit)}"
        if index in signalled:
            hint += f"; {RUN_RULES[signalled[index]]}"
            picture.mark(across, up, "square", 3.4, "point signal", hint)
        else:
            picture.mark(across, up, "dot", 2.0 if len(values) <= 100 else 1.5, "point", hint)
    picture.text(52, 208, names[0])
    picture.text(566, 208, names[-1], anchor="end")
    return picture.finish(f"{label}, unit by unit", _in_words(chart, unit, limits, near))


def moving_ranges(label: str, unit: str, chart: IndividualsChart, names: Sequence[str]) -> Markup:
    """How far each value lies from the one before it, with the mean and the limit of such ranges.

    names: serial numbers, one a value. Ranges beyond the limit are drawn as squares.
    """
    ranges, unit = chart.ranges.tolist(), difference_unit(unit)
    scale = scale_of([*ranges, chart.upper_range], unit)
    picture = Picture(640, 118)
    top = 1.08 * max([*ranges, chart.upper_range]) / scale.factor
    y = Axis(low=0.0, high=top or 1.0, start=104, end=16)
    x = Axis(low=-0.5, high=len(names) - 0.5, start=52, end=566)
    picture.text(4, 11, scale.unit, kind="unit")
    picture.level_axis(y, 52, 566, most=3)
    levels = [(chart.mean_range, "centre", "mean"), (chart.upper_range, "control", "+3 sigma")]
    _levels(picture, y, [(value / scale.factor, kind, text) for value, kind, text in levels])
    points = [(x.at(index), y.at(value / scale.factor)) for index, value in enumerate(ranges, start=1)]
    picture.path(points, "trace")
    for index in chart.range_signals:
        hint = f"{names[index]}: {format_value(ranges[index - 1], unit)} from {names[index - 1]}"
        picture.mark(*points[index - 1], "square", 3.4, "point signal", hint)
    messages = [
        f"{len(ranges)} ranges, mean {format_value(chart.mean_range, unit)}, "
        f"limit {format_value(chart.upper_range, unit)}.",
        f"Beyond it: {', '.join(names[index] for index in chart.range_signals) or 'none'}.",
    ]
    return picture.finish(f"{label}, moving ranges", " ".join(messages))


def differences(side: SideDifference, values: NDArray[np.float64], names: Sequence[str]) -> Markup:
    """First channel less second of one reading, unit after unit, with the mean and where it surely lies.

    values: shape (n,), n >= 2; names: serial numbers, one a value.
    """
    unit, result = difference_unit(side.unit), side.difference
    own = values.tolist()
    scale = scale_of([*own, result.low, result.high], unit)
    low, high = roomy([*own, result.low, result.high, 0.0])
    picture = Picture(330, 150)
    y = Axis(low=low / scale.factor, high=high / scale.factor, start=128, end=16)
    x = Axis(low=-0.5, high=len(own) - 0.5, start=50, end=324)
    top, bottom = y.at(result.high / scale.factor), y.at(result.low / scale.factor)
    picture.box(50, top, 274, max(bottom - top, 1.0), "band")
    picture.text(4, 11, scale.unit, kind="unit")
    picture.level_axis(y, 50, 324, most=4)
    picture.line(50, y.at(0.0), 324, y.at(0.0), "zero")
    picture.line(50, y.at(result.mean / scale.factor), 324, y.at(result.mean / scale.factor), "centre")
    for index, value in enumerate(own):
        hint = f"{names[index]}: {format_value(value, unit)}"
        picture.mark(x.at(index), y.at(value / scale.factor), "dot", 1.6, "point", hint)
    picture.text(50, 144, names[0])
    picture.text(324, 144, names[-1], anchor="end")
    first, second = side.channels
    message = (
        f"{len(own)} units, mean {format_value(result.mean, unit)}, 95 % of it from "
        f"{format_value(result.low, unit)} to {format_value(result.high, unit)}."
    )
    return picture.finish(f"{label_of(side.key)}, {first} less {second}", message)


def _near(limits: Limits, own: Sequence[float]) -> Limits:
    """Those limits that fit into a picture without flattening what it is about."""
    width = max(own) - min(own) or abs(max(own)) or 1.0

    lowest, highest = min(own) - _FAR_OFF * width, max(own) + _FAR_OFF * width
    low, high = (
        end if end is not None and lowest <= end <= highest else None for end in (limits.low, limits.high)
    )
    return Limits(low=low, high=high)


def _levels(picture: Picture, axis: Axis, levels: Sequence[tuple[float, str, str]]) -> None:
    """Draw levels, each with its kind and name; names of levels close together are moved apart."""
    free = 0.0
    for value, kind, text in sorted(levels, key=lambda level: axis.at(level[0])):
        down = axis.at(value)
        picture.line(52, down, 566, down, kind)
        base = max(down + 3.5, free)
        picture.text(571, base, text, kind=f"name {kind}")
        free = base + _LINE


def _in_words(chart: IndividualsChart, unit: str, limits: Limits, near: Limits) -> str:
    far = [end for end in limits.known if end not in near.known]
    messages = [
        f"{chart.values.size} values, mean {format_value(chart.centre, unit)}, "
        f"chart limits {format_value(chart.lower, unit)} to {format_value(chart.upper, unit)}."
    ]
    messages += [f"The limit of {format_value(end, unit)} is outside the chart." for end in far]
    rules = sorted({signal.rule for signal in chart.signals})
    messages += [f"Met: {RUN_RULES[rule]}." for rule in rules] or ["No run rule signals."]
    return " ".join(messages)


def distribution(label: str, unit: str, values: NDArray[np.float64], limits: Limits) -> Markup:
    """How often which value occurs, with the limits. values: shape (n,), n >= 2."""
    own = [float(values.min()), float(values.max())]
    scale = scale_of(own, unit)
    near = _near(limits, own)
    low, high = roomy([*own, *near.known])
    counts, edges = np.histogram(values, bins=max(_FEWEST_BINS, class_count(values, most=_MOST_BINS)))
    picture = Picture(320, 216)
    x = Axis(low=low / scale.factor, high=high / scale.factor, start=34, end=312)
    y = Axis(low=0.0, high=1.08 * float(counts.max()), start=190, end=16)
    picture.text(4, 11, "units", kind="unit")
    picture.text(312, 11, scale.unit, anchor="end", kind="unit")
    picture.level_axis(y, 34, 312, most=4, whole=True)
    for number, left, right in zip(counts, edges[:-1], edges[1:], strict=True):
        if number:
            start, end = x.at(float(left) / scale.factor), x.at(float(right) / scale.factor)
            picture.box(start, y.at(float(number)), end - start - 0.6, 190 - y.at(float(number)), "bar")
    for value, text in ticks(x.low, x.high, most=4):
        picture.text(x.at(value), 208, text, anchor="middle")
    for across in (x.at(end / scale.factor) for end in near.known):
        picture.line(across, 16, across, 190, "limit")
    inside = sum(
        (limits.low is None or v >= limits.low) and (limits.high is None or v <= limits.high) for v in values
    )
    message = f"{values.size} units from {format_value(own[0], unit)} to {format_value(own[1], unit)}; "
    return picture.finish(f"{label}, distribution", f"{message}{inside} of them within the limits.")


@dataclass(frozen=True, kw_only=True)
class YieldGroup:
    """First-pass yield of units one after the other: who was first and last, and how many passed."""

    first: str
    last: str
    passed: Proportion


def yield_groups(firsts: Sequence[RunLine]) -> list[YieldGroup]:
    """Take units together, oldest first, so many that few groups remain; the last may be smaller."""
    size = max(UNITS_A_GROUP, -(-len(firsts) // MOST_GROUPS))
    groups = [firsts[start : start + size] for start in range(0, len(firsts), size)]
    return [
        YieldGroup(
            first=group[0].serial,
            last=group[-1].serial,
            passed=clopper_pearson(sum(run.outcome == "pass" for run in group), len(group)),
        )
        for group in groups
    ]


def yield_chart(groups: Sequence[YieldGroup]) -> Markup:
    """First-pass yield, group after group, with the 95 % limits that each group's size allows."""
    picture = Picture(640, 190)
    y = Axis(low=0.0, high=100.0, start=162, end=16)
    x = Axis(low=-0.5, high=len(groups) - 0.5, start=52, end=632)
    picture.text(4, 11, "%", kind="unit")
    picture.level_axis(y, 52, 632, most=4)
    for index, group in enumerate(groups):
        across = x.at(index)
        value = 100 * (group.passed.value or 0.0)
        picture.line(across, y.at(100 * group.passed.low), across, y.at(100 * group.passed.high), "whisker")
        hint = f"{group.first} to {group.last}: {group.passed.count} of {group.passed.total}"
        picture.mark(across, y.at(value), "dot", 4, "point", hint)
    picture.text(52, 180, groups[0].first)
    if len(groups) > 1:
        picture.text(632, 180, groups[-1].last, anchor="end")
    message = "; ".join(
        f"{group.first} to {group.last} {group.passed.count} of {group.passed.total}" for group in groups
    )
    return picture.finish("First-pass yield over time", message)


@dataclass(frozen=True, kw_only=True)
class TrendPoint:
    """One reading of one run of a unit: its value in the reading's unit, also where that did not pass.

    floor: nothing was measured, and the value is the bench's own.
    """

    run_id: int
    value: float
    floor: bool
    verdict: Verdict

    def in_words(self, unit: str) -> str:
        """The value with its unit."""
        value = format_value(self.value, unit)
        return f"{value}, the bench's floor," if self.floor else value


@dataclass(frozen=True, kw_only=True)
class Population:
    """Where the batch's units lie: what nine in ten of so many lie between."""

    low: float
    high: float
    units: int


def trend(
    label: str, unit: str, points: Sequence[TrendPoint], limits: Limits, population: Population | None
) -> Markup:
    """One reading of one unit through its runs, before the batch's other units and the limits."""
    others = [] if population is None else [population.low, population.high]
    own = [*(point.value for point in points), *others]
    ground, scale, axis, message = _ground(unit, min(own), max(own), limits, population)
    picture = Picture(*_TREND_SIZE, on=ground)
    across = _across(len(points))
    marks = [(x, axis.at(point.value / scale.factor)) for x, point in zip(across, points, strict=True)]
    if len(points) > 1:
        picture.path(marks, "trace")
    rows = [(f"run {point.run_id}", point.in_words(unit), point.verdict) for point in points]
    for point, (run, value, verdict), (x, up) in zip(points, rows, marks, strict=True):
        kind = f"point {verdict}{' floor' if point.floor else ''}"
        picture.mark(x, up, _SHAPES[verdict], 3.2, kind, f"{run}: {value}, {verdict}")
    for index in sorted({0, len(points) - 1}):
        picture.text(across[index], 126, rows[index][0], anchor="middle")
    latest = "; ".join(map(" ".join, rows[-_RUNS_IN_WORDS:]))
    return picture.finish(label, f"In {scale.unit or 'signs'}: {latest}.{message}")


_TREND_SIZE = (330, 132)
_RUNS_IN_WORDS = 8


@cache
def _across(runs: int) -> tuple[float, ...]:
    """How far to the right each of so many runs lies."""
    axis = Axis(low=-0.5, high=runs - 0.5, start=50, end=324)
    return tuple(axis.at(index) for index in range(runs))


@lru_cache(maxsize=256)
def _ground(
    unit: str, least: float, greatest: float, limits: Limits, population: Population | None
) -> tuple[Picture, Scale, Axis, str]:
    """Draw band, axis and limits for values between two, and say what the band and the limits are.

    Most units of a batch share it: their values lie within the band.
    """
    ends = [least, greatest]
    near = _near(limits, ends)
    scale = scale_of(ends, unit)
    low, high = roomy([*ends, *near.known])
    picture = Picture(*_TREND_SIZE)
    y = Axis(low=low / scale.factor, high=high / scale.factor, start=110, end=16)
    message = ""
    if population is not None:
        top, bottom = y.at(population.high / scale.factor), y.at(population.low / scale.factor)
        picture.box(50, top, 274, bottom - top, "band")
        message += (
            f" Nine in ten of {population.units} units lie from {format_value(population.low, unit)} to "
            f"{format_value(population.high, unit)}."
        )
    picture.text(4, 11, scale.unit, kind="unit")
    picture.level_axis(y, 50, 324, most=4)
    for end in near.known:
        picture.line(50, y.at(end / scale.factor), 324, y.at(end / scale.factor), "limit")
    if limits.known:
        known = " and ".join(format_value(end, unit) for end in limits.known)
        message += f" Limit {known}{'' if near.known else ', too far away to be drawn'}."
    return picture, scale, y, message
