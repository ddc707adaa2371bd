"""A builder's custom tests: pytest in a process of its own, on simulated benches that are reached by wire."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.claim import claim
from harness.bench_file import load_bench
from harness.records.store import open_records
from harness.statistics.yields import tests_of_units as whole_tests
from tests.cli.commands import switchwalk
from tests.wire.standing_bench import TINY, StandingBench, standing_bench, tiny_job

pytest_plugins = ["pytester"]

LEVELS = """
import pytest

def wrong(readings):
    bad = [one.key.measurand for one in readings if one.verdict != "pass"]
    return [f"{one.quantity} {one.where}" for one in bad]

def test_levels(switchwalk_state, switchwalk_measure):
    assert wrong(switchwalk_measure(switchwalk_state)) == []

def test_both_channels_are_read(switchwalk_module, switchwalk_measure):
    readings = switchwalk_measure("loop_a")
    read = [one.key.measurand for one in readings]
    assert {one.channel for one in read if one.quantity == "gain"} == set(switchwalk_module.channels)

def test_of_no_bench():
    pass
"""
FAULTY = """
def test_that_falls_over(switchwalk_measure):
    switchwalk_measure("loop_a")
    raise LookupError("no such table")

def test_that_asks_for_a_state_that_is_not_there(switchwalk_measure):
    switchwalk_measure("loop_aa")
