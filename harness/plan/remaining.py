"""What is left of a plan when some of its readings are there already. Pure."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace

from harness.errors import UsageError
from harness.plan.keys import planned_keys
from harness.plan.model import Cycle, EdgeReading, Plan, PlannedReading
from harness.reading import Reading


def remaining_plan(plan: Plan, recorded: Iterable[Reading]) -> Plan:
    """The plan for the readings that are not recorded yet, numbered as before.

    An acquisition is made again where a reading that is left needs it, even if another reading was made from
    it before. Raises UsageError for a recorded reading that the plan does not have.
    """
    there = Counter(reading.key for reading in recorded)
    left: list[PlannedReading] = []
    left_edges: list[EdgeReading] = []
    left_cycles: list[Cycle] = []
    for planned, key in planned_keys(plan):
        if there[key]:
            there[key] -= 1
        elif isinstance(planned, PlannedReading):
            left.append(planned)
        elif isinstance(planned, EdgeReading):
            left_edges.append(planned)
        else:
            left_cycles.append(planned)
    strangers = [key for key, count in there.items() if count]
    if strangers:
        check, measurand = strangers[0].check, strangers[0].measurand
        raise UsageError(
            f"{check!r}, {measurand.quantity} {measurand.where} in {measurand.state}, was recorded and is "
            "not in this plan: another version of switchwalk made it. Begin a new run"
        )
    return only_these(plan, tuple(left), tuple(left_edges), left_cycles)


def only_these(
    plan: Plan,
    left: tuple[PlannedReading, ...],
    left_edges: tuple[EdgeReading, ...],
    left_cycles: Sequence[Cycle],
) -> Plan:
    """A plan cut down to these readings and what they need, numbered as before."""
    needed = {number for planned in left for number in planned.acquisitions}
    supplies = {planned.state for planned in left if not planned.acquisitions}
    needed_edges = {edge.acquisition for edge in left_edges}
    visits = []
    for visit in plan.visits:
        states = tuple(
            replace(
                here,
                acquisitions=tuple(one for one in here.acquisitions if one.number in needed),
                judges_supply=here.judges_supply and here.state in supplies,
            )
            for here in visit.states
        )
        states = tuple(here for here in states if here.acquisitions or here.judges_supply)
        edges = tuple(edge for edge in visit.edges if edge.number in needed_edges)
        cycles = tuple(cycle for cycle in visit.cycles if cycle in left_cycles)
        if states or edges or cycles:
            visits.append(replace(visit, states=states, edges=edges, cycles=cycles))
    stimuli = {one.stimulus for visit in visits for here in visit.states for one in here.acquisitions}
    return replace(
        plan,
        visits=tuple(visits),
        readings=left,
        edge_readings=left_edges,
        predictions={number: made for number, made in plan.predictions.items() if number in needed},
        stimuli=tuple(stimulus for stimulus in plan.stimuli if stimulus in stimuli),
    )
