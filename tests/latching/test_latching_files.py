"""How a module with latching relays and its states are written, and what is refused of them."""

from pathlib import Path

import pytest

from harness.errors import JobError
from harness.job.job import load_job
from harness.job.state import State, parse_state
from tests.jobs import RELAY_CURRENT, check_of
from tests.latching.selector import selector, selector_in

CONTROLS = ("reserve_on", "desk_on", "truck_on", "mute")
SETS, RESETS = ("reserve_on", "desk_on", "truck_on"), ("reserve_off", "clear")


def refusals(folder: Path) -> list[str]:
    with pytest.raises(JobError) as caught:
        load_job(folder)
    return [mistake.message for mistake in caught.value.mistakes]


def test_a_state_names_lines_that_set_and_lines_that_are_held_and_never_one_that_resets() -> None:
    module = selector().module
    assert module.state_controls == CONTROLS
    assert module.set_controls == SETS
    assert module.reset_controls == RESETS


@pytest.mark.parametrize(
    ("text", "state", "name"),
    [
        ("mute + desk_on", State(on=("desk_on", "mute")), "desk_on+mute"),
        ("idle", State(on=()), "idle"),
        ("unpowered", State(on=(), powered=False), "unpowered"),
        ("unpowered+desk_on", State(on=("desk_on",), powered=False), "desk_on+unpowered"),
    ],
)
def test_a_state_is_read_with_the_relays_that_keep_their_side(text: str, state: State, name: str) -> None:
    read = parse_state(text, CONTROLS, sets=SETS, resets=RESETS)
    assert (read, read.name) == (state, name)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (
            "desk_on+clear",
            'found state "desk_on+clear": clear resets latching relays; a state names the control lines of '
            "the relays that are set, and resets the others itself, so leave clear out",
        ),
        (
            "mute+unpowered",
            'found state "mute+unpowered"; expected beside unpowered only control lines that set latching '
            "relays: mute does nothing without the relay supply",
        ),
    ],
)
def test_a_state_that_cannot_be_is_refused_in_words(text: str, why: str, tmp_path: Path) -> None:
    assert refusals(selector_in(tmp_path / "job", RELAY_CURRENT, states=["idle", text])) == [why]


def test_all_states_are_those_of_relays_set_and_lines_held(tmp_path: Path) -> None:
    states = load_job(selector_in(tmp_path / "job", RELAY_CURRENT, states=["all"])).sequence.states
    assert len(states) == 2**4  # closed form: three sets of latching relays and a mute
    assert {control for state in states for control in state.on} == set(CONTROLS)


@pytest.mark.parametrize(
    ("before", "after", "why"),
    [
        (
            'reset_control = "reserve_off"',
            'reset_control = "reserve_on"',
            "the same control line sets and resets; expected two",
        ),
        (
            'set_control = "desk_on"',
            'set_control = "reserve_off"',
            "reserve_off sets this relay and resets the one at line 46; expected a control line that does "
            "the same to all its relays",
        ),
        (
            'control = "mute"',
            'control = "clear"',
            "clear energises this relay and resets the one at line 53; expected a control line that does the "
            "same to all its relays",
        ),
    ],
)
def test_a_control_line_that_would_set_and_reset_at_once_is_refused(
    before: str, after: str, why: str, tmp_path: Path
) -> None:
    checks = check_of("gain", at=("desk",), within="0.2 dB")
    job = selector_in(tmp_path / "job", checks, states=["idle"], edits=[("module.toml", before, after)])
    assert why in refusals(job)
