"""Changes of state in a plan: which, in which order, from which records, and what they cost."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.job.job import Job, load_job
from harness.job.state import State, StateChange, all_states, single_control_changes
from harness.plan.build import build_plan
from harness.plan.model import Plan, remaining_plan
from harness.plan.states import CHANGE_RECORD_S, estimate_time, walked
from harness.reading import Estimate, Reading, ReadingKey

JOB = Path(__file__).parents[2] / "sequences" / "two_loop_switcher"
IDLE, LOOP_A, SWAP = State(on=()), State(on=("loop_a",)), State(on=("swap",))


@pytest.fixture(scope="module")
def job() -> Job:
    """The shipped switcher with the checks of its changes of state alone."""
    whole = load_job(JOB)
    checks = tuple(check for check in whole.sequence.checks if check.quantity.family == "change")
    return replace(whole, sequence=replace(whole.sequence, checks=checks))


@pytest.fixture(scope="module")
def plan(job: Job) -> Plan:
    return build_plan(job, impedances=BenchImpedances())


@pytest.mark.parametrize("controls", [1, 2, 3, 4])
def test_every_line_has_two_edges_in_every_state_of_the_others(controls: int) -> None:
    # Closed form: each of n lines goes on and off in 2^(n - 1) states of the others, n 2^n in all.
    states = all_states([f"line_{index}" for index in range(controls)])
    changes = single_control_changes((*states, State(on=(), powered=False)))
    assert len(changes) == controls * 2**controls
    assert len(set(changes)) == len(changes)
    assert {change.direction for change in changes} == {"operate", "release"}


def test_a_race_has_both_directions_or_one() -> None:
    assert StateChange(before=LOOP_A, after=SWAP).direction == "mixed"
    assert StateChange(before=IDLE, after=State(on=("loop_a", "swap"))).direction == "operate"
    assert StateChange(before=LOOP_A, after=SWAP).controls == ("loop_a", "swap")


def test_changes_come_in_setups_whose_spare_input_sees_the_lines(plan: Plan) -> None:
    assert {visit.setup.name for visit in plan.visits if visit.changes} == {
        "drive left, view output and control lines",
        "drive right, view output and control lines",
    }


def test_one_record_serves_every_check_of_a_change(plan: Plan) -> None:
    # six changes of state between idle and three single lines; in tone and beside the terminated source; two
    # channels
    assert len(plan.changes) == 6 * 2 * 2
    in_tone = [reading for reading in plan.change_readings if plan.changes[0].number in reading.captures]
    assert [reading.quantity.name for reading in in_tone] == [
        "operate_time",
        "bounce_time",
        "bounce_time",
        "transfer_time",
        "transfer_time",
    ]
    assert [reading.measurand.port for reading in in_tone] == [
        "out",
        "out.hot",
        "out.cold",
        "out.hot",
        "out.cold",
    ]
    assert {reading.captures[0] for reading in plan.change_readings} == {
        change.number for change in plan.changes
    }


def test_each_change_begins_where_the_last_one_ended(plan: Plan) -> None:
    for visit in plan.visits:
        for before, after in pairwise(visit.changes):
            assert before.change.after == after.change.before


def test_the_open_leg_copies_what_the_load_lets_through(plan: Plan) -> None:
    # idle > loop_b opens right before the output: 10 kohm to the other leg, 1 Mohm to ground: 0.990, by hand;
    # and the other leg rises as its 50 ohm source no longer feeds 10 kohm into it: 1 + 50/10k.
    change = next(one for one in plan.changes if one.change.name == "idle > loop_b")
    assert change.places is not None
    old, opened = 0, 1
    both, alone = change.places[old, old], change.places[opened, old]
    copy, own = abs(alone[0, 1] / both[1, 1]), abs(alone[1, 1] / both[1, 1])
    assert copy == pytest.approx(0.9901 * 1.0050, abs=1e-3)
    assert own == pytest.approx(1.0048, abs=5e-4)


def test_in_silence_no_route_leads_anything_to_a_leg(plan: Plan) -> None:
    silent = [one for one in plan.changes if not one.stimulus.has_tone]
    assert silent
    assert {str(one.stimulus) for one in silent} == {"silence"}
    assert all(one.places is None for one in silent)


def test_a_line_that_moves_no_contact_of_a_route_gives_no_times_there(job: Job) -> None:
    """At a send that is always live, loop A's relay changes nothing: a missing gap would be no fault."""
    states = next(check.states for check in job.sequence.checks if check.name == "Operate time")
    timed = tuple(
        replace(check, at=("a_send",), states=states)
        for check in job.sequence.checks
        if check.name == "Bounce time"
    )
    setups = tuple(
        replace(setup, controls_viewed={}) for setup in job.fixture.setups if "sends" in setup.name
    )
    sends = replace(
        job,
        sequence=replace(job.sequence, checks=timed),
        fixture=replace(job.fixture, setups=setups),
    )
    readings = build_plan(sends, impedances=BenchImpedances()).change_readings
    result = {reading.measurand.state for reading in readings}
    assert result == {"idle > swap", "swap > idle"}


def test_records_and_moves_of_state_changes_are_counted(job: Job, plan: Plan) -> None:
    cost = estimate_time(plan, job)
    assert cost.acquisitions == len(plan.changes)
    assert cost.readings == plan.count == len(plan.change_readings)
    assert cost.unavoidable_s == pytest.approx(
        len(plan.changes) * CHANGE_RECORD_S + (len(walked(plan)) - len(plan.changes)) * 0.025
    )
    # each control line is energised once under either stimulus in both setups
    assert min(cost.operations.values()) >= 4


@pytest.mark.parametrize("kept", [0, 1, 5, 40])
def test_a_resumed_run_records_only_the_changes_that_are_left(plan: Plan, kept: int) -> None:
    keys = [planned.key for planned in plan.change_readings]
    left = remaining_plan(plan, [reading_of(key) for key in keys[:kept]])
    assert left.change_readings == plan.change_readings[kept:]
    assert {change.number for change in left.changes} == {
        change_reading.captures[0] for change_reading in left.change_readings
    }


def reading_of(key: ReadingKey) -> Reading:
    return Reading(
        key=key,
        unit="s",
        estimate=Estimate(
            value=1e-3,
            standard=1e-6,
            low=0.998e-3,
            high=1.002e-3,
            coverage_factor=2.0,
            floor=False,
            budget=(),
        ),
        expected=None,
        limit_low=None,
        limit_high=4e-3,
        verdict="pass",
        reason="",
        facts=(),
        acquisitions=(1,),
        route="",
        setup="",
    )
