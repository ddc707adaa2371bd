"""A whole run with a supply that has no interface: a person turns its knobs, and nobody knows its current."""

import os
import re
import socket
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.faults.coverage import judge_faults
from harness.job.faults import parse_fault
from harness.job.job import load_job
from harness.plan.build import build_plan
from harness.records.store import RunStore, open_records
from harness.session.open_bench import OpenBench, at_bench
from harness.session.planned_job import read_job
from switchwalk import run_unit
from tests.cli.commands import switchwalk
from tests.foreign.bench import ForeignBench
from tests.foreign.box import Unit
from tests.jobs import RELAY_CURRENT, check_of, job_in

JOB = Path(__file__).parent / "insert_box"
UNKNOWN = "the relay supply does not say what it gives"


@dataclass
class Person:
    """Turns the knobs of the bench's supply as they are asked to, and remembers what was asked."""

    bench: ForeignBench
    asked: list[str] = field(default_factory=list)

    def __call__(self, text: str) -> None:
        self.asked.append(text)
        settings = re.search(r"to ([\d.]+) V with a current limit of (\d+) mA, and switch it on$", text)
        lines = ["OUTP OFF"]
        if settings:
            lines = [f"VOLT {settings[1]}", f"CURR {int(settings[2]) / 1000}", "OUTP ON"]
        _, host, port, _ = self.bench.supply.address.split("::")
        with socket.create_connection((host, int(port)), timeout=5.0) as link:
            link.sendall("".join(f"{line}\n" for line in (*lines, "*OPC?")).encode())
            assert link.recv(16).strip() == b"1"


def name_of_supply(folder: Path) -> str:
    """The same name is the same supply, which two tests at once would lock each other out of."""
    return f"grey-supply-{os.getpid()}-{folder.name}"


@contextmanager
def hand_bench(folder: Path, unit: Unit) -> Iterator[tuple[Path, Path, ForeignBench]]:
    """A job, and the bench file of a bench that stands."""
    job = job_in(
        folder / "job",
        check_of("gain", within="0.2 dB", silent_ports_below="-60 dB"),
        check_of("polarity"),
        RELAY_CURRENT,
        of=JOB,
        states=["idle", "insert"],
        settle="10 ms",
    )
    with ForeignBench(unit) as bench:
        file = bench.write(folder / "bench.toml")
        text = file.read_text(encoding="utf-8").replace('profile = "scpi-supply"', 'profile = "hand-supply"')
        file.write_text(text.replace(bench.supply.address, name_of_supply(folder)), encoding="utf-8")
        yield job, file, bench
        assert bench.is_safe()


@contextmanager
def standing(folder: Path, unit: Unit) -> Iterator[tuple[OpenBench, RunStore, Person]]:
    """A bench that is open, and the person at it."""
    with hand_bench(folder, unit) as (job, file, bench):
        person = Person(bench)
        with (
            open_records(folder / "records.sqlite") as store,
            at_bench(read_job(job, file), bench_file=file, ask=person) as opened,
        ):
            yield opened, store, person


def test_a_good_unit_is_measured_and_its_current_is_missing_with_the_reason(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with standing(tmp_path, Unit()) as (bench, store, person):
        result = run_unit(bench, store, "H-1")
    currents = [each for each in result.readings if each.key.measurand.quantity == "supply_current"]
    others = [each for each in result.readings if each.key.measurand.quantity != "supply_current"]
    assert {each.verdict for each in currents} == {"missing"}
    assert {each.reason for each in currents} == {UNKNOWN}
    assert all(each.estimate is None for each in currents)
    assert {each.verdict for each in others} == {"pass"}
    assert len(result.readings) == bench.planned.plan.count
    assert result.outcome == "unproven"
    assert UNKNOWN in result.report.read_text(encoding="utf-8")
    # Off before anything, on once for the run, off after it: nothing is asked twice.
    off = f"Switch the relay supply {name_of_supply(tmp_path)!r} off"
    assert person.asked[0] == off
    assert person.asked[-1] == off
    assert all(text != before for before, text in zip(person.asked, person.asked[1:], strict=False))
    assert "to 24 V with a current limit of 120 mA" in person.asked[1]
    shown = switchwalk(capsys, "show", "1", "--records", str(tmp_path / "records.sqlite"))
    assert UNKNOWN in " ".join(shown.out.split())


def test_the_plan_says_what_stays_unknown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with standing(tmp_path, Unit()) as (bench, _, _):
        assert "no reading of its current can be taken" in bench.planned.notes[0]
    printed = switchwalk(capsys, "plan", str(tmp_path / "job"), "--bench", str(tmp_path / "bench.toml"))
    assert "Note: The relay supply does not say what it gives." in " ".join(printed.out.split())


def test_a_unit_that_fails_fails_by_its_levels(tmp_path: Path) -> None:
    with standing(tmp_path, Unit(coil_open=frozenset({"K1"}))) as (bench, store, _):
        result = run_unit(bench, store, "H-2")
    assert result.outcome == "fail"


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("name", ["K1 coil open", "K1 coil shorted"])
def test_coverage_counts_no_current_that_nobody_sees(name: str, known: bool, tmp_path: Path) -> None:
    job = load_job(job_in(tmp_path / "job", RELAY_CURRENT, of=JOB, states=["idle", "insert"]))
    plan = build_plan(job, impedances=BenchImpedances(supply_current=known))
    (judged,) = judge_faults(job, plan, [parse_fault(name, job.module, job.fixture)])
    assert judged.seen is known


PROMPT = "; then press Enter: "


@pytest.mark.skipif(sys.platform == "win32", reason="there is no pty")
@pytest.mark.parametrize("stops", [False, True], ids=["to the end", "Ctrl-C before it is on"])
def test_the_command_asks_at_its_terminal(tmp_path: Path, stops: bool) -> None:
    from tests.cli.test_batch_at_a_bench import Terminal  # which skips itself where there is no pty

    asked: list[str] = []
    with hand_bench(tmp_path, Unit()) as (job, file, bench), ExitStack() as undo:
        person, records = Person(bench), str(tmp_path / "records.sqlite")
        terminal = Terminal("run", str(job), "--serial", "H-1", "--bench", str(file), "--records", records)
        undo.callback(terminal.end)

        def obeys(what: str) -> None:
            asked.append(" ".join(terminal.until(PROMPT).removesuffix(PROMPT).split()))
            assert what in asked[-1]
            person(asked[-1])
            terminal.types("")

        obeys("off")
        if stops:
            terminal.until("and switch it on" + PROMPT)
            terminal.interrupt()
        else:
            obeys("and switch it on")
        obeys("off")
        code = terminal.ended()
    assert code == (4 if stops else 3)
    if stops:
        assert "stopped by SIGINT" in terminal.seen
    else:
        assert "to 24 V with a current limit of 120 mA" in asked[1]
        assert UNKNOWN in " ".join(terminal.seen.split())
