"""Steps of a plan: some of them taken out as a plan of their own, or put before all the others."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from harness.errors import UsageError
from harness.plan.chosen import LeftOut, Steps
from harness.plan.model import Plan, Planned, SetupVisit, StateVisit
from harness.units import counted


def steps_of(plan: Plan) -> Steps:
    """All steps of a plan, but for control lines that are operated again and again."""
    supplies = (one.measurand.state for one in plan.readings if one.quantity.family == "supply")
    return Steps(
        acquisitions=tuple(acquisition.number for acquisition in plan.acquisitions),
        changes=tuple(change.number for change in plan.changes),
        supplies=tuple(dict.fromkeys(supplies)),
    )


def part_of(plan: Plan, steps: Steps) -> Plan:
    """These steps alone, with every reading that they serve; numbered as in the whole plan.

    The through reference has the tones of these steps; all tones where a person makes it, as it then serves
    other runs too. Raises UsageError for steps that the plan does not have.
    """
    numbers, changes = set(steps.acquisitions), set(steps.changes)
    known = {acquisition.number for acquisition in plan.acquisitions}
    strangers = len(numbers - known) + len(changes - {change.number for change in plan.changes})
    if strangers:
        raise UsageError(
            f"{counted(strangers, 'step')} that were chosen before are not in this plan: another version of "
            "switchwalk chose them. Start a new run"
        )
    visits = _with_supplies(plan, tuple(_visits(plan.visits, numbers, changes)), steps.supplies)
    judged = {state.state.name for visit in visits for state in visit.states if state.judges_supply}
    readings = tuple(one for one in plan.readings if _is_served(one, numbers, changes, judged))
    by_hand = plan.through is None or plan.through_by_hand
    stimuli = {
        acquisition.stimulus
        for visit in visits
        for state in visit.states
        for acquisition in state.acquisitions
    }
    return replace(
        plan,
        visits=visits,
        readings=readings,
        predictions={number: made for number, made in plan.predictions.items() if number in numbers},
        stimuli=tuple(each for each in plan.stimuli if by_hand or each in stimuli),
    )


def first_of(plan: Plan, steps: Steps) -> Plan:
    """The same plan with these steps before all others, where board channels make their setups.

    Such a setup is made twice, once for these steps and once for the rest. What hands make is made once.
    """
    numbers, changes = set(steps.acquisitions), set(steps.changes)
    by_board = tuple(visit for visit in plan.visits if visit.setup.select is not None)
    first = _with_supplies(
        replace(plan, visits=by_board), tuple(_visits(by_board, numbers, changes)), steps.supplies
    )
    judged = {state.state.name for visit in first for state in visit.states if state.judges_supply}
    result = list(first)
    for visit in plan.visits:
        result += [visit] if visit.setup.select is None else _rest(visit, numbers, changes, judged)
    return replace(plan, visits=tuple(result))


def is_first(visit: SetupVisit, steps: Steps) -> bool:
    """Whether a setup is made for nothing but these steps, by board channels."""
    acquisitions = {each.number for state in visit.states for each in state.acquisitions}
    changes = {change.number for change in visit.changes}
    return (
        visit.setup.select is not None
        and not visit.cycles
        and acquisitions <= set(steps.acquisitions)
        and changes <= set(steps.changes)
    )


def left_out(planned: Iterable[Planned], taken: Iterable[Planned]) -> tuple[LeftOut, ...]:
    """What is planned and not taken, by check and quantity, in the order of the plan."""
    planned = tuple(planned)
    here = Counter(map(id, taken))
    every = Counter((one.key.check, one.measurand.quantity) for one in planned)
    out = Counter((one.key.check, one.measurand.quantity) for one in planned if not here[id(one)])
    return tuple(
        LeftOut(check=check, quantity=quantity, readings=out[check, quantity], planned=count)
        for (check, quantity), count in every.items()
        if out[check, quantity]
    )


def _visits(visits: Sequence[SetupVisit], numbers: set[int], changes: set[int]) -> Iterator[SetupVisit]:
    for visit in visits:
        states = tuple(
            replace(state, acquisitions=taken, judges_supply=False)
            for state in visit.states
            if (taken := tuple(each for each in state.acquisitions if each.number in numbers))
        )
        wanted = tuple(change for change in visit.changes if change.number in changes)
        if states or wanted:
            yield replace(visit, states=states, changes=wanted, cycles=())


def _rest(visit: SetupVisit, numbers: set[int], changes: set[int], judged: set[str]) -> list[SetupVisit]:
    """What is left of a setup after its first steps; () if nothing is."""
    states = []
    for state in visit.states:
        left = tuple(each for each in state.acquisitions if each.number not in numbers)
        judges = state.judges_supply and state.state.name not in judged
        if left or judges:
            states.append(replace(state, acquisitions=left, judges_supply=judges))
    rest = tuple(change for change in visit.changes if change.number not in changes)
    if not (states or rest or visit.cycles):
        return []
    return [replace(visit, states=tuple(states), changes=rest)]


def _is_served(one: Planned, numbers: set[int], changes: set[int], judged: set[str]) -> bool:
    match one.quantity.family:
        case "supply":
            return one.measurand.state in judged
        case "change":
            return set(one.captures) <= changes
        case "cycle":
            return False
        case _:
            return set(one.captures) <= numbers


def _with_supplies(
    plan: Plan, visits: tuple[SetupVisit, ...], names: Iterable[str]
) -> tuple[SetupVisit, ...]:
    """Judge the supply's current in these states, in a setup that is made anyway where that is possible."""
    for name in names:
        here = next((visit for visit in visits if _state(visit, name)), None)
        if here is not None:
            judging = tuple(
                replace(state, judges_supply=state.judges_supply or state is _state(here, name))
                for state in here.states
            )
            visits = tuple(replace(each, states=judging) if each is here else each for each in visits)
            continue
        places = {id(visit.setup): visit for visit in plan.visits if _state(visit, name)}
        made = next((visit for visit in visits if id(visit.setup) in places), None)
        if made is not None:
            whole = places[id(made.setup)]
            added = replace(made, states=(*made.states, _judged(whole, name)))
            visits = tuple(added if each is made else each for each in visits)
        elif places:
            whole = next(iter(places.values()))
            visits = (*visits, replace(whole, states=(_judged(whole, name),), changes=(), cycles=()))
    return visits


def _state(visit: SetupVisit, name: str) -> StateVisit | None:
    return next((state for state in visit.states if state.state.name == name), None)


def _judged(visit: SetupVisit, name: str) -> StateVisit:
    state = next(state for state in visit.states if state.state.name == name)
    return replace(state, acquisitions=(), judges_supply=True)
