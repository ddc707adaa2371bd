"""The keys of planned readings: check and measurand, from the plan and the setup that each is taken in."""

from collections.abc import Iterator

from harness.job.fixture import Hookup
from harness.plan.model import Cycle, EdgeReading, Plan, PlannedReading
from harness.reading import Measurand, ReadingKey

UNDRIVEN = ("offset", "supply_current")
"""Quantities that are what they are whatever port the generator feeds."""


def key_of(planned: PlannedReading | EdgeReading | Cycle, hookup: Hookup | None) -> ReadingKey:
    """The key of a planned reading in the setup that it is taken in; None for the supply current."""
    if planned.quantity in UNDRIVEN:
        hookup = None
    told = planned.check.options
    options = {name: str(getattr(told, name)) for name in told.tells_apart}
    if hookup is not None and hookup.links:
        options["loopbacks"] = "+".join(sorted(hookup.links))
    return ReadingKey(
        check=planned.check.name,
        measurand=Measurand(
            quantity=planned.quantity,
            options=tuple(sorted(options.items())),
            state=planned.state.name,
            channel=planned.channel,
            port=planned.port,
            driven="" if hookup is None or hookup.drive is None else str(hookup.drive),
            frequency_hz=planned.frequency_hz,
        ),
    )


def planned_keys(plan: Plan) -> Iterator[tuple[PlannedReading | EdgeReading | Cycle, ReadingKey]]:
    """Every reading of a plan with its key: of states, of changes of state, and of operated lines."""
    hookups = {visit.hookup.name: visit.hookup for visit in plan.visits}
    taken_in = {acquisition.number: hookups[acquisition.hookup] for acquisition in plan.acquisitions}
    changed_in = {edge.number: hookups[edge.hookup] for edge in plan.edges}
    for planned in plan.readings:
        numbers = planned.acquisitions
        yield planned, key_of(planned, taken_in[numbers[-1]] if numbers else None)
    for edge in plan.edge_readings:
        yield edge, key_of(edge, changed_in[edge.acquisition])
    for cycle in plan.cycles:
        yield cycle, key_of(cycle, hookups[cycle.hookup])
