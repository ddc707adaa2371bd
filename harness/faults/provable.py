"""Which limits of a plan a good unit can't be proven to keep on its bench, and which the bench makes wide."""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any, TypeVar

from harness.faults.margins import SURE, describe
from harness.job.job import Job
from harness.plan.limits import GoodUnit, tolerances_of
from harness.plan.model import Plan, Planned
from harness.quantities.tolerance import OF_INPUTS, OF_PARTS, THROUGH, GoodSpread
from harness.reading import Limit
from harness.units import format_difference, format_value

NOTHING = 0.01  # of an obstacle
COMPUTED = "Limits from the tolerance of parts:"
UNPROVABLE = "Limits that good units may not be proven to keep on this bench:"
SWAPPED_THROUGH = "a second [[setup]] with through = true, and with inputs_swapped = true"
SWAPPED = "a copy of the setup with inputs_swapped = true"


@dataclass(frozen=True, kw_only=True)
class Obstacle:
    """The line of a budget that takes most of a limit.

    expanded: its uncertainty, in `unit`; rest: without it. is_level: both are the level that it is worth by
    itself, where nearly nothing is shown. helps: what makes it less; "" if nothing is known to.
    """

    line: str
    expanded: float
    rest: float
    unit: str
    is_level: bool
    helps: str

    def __str__(self) -> str:
        rest = f"; without it {self._amount(self.rest)}" if self._has_rest else ""
        helps = f". What helps: {self.helps}" if self.helps else ""
        return f"{self.line} {self._amount(self.expanded)}{rest}{helps}"

    @property
    def _has_rest(self) -> bool:
        """Whether there is anything else worth telling of."""
        return math.isfinite(self.rest) and (self.is_level or self.rest > NOTHING * self.expanded)

    def _amount(self, value: float) -> str:
        return f"as of {format_value(value, self.unit)}" if self.is_level else plus_minus(value, self.unit)


@dataclass(frozen=True, kw_only=True)
class TightLimit:
    """A reading whose limit a good unit may not be proven to keep: what is uncertain reaches past it.

    margin: expanded uncertainties between a nominal unit and the limit; below 1. obstacle: None for a
    polarity.
    """

    reading: str
    check: str
    limit: str
    margin: float
    obstacle: Obstacle | None


@dataclass(frozen=True, kw_only=True)
class ComputedLimit:
    """A limit that comes from the tolerance of parts.

    alone: what it would be on a bench without errors. obstacle: None if the parts take most of it.
    """

    reading: str
    check: str
    limit: Limit
    alone: Limit
    obstacle: Obstacle | None


def tight_limits(job: Job, plan: Plan) -> tuple[TightLimit, ...]:
    """Readings whose limits the spread of good parts, and the bench's own uncertainty, reach past.

    A limit that comes from the tolerance of parts is none: it is where good units keep it.
    """
    unit = GoodUnit(job, plan)
    result = []
    for reading in plan.state_readings:
        limit = reading.limit
        if limit is not None and limit.tolerance:
            continue
        estimates = reading.quantity.predict(reading, unit)
        if estimates is None:
            continue
        margin = estimates.margins(limit).inside
        if margin >= SURE:
            continue
        spreads = () if limit is None else estimates.spreads(limit)
        result.append(
            TightLimit(
                reading=describe(reading),
                check=reading.key.check,
                limit=limit_words(limit),
                margin=float(margin),
                obstacle=_obstacle(reading, plan, spreads, unit.coverage_factor),
            )
        )
    return tuple(result)


def computed_limits(job: Job, plan: Plan) -> tuple[ComputedLimit, ...]:
    """The limits that come from the tolerance of parts. Raises CircuitError."""
    if not any(reading.limit is not None and reading.limit.tolerance for reading in plan.readings):
        return ()
    made = tolerances_of(job, plan)
    result = []
    for reading, spreads in made.readings:
        if reading.limit is None or not spreads:
            continue
        spread = max(spreads, key=made.good.width)
        mostly = made.good.width(spread, bench=False) < made.good.width(spread) / 2
        k = job.sequence.coverage_factor
        result.append(
            ComputedLimit(
                reading=describe(reading),
                check=reading.key.check,
                limit=reading.limit,
                alone=made.good.limit(spreads, reading.limit, bench=False),
                obstacle=_obstacle(reading, plan, [spread], k, bench_alone=True) if mostly else None,
            )
        )
    return tuple(result)


