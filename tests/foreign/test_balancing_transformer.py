"""A whole run with a generator of one output that feeds both legs through a balancing transformer.

The foreign bench's box is fed by 50 ohm in each leg: here half of the output's own 50 ohm, as the transformer
has turns of 1:1, and 25 ohm of winding.
"""

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from harness.circuit.elements import BenchImpedances
from harness.circuit.predict import differential, predict
from harness.errors import JobError
from harness.job.job import load_job
from harness.job.state import IDLE_STATE
from harness.records.store import open_records
from harness.session.planned_job import BALANCED, plan_job, read_job, recorded_plan
from tests.cli.commands import switchwalk
from tests.drivers.own_profiles import profile_text
from tests.foreign.bench import ForeignBench
from tests.foreign.box import Unit
from tests.foreign.instruments import Generator
from tests.foreign.scpi import Action, Refused, number, switched, word
from tests.foreign.test_foreign_bench import expect_hand_made_gains, run
from tests.foreign.world import World
from tests.jobs import RELAY_CURRENT, check_of, job_in

JOB = Path(__file__).parent / "insert_box"
WINDING = 'transformer = "1:1"\nwinding = "25 ohm"'


class OneOutput(Generator):
    """One output before a transformer: half of its e.m.f. on hot, and the opposite half on cold."""

    def __init__(self, world: World) -> None:
        self.direct = False
        super().__init__(world)

    def commands(self) -> dict[str, Action]:
        return super().commands() | {
            "SOURce#:FUNCtion": lambda n, p: self._kind(self._which(n), p[0]),
            "OUTPut#?": lambda n, p: str(int(self.world.output(self._which(n) + 1).on)),
        }

    def reset(self) -> None:
        self.infinite, self.vpp, self.offset = [False, False], [0.1, 0.1], [0.0, 0.0]
        self.world.drive(1, on=False)
        self.world.drive(2, on=False)
        self._apply(0)

    def _which(self, n: int) -> int:
        if n != 1:
            raise Refused(-113)
        return 0

    def _kind(self, n: int, text: str) -> None:
        self.direct = text.upper() == "DC"
        if not self.direct:
            word(text, "SINusoid", "SQUare")
        self._apply(n)

    def _frequency(self, n: int, text: str) -> None:
        for leg in (1, 2):
            self.world.drive(leg, frequency_hz=number(text, 1e-3, 25e6))

    def _phase(self, n: int, text: str) -> None:
        number(text, -360.0, 360.0)

    def _apply(self, n: int) -> None:
        peak_v = 0.0 if self.direct else self.vpp[0] * (1.0 if self.infinite[0] else 2.0) / 2 * self.gain[0]
        for leg, phase_rad in ((1, 0.0), (2, np.pi)):  # no direct voltage passes
            self.world.drive(leg, peak_v=peak_v / 2, offset_v=0.0, phase_rad=phase_rad)

    def _switch(self, n: int, text: str) -> None:
        for leg in (1, 2):
            self.world.drive(leg, on=switched(text))


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


class BalancedBench(ForeignBench):
    """The bench, and what its bench.toml says."""

    def write(self, path: Path, *, scope_profile: str = "preamble-oscilloscope") -> Path:
        """Write bench.toml, and the generator's profile beside it."""
        super().write(path, scope_profile=scope_profile)
        text = path.read_text(encoding="utf-8")
        text = text.replace('"scpi-generator"', '"one-output"').replace("hot = 1\ncold = 2", WINDING)
        path.write_text(text, encoding="utf-8")
        own = profile_text("one-frequency-generator", {"outputs = 2": "outputs = 1"})
        (path.parent / "one-output.toml").write_text(own, encoding="utf-8")
        return path


def job_of(folder: Path, *checks: str) -> Path:
    return job_in(
        folder / "job",
        check_of("gain", within="0.2 dB", silent_ports_below="-60 dB"),
        check_of("crosstalk", frequency="10 kHz", below="-70 dB"),
        check_of("phase", within="5 deg"),
        *checks,
        of=JOB,
        states=["idle", "insert", "reverse+pad"],
        settle="10 ms",
    )


