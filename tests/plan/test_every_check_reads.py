"""A check that would give no reading is refused before a run, at its line, with what would help."""

from dataclasses import replace
from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.errors import JobError
from harness.job.job import Job, load_job
from harness.job.sequence import Check, Tone
from harness.job.state import BECOMES, State
from harness.plan.build import build_plan, trial_plan
from harness.quantities.registry import QUANTITIES
from harness.reading import Limit

SEQUENCES = Path(__file__).resolve().parents[2] / "sequences"
DB, TIME = Limit(kind="below", unit="dB", high=-40.0), Limit(kind="below", unit="s", high=7e-3)
JOBS = {name: load_job(SEQUENCES / name) for name in ("two_loop_switcher", "source_selector")}


def states(*names: str) -> tuple[State, ...]:
    return tuple(
        State(on=tuple(part for part in name.split("+") if part not in ("idle", "unpowered")),
              powered=name != "unpowered")
        for name in names
    )  # fmt: skip


def job_with(name: str, *checks: Check) -> Job:
    job = JOBS[name]
    return replace(job, sequence=replace(job.sequence, checks=checks))


def check(name: str, fitted: tuple[State, ...] | None, **more: object) -> Check:
    """more: options of the quantity."""
    quantity = QUANTITIES[name]
    return Check(
        name=name,
        quantity=quantity,
        at=("out",) if quantity.at_ports else (),
        tone=Tone(frequency_hz=1e3, level_vrms=1.228),
        limit=TIME if quantity.family == "change" else DB,
        options=quantity.options(**more),
        line=7,
        states=fitted,
    )


def refusal(job: Job) -> str:
    with pytest.raises(JobError) as caught:
        build_plan(job, impedances=BenchImpedances())
    assert all(mistake.file == "sequence.toml" and mistake.line == 7 for mistake in caught.value.mistakes)
    return str(caught.value)


def test_a_gap_where_several_relays_move_at_once_is_refused_and_told_where_one_moves_alone() -> None:
    message = refusal(job_with("two_loop_switcher", check("transfer_time", states("idle", "swap"))))
    assert (
        "transfer time at left.out: several relays move at the same time (K3, K4, K5), and their gaps overlap"
        in message
    )
    assert "transfer time at right.out: several relays move at the same time (K8, K9, K10)" in message
    assert '"idle > loop_a"' in message


def test_a_gap_beside_a_silent_side_is_refused() -> None:
    """A selector's contact leaves one source, which is driven, and reaches another, which is not."""
    message = refusal(
        job_with("source_selector", check("transfer_time", states("idle", "select_low", "mute")))
    )
    assert "no contact is seen to leave one signal and to reach another" in message
    assert '"idle > dim"' in message


@pytest.mark.parametrize(
    "quantity", ["bounce_time", "transfer_time", "operate_time", "release_time", "click_peak"]
)
def test_states_without_a_change_of_one_line_are_refused(quantity: str) -> None:
    message = refusal(job_with("two_loop_switcher", check(quantity, states("idle", "loop_a+loop_b"))))
    assert "no two of its states differ by one control line" in message
    assert "loop_a" in message.partition("expected states with a change such as")[2]


def test_a_race_that_shows_nothing_is_refused_beside_changes_that_do() -> None:
    race = BECOMES.join(["loop_a", "loop_b"])
    message = refusal(
        job_with("two_loop_switcher", check("transfer_time", states("idle", "loop_a"), also=(race,)))
    )
    assert "in loop_a > loop_b: several relays move at the same time (K1, K2)" in message


@pytest.mark.parametrize(
    ("quantity", "fitted", "expected"),
    [
        (
            "response",
            states("mute"),
            "the drive does not reach this port; expected states in which it does, such as",
        ),
        ("phase", states("mute"), "the drive does not reach this port"),
        ("distortion", states("mute"), "the drive does not reach this port"),
        ("polarity", states("idle", "mute"), "gives no polarity in mute"),
        ("channel_gain_difference", states("mute"), "expected states in which it does"),
        ("supply_current", states("unpowered"), "none of its states has the relay supply on"),
        ("intermittency", states("mute+dim"), "control lines are operated one by one, from idle"),
        ("coupling_capacitance", states("idle"), "silent because of one open contact"),
    ],
)
def test_a_state_in_which_nothing_is_to_be_had_is_refused(
    quantity: str, fitted: tuple[State, ...], expected: str
) -> None:
    job = job_with("source_selector", check(quantity, fitted))
    if quantity == "coupling_capacitance":  # one source, so that no other is silent while it is selected
        kept = tuple(h for h in job.fixture.setups if h.through or "source 1" in h.name)
        job = replace(job, fixture=replace(job.fixture, setups=kept))
    assert expected in refusal(job)


def test_isolation_of_a_port_that_is_never_silent_is_refused() -> None:
    message = refusal(job_with("two_loop_switcher", check("isolation", states("idle", "loop_a"))))
    assert "the drive reaches this port; isolation needs" in message


def test_channels_cannot_be_matched_with_one_of_them() -> None:
    job = job_with("two_loop_switcher", check("channel_gain_difference", states("idle")))
    job = replace(job, sequence=replace(job.sequence, channels=("left",)))
    assert 'expected channels = "all"' in refusal(job)


def test_all_of_them_are_told_in_one_go() -> None:
    job = job_with(
        "source_selector",
        check("response", states("mute"), frequencies=["100 Hz"]),
        check("phase", states("mute")),
    )
    assert len(refusal(job).splitlines()) == 2


def test_a_job_that_is_only_tried_loses_such_checks_and_no_more() -> None:
    gap, bounce = check("transfer_time", states("idle", "swap")), check("bounce_time", states("idle", "swap"))
    plan = trial_plan(job_with("two_loop_switcher", gap, bounce), impedances=BenchImpedances())
    assert {reading.quantity.name for reading in plan.change_readings} == {"bounce_time"}


def test_no_line_is_operated_where_its_failing_could_not_be_seen() -> None:
    """What `dim` does to source 3 while source 1 is selected: ten good ones would prove nothing."""
    plan = build_plan(
        job_with("source_selector", check("intermittency", None, operations=10)), impedances=BenchImpedances()
    )
    lines = {(cycle.given.setup.split(" source ")[1][0], cycle.given.control) for cycle in plan.cycles}
    first = {("1", line) for line in ("select_low", "select_high", "mute", "dim")}
    assert lines == first | {("2", "select_low"), ("3", "select_high")}
