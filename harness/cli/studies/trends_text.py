"""A batch's figures as plain lines of at most eighty columns."""

import itertools
import math
from collections.abc import Iterator, Sequence

from harness.cli.terminal import hanging, printable, wrapped
from harness.records.history import Series
from harness.statistics import batch as figures
from harness.statistics.batch import Distribution, ReadingFigures, UnitBatch
from harness.statistics.capability import Index
from harness.statistics.compare import HOLM_MEANS, compare, side_differences
from harness.statistics.control_charts import IndividualsChart, cusum_chart, ewma_chart
from harness.statistics.drift import FEWEST_FOR_SLOPES, golden_drift, least_p_of_trend
from harness.statistics.yields import YIELD_DEFINITION, ParetoLine, Proportion
from harness.units import counted, format_difference, format_value

SHOWN = 20
FEW_SHOWN = 8
BAR = 50
CHARTED = 40
LEVEL = 0.05
_MARKS = {"few": "f", "not normal": "n", "not in control": "c", "limits changed": "l", "in part": "p"}


def batch_lines(batch: UnitBatch) -> Iterator[str]:
    """What it is, the yields with their definition, and what fails."""
    first, last = batch.firsts[0], batch.firsts[-1]
    simulated = "   SIMULATED" if first.simulated else ""
    names = sorted({run.batch for run in batch.firsts}, key=lambda name: (not name, name))
    of = " and ".join(f"batch {name}" if name else "no batch" for name in names)
    named = f" of {of}" if any(names) else ""
    count = counted(len(batch.firsts), "unit")
    if batch.units_in_all > len(batch.firsts):
        count = f"the latest {count} of {batch.units_in_all}"
    yield from hanging("", f"{first.part}: {count}{named}{simulated}")
    yield f"first runs {first.started:%Y-%m-%d} to {last.started:%Y-%m-%d} UTC"
    for what, kinds in (
        ("revisions", {run.revision for run in batch.firsts}),
        ("benches", {run.bench_name for run in batch.firsts}),
        ("sequences", {run.sequence_name for run in batch.firsts}),
    ):
        if len(kinds) > 1:
            yield from wrapped(printable(f"several {what} are mixed here: {', '.join(sorted(kinds))}"))
    yield ""
    result = batch.yields
    yield _yield_line("First-pass yield", result.first_pass)
    yield _yield_line("Final yield", result.final)
    if result.other_runs:
        yield f"{counted(result.other_runs, 'run')} stopped or interrupted"
    if result.in_part:
        yield from wrapped(f"{result.in_part}.")
    yield from wrapped(YIELD_DEFINITION, indent=2)
    for title, lines in (
        ("Likely faults of units that failed their first run", batch.diagnosed_faults),
        ("Checks not passed in the first run", batch.failing_checks),
        ("Readings not passed in the first run", batch.failing_readings),
    ):
        if lines:
            yield ""
            yield from _pareto_lines(title, lines)


def readings_lines(batch: UnitBatch) -> Iterator[str]:
    """Every reading's figures, the least capable first."""
    shown = [figures.figures(reading) for reading in figures.least_capable_first(batch.series)[:SHOWN]]
    yield ""
    if not shown:
        yield "No reading was made in these runs."
        return
    of = f" of the {counted(len(batch.read), 'unit')} that passed" if batch.only_passed else ""
    yield f"Readings{of}, the least capable first ({len(shown)} of {len(batch.series)})"
    yield "   n        mean      sigma    Cpk  at least  !    reading"
    for reading in shown:
        index = reading.capability.cpk if reading.capability else None
        marks = "".join(sorted({_MARKS[caveat.kind] for caveat in reading.caveats}))
        unit = reading.unit
        numbers = (
            f"{reading.n:4d} {_number(reading.mean, unit, none='none'):>11} "
            f"{_spread(reading.sigma, unit):>10} {'' if index is None else f'{index.value:.2f}':>6} "
            f"{'' if index is None else f'{index.low:.2f}':>9}  {marks:<4} "
        )
        yield from hanging(numbers, _beside(reading, batch))
    whom = "these units" if batch.only_passed else "all units, failed ones among them (--passed: without)"
    yield from wrapped(
        f"Cpk: the distance from the mean to the nearer limit, in three sigmas of {whom}; 1.33, four "
        "sigmas, is often asked for (common practice, no source). At least: the lower end of its 95 % "
        "interval. ! f: fewer than 30 units, n: not normal, c: not in control, l: limits changed, p: of a "
        "part, since the other readings lie below the bench's floor; such a Cpk may not hold. Each is "
        "charted with --reading.",
        indent=2,
    )


