"""Steps that are taken out of a plan or put first: nothing is made twice, lost or made of half its captures.

The rules are set theory on the plan's own numbers, drawn at random; no outside source.
"""

import random
from collections import Counter
from dataclasses import replace

import pytest

from harness.circuit.elements import BenchImpedances
from harness.job.job import load_job
from harness.plan.build import build_plan
from harness.plan.chosen import Steps
from harness.plan.model import Plan
from harness.plan.steps import first_of, is_first, left_out, part_of, steps_of
from tests.jobs import SWITCHER


@pytest.fixture(scope="module")
def plan() -> Plan:
    return build_plan(load_job(SWITCHER), impedances=BenchImpedances())


def drawn(plan: Plan, seed: int) -> Steps:
    draw = random.Random(seed)
    every = steps_of(plan)
    return Steps(
        acquisitions=tuple(sorted(draw.sample(every.acquisitions, 12))),
        changes=tuple(sorted(draw.sample(every.changes, 2))),
        supplies=tuple(draw.sample(every.supplies, 3)),
    )


def made(plan: Plan) -> Counter[object]:
    """How often each thing is made: captures by number, judged currents by state, cycles by line."""
    counts: Counter[object] = Counter(each.number for each in plan.acquisitions)
    counts.update(("change", change.number) for change in plan.changes)
    counts.update(("cycle", cycle.given.control) for cycle in plan.cycles)
    counts.update(
        ("supply", state.state.name) for visit in plan.visits for state in visit.states if state.judges_supply
    )
    return counts


@pytest.mark.parametrize("seed", range(4))
def test_steps_put_first_change_nothing_but_the_order(plan: Plan, seed: int) -> None:
    steps = drawn(plan, seed)
    ordered = first_of(plan, steps)
    assert made(ordered) == made(plan)
    assert ordered.readings == plan.readings
    firsts = [is_first(visit, steps) for visit in ordered.visits]
    assert firsts == sorted(firsts, reverse=True), "a step that was to come first comes after others"
    leading = [visit for visit, first in zip(ordered.visits, firsts, strict=True) if first]
    numbers = {each.number for visit in leading for state in visit.states for each in state.acquisitions}
    assert numbers == set(steps.acquisitions)
    judged = {s.state.name for visit in leading for s in visit.states if s.judges_supply}
    assert judged == set(steps.supplies), "a current that was to be judged first is judged after others"


@pytest.mark.parametrize("seed", range(4))
def test_a_part_has_its_steps_once_and_every_reading_that_they_serve(plan: Plan, seed: int) -> None:
    steps = drawn(plan, seed)
    part = part_of(plan, steps)
    assert made(part) == (
        Counter(steps.acquisitions)
        + Counter(("change", number) for number in steps.changes)
        + Counter(("supply", name) for name in steps.supplies)
    )
    captures = {*steps.acquisitions, *steps.changes}
    for planned in plan.readings:
        match planned.quantity.family:
            case "supply":
                served = planned.measurand.state in steps.supplies
            case "cycle":
                served = False
            case _:
                served = set(planned.captures) <= captures
        assert (planned in part.readings) is served
    counts = left_out(plan.readings, part.readings)
    assert sum(each.readings for each in counts) == plan.count - part.count
    assert all(each.readings <= each.planned for each in counts)
    used = {each.stimulus for each in part.acquisitions}
    assert set(part.stimuli) == used & set(plan.stimuli)  # for the through reference, which has tones alone


def test_a_through_reference_that_hands_make_keeps_every_tone(plan: Plan) -> None:
    """It serves the next units too, and their runs may be whole."""
    assert plan.through is not None
    by_hand = replace(plan, through=replace(plan.through, select=None))
    assert part_of(by_hand, drawn(plan, 1)).stimuli == plan.stimuli


def test_all_steps_are_the_plan_but_for_lines_that_are_operated_again_and_again(plan: Plan) -> None:
    whole = part_of(plan, steps_of(plan))
    assert [one for one in plan.readings if one not in whole.readings] == list(plan.cycles)
