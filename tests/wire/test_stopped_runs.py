"""Runs that are stopped: by signals in every phase, a lost terminal, a full disk; and two runs at once."""

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.records.store import open_records
from tests.wire.standing_bench import ROOT, Bench, Life, kept, key, nursery, standing_bench, tiny_job


@pytest.fixture
def bench(lasting_bench: Bench) -> Bench:
    return lasting_bench


def outcome(bench: Bench, serial: str) -> str:
    run, _ = kept(bench, serial)
    with open_records(bench.records, read_only=True) as store:
        return store.run(run).outcome


def has_said(life: Life, text: str) -> None:
    """Wait until a process has printed something; the test's own time limit ends it where it never does."""
    while text not in (life.message() if life.output.exists() else ""):
        time.sleep(0.01)


@pytest.fixture(scope="module")
def whole_s(lasting_bench: Bench) -> float:
    """How long an undisturbed run takes."""
    begun = time.monotonic()
    code, message = lasting_bench.nursery.run(*lasting_bench.run_arguments("WHOLE"))
    assert code == 0, message
    return time.monotonic() - begun


@pytest.mark.parametrize(("name", "seed"), [("SIGINT", 1), ("SIGTERM", 0), ("SIGHUP", 1)])
def test_a_signal_in_any_phase_stops_the_run_and_leaves_the_bench_safe(
    bench: Bench, whole_s: float, name: str, seed: int
) -> None:
    """And a second one, hard on its heels, does not keep the bench from being made safe."""
    chance = random.Random(f"{name}{seed}")
    serial = f"{name}-{seed}"
    life = bench.nursery.begin(*bench.run_arguments(serial))
    has_said(life, "Before you start")
    time.sleep(chance.uniform(0.0, 0.8 * whole_s))
    for _ in range(1 + seed % 2):
        os.kill(life.pid, getattr(signal, name))
        time.sleep(chance.uniform(0.0, 0.05))
    code, message = life.ended(), life.message()
    assert bench.standing.left_on() == []
    assert "Traceback" not in message or "Exception ignored" in message
    run, _ = kept(bench, serial)
    if code in (-getattr(signal, name), 130):  # before the run had begun, or after its end: the usual way
        assert not run or outcome(bench, serial) in ("pass", "stopped")
        return
    assert code in (0, 4), message
    if code == 4:
        assert f"stopped by {name}" in message
    if run:
        # Interrupted, where the signal came in the very moment in which the run had begun;
        # pass, where it came between verdict and page: what resumes it writes the page.
        ends = ("pass",) if code == 0 else ("stopped", "interrupted", "pass")
        assert outcome(bench, serial) in ends
        if code == 4:
            code, message = bench.nursery.run(*bench.resume_arguments(run, serial))
            assert code == 0, message


def switchwalk(*arguments: str, stdout: int) -> "subprocess.Popen[bytes]":
    return subprocess.Popen(
        [sys.executable, "-m", "harness.cli", *arguments],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=stdout,
        stderr=stdout,
    )


def test_a_reader_that_goes_away_stops_no_run(bench: Bench) -> None:
    reading, writing = os.pipe()
    process = switchwalk(*bench.run_arguments("PIPE"), stdout=writing)
    os.close(writing)
    with os.fdopen(reading, "rb") as lines:
        while b"through reference" not in lines.readline():
            pass
    assert process.wait(60) == 0
    assert outcome(bench, "PIPE") == "pass"
    assert bench.standing.left_on() == []


def test_a_terminal_that_is_closed_stops_the_run_and_the_bench_is_safe(bench: Bench) -> None:
    terminal, its_end = os.openpty()
    process = subprocess.Popen(
        [
            *(sys.executable, "-c"),
            "import fcntl, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0)\n"
            "from harness.cli.app import main; main()",
            *bench.run_arguments("TERMINAL"),
        ],
        cwd=ROOT,
        stdin=its_end,
        stdout=its_end,
        stderr=its_end,
        start_new_session=True,
    )
    os.close(its_end)
    message = b""
    while b"lines one by one" not in message:
        message += os.read(terminal, 4096)
    os.close(terminal)  # SIGHUP, and whatever is written from now on fails
    assert process.wait(60) == 4
    assert outcome(bench, "TERMINAL") == "stopped"
    assert bench.standing.left_on() == []


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=70m", "none", folder], capture_output=True, text=True
    )
    if mounted.returncode:
        pytest.skip(f"a small file system can't be mounted here: {mounted.stderr.strip()}")
    yield folder
    subprocess.run(["umount", folder], check=True)


