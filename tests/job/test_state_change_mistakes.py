"""Checks of changes of state, and control lines on spare inputs: what is read, and every mistake at its
place.
"""

from functools import partial
from pathlib import Path

import pytest

from harness.errors import JobError
from harness.job.job import Job, load_job
from harness.quantities.change import ClickOptions
from tests.jobs import check_of, job_in


def job_of(tmp_path: Path, changes: str, *, setup: str = "") -> Job:
    folder = job_in(tmp_path / "job", changes, states=["all", "unpowered"])
    if setup:
        with (folder / "fixture.toml").open("a") as file:
            file.write(setup)
    return load_job(folder)


@pytest.mark.parametrize(
    ("changes", "unit", "low", "high"),
    [
        (check_of("operate_time", below="4 ms"), "s", None, 4e-3),
        (check_of("transfer_time", between=["50 us", "2 ms"]), "s", 50e-6, 2e-3),
        (check_of("click_peak", below="10 mV"), "V", None, 10e-3),
        (check_of("click_energy", below="50 nV2s"), "V²s", None, 50e-9),
        (check_of("click_energy", below="1 uV²s"), "V²s", None, 1e-6),
        (check_of("click_duration", below="3 ms"), "s", None, 3e-3),
    ],
)
def test_limits_are_read_in_their_units(
    tmp_path: Path, changes: str, unit: str, low: float | None, high: float
) -> None:
    limit = job_of(tmp_path, changes).sequence.checks[0].limit
    assert limit is not None
    assert (limit.unit, limit.low) == (unit, pytest.approx(low) if low else None)
    assert limit.high == pytest.approx(high)


def test_a_click_is_looked_for_without_a_tone_unless_one_is_asked_for(tmp_path: Path) -> None:
    click = partial(check_of, "click_peak", band="audio", below="10 mV")
    read = job_of(tmp_path, click()).sequence.checks[0]
    assert read.tone.level_vrms == 0.0
    assert isinstance(read.options, ClickOptions)
    assert read.options.band == "audio"
    loud = job_of(tmp_path / "loud", click(level="+4 dBu")).sequence.checks[0]
    assert loud.tone.level_vrms == pytest.approx(1.2277, rel=1e-4)


def test_races_are_read_as_pairs_of_states(tmp_path: Path) -> None:
    check = job_of(
        tmp_path, check_of("transfer_time", above="20 us", also=["loop_a > loop_b", "idle > loop_a+swap"])
    ).sequence.checks[0]
    assert list(check.options.races) == ["loop_a > loop_b", "idle > loop_a+swap"]


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            check_of("bounce_time", below="3 mV"),
            'check[1].below: found "3 mV", whose unit is "V"; expected a',
        ),
        (check_of("bounce_time", below="3"), 'check[1].below: found "3", which has no unit'),
        (
            check_of("transfer_time", within="1 ms"),
            "check[1].within: transfer_time takes below, above, between only",
        ),
        (
            check_of("click_peek", below="3 mV"),
            "check[1].quantity: no such quantity; did you mean click_peak",
        ),
        (
            check_of("click_energy", below="3 mV"),
            'check[1].below: found "3 mV", whose unit is "V"; expected an energy in volts squared',
        ),
        (check_of("transfer_time", above="1 us", band="audio"), "check[1].band: belongs to a click_peak or"),
        (
            check_of("gain", within="1 dB", also=["idle > loop_a"]),
            "check[1].also: belongs to a click_peak or",
        ),
        (
            check_of("operate_time", below="4 ms", also=["idle > loop_a"]),
            "check[1].also: operate_time is of one control line that is energised; expected no races",
        ),
        (
            check_of("transfer_time", above="1 us", also=["idle"]),
            'check[1].also[1]: found "idle"; expected two',
        ),
        (
            check_of("transfer_time", above="1 us", also=["idle > unpowered"]),
            'check[1].also[1]: found "idle > unpowered"; expected two powered states',
        ),
    ],
)
def test_a_mistake_of_a_change_is_told(tmp_path: Path, changes: str, message: str) -> None:
    with pytest.raises(JobError) as error:
        job_of(tmp_path, changes)
    assert message in str(error.value)
    assert len(error.value.mistakes) == 1


@pytest.mark.parametrize(
    ("controls_viewed", "message"),
    [
        ("{ loop_a = 2 }", "controls_viewed.loop_a: found input 2; inputs 1 to 2 view the legs of left.out"),
        ("{ loop_a = 0 }", "controls_viewed.loop_a: found input 0"),
        (
            "{ loop_x = 3 }",
            "controls_viewed.loop_x: no such control line; module.toml has loop_a, loop_b, swap",
        ),
    ],
)
def test_a_line_on_a_wrong_input_is_told(tmp_path: Path, controls_viewed: str, message: str) -> None:
    setup = f"""
[[setup]]
name = "one more"
drive = "left.in"
view = ["left.out"]
loopbacks = ["pad_a", "pad_b"]
select = [6]
controls_viewed = {controls_viewed}
"""
    with pytest.raises(JobError) as error:
        job_of(tmp_path, check_of("bounce_time", below="3 ms"), setup=setup)
    assert message in str(error.value)
