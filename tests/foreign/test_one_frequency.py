"""A whole run with a generator whose outputs share one frequency: each leg driven alone, in two records."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.bench import open_bench
from harness.bench_file import load_bench
from harness.errors import JobError, ProfileMismatch
from harness.measure.captures import together
from harness.records.store import open_records
from harness.roles import Capture, CaptureSetting, Oscilloscope
from harness.session.planned_job import ONE_FREQUENCY, plan_job, read_job, recorded_plan
from harness.session.self_test import try_through
from tests.cli.commands import switchwalk
from tests.drivers.own_profiles import profile_text
from tests.drivers.zoo.at_bench import at_bench
from tests.drivers.zoo.scope_dialects import SingleQueries
from tests.foreign.bench import ForeignBench
from tests.foreign.box import Unit
from tests.foreign.instruments import Generator
from tests.foreign.scpi import Action, number, word
from tests.foreign.test_foreign_bench import expect_hand_made_gains, run
from tests.foreign.world import World
from tests.jobs import RELAY_CURRENT, check_of, job_in

JOB = Path(__file__).parent / "insert_box"


class OneFrequency(Generator):
    """One frequency for both outputs; the function DC gives the offset alone, behind the same 50 ohm."""

    def __init__(self, world: World) -> None:
        self.direct = [False, False]
        self.both_driven = False  # whether both were ever on with a sine of more than its least
        super().__init__(world)

    def commands(self) -> dict[str, Action]:
        own = super().commands()
        del own["SOURce#:FREQuency"]
        return own | {
            "SOURce:FREQuency": lambda n, p: self._all(p[0]),
            "SOURce#:FUNCtion": lambda n, p: self._kind(self._which(n), p[0]),
        }

    def _all(self, text: str) -> None:
        for n in (1, 2):
            self.world.drive(n, frequency_hz=number(text, 1e-3, 25e6))

    def _kind(self, n: int, text: str) -> None:
        self.direct[n] = text.upper() == "DC"
        if not self.direct[n]:
            word(text, "SINusoid", "SQUare")
        self._apply(n)

    def _apply(self, n: int) -> None:
        super()._apply(n)
        if self.direct[n]:
            self.world.drive(n + 1, peak_v=0.0)
        outputs = [self.world.output(each) for each in (1, 2)]
        self.both_driven |= all(each.on and each.peak_v > 0.0 for each in outputs)


def job_of(folder: Path) -> Path:
    return job_in(
        folder / "job",
        check_of("gain", within="0.2 dB", silent_ports_below="-60 dB"),
        check_of("polarity"),
        check_of("leg_gain_difference", within="0.3 dB", states=["idle", "insert"]),
        check_of("crosstalk", frequency="10 kHz", below="-70 dB"),
        RELAY_CURRENT,
        of=JOB,
        states=["idle", "insert", "reverse+pad"],
        settle="10 ms",
    )


def with_one_frequency(path: Path) -> None:
    path.write_text(
        path.read_text(encoding="utf-8").replace('"scpi-generator"', '"one-frequency-generator"'),
        encoding="utf-8",
    )


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize("missing", [frozenset[str](), frozenset({"K1"})], ids=["good", "K1 dead"])
def test_the_verdict_and_the_gains_are_those_of_the_circuit(
    missing: frozenset[str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    unit = Unit(coil_open=missing)
    bench = ForeignBench(unit, generator=OneFrequency)
    write = bench.write

    def written(path: Path, *, scope_profile: str = "preamble-oscilloscope") -> Path:
        with_one_frequency(write(path, scope_profile=scope_profile))
        return path

    monkeypatch.setattr(bench, "write", written)
    ran = run(capsys, job_of(tmp_path), bench)
    assert ran.printed.code == (1 if missing else 0), ran.printed.out + ran.printed.err
    assert ran.safe
    assert isinstance(bench.generator, OneFrequency)
    assert not bench.generator.both_driven
    with open_records("switchwalk-records/records.sqlite", read_only=True) as store:
        assert ONE_FREQUENCY in recorded_plan(store.run(1)).notes
    if not missing:
        expect_hand_made_gains(ran, unit)


def test_the_bench_check_sees_both_legs_through(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with ForeignBench(Unit(), generator=OneFrequency) as bench:
        file = bench.write(tmp_path / "bench.toml")
        with_one_frequency(file)
        printed = switchwalk(capsys, "bench", str(JOB), "--bench", str(file))
        assert bench.is_safe()
    assert printed.code == 0, printed.out
    assert "seen on inputs 1 to 4, as set" in " ".join(printed.out.split())


def test_the_bench_check_names_the_wrong_key_of_a_scope_whose_record_each_leg_has(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wrong = profile_text("single-query-oscilloscope", {"codes_per_division = 25": "codes_per_division = 30"})
    (tmp_path / "mine.toml").write_text(wrong, encoding="utf-8")
    with ForeignBench(Unit(), generator=OneFrequency, scope=at_bench(SingleQueries())) as bench:
        file = bench.write(tmp_path / "bench.toml", scope_profile="mine")
        with_one_frequency(file)
        printed = switchwalk(capsys, "bench", str(JOB), "--bench", str(file))
    assert printed.code == 4
    assert "scaling.codes_per_division" in printed.out


class MisreadScope:
    """Its records are three times too large, and right with one key of its format changed, as it says."""

    def __init__(self, scope: Oscilloscope) -> None:
        self._scope = scope

    def __getattr__(self, name: str) -> Any:
        return getattr(self._scope, name)

    def capture(self, setting: CaptureSetting) -> Capture:
        self._right = self._scope.capture(setting)
        return replace(self._right, volts=3.0 * self._right.volts)

    def other_readings(self) -> dict[str, Capture]:
        return {'byte_order = "little"': self._right}


def test_the_format_that_fits_is_looked_for_in_the_records_of_both_legs(tmp_path: Path) -> None:
    with ForeignBench(Unit(), generator=OneFrequency) as standing:
        file = standing.write(tmp_path / "bench.toml")
        with_one_frequency(file)
        job = read_job(JOB, file)
        through = next(setup for setup in job.fixture.setups if setup.through)
        with open_bench(load_bench(file), folder=tmp_path) as bench:
            scope: Any = MisreadScope(bench.oscilloscope)
            with pytest.raises(ProfileMismatch, match='only with byte_order = "little": correct that key'):
                try_through(bench.generator, scope, bench.switchboard, job, through)


def test_a_change_of_state_with_a_tone_is_refused(tmp_path: Path) -> None:
    job = job_in(tmp_path / "job", check_of("operate_time", below="5 ms"), of=JOB, states=["idle", "insert"])
    with ForeignBench(Unit()) as standing:
        bench = standing.write(tmp_path / "bench.toml")
    plan_job(read_job(job, bench), bench)
    with_one_frequency(bench)
    levels = job_in(tmp_path / "levels", check_of("polarity"), of=JOB, states=["idle", "insert"])
    assert "each leg is driven alone" in plan_job(read_job(levels, bench), bench).notes[0]
    with pytest.raises(JobError, match="needs hot and cold at two frequencies at once, in one record"):
        plan_job(read_job(job, bench), bench)


def test_two_records_added_are_one_with_both_tones() -> None:
    # Closed form: sines add; an input's zero is in each record, and once in the sum.
    turn = 2.0 * np.pi * np.arange(1000) / 1000
    hot, cold, zero_v = 0.3 * np.sin(7 * turn + 0.4), 0.2 * np.sin(11 * turn + 1.0), 0.05

    def record(volts: np.ndarray, clipped: int) -> Capture:
        setting = CaptureSetting(inputs={}, duration_s=1.0, samples=1000)
        return Capture(
            inputs=(1,), volts=volts[None], interval_s=1e-3, full_scale_v=(1.6,), step_v=(0.01,),
            clipped=(clipped,), setting=setting,
        )  # fmt: skip

    both = together([record(hot + zero_v, 1), record(cold + zero_v, 2)])
    np.testing.assert_allclose(both.volts[0], hot + cold + zero_v, atol=1e-12)
    assert both.clipped == (3,)
    assert both.step_v == pytest.approx((0.01 * np.sqrt(2.0),))
