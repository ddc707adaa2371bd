"""A plan is complete before anything moves: what is read, from which acquisitions, in which order."""

from collections import Counter
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.errors import JobError
from harness.job.fixture import PortName, Setup
from harness.job.job import Job, load_job
from harness.job.module import Amplifier
from harness.job.state import State, all_states
from harness.measure.tones import choose_tones
from harness.plan import states
from harness.plan.build import build_plan
from harness.plan.model import Plan
from harness.plan.setups import lead_moves, ordered
from harness.plan.states import CHANGE_RECORD_S, estimate_time, expected_current_a
from tests.jobs import RELAY_CURRENT, job_in

SEQUENCES = Path(__file__).resolve().parents[2] / "sequences"
JOBS = ("two_loop_switcher", "source_selector", "stepped_attenuator")


@pytest.fixture(scope="module", params=JOBS)
def job(request: pytest.FixtureRequest) -> Job:
    return load_job(SEQUENCES / request.param)


@pytest.fixture(scope="module")
def plan(job: Job) -> Plan:
    return build_plan(job, impedances=BenchImpedances())


def test_every_state_is_visited_in_both_channels(job: Job, plan: Plan) -> None:
    for channel in job.module.channels:
        visited = {
            state.state.name
            for visit in plan.visits
            if visit.setup.drive is not None and visit.setup.drive.channel == channel
            for state in visit.states
        }
        assert visited == {state.name for state in job.sequence.states}


def test_acquisitions_are_numbered_in_the_order_they_are_made(plan: Plan) -> None:
    numbers = [acquisition.number for acquisition in plan.acquisitions]
    assert numbers == list(range(1, len(numbers) + 1))


def test_one_acquisition_serves_every_check_that_can_use_it(plan: Plan) -> None:
    keys = [
        (acquisition.setup, acquisition.state.name, acquisition.stimulus) for acquisition in plan.acquisitions
    ]
    assert len(keys) == len(set(keys))
    uses = Counter(number for reading in plan.of("steady", "residual") for number in reading.captures)
    assert set(uses) == set(range(1, len(keys) + 1))
    assert max(uses.values()) >= 4


def test_a_silent_port_is_judged_as_isolation_and_a_live_one_as_gain(job: Job, plan: Plan) -> None:
    gains = {check.name for check in job.sequence.checks if check.quantity.name == "gain"}
    for reading in plan.readings:
        if reading.key.check in gains:
            assert reading.quantity.at_silent_ports == (reading.route == "silent")


def test_nothing_that_needs_a_signal_is_read_where_there_is_none(plan: Plan) -> None:
    quiet = {reading.quantity.name for reading in plan.readings if reading.route == "silent"}
    assert quiet <= {"isolation", "leg_isolation", "dc_offset", "noise", "coupling_capacitance"}


def test_the_supply_current_is_judged_once_in_every_powered_state(job: Job, plan: Plan) -> None:
    judged = [reading.measurand.state for reading in plan.of("supply")]
    assert sorted(judged) == sorted(state.name for state in job.sequence.states if state.powered)
    visits = Counter(
        state.state.name for visit in plan.visits for state in visit.states if state.judges_supply
    )
    assert set(visits.values()) == {1}


def test_between_setups_no_relay_moves_because_the_walk_turns_round(plan: Plan) -> None:
    for before, after in pairwise(visit for visit in plan.visits if visit.states):
        assert before.states[-1].state == after.states[0].state


@pytest.mark.parametrize("controls", range(1, 8))
def test_all_combinations_of_the_lines_are_walked_in_a_gray_code(controls: int) -> None:
    # Gray, US patent 2,632,058 (1953): neighbours differ in one digit, and every word occurs once.
    walk = states.ordered(all_states([f"line_{index}" for index in range(controls)]))
    assert len({state.name for state in walk}) == 2**controls
    assert all(len(set(one.on) ^ set(other.on)) == 1 for one, other in pairwise(walk))


def test_a_gray_walk_operates_each_relay_as_seldom_as_it_can() -> None:
    # A Gray code of n lines toggles its lines 2^n - 1 times in all; half of the toggles operate, rounded up.
    module = load_job(SEQUENCES / "two_loop_switcher").module
    walk = states.ordered(all_states(module.control_names))
    counts = states.operations(module, walk)
    by_line = {relay.control: counts[relay.name] for relay in module.relays}
    assert by_line == {"loop_a": 2, "loop_b": 1, "swap": 1}