def _obstacle(
    reading: Planned, plan: Plan, spreads: Sequence[GoodSpread], k: float, *, bench_alone: bool = False
) -> Obstacle | None:
    """The largest line of the largest spread. A prediction that a limit lies round has its parts as well."""
    if not spreads:
        return None
    spread = max(spreads, key=lambda each: math.hypot(each.run_standard, *each.parts.values()))
    lines = {**spread.bench, **spread.known}
    if not bench_alone:
        twice = math.sqrt(2) if reading.limit is not None and reading.limit.kind == "within" else 1.0
        lines[OF_PARTS] = twice * math.hypot(*spread.parts.values())
    line = max(lines, key=lambda name: lines[name])
    rest = math.hypot(*(standard for name, standard in lines.items() if name != line))
    amount = spread.shown if spread.any_way else spread.in_unit
    return Obstacle(
        line=line,
        expanded=amount(k * lines[line]),
        rest=amount(k * rest),
        unit=reading.quantity.unit,
        is_level=spread.any_way,
        helps=_helps(line, spread, reading, plan),
    )


def _helps(line: str, spread: GoodSpread, reading: Planned, plan: Plan) -> str:
    if line != OF_INPUTS:
        return spread.helps(line)
    if plan.through is None:
        return THROUGH
    if plan.swapped_through is None:
        return SWAPPED_THROUGH
    swapped = any(view.swapped for view in getattr(reading.given, "views", ()))
    return SWAPPED if reading.quantity.inputs_swapped and not swapped else ""


def limit_words(limit: Limit | None) -> str:
    """`within 0.3 dB`, `below -80 dB`; "as predicted" if there is none."""
    if limit is None:
        return "as predicted"
    unit = "%" if limit.relative else limit.unit
    ends = (format_value(end, unit) for end in (limit.low, limit.high) if end is not None)
    return f"{limit.kind} {' to '.join(ends)}"


def tight_sentences(tight: Iterable[TightLimit]) -> Iterator[str]:
    """For each check its worst limit, and what is in the way."""
    for check, its in _by_check(tight).items():
        worst = min(its, key=lambda each: each.margin)
        more = f" and {len(its) - 1} more" if len(its) > 1 else ""
        why = f": {worst.obstacle}" if worst.obstacle else ""
        yield f"{check}, {worst.limit}, {worst.reading}{more}{why}"


def tight_data(tight: Iterable[TightLimit]) -> list[dict[str, Any]]:
    """The same for another program."""
    return [
        {
            "reading": each.reading,
            "check": each.check,
            "limit": each.limit,
            "margin": _finite(each.margin),
            "obstacle": _obstacle_data(each.obstacle),
        }
        for each in tight
    ]


def computed_sentences(limits: Iterable[ComputedLimit]) -> Iterator[str]:
    """For each check the range of its limits; and what they would be but for the bench, if it takes most."""
    for check, its in _by_check(limits).items():
        ordered = sorted((each.limit for each in its), key=_size)
        narrow, wide = _words(ordered[0]), _words(ordered[-1])
        ends = wide if narrow == wide else f"{narrow} to {wide.removeprefix(f'{ordered[-1].kind} ')}"
        of_bench = [each for each in its if each.obstacle is not None]
        why = ""
        if of_bench:
            worst = max(of_bench, key=lambda each: _size(each.limit) - _size(each.alone))
            why = (
                f". Without the bench's errors {_words(worst.alone)} in place of {_words(worst.limit)}, "
                f"{worst.reading}: {worst.obstacle}"
            )
        yield f"{check}: {ends}{why}"


def computed_data(limits: Iterable[ComputedLimit]) -> list[dict[str, Any]]:
    """The same for another program."""
    return [
        {
            "reading": each.reading,
            "check": each.check,
            "low": each.limit.low,
            "high": each.limit.high,
            "unit": each.limit.unit,
            "alone": {"low": each.alone.low, "high": each.alone.high},
            "obstacle": _obstacle_data(each.obstacle),
        }
        for each in limits
    ]


def _size(limit: Limit) -> float:
    """By which limits of one kind are put in order: the wider, the more."""
    low, high = limit.low, limit.high
    if low is None:
        return math.nan if high is None else high
    return -low if high is None else (high - low) / 2


def _words(limit: Limit) -> str:
    both = limit.low is not None and limit.high is not None
    return plus_minus(_size(limit), limit.unit) if both else limit_words(limit)


def plus_minus(value: float, unit: str) -> str:
    """`± 0.18 dB`."""
    return f"± {format_difference(value, unit, digits=2)}"


def _finite(value: float | None) -> float | None:
    """JSON has no infinity."""
    return value if value is not None and math.isfinite(value) else None


def _obstacle_data(obstacle: Obstacle | None) -> dict[str, Any] | None:
    if obstacle is None:
        return None
    return asdict(obstacle) | {"expanded": _finite(obstacle.expanded), "rest": _finite(obstacle.rest)}


Limited = TypeVar("Limited", TightLimit, ComputedLimit)


def _by_check(limits: Iterable[Limited]) -> dict[str, list[Limited]]:
    result: dict[str, list[Limited]] = {}
    for each in limits:
        result.setdefault(each.check, []).append(each)
    return result