def side_lines(batch: UnitBatch) -> Iterator[str]:
    """Readings whose two channels differ from each other."""
    result = side_differences(batch.series)
    differing = [side for side in result if side.p_corrected <= LEVEL]
    if not result:
        return
    first, second = result[0].channels
    yield ""
    yield printable(
        f"{first} less {second}, unit by unit: they differ in {len(differing)} of "
        f"{counted(len(result), 'reading')}"
    )
    for side in differing[:FEW_SHOWN]:
        shift = side.difference
        numbers = _interval_of(shift.mean, shift.low, shift.high, side.unit)
        yield from hanging(numbers, batch.labels[side.key])
    if len(differing) > FEW_SHOWN:
        yield f"  and {len(differing) - FEW_SHOWN} more; --json has them all"
    if differing:
        yield from wrapped(f"Means with 95 % intervals, Student's t of pairs; {HOLM_MEANS}.", indent=2)


def comparison_lines(first: UnitBatch, second: UnitBatch) -> Iterator[str]:
    """Which readings moved from one batch to the other."""
    result = compare(first.series, second.series)
    moved = [reading for reading in result if reading.moved]
    yield ""
    yield (
        f"Against the other {counted(len(second.firsts), 'unit')}: {len(moved)} of "
        f"{counted(len(result), 'reading')} moved (other less these)"
    )
    units = {reading.key: reading.unit for reading in first.series}
    for reading in moved[:SHOWN]:
        change = reading.difference
        numbers = _interval_of(change.shift, change.low, change.high, units[reading.key])
        yield from hanging(numbers, f"{first.labels[reading.key]}, p {reading.p_corrected:.2g}")
    if len(moved) > SHOWN:
        yield f"  and {len(moved) - SHOWN} more; --json has them all"
    tests = sorted({reading.difference.test for reading in result})
    if result:
        by = ". ".join(_TESTS[test] for test in tests)
        yield from wrapped(f"{by}. 95 % intervals; {HOLM_MEANS}.", indent=2)
    else:
        yield "  Two units or more on either side, with the same readings, can be compared."


_TESTS = {
    "mann-whitney": "By ranks (Mann and Whitney), which a few faulty units hardly affect: the median of all "
    "differences between the two",
    "welch": "By Student's t (Welch), where units are too few for ranks: the difference of means",
}


def drift_lines(golden: UnitBatch) -> Iterator[str]:
    """How the golden unit's readings move in time."""
    result = golden_drift(golden.lines, golden.series)
    moving = [reading for reading in result if reading.p_corrected <= LEVEL]
    yield ""
    runs = len(golden.firsts)
    text = f"a drift in {len(moving)} of {counted(len(result), 'reading')}"
    if not result:
        text = f"no drift can be seen; {FEWEST_FOR_SLOPES} runs or more, at different times, can be fitted"
    golden_unit = f"Golden unit {golden.firsts[0].serial} on bench {golden.firsts[0].bench_name!r}"
    yield from wrapped(printable(f"{golden_unit}, {counted(runs, 'run')}: {text}"))
    wanted = next(n for n in itertools.count(1) if least_p_of_trend(n) * len(result) <= LEVEL)
    if runs < wanted and result:
        yield from wrapped(
            f"So few runs can't show a drift in so many readings: {wanted} or more can.", indent=2
        )
    for reading in moving[:SHOWN]:
        drift = reading.drift
        numbers = _interval_of(drift.slope, drift.low, drift.high, reading.unit, per=" a day")
        yield from hanging(numbers, f"{golden.labels[reading.key]}, p {reading.p_corrected:.2g}")
    if result:
        yield from wrapped(
            f"The median of all slopes between two runs (Theil and Sen) with 95 % intervals; {HOLM_MEANS}.",
            indent=2,
        )


