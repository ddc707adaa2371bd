"""The matrix that one takes in at a look: a row for each state, a column for each port of each channel."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf

from harness.quantities.registry import QUANTITIES
from harness.reading import Reading, Verdict
from harness.report.words import describe, is_least, worst_verdict
from harness.units import format_value


@dataclass(frozen=True, kw_only=True)
class Cell:
    """One port in one state: its worst verdict, one value, and what else did not pass there.

    `anchor` is the index of the reading to go to, None where all passed.
    """

    verdict: Verdict
    value: str
    others: tuple[str, ...]
    anchor: int | None


@dataclass(frozen=True, kw_only=True)
class Matrix:
    """`columns[channel]` are ports; cells go by (state, channel, port). Channel "" is the whole unit."""

    states: tuple[str, ...]
    columns: Mapping[str, tuple[str, ...]]
    cells: Mapping[tuple[str, str, str], Cell]


def make_matrix(readings: Sequence[Reading]) -> Matrix:
    """Gather readings into cells, in the readings' order; a reading of one leg counts for its pair."""
    groups: dict[tuple[str, str, str], list[int]] = {}
    columns: dict[str, dict[str, None]] = {}
    for index, reading in enumerate(readings):
        port = _port(reading)
        measurand = reading.key.measurand
        columns.setdefault(measurand.channel, {})[port] = None
        groups.setdefault((measurand.state, measurand.channel, port), []).append(index)
    whole_unit = columns.pop("", None)
    if whole_unit is not None:
        columns[""] = whole_unit  # last
    return Matrix(
        states=tuple(dict.fromkeys(reading.key.measurand.state for reading in readings)),
        columns={channel: tuple(ports) for channel, ports in columns.items()},
        cells={place: _cell(readings, indices) for place, indices in groups.items()},
    )


def _port(reading: Reading) -> str:
    return reading.key.measurand.net or reading.key.measurand.quantity.replace("_", " ")


def _cell(readings: Sequence[Reading], indices: Sequence[int]) -> Cell:
    here = [readings[index] for index in indices]
    verdict = worst_verdict(here)
    main = min(here, key=_rank)
    others = dict.fromkeys(
        one.key.measurand.quantity.replace("_", " ")
        for one in here
        if one.verdict != "pass" and one.key.measurand.quantity != main.key.measurand.quantity
    )
    worst = next(index for index in indices if readings[index].verdict == verdict)
    return Cell(
        verdict=verdict,
        value=_short(main),
        others=tuple(others),
        anchor=None if verdict == "pass" else worst,
    )


def _rank(reading: Reading) -> tuple[float, int]:
    quantity = QUANTITIES.get(reading.key.measurand.quantity)
    rank = inf if quantity is None or quantity.matrix_rank is None else quantity.matrix_rank
    order: tuple[Verdict, ...] = ("fail", "unproven", "missing", "pass")
    return rank, order.index(reading.verdict)


def _short(reading: Reading) -> str:
    """Write a value in few characters; decibels without their unit, which the caption gives."""
    found = reading.estimate
    if found is None:
        return "missing"
    if reading.unit == "dB":
        bound = "> " if is_least(found) else "< " if found.floor else ""
        return f"{bound}{found.value:.2f}"
    return (
        describe(reading).value if reading.unit == "" else format_value(found.value, reading.unit, digits=3)
    )
