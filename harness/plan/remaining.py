"""Parts of a plan: what is left of it when some readings are there already, and what one state has. Pure."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace

from harness.errors import UsageError, nearest
from harness.plan.model import Plan, Planned
from harness.reading import Reading


def remaining_plan(plan: Plan, recorded: Iterable[Reading]) -> Plan:
    """The plan for the readings that are not recorded yet, numbered as before.

    An acquisition is made again where a reading that is left needs it, even if another reading was made from
    it before. Raises UsageError for a recorded reading that the plan does not have.
    """
    there = Counter(reading.key for reading in recorded)
    left: list[Planned] = []
    for planned in plan.readings:
        if there[planned.key]:
            there[planned.key] -= 1
        else:
            left.append(planned)
    strangers = [key for key, count in there.items() if count]
    if strangers:
        check, measurand = strangers[0].check, strangers[0].measurand
        raise UsageError(
            f"{check!r}, {measurand.quantity} {measurand.where} in {measurand.state}, was recorded and is "
            "not in this plan: another version of switchwalk made it. Start a new run"
        )
    return only_these(plan, left)


def part_in_state(plan: Plan, state: str, setup: str | None = None) -> Plan:
    """The levels of one state, in one setup or in all, every waveform kept; numbered as in the whole plan.

    A reading that needs another setup as well (a match between channels) is left out where one is named.
    `swap+loop_a` is the state that the plan calls `loop_a+swap`. Raises UsageError for a state or a setup
    that the plan has no such readings in.
    """
    states = tuple(dict.fromkeys(reading.measurand.state for reading in plan.state_readings))
    alike = [name for name in states if set(name.split("+")) == set(state.split("+"))]
    if not alike:
        raise UsageError(_unknown("state", state, states))
    name = alike[0]
    setup_of = {acquisition.number: acquisition.setup for acquisition in plan.acquisitions}
    visits = [visit for visit in plan.visits if any(here.state.name == name for here in visit.states)]
    setups = tuple(visit.setup.name for visit in visits)
    if setup is not None and setup not in setups:
        raise UsageError(_unknown("setup", setup, setups, f" in state {name}"))
    supplied = {
        visit.setup.name
        for visit in visits
        for here in visit.states
        if here.state.name == name and here.judges_supply
    }

    def is_wanted(reading: Planned) -> bool:
        if reading.measurand.state != name:
            return False
        where = {setup_of[number] for number in reading.captures} or supplied
        return setup is None or where == {setup}

    return replace(only_these(plan, filter(is_wanted, plan.state_readings)), keep_all=True)


def only_these(plan: Plan, left: Iterable[Planned]) -> Plan:
    """A plan cut down to these readings and what they need, numbered as before."""
    left = tuple(left)
    needed = {number for planned in left for number in planned.captures}
    supplies = {planned.measurand.state for planned in left if planned.quantity.family == "supply"}
    operated = [planned for planned in left if planned.quantity.family == "cycle"]
    visits = []
    for visit in plan.visits:
        states = tuple(
            replace(
                state,
                acquisitions=tuple(
                    acquisition for acquisition in state.acquisitions if acquisition.number in needed
                ),
                judges_supply=state.judges_supply and state.state.name in supplies,
            )
            for state in visit.states
        )
        states = tuple(state for state in states if state.acquisitions or state.judges_supply)
        changes = tuple(change for change in visit.changes if change.number in needed)
        cycles = tuple(cycle for cycle in visit.cycles if cycle in operated)
        if states or changes or cycles:
            visits.append(replace(visit, states=states, changes=changes, cycles=cycles))
    stimuli = {
        acquisition.stimulus
        for visit in visits
        for state in visit.states
        for acquisition in state.acquisitions
    }
    return replace(
        plan,
        visits=tuple(visits),
        readings=left,
        predictions={number: made for number, made in plan.predictions.items() if number in needed},
        stimuli=tuple(stimulus for stimulus in plan.stimuli if stimulus in stimuli),
    )


def _unknown(what: str, name: str, known: tuple[str, ...], where: str = "") -> str:
    meant = nearest(name, known)
    hint = f"; do you mean {meant!r}?" if meant else "."
    return f"no {what} {name!r} is measured{where}{hint} There are: {', '.join(known)}"