def test_no_share_is_taken_of_a_current_that_is_nothing(tmp_path: Path) -> None:
    """A module without a pilot lamp draws nothing in idle: a limit of 8 % of that is none."""
    edits = [("module.toml", 'quiescent = "6 mA"', 'quiescent = "0 A"')]
    plan = build_plan(
        load_job(job_in(tmp_path / "job", RELAY_CURRENT, states=["idle", "loop_a"], edits=edits)),
        impedances=BenchImpedances(),
    )
    assert [reading.measurand.state for reading in plan.state_readings] == ["loop_a"]


def test_the_predicted_current_is_quiescent_plus_twelve_volts_over_each_coil() -> None:
    # 140 mW coils of 1028 ohm draw 11.7 mA at 12 V: data sheet of a two-pole signal relay (Omron G6H-2).
    module = load_job(SEQUENCES / "two_loop_switcher").module
    assert expected_current_a(module, State(on=("loop_a",))) == pytest.approx(6e-3 + 2 * 11.67e-3, rel=1e-3)
    assert expected_current_a(module, State(on=module.control_names)) == pytest.approx(0.1227, rel=1e-3)
    assert expected_current_a(module, State(on=(), powered=False)) == 0.0


def setup(
    name: str, *, view: str, select: tuple[int, ...] | None = None, loopbacks: tuple[str, ...] = ()
) -> Setup:
    return Setup(
        name=name,
        through=False,
        drive=PortName(channel="left", net="in"),
        view=(PortName(channel="left", net=view),),
        loopbacks=loopbacks,
        select=select,
    )


def test_setups_that_need_hands_come_last_and_nearest_first() -> None:
    far = setup("far", view="b_send", loopbacks=("pad_a",))
    near = setup("near", view="out", loopbacks=("pad_a",))
    bare = setup("bare", view="out")
    chosen = ordered([far, bare, setup("by relay", view="out", select=(9,)), near])
    assert [one.name for one in chosen] == ["by relay", "bare", "near", "far"]
    assert lead_moves(bare, near) == 1
    assert lead_moves(bare, far) == 2


def test_polarity_through_an_amplifier_needs_the_drive_in_view() -> None:
    job = load_job(SEQUENCES / "two_loop_switcher")
    amplifier = Amplifier(
        name="A1", channel="left", from_net="in", to_net="out", gain=-1.0, input_ohm=1e4, output_ohm=100.0,
        common_mode_rejection_db=None,
    )  # fmt: skip
    views_output_only = tuple(
        one for one in job.fixture.setups if one.through or "sends" in one.name or "both outputs" in one.name
    )
    job = replace(
        job,
        module=replace(job.module, amplifiers=(amplifier,)),
        fixture=replace(job.fixture, setups=views_output_only),
        sequence=replace(
            job.sequence,
            checks=tuple(check for check in job.sequence.checks if check.quantity.name == "polarity"),
        ),
    )
    with pytest.raises(JobError, match="polarity and phase are read against the drive"):
        build_plan(job, impedances=BenchImpedances())


def test_a_job_by_hand_counts_the_time_of_moving_leads(job: Job) -> None:
    by_hand = tuple(replace(one, select=None) for one in job.fixture.setups)
    plan = build_plan(
        replace(job, fixture=replace(job.fixture, setups=by_hand)), impedances=BenchImpedances()
    )
    cost = estimate_time(plan, job)
    assert cost.hands_s >= 30.0 * len(plan.visits)
    assert cost.readings == plan.count


def test_the_estimate_is_settling_and_recording(job: Job, plan: Plan) -> None:
    cost = estimate_time(plan, job)
    tones_hz = [acquisition.stimulus.frequency_hz or 1e3 for acquisition in plan.acquisitions]
    records_s = sum(choose_tones(hz).duration_s for hz in tones_hz) + CHANGE_RECORD_S * len(plan.changes)
    settled = cost.state_changes - len(plan.changes)
    looks_s = 0.01 * 2 * sum(cycle.given.operations for cycle in plan.cycles)
    assert cost.unavoidable_s == pytest.approx(0.025 * settled + records_s + looks_s)
    assert cost.hands_s == 0.0
