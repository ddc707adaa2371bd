"""`switchwalk batch` with a person at a terminal, on a bench that stands: a real pty, real signals."""

import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("there is no pty", allow_module_level=True)
import pty

from harness.records.store import open_records
from tests.records.outside_broadcast import HEADER
from tests.wire.standing_bench import ROOT, SERIAL_PATTERN, StandingBench, standing_bench, tiny_job

PATIENCE_S = 60.0
DUMB = {"COLUMNS": "80", "NO_COLOR": "1", "TERM": "dumb"}


class Terminal:
    """A command on a pty: reads what it shows, types what a person or a scanner would."""

    def __init__(self, *arguments: str, environment: Mapping[str, str] = DUMB) -> None:
        self._ours, theirs = pty.openpty()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "harness.cli", *arguments],
            cwd=ROOT, stdin=theirs, stdout=theirs, stderr=theirs, env=os.environ | environment,
        )  # fmt: skip
        os.close(theirs)
        self.seen = ""
        self.raw = ""
        self._looked = 0

    def until(self, text: str) -> str:
        """Wait until a text is shown that was not waited for before; gives what came with it."""
        deadline = time.monotonic() + PATIENCE_S
        while text not in self.seen[self._looked :]:
            assert self._more(deadline), f"never showed {text!r} in:\n{self.seen[self._looked :]}"
        end = self.seen.index(text, self._looked) + len(text)
        shown, self._looked = self.seen[self._looked : end], end
        return shown

    def types(self, line: str) -> None:
        os.write(self._ours, line.encode() + b"\n")

    def scans(self, *codes: str) -> None:
        """As a scanner that ends each code with a carriage return, all at once."""
        os.write(self._ours, "".join(f"{code}\r" for code in codes).encode())

    def ends_input(self) -> None:
        os.write(self._ours, b"\x04")

    def interrupt(self) -> None:
        self._process.send_signal(signal.SIGINT)

    def ended(self) -> int:
        deadline = time.monotonic() + PATIENCE_S
        while self._more(deadline):
            pass
        os.close(self._ours)
        return self._process.wait(timeout=10)

    def end(self) -> None:
        """However the test ends, the command ends with it."""
        self._process.kill()
        self._process.wait(timeout=10)

    def _more(self, deadline: float) -> bool:
        ready, _, _ = select.select([self._ours], [], [], max(0.0, deadline - time.monotonic()))
        try:
            data = os.read(self._ours, 65536) if ready else b""
        except OSError:  # the other end is closed
            data = b""
        text = data.decode("utf-8", "replace")
        self.raw += text
        self.seen += text.replace("\r\n", "\n")
        return bool(data)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StandingBench]:
    job = tiny_job(tmp_path_factory.mktemp("bench"), serial_pattern=SERIAL_PATTERN, retests=1)
    with standing_bench(job, "--serial", "OB-0001") as standing:
        yield standing


@contextmanager
def at_the_bench(bench: StandingBench, *more: str) -> Iterator[Terminal]:
    folder = bench.bench_file.parent
    terminal = Terminal(
        "batch", str(folder / "tiny"), "--bench", str(bench.bench_file), "--operator", "Ada",
        "--records", str(folder / "records.sqlite"), *more,
    )  # fmt: skip
    try:
        yield terminal
    finally:
        terminal.end()


def test_unit_after_unit_at_a_terminal(bench: StandingBench) -> None:
    with at_the_bench(bench, "--batch", "autumn") as terminal:
        terminal.until("Serial number of the unit in the fixture (empty ends): ")
        terminal.types("PA-1")
        terminal.until("'PA-1': the sequence wants the pattern")
        terminal.until("Serial number of the unit in the fixture (empty ends): ")
        terminal.types("OB-0001")
        terminal.until("#########")  # big, and without colour
        terminal.until("OB-0001: PASS, run 1")
        terminal.until("Serial number of the unit in the fixture (empty ends): ")
        assert bench.left_on() == []  # while hands are at the fixture
        terminal.types("OB-0002")  # and nobody has changed the unit
        terminal.until("draws the same currents as OB-0001")
        terminal.until("or type run, or skip: ")
        bench.by_hand(unit="OB-0002", faults=["K1 never operates"])
        terminal.types("")
        terminal.until("OB-0002: FAIL, run 2")
        terminal.until("K1 never operates")
        terminal.until("Serial number of the unit in the fixture (empty ends): ")
        bench.by_hand(unit="OB-0003")
        bench.trouble("oscilloscope mute after 3 always")  # before anything is driven: that stops a run
        terminal.types("OB-0003")
        terminal.until("OB-0003: STOPPED, run 3")
        terminal.until("Serial number of the unit in the fixture (empty ends): ")
        assert bench.left_on() == []
        bench.trouble("none")
        terminal.types("OB-0003")  # a run that the bench stopped is no test: no reason is asked for
        terminal.until("OB-0003: PASS, run 4")
        terminal.until("Serial number of the unit in the fixture (empty ends): ")
        terminal.types("OB-0002")
        terminal.until("Retest 1 of 1: why? (empty: not tested) ")
        terminal.types("")
        terminal.until("--operator NAME --again REASON")
        terminal.until("Serial number of the unit in the fixture (empty ends): ")
        terminal.interrupt()
        assert terminal.ended() == 4
    table = terminal.seen[terminal.seen.index("Batch autumn") :]
    assert "OB-0002     2 FAIL" in table
    assert "1 fail, 2 pass, 1 stopped" in table
    assert "stopped by SIGINT" in table
    assert "\x1b" not in terminal.seen
    assert max(len(line.rpartition("\r")[2]) for line in table.splitlines()) <= 80
    assert bench.left_on() == []
    with open_records(bench.bench_file.parent / "records.sqlite", read_only=True) as store:
        assert store.verify().findings == ()
        assert [line.outcome for line in store.lines()] == ["pass", "fail", "stopped", "pass"]


