"""High resolution and averaging: their noise is measured, and what an average would lose is taken plainly."""

import re
from pathlib import Path

import numpy as np
import pytest

from drivers.scope.oscilloscope import FineMode
from harness.errors import JobError
from harness.job.job import load_job
from harness.session.planned_job import plan_job
from tests.cli.commands import switchwalk
from tests.drivers.own_profiles import profile_text
from tests.drivers.profile_trials.cabled import cabled
from tests.drivers.zoo.rig import opened, wanted
from tests.drivers.zoo.scope import sine
from tests.drivers.zoo.scope_dialects import TenFields
from tests.drivers.zoo.test_scope_dialects import BIG
from tests.jobs import job_in

WORDS = BIG | {
    'trigger_normal = ":TRIGger:SWEep NORMal"': "",
    'trigger_force = ":TRIGger:FORCe"': "",
    ':ACQuire:POINts {points}"': ':ACQuire:POINts {points}"\n'
    'high_resolution = ":ACQuire:TYPE HRESolution"\n'
    'average = ":ACQuire:TYPE AVERage"\n'
    'average_count = ":ACQuire:COUNt {averages}"',
}
SWITCHER = Path(__file__).resolve().parents[3] / "sequences" / "two_loop_switcher"


def weak(n: int, time_s: np.ndarray) -> np.ndarray:
    """5 mV peak at n kHz, which no trigger finds in a range of volts."""
    return np.asarray(5e-3 * np.sin(2.0 * np.pi * 1e3 * n * time_s))


def noise_v(volts: np.ndarray) -> float:
    """Of a slow signal: half of it is in the differences of the differences."""
    return float(np.std(np.diff(volts, n=6)) / np.sqrt(924.0))  # sum of the squared binomials (closed form)


@pytest.mark.parametrize(
    ("fine", "quieter"),
    [(FineMode(high_resolution=True), 4.0), (FineMode(averages=16), 4.0), (FineMode(averages=64), 8.0)],
)
def test_a_finer_record_has_less_noise_and_one_of_a_change_is_plain(fine: FineMode, quieter: float) -> None:
    scope = TenFields()
    setting = wanted(1, 2, v_per_div=0.2, samples=10_000)
    with opened(scope, "preamble-oscilloscope", WORDS) as driver:
        plain = noise_v(driver.capture(setting).volts[0])
        driver.fine = fine
        assert noise_v(driver.capture(setting).volts[0]) == pytest.approx(plain / quieter, rel=0.15)
        driver.begin(setting)
        assert scope.finer == "plain"
    assert scope.unknown == []


def test_an_average_that_nothing_triggered_is_not_believed() -> None:
    scope = TenFields()
    scope.signal = weak
    with opened(scope, "preamble-oscilloscope", WORDS) as driver:
        driver.fine = FineMode(averages=16)
        volts = driver.capture(wanted(1, v_per_div=0.5, samples=10_000)).volts[0]
    assert not any("AVERage" in line for line in scope.heard)
    assert np.sqrt(2.0) * volts.std() == pytest.approx(5e-3, rel=0.1)


def test_an_average_in_which_the_signal_faded_is_not_believed() -> None:
    """A scope that leaves the trigger to chance although the signal is strong."""

    class Careless(TenFields):
        def faded(self, n: int, time_s: np.ndarray) -> np.ndarray:
            return np.zeros(time_s.size) if self.finer == "average" else sine(n, time_s)

    scope = Careless()
    scope.signal = scope.faded
    with opened(scope, "preamble-oscilloscope", WORDS) as driver:
        driver.fine = FineMode(averages=16)
        volts = driver.capture(wanted(1, v_per_div=0.2, samples=10_000)).volts[0]
    assert ":ACQuire:COUNt 16" in scope.heard
    assert np.ptp(volts) == pytest.approx(1.2, rel=0.05)


def test_an_average_is_triggered_by_the_input_that_shows_a_signal() -> None:
    scope = TenFields()
    scope.signal = lambda n, time_s: sine(n, time_s) if n == 2 else weak(n, time_s)
    with opened(scope, "preamble-oscilloscope", WORDS) as driver:
        driver.fine = FineMode(averages=16)
        setting = wanted(1, 2, v_per_div=0.5, samples=10_000)
        quiet = noise_v(driver.capture(setting).volts[0])
    sources = [line for line in scope.heard if "SOURce" in line and "TRIGger" in line]
    assert sources[-1].endswith("CHANnel2")
    assert quiet == pytest.approx(scope.noise_v / 4, rel=0.15)


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ("high_resolution = true", "preamble-oscilloscope has no command for that"),
        ("averages = 4", "preamble-oscilloscope has no command for that"),
        ("averages = 4\nhigh_resolution = true", "expected one of them"),
    ],
)
def test_what_the_scope_lacks_is_refused_in_the_plan(tmp_path: Path, keys: str, message: str) -> None:
    with pytest.raises(JobError, match=message):
        plan_with(tmp_path, keys, profile_text("preamble-oscilloscope"))


def test_averaging_needs_each_leg_driven_alone(tmp_path: Path) -> None:
    with pytest.raises(JobError, match="records that one of them triggers average out the other"):
        plan_with(tmp_path, "averages = 4", profile_text("preamble-oscilloscope", WORDS))
    plan_with(tmp_path / "high", "high_resolution = true", profile_text("preamble-oscilloscope", WORDS))


def plan_with(folder: Path, keys: str, profile: str) -> None:
    job = job_in(folder / "job", of=SWITCHER)
    bench = job / "bench.toml"
    text = bench.read_text(encoding="utf-8").replace("[oscilloscope]", f"[oscilloscope]\n{keys}")
    bench.write_text(text, encoding="utf-8")
    (job / "preamble-oscilloscope.toml").write_text(profile, encoding="utf-8")
    plan_job(load_job(job), None)


def test_the_profile_check_measures_what_each_saves(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("mine.toml").write_text(profile_text("preamble-oscilloscope", WORDS), encoding="utf-8")
    with cabled(TenFields()) as bench:
        bench.scope.noise_v = 2e-4
        printed = switchwalk(
            capsys, "profile", "check", "mine", "--address", bench.of_scope.address,
            "--beside", f"rms-generator={bench.of_generator.address}",
        )  # fmt: skip
    said = " ".join(printed.out.split())
    noises = re.search(r"finest range: ([0-9.]+) mV RMS, and ([0-9.]+) mV RMS with", said)
    assert noises is not None
    assert float(noises[1]) / float(noises[2]) == pytest.approx(4.0, rel=0.1)
    averaged = re.search(r"input 1: ([0-9.]+) mV RMS, and ([0-9.]+) mV RMS as an average of 16", said)
    assert averaged is not None
    assert float(averaged[1]) / float(averaged[2]) == pytest.approx(4.0, rel=0.1)
    assert "high_resolution:" not in said
