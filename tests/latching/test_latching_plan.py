"""By which pulses latching relays reach a state, what is drawn, and which changes of state are recorded."""

from dataclasses import replace
from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.circuit.expand import is_operated
from harness.errors import JobError
from harness.job.job import load_job
from harness.job.state import State, StateChange
from harness.plan.build import build_plan
from harness.plan.pulses import as_recorded, in_pulse, pulse_s, pulses_between, pulses_to
from harness.plan.states import energised, estimate_time, expected_current_a, pulses_of
from tests.jobs import RELAY_CURRENT, check_of
from tests.latching.selector import selector, selector_in

JOB = selector()
MODULE = JOB.module
IDLE = State(on=())
LATCHING_A, MUTE_A = 12 / 720, 12 / 1028  # closed form, Ohm's law: the coils of module.toml


def on(*controls: str) -> State:
    return State(on=controls)


@pytest.mark.parametrize(
    ("state", "pulses"),
    [
        (IDLE, ("reserve_off", "clear")),
        (on("desk_on", "mute"), ("reserve_off", "clear", "desk_on")),
        (on("reserve_on", "truck_on"), ("reserve_off", "clear", "reserve_on", "truck_on")),
    ],
)
def test_from_anywhere_all_relays_are_reset_and_then_those_of_the_state_set(
    state: State, pulses: tuple[str, ...]
) -> None:
    assert pulses_to(MODULE, state) == pulses


@pytest.mark.parametrize(
    ("before", "after", "pulses"),
    [
        (IDLE, on("desk_on"), ("desk_on",)),
        (on("reserve_on", "desk_on"), on("desk_on"), ("reserve_off",)),
        (on("desk_on"), on("desk_on", "mute"), ()),
        (on("desk_on", "truck_on"), on("truck_on"), ("clear", "truck_on")),  # they share the reset line
        (on("desk_on", "truck_on"), IDLE, ("clear",)),
        (on("desk_on"), on("truck_on"), ("clear", "truck_on")),
    ],
)
def test_between_states_only_relays_that_change_are_pulsed(
    before: State, after: State, pulses: tuple[str, ...]
) -> None:
    assert pulses_between(MODULE, before, after) == pulses


def test_a_change_is_recorded_if_one_pulse_makes_it() -> None:
    made = as_recorded(MODULE, StateChange(before=on("desk_on", "truck_on"), after=IDLE))
    assert made is not None
    assert (made.controls, made.direction) == (("clear",), "release")
    assert as_recorded(MODULE, StateChange(before=on("desk_on", "truck_on"), after=on("truck_on"))) is None
    assert as_recorded(MODULE, StateChange(before=IDLE, after=on("desk_on", "mute"))) is None
    held = StateChange(before=on("desk_on"), after=on("desk_on", "mute"))
    assert as_recorded(MODULE, held) == held


@pytest.mark.parametrize(
    ("state", "drawn_a"),
    [
        (on("reserve_on", "desk_on", "truck_on"), 0.0),  # set, and no coil driven
        (State(on=(), pulsed="reserve_on"), LATCHING_A),
        (State(on=(), pulsed="clear"), 2 * LATCHING_A),
        (State(on=("mute",), pulsed="desk_on"), LATCHING_A + MUTE_A),
    ],
)
def test_a_latching_relay_draws_in_its_pulse_alone(state: State, drawn_a: float) -> None:
    assert expected_current_a(MODULE, state) == pytest.approx(MODULE.supply.quiescent_a + drawn_a)


def test_no_relay_is_ever_set_and_reset_together() -> None:
    for state in JOB.sequence.states:
        for control in pulses_to(MODULE, state):
            driven = in_pulse(MODULE, state, control)
            coils = [relay.coils for relay in MODULE.relays if relay.latches and energised(relay, driven)]
            assert all(control in pair for pair in coils)
            assert driven.pulsed == control


def test_a_pulse_lasts_twice_as_long_as_the_slowest_relay_needs() -> None:
    """Data sheets of latching signal relays ask for a pulse of at least twice the operate time: common
    practice, no source.
    """
    assert [pulse_s(MODULE, control) for control in MODULE.control_names[:-1]] == [0.008] * 5
    relays = (
        replace(relay, type=replace(relay.type, release_max_s=0.010)) if relay.name == "K3" else relay
        for relay in MODULE.relays
    )
    slow = replace(MODULE, relays=tuple(relays))
    assert pulse_s(slow, "clear") == pytest.approx(0.020)
    assert pulse_s(slow, "desk_on") == pytest.approx(0.008)


