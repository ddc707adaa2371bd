"""A whole run with a generator for each leg: each has a clock of its own, and is driven alone."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from drivers.bench import open_bench
from harness.bench_file import load_bench
from harness.errors import BenchError, JobError
from harness.session.planned_job import plan_job, read_job
from tests.cli.commands import switchwalk
from tests.drivers.own_profiles import profile_text
from tests.foreign.bench import ForeignBench
from tests.foreign.box import Unit
from tests.foreign.test_foreign_bench import expect_hand_made_gains, run
from tests.foreign.test_one_frequency import JOB, OneFrequency
from tests.foreign.world import World
from tests.jobs import RELAY_CURRENT, check_of, job_in

CLOCKS = [1 + 60e-6, 1 - 35e-6]  # crystals of inexpensive generators, common practice, no source


class OneLeg:
    """The world as a generator with one output sees it: whatever it drives is its own leg."""

    def __init__(self, world: World, leg: int) -> None:
        self._world, self._leg = world, leg

    def drive(self, output: int, **changes: float) -> None:
        if output == 1:
            self._world.drive(self._leg, **changes)

    def output(self, output: int) -> Any:
        return self._world.output(self._leg)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._world, name)


class TwoGenerators:
    """Both, in the place of the foreign bench's one; both_driven: whether both ever gave a tone at once."""

    def __init__(self, world: World) -> None:
        legs: Any = [OneLeg(world, 1), OneLeg(world, 2)]
        world.clocks = list(CLOCKS)
        self.legs = [OneFrequency(leg) for leg in legs]
        self.address = self.legs[0].address

    def start(self) -> None:
        for leg in self.legs:
            leg.start()

    def close(self) -> None:
        for leg in self.legs:
            leg.close()

    @property
    def all_errors(self) -> list[int]:
        return [error for leg in self.legs for error in leg.all_errors]


class TwoOnTheBench(ForeignBench):
    """The foreign bench with a generator for each leg."""

    def __init__(self, unit: Unit) -> None:
        two: Any = TwoGenerators
        super().__init__(unit, generator=two)

    def write(self, path: Path, *, scope_profile: str = "preamble-oscilloscope") -> Path:
        super().write(path, scope_profile=scope_profile)
        legs: Any = self.generator
        tables = "\n".join(
            f'[generator.{name}]\naddress = "{leg.address}"\nprofile = "one-output"\n'
            for name, leg in zip(("hot", "cold"), legs.legs, strict=True)
        )
        text = re.sub(r"(?s)\[generator\].*?\n\n", tables + "\n", path.read_text(encoding="utf-8"))
        path.write_text(text, encoding="utf-8")
        one = profile_text("one-frequency-generator", {"outputs = 2": "outputs = 1"})
        (path.parent / "one-output.toml").write_text(one, encoding="utf-8")
        return path


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_the_gains_are_those_of_the_circuit_though_the_clocks_differ(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """At 20 kHz the legs are 1.9 Hz apart, 1.2 rad in a record: one clock for both would not fit them."""
    job = job_in(
        tmp_path / "job",
        check_of("gain", within="0.2 dB"),
        check_of("gain", name="treble", frequency="20 kHz", within="0.5 dB"),
        check_of("leg_gain_difference", within="0.3 dB"),
        RELAY_CURRENT,
        of=JOB,
        states=["idle", "insert"],
        settle="10 ms",
    )
    unit = Unit()
    ran = run(capsys, job, TwoOnTheBench(unit))
    assert ran.printed.code == 0, ran.printed.out + ran.printed.err
    assert ran.safe
    expect_hand_made_gains(ran, unit)


def test_the_bench_check_sees_both_legs_through(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with TwoOnTheBench(Unit()) as bench:
        file = bench.write(tmp_path / "bench.toml")
        printed = switchwalk(capsys, "bench", str(JOB), "--bench", str(file))
        assert bench.is_safe()
    assert printed.code == 0, printed.out
    assert "seen on inputs 1 to 4, as set" in " ".join(printed.out.split())


def test_the_plan_says_what_is_lost_and_refuses_what_needs_both_legs_at_once(tmp_path: Path) -> None:
    with TwoOnTheBench(Unit()) as standing:
        bench = standing.write(tmp_path / "bench.toml")
        levels = job_in(tmp_path / "levels", check_of("polarity"), of=JOB, states=["idle", "insert"])
        (note,) = plan_job(read_job(levels, bench), bench).notes
        assert "share no clock" in note
        for quantity, more in (("operate_time", {"below": "5 ms"}), ("distortion", {"below": "0.1 %"})):
            job = job_in(tmp_path / quantity, check_of(quantity, **more), of=JOB, states=["idle", "insert"])
            with pytest.raises(JobError, match="two generators share no clock"):
                plan_job(read_job(job, bench), bench)


def test_both_are_left_off_if_one_of_them_fails(tmp_path: Path) -> None:
    with TwoOnTheBench(Unit()) as standing:
        file = standing.write(tmp_path / "bench.toml")
        legs: Any = standing.generator
        with pytest.raises(BenchError, match=r"NOT SAFE.*generator cold"), leaving(file, tmp_path):
            legs.legs[1].close()
        assert not standing.world.output(1).on


@contextmanager
def leaving(file: Path, folder: Path) -> Iterator[None]:
    with open_bench(load_bench(file), folder=folder, marked=False) as bench:
        for output in (1, 2):
            bench.generator.sine(output, frequency_hz=1e3, amplitude_vpp=0.1)
            bench.generator.switch(output, on=True)
        yield


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("[generator.cold]", "[generator.cool]", "generator: expected a table [generator.cold]"),
        (
            'profile = "one-output"\n',
            'profile = "one-output"\nhot = 1\n',
            "generator.hot.hot: expected",
        ),
        ('profile = "one-output"\n', 'profil = "one-output"\n', "generator.hot.profil: no such key"),
        ('profile = "one-output"\n', 'profile = "rms-generator"\n', "has no commands silence"),
        ('profile = "one-output"\n', 'profile = "one-output"\noutput = 2\n', "has outputs 1 to 1"),
    ],
)
def test_a_mistake_of_one_of_them_is_told_at_its_own_table(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, message: str
) -> None:
    with TwoOnTheBench(Unit()) as standing:
        file = standing.write(tmp_path / "bench.toml")
    file.write_text(file.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    printed = switchwalk(capsys, "plan", str(JOB), "--bench", str(file))
    assert printed.code == 2
    assert message in printed.err