def test_what_a_scanner_sends_during_a_run_answers_no_question_after_it(bench: StandingBench) -> None:
    records = bench.bench_file.parent / "scanned.sqlite"
    bench.by_hand(unit="OB-0011")
    with at_the_bench(bench, "--records", str(records)) as terminal:
        terminal.until("Serial number of the unit in the fixture (empty ends): ")
        terminal.scans("OB-0011", "OB-0011", "OB-0012")  # twice, and the next one before its time
        terminal.until("OB-0011: PASS, run 1")
        terminal.until("typed or scanned before this prompt is discarded.")
        terminal.until("Serial number of the unit in the fixture (empty ends): ")
        terminal.scans("OB-0011")
        terminal.until("Retest 1 of 1: why? (empty: not tested) ")
        terminal.scans("OB-0012")
        terminal.until("unit OB-0011 is not run again: OB-0012 is a serial number, not a reason")
        terminal.until("Serial number of the unit in the fixture (empty ends): ")
        terminal.scans("")
        assert terminal.ended() == 2
    with open_records(records, read_only=True) as store:
        assert [line.serial for line in store.lines()] == ["OB-0011"]


def test_a_scanner_on_a_pipe_ends_its_lines_as_it_likes_and_what_is_no_serial_is_kept(
    bench: StandingBench,
) -> None:
    """Bare CR, as many scanners send: each line is tested as it comes, not when the next one does."""
    folder = bench.bench_file.parent
    bench.by_hand(unit="OB-0021")
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "harness.cli", "batch", str(folder / "tiny"), "--json"),
            *("--bench", str(bench.bench_file), "--records", str(folder / "piped.sqlite")),
        ],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, bufsize=0,
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stderr is not None
    process.stdin.write(b"PA-1\rOB-0021\r")
    shown = b""
    while shown.count(b"Serial number of the unit") < 3:  # the third is asked for when the second was tested
        shown += process.stderr.read(1)
    out, _ = process.communicate(b"\n", timeout=PATIENCE_S)
    message = json.loads(out)
    assert process.returncode == 2
    assert [one["serial"] for one in message["units"]] == ["OB-0021"]
    assert message["not_tested"] == [
        {"serial": "PA-1", "why": "'PA-1': the sequence wants the pattern OB-[0-9]{4}"}
    ]


def test_a_stop_in_the_middle_of_a_unit_leaves_the_bench_safe_and_the_records_whole(
    bench: StandingBench,
) -> None:
    with at_the_bench(bench, "--again", "soldered anew") as terminal:
        terminal.until("Serial number of the unit in the fixture (empty ends): ")
        bench.by_hand(unit="OB-0004")
        terminal.types("OB-0004")
        terminal.until("OB-0004: 1 of ")
        terminal.interrupt()
        assert terminal.ended() == 4
    assert bench.left_on() == []
    with open_records(bench.bench_file.parent / "records.sqlite", read_only=True) as store:
        assert store.verify().findings == ()
        (run,) = store.runs(serial="OB-0004")
        assert run.outcome == "stopped"
        assert run.reason == "stopped by SIGINT"


