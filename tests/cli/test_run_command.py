"""`switchwalk run` on a simulated bench, end to end: real drivers, sockets, pty and records."""

import json
import re
import shutil
from pathlib import Path

import pytest

from harness.records.store import open_records
from tests.cli.commands import Printed, switchwalk
from tests.jobs import RELAY_CURRENT, ROUTE_AND_GAIN, TELLING_STATES, in_states, job_in, with_checks_of

SEQUENCES = Path(__file__).resolve().parents[2] / "sequences"
SPEED = ("--speed", "20")


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def simulated(
    capsys: pytest.CaptureFixture[str], job: Path | str, *more: str, serial: str = "OB-0001"
) -> Printed:
    return switchwalk(capsys, "run", str(job), "--serial", serial, "--simulate", *SPEED, *more)


@pytest.fixture
def short_job(tmp_path: Path) -> Path:
    """The two-loop switcher with three states and two checks, for what needs no more."""
    return job_in(
        tmp_path / "short_job",
        ROUTE_AND_GAIN,
        RELAY_CURRENT,
        states=["idle", "loop_a", "loop_a+loop_b+swap"],
        serial_pattern="OB-[0-9]{4}",
    )


# What tells one fault of a relay, a leg or a joint from a good unit.
TELLING = ("gain", "polarity", "supply_current")


def shorter(job: str, states: tuple[str, ...] = ()) -> Path:
    """The shipped job with its telling checks only, in all its states or in these.

    Other checks of good units are made in tests/session/test_steady_quantities.py.
    """
    folder = with_checks_of(SEQUENCES / job, Path("telling"), *TELLING)
    return in_states(folder, states) if states else folder


def test_a_good_two_loop_switcher_passes(capsys: pytest.CaptureFixture[str]) -> None:
    printed = simulated(capsys, shorter("two_loop_switcher"), serial="OB-0417")
    assert printed.code == 0, printed.out
    assert re.fullmatch(r"PASS  unit OB-0417, run 1: \d+ pass", printed.out.splitlines()[-1])


def test_a_failed_run_ends_with_the_likely_fault(capsys: pytest.CaptureFixture[str]) -> None:
    printed = simulated(
        capsys,
        shorter("two_loop_switcher", TELLING_STATES["two_loop_switcher"]),
        "--fault",
        "K3 never operates",
    )
    assert printed.code == 1, printed.out
    assert "FAIL  unit OB-0001" in printed.out
    assert "most likely: K3 never operates" in printed.out


KNOWN_BAD = {
    "two_loop_switcher": ("control lines loop_a and loop_b swapped",),
    "source_selector": ("K10 coil open",),
    "stepped_attenuator": ("K2 never operates",),
}


@pytest.mark.timeout(600)
@pytest.mark.parametrize("job", KNOWN_BAD)
def test_every_known_fault_fails_its_unit_and_is_named(capsys: pytest.CaptureFixture[str], job: str) -> None:
    """Unit after unit on one bench: what takes its time is measuring, not starting."""
    folder, faults = shorter(job, TELLING_STATES[job]), KNOWN_BAD[job]
    Path("known.txt").write_text("".join(f"OB-{n:04d}, {fault}\n" for n, fault in enumerate(faults)))
    printed = switchwalk(
        capsys, "gauge", "known-bad", str(folder), "known.txt", "--simulate", *SPEED, "--json"
    )
    assert printed.code == 0, printed.out + printed.err
    with open_records("switchwalk-records/records.sqlite", read_only=True) as store:
        assert [run.outcome for run in store.runs()] == ["fail"] * len(faults)


def test_over_current_stops_the_run_and_says_state_and_current(
    capsys: pytest.CaptureFixture[str], short_job: Path
) -> None:
    printed = simulated(capsys, short_job, "--fault", "K1 coil shorted")
    assert printed.code == 1
    assert re.search(r"over-current in state loop_a: the relay supply gives [\d.]+ mA", printed.out)


def test_every_reading_is_in_the_records_and_the_report_is_there(
    capsys: pytest.CaptureFixture[str], short_job: Path
) -> None:
    printed = simulated(capsys, short_job, "--fault", "K1 never operates", "--json")
    message = json.loads(printed.out)
    assert (printed.code, message["outcome"]) == (1, "fail")
    report = Path(message["report"]).read_text(encoding="utf-8")
    assert "FAIL" in report
    assert "SIMULATED" in report
    with open_records("switchwalk-records/records.sqlite", read_only=True) as store:
        record, readings = store.run(message["run"]), store.readings(message["run"])
        waveforms = store.waveforms(message["run"])
    assert record.header.planned_readings == len(readings)
    assert record.header.simulated
    assert [file.name for file in record.header.files] == [
        "module.toml", "fixture.toml", "sequence.toml", "bench.toml",
    ]  # fmt: skip
    assert len(record.header.instruments) == 4
    behind = {number for reading in readings if reading.verdict != "pass" for number in reading.acquisitions}
    assert behind == set(waveforms)


def test_a_unit_that_has_passed_is_not_run_again_unasked(
    capsys: pytest.CaptureFixture[str], short_job: Path
) -> None:
    assert simulated(capsys, short_job).code == 0
    refused = simulated(capsys, short_job)
    assert refused.code == 2
    assert "unit OB-0001 has already passed, in run 1" in refused.err
    assert "add --again" in refused.err
    assert simulated(capsys, short_job, "--again", "anew").code == 0


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (("--fault", "K3 never opperates"), "K3 never operates"),
        (("--bench", "bench.toml"), "--simulate brings a bench of its own"),
    ],
)
def test_what_cannot_be_run_is_refused_in_words(
    capsys: pytest.CaptureFixture[str], short_job: Path, more: tuple[str, ...], message: str
) -> None:
    if "--bench" in more:
        shutil.copy(short_job / "bench.toml", "bench.toml")
    printed = simulated(capsys, short_job, *more)
    assert printed.code == 2
    assert message in printed.err


@pytest.mark.parametrize("serial", ["", " OB-0001", "OB-0001\n", "X" * 65, "PA-0001"])
def test_a_serial_number_that_cannot_be_one_is_refused(
    capsys: pytest.CaptureFixture[str], short_job: Path, serial: str
) -> None:
    printed = simulated(capsys, short_job, serial=serial)
    assert printed.code == 2
    assert "--serial" in printed.err
    assert not Path("switchwalk-records").exists()


def test_a_bench_that_is_not_there_stops_the_run_before_anything_moves(
    capsys: pytest.CaptureFixture[str], short_job: Path
) -> None:
    bench = (short_job / "bench.toml").read_text(encoding="utf-8")
    bench = re.sub(r"TCPIP::192\.0\.2\.\d+::5025", "TCPIP::127.0.0.1::9", bench)
    bench = bench.replace("TCPIP::127.0.0.1::9", "TCPIP::127.0.0.1::7", 1)
    bench = bench.replace("TCPIP::127.0.0.1::9", "TCPIP::127.0.0.1::11", 1)
    (short_job / "bench.toml").write_text(bench, encoding="utf-8")
    printed = switchwalk(capsys, "run", str(short_job), "--serial", "OB-0001")
    assert printed.code == 4
    assert "generator at TCPIP::127.0.0.1::7::SOCKET" in printed.err
    with open_records("switchwalk-records/records.sqlite", read_only=True) as store:
        assert store.runs() == []