def reading_lines(batch: UnitBatch, one: Series) -> Iterator[str]:
    """One reading: its figures, its chart, what the chart says, and limits that it would propose."""
    result, unit = figures.figures(one), one.unit
    yield ""
    yield from hanging("", _beside(result, batch))
    if result.mean is None:
        yield "  no value to describe"
        return
    sigma = "" if result.sigma is None else f", sigma {_spread(result.sigma, unit)}"
    yield from wrapped(
        f"{counted(result.n, 'value')}: mean {_number(result.mean, unit)}{sigma}; from "
        f"{_number(result.smallest, unit)} over {_number(result.median, unit)} (median) to "
        f"{_number(result.largest, unit)}",
        indent=2,
    )
    yield f"  limits {_number(result.limit_low, unit)} to {_number(result.limit_high, unit)}"
    if result.capability is not None:
        cp = "" if result.capability.cp is None else f"Cp {_interval(result.capability.cp)}, "
        yield f"  {cp}Cpk {_interval(result.capability.cpk)}, 95 %"
    for caveat in result.caveats:
        yield from wrapped(f"! {caveat}", indent=2)
    spread = figures.distribution(one)
    if spread is not None and unit != "":
        yield from _distribution_lines(spread, unit)
    chart = figures.chart(one)
    if chart is not None and unit != "":
        names = _serials(batch, one)
        yield from _chart_lines(chart, names, unit)
        yield from _signal_lines(chart, names)
    proposal = figures.proposal(one)
    if unit != "":
        text = f"{_number(proposal.low, unit)} to {_number(proposal.high, unit)}"
        yield f"  Limits proposed: {'none' if proposal.low is proposal.high is None else text}"
        for reason in proposal.reasoning:
            yield from wrapped(reason, indent=4)


def _distribution_lines(spread: Distribution, unit: str) -> Iterator[str]:
    """A row for each class, lowest first: where it begins, and a mark for each value (or several)."""
    most = max(spread.counts)
    each = max(1, math.ceil(most / BAR))
    yield ""
    yield f"  Distribution: from, values{'' if each == 1 else f' (# is {each})'}"
    for edge, count in zip(spread.edges, spread.counts, strict=False):
        bar = "#" * math.ceil(count / each)
        yield f"  {_number(edge, unit):>12} {count:5d} {bar}".rstrip()


def _serials(batch: UnitBatch, one: Series) -> list[str]:
    serial = {run.run_id: run.serial for run in batch.firsts}
    return [serial[int(run_id)] for run_id in one.run_ids[one.measured]]


def _chart_lines(chart: IndividualsChart, names: Sequence[str], unit: str) -> Iterator[str]:
    """A row for each unit, oldest first: its value, and where it lies between the chart's limits."""
    reach, columns = 4.0 * chart.sigma, 41
    signalled = {signal.at for signal in chart.signals}
    yield ""
    yield (
        f"  Individuals: centre {_number(chart.centre, unit)}, limits {_number(chart.lower, unit)} to "
        f"{_number(chart.upper, unit)}"
    )
    yield (
        f"  Moving range: mean {_spread(chart.mean_range, unit)}, limit {_spread(chart.upper_range, unit)}; "
        "R: beyond it"
    )
    moved = set(chart.range_signals)
    for index in range(max(0, len(names) - CHARTED), len(names)):
        row = [" "] * columns
        for sigmas, mark in ((-3.0, "|"), (0.0, ":"), (3.0, "|")):
            row[round((sigmas + 4.0) / 8.0 * (columns - 1))] = mark
        place = 0.5 if reach == 0 else (float(chart.values[index]) - chart.centre + reach) / (2.0 * reach)
        row[min(max(round(place * (columns - 1)), 0), columns - 1)] = "#" if index in signalled else "o"
        name = printable(names[index])
        name = name if len(name) <= 16 else name[:15] + "~"
        place_of = f"{''.join(row)} {'R' if index in moved else ''}"
        yield f"  {name:<16} {_number(float(chart.values[index]), unit):>12} {place_of}".rstrip()
    if len(names) > CHARTED:
        yield f"  the latest {CHARTED} of {len(names)}"


