"""What is left of a plan when some of its readings are there already. Pure."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace

from harness.errors import UsageError
from harness.plan.model import Cycle, EdgeReading, Plan, PlannedReading
from harness.reading import Reading

Key = tuple[str, str, str, str, str, str, float | None]


def remaining_plan(plan: Plan, recorded: Iterable[Reading]) -> Plan:
    """The plan for the readings that are not recorded yet, numbered as before.

    An acquisition is made again where a reading that is left needs it, even if another reading was made from
    it before. Raises UsageError for a recorded reading that the plan does not have.
    """
    hookups = {acquisition.number: acquisition.hookup for acquisition in plan.acquisitions}
    there = Counter(_key_of(reading) for reading in recorded)
    left: list[PlannedReading] = []
    for planned in plan.readings:
        key = _planned_key(planned, hookups)
        if there[key]:
            there[key] -= 1
        else:
            left.append(planned)
    left_edges: list[EdgeReading] = []
    edge_hookups = {edge.number: edge.hookup for edge in plan.edges}
    for edge in plan.edge_readings:
        key = _edge_key(edge, edge_hookups[edge.acquisition])
        if there[key]:
            there[key] -= 1
        else:
            left_edges.append(edge)
    left_cycles: list[Cycle] = []
    for cycle in plan.cycles:
        key = _cycle_key(cycle)
        if there[key]:
            there[key] -= 1
        else:
            left_cycles.append(cycle)
    strangers = [key for key, count in there.items() if count]
    if strangers:
        check, quantity, state, channel, port, *_ = strangers[0]
        place = " ".join(filter(None, (channel, port)))
        raise UsageError(
            f"{check!r}, {quantity} {place} in {state}, was recorded and is not in this plan: another "
            "version of switchwalk made it. Begin a new run"
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


def _planned_key(planned: PlannedReading, hookups: dict[int, str]) -> Key:
    hookup = hookups[planned.acquisitions[-1]] if planned.acquisitions else ""
    name, state = planned.check.name, planned.state.name
    return name, planned.quantity, state, planned.channel, planned.port, hookup, planned.frequency_hz


def _edge_key(planned: EdgeReading, hookup: str) -> Key:
    name, edge = planned.check.name, planned.edge.name
    return name, planned.quantity, edge, planned.channel, planned.port, hookup, planned.frequency_hz


def _cycle_key(planned: Cycle) -> Key:
    name, state = planned.check.name, planned.state.name
    return name, planned.quantity, state, planned.channel, planned.port, planned.hookup, planned.frequency_hz


def _key_of(reading: Reading) -> Key:
    name, hz = reading.check, reading.frequency_hz
    return name, reading.quantity, reading.state, reading.channel, reading.port, reading.hookup, hz
