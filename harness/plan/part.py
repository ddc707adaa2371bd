"""The part of a plan that is made in one state. Pure."""

from dataclasses import replace

from harness.errors import UsageError, nearest
from harness.plan.model import Plan, PlannedReading
from harness.plan.remaining import only_these


def part_in_state(plan: Plan, state: str, hookup: str | None = None) -> Plan:
    """The levels of one state, in one hookup or in all, every waveform kept; numbered as in the whole plan.

    A reading that needs another hookup as well (a match between channels) is left out where one is named.
    `swap+loop_a` is the state that the plan calls `loop_a+swap`. Raises UsageError for a state or a hookup
    that the plan has no such readings in.
    """
    states = tuple(dict.fromkeys(reading.state.name for reading in plan.readings))
    alike = [name for name in states if set(name.split("+")) == set(state.split("+"))]
    if not alike:
        raise UsageError(_unknown("state", state, states))
    name = alike[0]
    hookup_of = {one.number: one.hookup for one in plan.acquisitions}
    visits = [visit for visit in plan.visits if any(here.state.name == name for here in visit.states)]
    hookups = tuple(visit.hookup.name for visit in visits)
    if hookup is not None and hookup not in hookups:
        raise UsageError(_unknown("hookup", hookup, hookups, f" in state {name}"))
    supplied = {
        visit.hookup.name
        for visit in visits
        for here in visit.states
        if here.state.name == name and here.judges_supply
    }

    def is_wanted(reading: PlannedReading) -> bool:
        if reading.state.name != name:
            return False
        where = {hookup_of[number] for number in reading.acquisitions} or supplied
        return hookup is None or where == {hookup}

    part = only_these(plan, tuple(filter(is_wanted, plan.readings)), (), ())
    return replace(part, keep_all=True)


def _unknown(what: str, name: str, known: tuple[str, ...], where: str = "") -> str:
    meant = nearest(name, known)
    hint = f"; do you mean {meant!r}?" if meant else "."
    return f"no {what} {name!r} is measured{where}{hint} There are: {', '.join(known)}"