"""


@pytest.fixture(scope="module")
def standing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, StandingBench]]:
    job = tiny_job(tmp_path_factory.mktemp("standing"))
    with standing_bench(job) as bench:
        yield job, bench


def at(standing: tuple[Path, StandingBench], serial: str, *more: str) -> tuple[str, ...]:
    job, bench = standing
    place = ("--switchwalk-job", str(job), "--switchwalk-bench", str(bench.bench_file))
    return (*place, "--switchwalk-serial", serial, "--rootdir=.", "-p", "no:cacheprovider", *more)


def simulated(job: Path, serial: str, *more: str) -> tuple[str, ...]:
    place = ("--switchwalk-job", str(job), "--switchwalk-bench", "simulated", "--switchwalk-speed", "20")
    return (*place, "--switchwalk-serial", serial, "--rootdir=.", "-p", "no:cacheprovider", *more)


def test_tests_of_a_good_unit_are_one_run_that_is_no_test_of_the_unit(
    pytester: pytest.Pytester, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = tiny_job(tmp_path)
    pytester.makepyfile(test_levels=LEVELS)
    other = tmp_path / "other.toml"
    other.write_text(TINY.replace("Tiny", "Other"), encoding="utf-8")
    more = ("--switchwalk-operator", "Mara", "--switchwalk-sequence", str(other))
    done = pytester.runpytest_subprocess(*simulated(job, "OB-0001", *more))
    done.assert_outcomes(passed=4)
    done.stdout.fnmatch_lines(["PASS  unit OB-0001, run 1: 3 tests of a part of the sequence passed"])
    records = pytester.path / "switchwalk-records" / "records.sqlite"
    with open_records(records, read_only=True) as store:
        run, readings, lines = store.run(1), store.readings(1), store.lines()
        assert store.verify(1).findings == ()
        assert [event.text for event in store.events(1) if event.kind == "test"] == [
            "passed test_levels.py::test_levels[idle]",
            "passed test_levels.py::test_levels[loop_a]",
            "passed test_levels.py::test_both_channels_are_read",
        ]
        assert store.passed("OB-0001", "TLS-2", simulated=True) is None
    assert (run.outcome, run.header.purpose, run.header.operator) == ("pass", "custom tests", "Mara")
    assert run.header.sequence_name == "Other"
    assert whole_tests(lines) == []
    # A state that two tests ask for is measured once: no reading is there twice.
    places = [reading.key for reading in readings]
    assert len(set(places)) == len(places)
    page = (records.parent / "reports" / "run-00001-OB-0001.html").read_text(encoding="utf-8")
    assert "passed test_levels.py::test_both_channels_are_read" in page
    shown = switchwalk(capsys, "show", "1", "--records", str(records))
    assert "Not a test of the whole unit: custom tests" in shown.out
    assert "passed test_levels.py::test_levels[loop_a]" in " ".join(shown.out.split())
    assert "custom tests" in switchwalk(capsys, "units", "--records", str(records)).out
    assert "yield" not in switchwalk(capsys, "trends", "--simulated", "--records", str(records)).out.lower()
    refused = switchwalk(capsys, "certificate", "1", "--records", str(records))
    assert refused.code == 2
    assert "run 1 measured a part (custom tests), not unit OB-0001" in refused.err
    again = switchwalk(capsys, "resume", "1", "--serial", "OB-0001", "--records", str(records))
    assert again.code == 2


def test_a_faulty_unit_fails_the_test_of_its_state_and_the_run_says_which(
    pytester: pytest.Pytester, tmp_path: Path
) -> None:
    pytester.makepyfile(test_levels=LEVELS, test_faulty=FAULTY)
    faulty = ("--switchwalk-fault", "K1 never operates", "--switchwalk-records", str(tmp_path / "own.sqlite"))
    done = pytester.runpytest_subprocess(*simulated(tiny_job(tmp_path), "OB-0002", *faulty))
    done.assert_outcomes(passed=3, failed=3)
    assert "assert ['gain left.out'] == []" in done.stdout.str()
    assert "no state 'loop_aa' is measured; expected one of" in done.stdout.str()
    with open_records(tmp_path / "own.sqlite", read_only=True) as store:
        run = store.run(1)
        messages = [event.text for event in store.events(1) if event.kind == "test"]
    assert run.outcome == "fail"
    assert "1 of 5 tests failed: test_levels.py::test_levels[loop_a]" in run.reason
    assert "2 of 5 tests did not finish: test_faulty.py::test_that_falls_over" in run.reason
    assert "broken test_faulty.py::test_that_falls_over: no such table" in messages
    assert run.header.notes == "simulated faults: K1 never operates"


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM"])
def test_an_interrupted_test_leaves_the_bench_safe_and_the_run_stopped(
    pytester: pytest.Pytester, standing: tuple[Path, StandingBench], name: str
) -> None:
    pytester.makepyfile(f"""
        import os, signal

        def test_that_is_interrupted(switchwalk_bench):
            switchwalk_bench.measure("loop_a")
            switchwalk_bench.instruments.supply.set(voltage_v=12.0, limit_a=0.4)
            switchwalk_bench.instruments.supply.switch(on=True)
            os.kill(os.getpid(), signal.{name})
    """)
    done = pytester.runpytest_subprocess(*at(standing, "OB-0003"))
    assert done.ret == pytest.ExitCode.INTERRUPTED
    assert standing[1].left_on() == []
    with open_records(pytester.path / "switchwalk-records" / "records.sqlite", read_only=True) as store:
        assert (store.run(1).outcome, store.run(1).reason) == ("stopped", "the tests were interrupted")
        assert store.readings(1) != []


def test_a_unit_that_changes_between_two_tests_is_not_measured_on(
    pytester: pytest.Pytester, standing: tuple[Path, StandingBench]
) -> None:
    bench = standing[1]
    pytester.makepyfile(f"""
        import json, socket

        def put_in(serial, *faults):
            host, port = {bench.ready["control"]!r}.rsplit(":", 1)
            with socket.create_connection((host, int(port)), timeout=10) as link:
                link.sendall(json.dumps({{"unit": serial, "faults": faults}}).encode() + b"\\n")
                assert json.loads(link.makefile().readline())["ok"]

        def test_of_one_unit(switchwalk_measure):
            assert switchwalk_measure("idle")
            put_in("OB-0999", "K1 coil open")

        def test_of_another(switchwalk_measure):
            switchwalk_measure("loop_a")
    """)
    done = pytester.runpytest_subprocess(*at(standing, "OB-0006"))
    bench.by_hand(unit="OB-0001", faults=[])
    done.assert_outcomes(passed=1, failed=1)
    done.stdout.fnmatch_lines(["a different or changed unit: in loop_a it draws *", "STOPPED  unit OB-0006*"])
    assert bench.left_on() == []


def test_whatever_a_test_leaves_on_is_off_before_the_next(
    pytester: pytest.Pytester, standing: tuple[Path, StandingBench]
) -> None:
    pytester.makepyfile("""
        def test_that_leaves_everything_on(switchwalk_bench):
            bench = switchwalk_bench.instruments
            bench.supply.set(voltage_v=12.0, limit_a=0.4)
            bench.supply.switch(on=True)
            bench.switchboard.set(frozenset({1}))
            assert bench.supply.measure().current_a > 0.01

        def test_after_it(switchwalk_bench):
            assert abs(switchwalk_bench.instruments.supply.measure().voltage_v) < 1.0
    """)
    done = pytester.runpytest_subprocess(*at(standing, "OB-0004"))
    done.assert_outcomes(passed=2)
    # Nothing was measured of what the sequence asks for, so that nothing is proven of the unit.
    done.stdout.fnmatch_lines(["UNPROVEN  unit OB-0004, run 1: *"])
    assert standing[1].left_on() == []


def test_a_bench_that_another_process_holds_is_told_to_each_test(
    pytester: pytest.Pytester, standing: tuple[Path, StandingBench]
) -> None:
    pytester.makepyfile(test_levels=LEVELS)
    with claim(load_bench(standing[1].bench_file).supply.address, instrument="supply"):
        done = pytester.runpytest_subprocess(*at(standing, "OB-0005"))
    done.assert_outcomes(passed=1, errors=3)
    done.stdout.fnmatch_lines([f"*is in use by {Path(sys.argv[0]).name} (process *"])
    assert "Traceback" not in done.stdout.str()


def test_without_a_bench_tests_are_skipped_and_say_why(
    pytester: pytest.Pytester, standing: tuple[Path, StandingBench]
) -> None:
    pytester.makepyfile(test_levels=LEVELS)
    pytester.makeini(f"[pytest]\nswitchwalk_job = {standing[0]}\n")
    done = pytester.runpytest_subprocess("-rs")
    done.assert_outcomes(passed=1, skipped=3)
    done.stdout.fnmatch_lines(["*no bench given: use --switchwalk-bench simulated*"])


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (("--switchwalk-serial", "OB-1"), "no job given"),
        (("--switchwalk-job", "."), "needs the serial number of the unit in the fixture"),
        (
            ("--switchwalk-job", ".", "--switchwalk-serial", "OB-1", "-n", "2"),
            "one unit in one fixture is tested by one process",
        ),
    ],
)
def test_what_cannot_be_is_refused_before_a_test_begins(
    pytester: pytest.Pytester, options: tuple[str, ...], why: str
) -> None:
    pytester.makepyfile(test_levels=LEVELS)
    done = pytester.runpytest_subprocess("--switchwalk-bench", "simulated", *options)
    assert done.ret == pytest.ExitCode.USAGE_ERROR
    assert why in done.stderr.str()


def test_mistakes_of_a_job_are_told_at_once_and_without_a_traceback(
    pytester: pytest.Pytester, tmp_path: Path
) -> None:
    job = tiny_job(tmp_path)
    sequence = (job / "sequence.toml").read_text(encoding="utf-8")
    (job / "sequence.toml").write_text(sequence.replace('"loop_a"]', '"lop_a"]'), encoding="utf-8")
    pytester.makepyfile(test_levels=LEVELS)
    done = pytester.runpytest_subprocess("--switchwalk-job", str(job))
    assert "did you mean loop_a?" in done.stdout.str()
    assert "Traceback" not in done.stdout.str()
