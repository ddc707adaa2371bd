"""The fixture's bill of materials."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from harness.job.fixture import Fixture, Termination
from harness.job.module import LEGS, Module
from harness.units import format_value
from harness.wiring.connectors import Fitted
from harness.wiring.plugs import USUAL_TOLERANCE, Chosen, Plug, choose

LINES_SUM_OHM = 10_000.0  # joins control lines on one scope input; any value will do where all are equal


@dataclass(frozen=True, kw_only=True)
class Needed:
    """One line of the bill."""

    count: int
    what: str
    where: str


def loads(module: Module, fixture: Fixture) -> tuple[Chosen, ...]:
    """Every resistor that ends a port: loads, then what is on the inputs that nothing drives."""
    chosen: list[Chosen] = []
    for channel in module.channels:
        for net, load in fixture.loads.items():
            chosen += _termination(f"load at {channel}.{net}", load)
        for port in module.ports:
            if port.role == "input" and fixture.undriven_inputs is not None:
                chosen += _termination(f"undriven {channel}.{port.net}", fixture.undriven_inputs)
    return tuple(chosen)


def bill(
    module: Module, fixture: Fixture, connectors: tuple[Fitted, ...], made: tuple[Plug, ...]
) -> tuple[Needed, ...]:
    """List connectors, then resistors of one value together."""
    lines = [
        Needed(count=1, what=f"{each.title}, mating with the unit's", where=each.name) for each in connectors
    ]
    where: dict[tuple[float, str], Counter[str]] = {}
    for value, series, place in _values(module, fixture, made):
        where.setdefault((value, series), Counter())[place] += 1
    for (value, series), places in sorted(where.items()):
        lines.append(
            Needed(
                count=places.total(),
                what=f"resistor {format_value(value, 'ohm')}, {100 * USUAL_TOLERANCE:g} %, {series}",
                where=", ".join(places),
            )
        )
    return tuple(lines)


def _values(module: Module, fixture: Fixture, made: tuple[Plug, ...]) -> Iterator[tuple[float, str, str]]:
    for plug in made:
        for each in plug.resistors:
            yield each.bought_ohm, each.series, f"plug {plug.link}"
    for each in loads(module, fixture):
        yield each.bought_ohm, each.series, "loads" if each.place.startswith("load") else "undriven inputs"
    joined = {
        (hookup.lines_on[line], line)
        for hookup in fixture.hookups
        for line in hookup.lines_on
        if list(hookup.lines_on.values()).count(hookup.lines_on[line]) > 1
    }
    for _ in joined:
        yield LINES_SUM_OHM, "E24", "control lines to the scope"


def _termination(place: str, end: Termination) -> Iterator[Chosen]:
    if end.across_ohm is not None:
        yield choose(place, end.across_ohm, end.tolerance)
    if end.leg_ohm is not None:
        for leg in LEGS:
            yield choose(f"{place} {leg} to ground", end.leg_ohm, end.tolerance)