def test_power_off_keeps_what_is_set() -> None:
    (k2,) = [relay for relay in MODULE.relays if relay.name == "K2"]
    (k4,) = [relay for relay in MODULE.relays if relay.name == "K4"]
    assert is_operated(k2, State(on=("desk_on",), powered=False))
    assert not is_operated(k2, State(on=(), powered=False))
    assert not is_operated(k4, State(on=("mute",), powered=False))


def test_the_plan_has_every_pulse_judged_once_and_every_change_by_its_own_pulse() -> None:
    plan = build_plan(JOB, impedances=BenchImpedances())
    pulsed = [state for visit in plan.visits for state in visit.states if state.state.pulsed]
    assert [state.state.pulsed for state in pulsed] == list(MODULE.control_names[:-1])
    assert all(state.judges_supply and not state.acquisitions for state in pulsed)
    assert {(change.change.name, change.change.controls) for change in plan.changes} == {
        ("idle > desk_on", ("desk_on",)),
        ("desk_on > idle", ("clear",)),
        ("idle > truck_on", ("truck_on",)),
        ("truck_on > idle", ("clear",)),
        ("desk_on > reserve_on+desk_on", ("reserve_on",)),
        ("reserve_on+desk_on > desk_on", ("reserve_off",)),
    }
    assert [cycle.given.control for cycle in plan.cycles] == ["desk_on", "truck_on"]


def test_a_supply_that_cannot_give_what_a_pulse_draws_is_refused(tmp_path: Path) -> None:
    job = selector_in(
        tmp_path / "job",
        RELAY_CURRENT,
        states=["idle", "mute"],
        edits=[("module.toml", '"200 mA"', '"45 mA"')],
    )
    with pytest.raises(JobError) as caught:
        build_plan(load_job(job), impedances=BenchImpedances())
    assert "in state mute+clear pulsed the module draws 48 mA" in str(caught.value)


def test_a_race_that_takes_several_pulses_is_refused_in_words(tmp_path: Path) -> None:
    check = check_of("bounce_time", at=("truck",), below="3 ms", also=["desk_on > truck_on"])
    job = selector_in(tmp_path / "job", check, states=["idle", "desk_on", "truck_on"])
    with pytest.raises(JobError) as caught:
        build_plan(load_job(job), impedances=BenchImpedances())
    assert "it takes 2 pulses of latching relays' control lines, so no one edge makes it" in str(caught.value)


def test_a_race_of_a_pulse_and_a_held_line_is_refused_in_words(tmp_path: Path) -> None:
    check = check_of("bounce_time", at=("truck",), below="3 ms", also=["mute > truck_on"])
    job = selector_in(tmp_path / "job", check, states=["idle", "mute", "truck_on"])
    with pytest.raises(JobError) as caught:
        build_plan(load_job(job), impedances=BenchImpedances())
    assert "it takes a pulse of a latching relay and another control line, so no one edge" in str(
        caught.value
    )


def test_the_plan_counts_pulses_as_operations_and_their_time(tmp_path: Path) -> None:
    """Two states in one setup, by hand: desk_on is set once in it and once alone for its current; each of two
    reset lines is pulsed for either state and alone. 20 ms settle, and the switchboard's own.
    """
    job = load_job(selector_in(tmp_path / "job", RELAY_CURRENT, states=["idle", "desk_on"]))
    plan = build_plan(job, impedances=BenchImpedances())
    pulses = pulses_of(plan, job.module)
    assert {control: pulses.count(control) for control in job.module.control_names} == {
        "reserve_on": 1,
        "reserve_off": 3,
        "desk_on": 2,
        "truck_on": 1,
        "clear": 3,
        "mute": 0,
    }
    cost = estimate_time(plan, job)
    assert cost.operations == {"K1": 1, "K2": 2, "K3": 1, "K4": 0}
    states = 2 + 5
    assert cost.unavoidable_s == pytest.approx((states + len(pulses)) * job.settle_s + len(pulses) * 0.008)