def test_a_list_with_units_that_were_run_at_a_simulated_bench_is_refused_at_once_there(
    bench: StandingBench,
) -> None:
    folder = bench.bench_file.parent
    (folder / "run_before.txt").write_text("OB-0031\nOB-0032\n", encoding="utf-8")
    with open_records(folder / "run_before.sqlite") as store:
        header = replace(HEADER, serial="OB-0032", part="LMX-TLS", simulated=True)
        store.finish(store.begin(header), "pass", "", HEADER.started)
    terminal = Terminal(
        "batch", str(folder / "tiny"), "--bench", str(bench.bench_file),
        "--serials", str(folder / "run_before.txt"), "--records", str(folder / "run_before.sqlite"),
    )  # fmt: skip
    try:
        assert terminal.ended() == 2
    finally:
        terminal.end()
    assert "unit OB-0032: PASS in run 1" in terminal.seen
    assert "--operator NAME --again REASON" in " ".join(terminal.seen.split())
    assert "OB-0031" not in terminal.seen
    assert bench.left_on() == []


def test_the_end_of_input_is_no_enter_and_what_is_said_next_has_its_own_line(bench: StandingBench) -> None:
    folder = bench.bench_file.parent
    (folder / "listed.txt").write_text("OB-0006\n", encoding="utf-8")
    records = folder / "listed.sqlite"
    with at_the_bench(bench, "--records", str(records), "--serials", str(folder / "listed.txt")) as terminal:
        terminal.until("Put unit OB-0006 in and press Enter (or type skip): ")
        terminal.ends_input()
        assert terminal.ended() == 4
    assert "(or type skip): \nBatch: " in terminal.seen
    assert "stopped: nobody put unit OB-0006 in" in terminal.seen
    assert "not run: OB-0006" in terminal.seen
    for end in (Terminal.ends_input, Terminal.interrupt):
        with at_the_bench(bench, "--records", str(records)) as terminal:
            terminal.until("Serial number of the unit in the fixture (empty ends): ")
            end(terminal)
            assert terminal.ended() == (2 if end is Terminal.ends_input else 4)
        assert "(empty ends): \nBatch: " in terminal.seen
    with open_records(records, read_only=True) as store:
        assert store.lines() == []


@pytest.mark.parametrize("end", [Terminal.ends_input, Terminal.interrupt])
def test_a_question_that_is_broken_off_is_a_no_and_no_failed_unit(
    end: Callable[[Terminal], None], bench: StandingBench
) -> None:
    records = bench.bench_file.parent / "passed.sqlite"
    with open_records(records) as store:
        header = replace(HEADER, serial="OB-0007", part="LMX-TLS", simulated=True)
        store.finish(store.begin(header), "pass", "", HEADER.started)
    job = str(bench.bench_file.parent / "tiny")
    terminal = Terminal("run", job, "--serial", "OB-0007", "--simulate", "--records", str(records))
    try:
        terminal.until("Run it again? [y/N]: ")
        end(terminal)
        assert terminal.ended() == 2
        assert terminal.seen.endswith("[y/N]: \nnot run again\n")
    finally:
        terminal.end()


@pytest.mark.parametrize("end", [Terminal.ends_input, Terminal.interrupt])
def test_a_new_job_that_is_broken_off_is_not_written(end: Callable[[Terminal], None], tmp_path: Path) -> None:
    terminal = Terminal("new", str(tmp_path / "job"))
    try:
        terminal.until("Audio channels (1 to 8) [2]: ")
        end(terminal)
        assert terminal.ended() == 2
        assert terminal.seen.endswith(": \nnothing was written\n")
        assert not (tmp_path / "job").exists()
    finally:
        terminal.end()


def test_a_fixture_that_is_empty_is_said_before_anything_is_driven(bench: StandingBench) -> None:
    records = bench.bench_file.parent / "empty.sqlite"
    with at_the_bench(bench, "--records", str(records)) as terminal:
        terminal.until("Serial number of the unit in the fixture (empty ends): ")
        bench.by_hand(empty=True)
        terminal.types("OB-0005")
        terminal.until("Nothing in the fixture draws current, released or on any control line")
        terminal.until("Plug OB-0005 in and press Enter; or type run, or skip: ")
        assert bench.left_on() == []  # hands are about to be there
        terminal.types("")  # and nobody has put it in
        terminal.until("Nothing in the fixture draws current")
        terminal.until("or type run, or skip: ")  # what is typed before it is discarded
        terminal.types("skip")
        terminal.until("unit OB-0005 is not tested")
        terminal.until("Serial number of the unit in the fixture (empty ends): ")
        terminal.types("OB-0005")
        terminal.until("Nothing in the fixture draws current")
        terminal.until("or type run, or skip: ")
        bench.by_hand(unit="OB-0005")
        terminal.types("")
        terminal.until("OB-0005: PASS, run 1")
        terminal.until("Serial number of the unit in the fixture (empty ends): ")
        terminal.types("")
        assert terminal.ended() == 2  # one was not tested
    with open_records(records, read_only=True) as store:
        assert [line.serial for line in store.lines()] == ["OB-0005"]
