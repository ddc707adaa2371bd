"""Plans of a bench whose scope is triggered by the generator's sync: which two records make a reading."""

from pathlib import Path

import pytest

from harness.errors import JobError
from harness.faults.margins import weigh_margins
from harness.job.faults import parse_fault
from harness.job.job import load_job
from harness.session.planned_job import PlannedJob, plan_job, read_job
from tests.cli.commands import switchwalk
from tests.drivers.own_profiles import profile_text
from tests.jobs import check_of, edit, job_in
from tests.session.test_common_trigger import switcher

PHASES = (check_of("phase", within="2 deg"), check_of("channel_phase_difference", within="1 deg"))
EXACT = ("# trigger_jitter_s = 20e-9", "trigger_jitter_s = 20e-9")


def planned(job: Path) -> PlannedJob:
    return plan_job(read_job(job), None)


def test_a_phase_is_of_the_port_s_record_and_of_one_of_the_driven_port(tmp_path: Path) -> None:
    plan = planned(switcher(tmp_path / "job", *PHASES)).plan
    made = {each.number: each for each in plan.acquisitions}
    assert {each.stimulus.kind for each in made.values()} == {"synced"}
    assert {stimulus.kind for stimulus in plan.stimuli} == {"pair"}  # of the through reference
    for reading in plan.readings:
        channels = ("left", "right") if reading.quantity.between_channels else (reading.measurand.channel,)
        wanted = [f"drive {side}.in, view {side}.{port}" for side in channels for port in ("out", "in")]
        assert [made[number].setup for number in reading.captures] == wanted
        assert {made[number].state.name for number in reading.captures} == {reading.measurand.state}
    # Both readings of a channel share its two records: four in each of two states.
    assert len(made) == 8


def test_a_setup_that_shows_both_ports_is_taken_where_there_is_one(tmp_path: Path) -> None:
    job = job_in(tmp_path / "job", *PHASES, states=["idle"])
    edit(job / "bench.toml", "[oscilloscope]", "[oscilloscope]\nsync_connected = true")
    assert {each.stimulus.kind for each in planned(job).plan.acquisitions} == {"pair"}


def test_the_setup_that_is_missing_is_named(tmp_path: Path) -> None:
    job = switcher(tmp_path / "job", *PHASES, check_of("crosstalk", below="-60 dB"))
    edit(job / "fixture.toml", 'view = ["left.in"]', 'view = ["left.a_send"]')
    edit(
        job / "fixture.toml",
        'drive = "left.in"\nview = ["right.out"]',
        'drive = "left.in"\nview = ["left.b_send"]',
    )
    with pytest.raises(JobError) as refused:
        load_job(job)
    messages = [mistake.message for mistake in refused.value.mistakes]
    assert len(messages) == 3
    assert all("same drive and plugs" in message for message in messages)
    assert 'expected a [[setup]] with drive = "left.in", view = ["left.in"]' in messages[0]
    assert messages[2].startswith("crosstalk needs left driven and both channels viewed, each in a setup")


def test_without_the_sync_the_plan_says_what_would_help(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    job = switcher(tmp_path / "job", *PHASES)
    edit(job / "bench.toml", "sync_connected = true\n", "")
    edit(job / "bench.toml", '"preamble-oscilloscope"', '"mine"')
    mine = profile_text("preamble-oscilloscope", {"inputs = 4": "inputs = 2"})
    (job / "mine.toml").write_text(mine, encoding="utf-8")
    printed = switchwalk(capsys, "plan", str(job))
    assert printed.code == 2
    assert "connect the generator's sync to the scope's external trigger input" in printed.err


@pytest.mark.parametrize(
    ("table", "profile", "without", "message"),
    [
        ("oscilloscope", "preamble-oscilloscope", "trigger_external", "no command trigger_external"),
        ("oscilloscope", "preamble-oscilloscope", "trigger_normal", "no command trigger_normal"),
        ("generator", "scpi-generator", "sync_source", "no command sync_source"),
        ("generator", "scpi-generator", "silence", "no commands silence and function_sine"),
    ],
)
def test_an_instrument_without_the_commands_is_refused(
    tmp_path: Path, table: str, profile: str, without: str, message: str
) -> None:
    job = switcher(tmp_path / "job", *PHASES)
    left_out = {without, "trigger_force"} if without == "trigger_normal" else {without}
    text = "\n".join(
        line for line in profile_text(profile).splitlines() if line.split(" =")[0] not in left_out
    )
    (job / "mine.toml").write_text(text, encoding="utf-8")
    edit(job / "bench.toml", f'"{profile}"', '"mine"')
    with pytest.raises(JobError) as refused:
        planned(job)
    (mistake,) = refused.value.mistakes
    assert mistake.key == "oscilloscope.sync_connected"
    assert message in mistake.message


def test_fault_coverage_counts_what_two_records_tell(tmp_path: Path) -> None:
    """Exchanged legs turn a phase by 180 degrees (closed form), which only the drive's own record shows."""
    margins = {}
    for name, jitter in (("one sample", {}), ("exact", dict([EXACT]))):
        job = switcher(tmp_path / name, *PHASES)
        (job / "mine.toml").write_text(profile_text("preamble-oscilloscope", jitter), encoding="utf-8")
        edit(job / "bench.toml", '"preamble-oscilloscope"', '"mine"')
        made = planned(job)
        fault = parse_fault("left.out legs swapped", made.job.module, made.job.fixture)
        weighed = weigh_margins(made.job, made.plan, [fault])
        for column, reading in enumerate(weighed.readings):
            key = (name, reading.measurand.quantity, reading.measurand.channel, reading.measurand.state)
            margins[key] = float(weighed.margins[0, column])
    # The limit is 2 degrees: 178 beyond it over k = 2 times 360 f t / √3, about 0.65 degrees for one sample.
    assert margins["one sample", "phase", "left", "idle"] == pytest.approx(178 / (2 * 0.65), rel=0.15)
    assert margins["exact", "phase", "left", "idle"] > 10 * margins["one sample", "phase", "left", "idle"]
    assert margins["exact", "phase", "right", "idle"] < 0
    assert margins["exact", "channel_phase_difference", "right", "idle"] > 100
