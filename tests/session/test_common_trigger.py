"""Whole runs at the simulated bench with one port in view at a time, its scope triggered by the sync."""

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import pytest

from harness.job.job import Job, load_job
from harness.reading import Reading
from harness.records.store import open_records
from harness.session.simulated import Simulation, simulated_bench
from tests.cli.commands import Printed, switchwalk
from tests.drivers.own_profiles import profile_text
from tests.jobs import SHIPPED, check_of, edit, job_in
from tests.known import known

JITTER_S = 40e-9
TWO_INPUTS = {"inputs = 4": "inputs = 2", "# trigger_jitter_s = 20e-9": f"trigger_jitter_s = {JITTER_S}"}
# 200 pF of cable behind 1 kohm turn 1 kHz by 0.07 degrees, and no prediction knows of them.
NO_STRAYS = ("cables=0", "nets=0", "neighbours=0", "channels=0")
MONITOR = SHIPPED / "monitor_panel"


def view_alone(job: Path, drives: dict[str, Iterable[str]], loopback: Sequence[str], level: str = "") -> Path:
    """Let each setup view one port, and the bench's sync be connected."""
    fixture = job / "fixture.toml"
    text = fixture.read_text(encoding="utf-8")
    setups = ['[[setup]]\nname = "through"\nthrough = true\nselect = [7]\n']
    setups.append('[[setup]]\nname = "swapped"\nthrough = true\ninputs_swapped = true\nselect = [7, 16]\n')
    views = [(drive, port) for drive, ports in drives.items() for port in ports]
    for number, (drive, port) in enumerate(views, start=8):
        setups.append(
            f'[[setup]]\nname = "drive {drive}, view {port}"\ndrive = "{drive}"\nview = ["{port}"]\n'
            f"loopbacks = {list(loopback)}\nselect = [{number}]\n".replace("'", '"')
        )
    fixture.write_text(text[: text.index("[[setup]]")] + "\n".join(setups), encoding="utf-8")
    edit(job / "bench.toml", "[oscilloscope]", "[oscilloscope]\nsync_connected = true")
    return job


def switcher(folder: Path, *checks: str) -> Path:
    job = job_in(folder, *checks, states=["idle", "loop_a"])
    ports = {side: (f"{side}.in", "left.out", "right.out") for side in ("left", "right")}
    return view_alone(job, {f"{side}.in": ports[side] for side in ports}, ["pad_a", "pad_b"])


def run(
    capsys: pytest.CaptureFixture[str], job: Path, unit: Job, *faults: str
) -> tuple[Printed, dict[tuple[str, str, str], Reading]]:
    """Test a simulated unit, perhaps another one than the job's; what was printed, and the readings."""
    folder = job.parent
    (folder / "mine.toml").write_text(profile_text("preamble-oscilloscope", TWO_INPUTS), encoding="utf-8")
    records, file = str(folder / "records.sqlite"), folder / "bench.toml"
    with simulated_bench(
        unit, Simulation(serial="OB-1", faults=faults, speed=10.0, imperfections=NO_STRAYS)
    ) as bench:
        text = bench.bench_file.read_text(encoding="utf-8").replace('"preamble-oscilloscope"', '"mine"')
        file.write_text(text, encoding="utf-8")
        printed = switchwalk(
            capsys, "run", str(job), "--serial", "OB-1", "--bench", str(file), "--records", records
        )
    with open_records(Path(records), read_only=True) as store:
        readings = store.readings(1)
    by_key = {
        (each.key.check, str(each.key.measurand.where), each.key.measurand.state): each for each in readings
    }
    return printed, by_key


CHECKS = (
    check_of("phase", within="2 deg"),
    check_of("phase", name="Phase, 10 kHz", frequency="10 kHz", within="2 deg"),
    check_of("channel_phase_difference", within="1 deg"),
    check_of("crosstalk", below="-60 dB"),
)


def test_a_good_unit_passes_and_exchanged_legs_fail(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "good").mkdir()
    job = switcher(tmp_path / "good" / "job", *CHECKS)
    printed, readings = run(capsys, job, load_job(job))
    assert printed.code == 0, printed.out + printed.err
    assert len(readings) == 14
    for (check, *_), reading in readings.items():
        if check == "Crosstalk":
            continue
        estimate, expected = known(reading.estimate), known(reading.expected)
        hz = known(reading.key.measurand.frequency_hz)
        root = np.sqrt(2) if check.startswith("Channel") else 1.0
        trigger = next(part.standard for part in estimate.budget if part.name == "trigger")
        # Closed form, of four records whose legs count half each: 360 f t / √3.
        assert trigger == pytest.approx(root * 360 * hz * JITTER_S / np.sqrt(3), rel=0.03)
        off = abs(estimate.value - known(expected.value))
        assert off < 4 * np.hypot(known(estimate.standard), known(expected.standard))
    (tmp_path / "bad").mkdir()
    job = switcher(tmp_path / "bad" / "job", *CHECKS)
    printed, readings = run(capsys, job, load_job(job), "right.out legs swapped")
    assert printed.code == 1, printed.out + printed.err
    verdicts = {key: reading.verdict for key, reading in readings.items()}
    assert verdicts["Phase", "right.out", "idle"] == "fail"
    assert verdicts["Phase", "left.out", "idle"] == "pass"
    assert verdicts["Channel phase difference", "right.out", "idle"] == "fail"


def test_an_amplifier_that_inverts_fails_in_polarity_and_phase(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Nothing but a phase against the drive tells it: no leg shows the other leg's tone."""
    jobs = {}
    for name in ("good", "inverting"):
        (tmp_path / name).mkdir()
        job = job_in(
            tmp_path / name / "job",
            check_of("polarity", at=["line"]),
            check_of("phase", at=["line"], within="5 deg"),
            of=MONITOR,
            states=["idle"],
            channels=["left"],
        )
        jobs[name] = view_alone(
            job, {"left.in_a": ("left.in_a", "left.line"), "left.in_b": ("left.in_b",)}, ["pad_1"]
        )
    edit(jobs["inverting"] / "module.toml", 'gain = "6 dB"', 'gain = "6 dB"\ninverting = true')
    printed, readings = run(capsys, jobs["good"], load_job(jobs["good"]))
    assert printed.code == 0, printed.out + printed.err
    assert {reading.verdict for reading in readings.values()} == {"pass"}
    (tmp_path / "other").mkdir()
    (jobs["good"]).rename(tmp_path / "other" / "job")
    printed, readings = run(capsys, tmp_path / "other" / "job", load_job(jobs["inverting"]))
    assert printed.code == 1, printed.out + printed.err
    assert {key[0]: reading.verdict for key, reading in readings.items()} == {
        "Polarity": "fail",
        "Phase": "fail",
    }