@pytest.mark.parametrize("commit", [1, 20])
def test_a_disk_that_fills_up_in_mid_run_stops_it_safely(
    lasting_bench: Bench, small_disk: Path, commit: int
) -> None:
    with nursery(small_disk) as own:
        bench = Bench(small_disk, lasting_bench.job, lasting_bench.standing, own)
        code, message = own.run(*bench.run_arguments("FULL"), befalls=(commit, "disk full"))
        assert code == 4, message
        assert bench.standing.left_on() == []
        (small_disk / "filler").unlink()
        run, before = kept(bench, "FULL")
        assert outcome(bench, "FULL") in ("stopped", "interrupted")
        code, message = own.run(*bench.resume_arguments(run, "FULL"))
        assert code == 0, message
        assert kept(bench, "FULL")[1][: len(before)] == before
        assert len(kept(bench, "FULL")[1]) == 8


@pytest.mark.parametrize("commit", [2, 20])
def test_a_disk_that_refuses_every_write_from_mid_run_on_stops_it_safely(
    lasting_bench: Bench, tmp_path: Path, commit: int
) -> None:
    """As one that turns read-only does; the kernel refuses by a limit on the size of files."""
    with nursery(tmp_path) as own:
        bench = Bench(tmp_path, lasting_bench.job, lasting_bench.standing, own)
        code, _ = own.run(*bench.run_arguments("REFUSED"), befalls=(commit, "disk refuses"))
        assert code == 4  # what it said, it could not write either
        assert bench.standing.left_on() == []
        run, _ = kept(bench, "REFUSED")
        code, message = own.run(*bench.resume_arguments(run, "REFUSED"))
        assert code == 0, message
        assert len(kept(bench, "REFUSED")[1]) == 8


SLOW = 'settle = "400 ms"'


def slow(job: Path) -> Path:
    sequence = job / "sequence.toml"
    sequence.write_text(sequence.read_text("utf-8").replace('settle = "10 ms"', SLOW), "utf-8")
    return job


def test_a_second_start_on_a_bench_says_who_holds_it_and_disturbs_nothing(tmp_path: Path) -> None:
    job = slow(tiny_job(tmp_path))
    other = tmp_path / "other"
    other.mkdir()
    with standing_bench(job) as standing, nursery(tmp_path) as first, nursery(other) as second:
        bench = Bench(tmp_path, job, standing, first)
        life = first.begin(*bench.run_arguments("FIRST"))
        has_said(life, "through reference")
        code, message = second.run(*bench.run_arguments("SECOND"))
        assert code == 4
        assert f"is in use by nursery.py (process {life.pid}, since " in message
        run, _ = kept(bench, "FIRST")
        code, message = second.run(*bench.resume_arguments(run, "FIRST"))
        assert code == 4
        assert "is in use by" in message
        assert life.ended() == 0, life.message()
        assert kept(bench, "SECOND") == (0, [])


def test_two_benches_on_one_computer_run_at_once_into_the_same_records(tmp_path: Path) -> None:
    folders = [tmp_path / name for name in ("a", "b")]
    for folder in folders:
        folder.mkdir()
    jobs = [tiny_job(folder) for folder in folders]
    with (
        standing_bench(jobs[0]) as bench_a,
        standing_bench(jobs[1]) as bench_b,
        nursery(folders[0]) as nursery_a,
        nursery(folders[1]) as nursery_b,
    ):
        benches = [
            Bench(tmp_path, job, standing, own)
            for job, standing, own in zip(jobs, (bench_a, bench_b), (nursery_a, nursery_b), strict=True)
        ]
        for turn in range(3):
            lives = [one.nursery.begin(*one.run_arguments(f"{n}-{turn}")) for n, one in enumerate(benches)]
            for life in lives:
                assert life.ended() == 0, life.message()
        for n, benche in enumerate(benches):
            assert benche.standing.left_on() == []
            for turn in range(3):
                readings = kept(benche, f"{n}-{turn}")[1]
                assert len({key(reading) for reading in readings}) == len(readings) == 8
                assert {reading.verdict for reading in readings} == {"pass"}