@pytest.mark.parametrize("missing", [frozenset[str](), frozenset({"K1"})], ids=["good", "K1 dead"])
def test_the_verdict_and_the_gains_are_those_of_the_circuit(
    missing: frozenset[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    unit = Unit(coil_open=missing)
    ran = run(capsys, job_of(tmp_path, RELAY_CURRENT), BalancedBench(unit, generator=OneOutput))
    assert ran.printed.code == (1 if missing else 0), ran.printed.out + ran.printed.err
    assert ran.safe
    with open_records("switchwalk-records/records.sqlite", read_only=True) as store:
        assert BALANCED in recorded_plan(store.run(1)).notes
    if not missing:
        expect_hand_made_gains(ran, unit)


def test_the_bench_check_sees_the_generator_through(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with BalancedBench(Unit(), generator=OneOutput) as bench:
        file = bench.write(tmp_path / "bench.toml")
        printed = switchwalk(capsys, "bench", str(job_of(tmp_path)), "--bench", str(file), "--json")
        assert bench.is_safe()
    assert printed.code == 0, printed.out
    messages = {each["what"]: each["message"] for each in json.loads(printed.out)["checked"]}
    assert "seen on inputs 1 to 4, as set" in messages["through"]


@pytest.mark.parametrize(
    ("quantity", "keys"),
    [
        ("polarity", {}),
        ("leg_gain_difference", {"within": "0.3 dB"}),
        ("common_mode_rejection", {"above": "40 dB"}),
        ("leg_isolation", {"below": "-60 dB"}),
    ],
)
def test_what_needs_each_leg_alone_is_refused_in_words(
    quantity: str, keys: dict[str, str], tmp_path: Path
) -> None:
    job = job_of(tmp_path, check_of(quantity, **keys))
    with BalancedBench(Unit(), generator=OneOutput) as bench:
        file = bench.write(tmp_path / "bench.toml")
    with pytest.raises(JobError, match="needs hot and cold driven one by one"):
        plan_job(read_job(job, file), file)


def test_a_level_that_both_legs_at_once_do_not_leave_the_generator_is_refused(tmp_path: Path) -> None:
    """Closed form: 6 V RMS between the legs is 17 Vpp through 1:1, of one leg alone half of it."""
    one_leg = check_of("gain", name="Loud", within="0.2 dB", level="6 V")
    with BalancedBench(Unit(), generator=OneOutput) as bench:
        file = bench.write(tmp_path / "bench.toml")
    own = tmp_path / "one-output.toml"
    own.write_text(
        re.sub(r"amplitude_max_vpp = \S+", "amplitude_max_vpp = 10.0", own.read_text("utf-8")), "utf-8"
    )
    job = read_job(job_of(tmp_path, one_leg), file)
    assert plan_job(job, file).plan.readings
    both = check_of("distortion", name="Both", below="1 %", level="6 V")
    job = read_job(job_of(tmp_path / "more", both), file)
    with pytest.raises(JobError, match=r"needs 17 Vpp before the transformer; the generator gives 10 Vpp"):
        plan_job(job, file)


def test_coverage_says_what_is_not_seen_and_suggests_nothing_that_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = job_in(tmp_path / "job", check_of("gain", within="0.2 dB"), of=JOB, states=["idle", "insert"])
    with BalancedBench(Unit(), generator=OneOutput) as bench:
        file = bench.write(tmp_path / "bench.toml")
    printed = switchwalk(capsys, "coverage", str(job), "--bench", str(file))
    assert printed.code == 0, printed.err
    said = " ".join(printed.out.split())
    assert BALANCED in said
    assert not [name for name in ("polarity", "leg_gain_difference", "leg_isolation") if name in said]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (WINDING, 'transformer = "1:1"\nhot = 1', "expected output, the one that feeds the transformer"),
        (WINDING, 'winding = "25 ohm"', "found without transformer; it is the resistance of"),
        (WINDING, "output = 1", "expected hot and cold, the outputs that feed the legs"),
        (WINDING, 'transformer = "1:1"\noutput = 2', "found output 2; one-output has outputs 1 to 1"),
        ('"one-output"', '"rms-generator"', "has no commands silence and function_sine"),
    ],
)
def test_a_mistake_in_the_bench_file_is_told(old: str, new: str, message: str, tmp_path: Path) -> None:
    with BalancedBench(Unit(), generator=OneOutput) as bench:
        file = bench.write(tmp_path / "bench.toml")
    file.write_text(file.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    with pytest.raises(JobError) as caught:
        plan_job(read_job(job_of(tmp_path), file), file)
    assert any(message in mistake.message for mistake in caught.value.mistakes), caught.value


def test_the_circuit_has_each_leg_as_the_other_with_its_sign() -> None:
    """And the same difference of the legs as two outputs of the same resistance give (closed form)."""
    job = load_job(JOB)
    two = BenchImpedances()
    one = replace(two, source_ohm=25.0, winding_ohm=25.0)
    for setup in job.fixture.setups:
        apart, balanced = (
            predict(
                job.module, job.fixture, setup, IDLE_STATE, frequencies_hz=(1e3, 1e3), impedances=each
            ).transfer
            for each in (two, one)
        )
        assert balanced[:, 1] == pytest.approx(-balanced[:, 0], abs=1e-9)
        assert differential(balanced) == pytest.approx(differential(apart), abs=1e-4)