def _signal_lines(chart: IndividualsChart, names: Sequence[str]) -> Iterator[str]:
    first_of_rule = {signal.rule: signal for signal in reversed(chart.signals)}
    for rule, signal in sorted(first_of_rule.items()):
        count = sum(signal.rule == rule for signal in chart.signals)
        more = f", and {count - 1} more" if count > 1 else ""
        yield from wrapped(f"# {signal.sentence}: at {printable(names[signal.at])}{more}", indent=2)
    if chart.range_signals:
        where = printable(names[chart.range_signals[0]])
        count = len(chart.range_signals)
        more = f", and {count - 1} more" if count > 1 else ""
        yield from wrapped(f"R a moving range beyond its limit: at {where}{more}", indent=2)
    if chart.sigma == 0:
        return
    smooth = ewma_chart(chart.values, target=chart.centre, sigma=chart.sigma)
    sums = cusum_chart(
        chart.values, target=chart.centre, allowance=0.5 * chart.sigma, decision=5.0 * chart.sigma
    )
    for title, signals in (
        ("Moving average (EWMA, weight 0.2, 3 sigma)", smooth.signals),
        ("Cumulative sum (CUSUM, 0.5 and 5 sigma)", sums.signals),
    ):
        message = f"first beyond at {printable(names[signals[0]])}" if signals else "nothing beyond"
        yield f"  {title}: {message}"


def _pareto_lines(title: str, lines: Sequence[ParetoLine]) -> Iterator[str]:
    yield title
    yield "units  of all counted  added up"
    for line in lines[:FEW_SHOWN]:
        yield from hanging(
            f"{line.count:5d}  {100 * line.share:12.0f} %  {100 * line.cumulative:6.0f} %  ", line.label
        )
    if len(lines) > FEW_SHOWN:
        yield f"      and {len(lines) - FEW_SHOWN} more; --json has them all"


def _yield_line(title: str, result: Proportion) -> str:
    share = "" if result.value is None else f"{100 * result.value:5.1f} %"
    return (
        f"{title:<16} {result.count:4d} of {result.total:<4d} {share}  "
        f"(95 %: {100 * result.low:.1f} to {100 * result.high:.1f} %)"
    )


def _beside(result: ReadingFigures, batch: UnitBatch) -> str:
    counts = (
        (result.not_passed, "not passed"),
        (result.missing, "missing"),
        (result.floors, "below a floor"),
        (len(batch.read) - result.n - result.missing - result.floors, "not reached"),
    )
    text = ", ".join(f"{count} {what}" for count, what in counts if count)
    label = batch.labels[result.key]
    return f"{label} ({text})" if text else label


def _interval(index: Index) -> str:
    return f"{index.value:.2f} ({index.low:.2f} to {index.high:.2f})"


def _number(value: float | None, unit: str, *, none: str = "open") -> str:
    if value is None:
        return none
    return f"{value:+.3g}" if unit == "" else _short(value, unit)


def _interval_of(value: float | None, low: float | None, high: float | None, unit: str, per: str = "") -> str:
    """A difference and its interval, as the columns before a reading's name."""
    return f"  {_spread(value, unit):>10}{per} ({_spread(low, unit)} to {_spread(high, unit)})  "


def _spread(value: float | None, unit: str) -> str:
    return "" if value is None else format_difference(value, unit)


def _short(value: float, unit: str) -> str:
    """With a prefix where the unit takes one; decibels and degrees by their size."""
    if unit in ("dB", "dBu", "dBV", "deg"):
        return f"{value:.4g} {unit}" if abs(value) < 1 else f"{value:.3f} {unit}"
    return format_value(value, unit)
