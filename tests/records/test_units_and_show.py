"""`switchwalk units` and `switchwalk show`, as a person or another program runs them."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness.reading import Contribution
from harness.records.run import RelaysOperated
from harness.records.store import open_records
from tests.cli.commands import exit_code
from tests.records.outside_broadcast import ENDED, HEADER, READING, changed

FAILED = changed(
    READING, state="loop_a+loop_b", value=-6.11, low=-6.118, high=-6.102, verdict="fail", acquisitions=()
)
MISSING = changed(
    READING,
    check="Crosstalk",
    quantity="crosstalk",
    value=None,
    limit_low=None,
    limit_high=-80.0,
    verdict="missing",
    reason="input 3 clipped",
    frequency_hz=10_000.0,
)


@pytest.fixture
def place(tmp_path: Path) -> Path:
    path = tmp_path / "records.sqlite"
    with open_records(path) as store:
        run = store.begin(replace(HEADER, simulated=True, planned_readings=3))
        store.add_readings(run, [READING, FAILED, MISSING])
        store.finish(run, "fail", "1 reading outside its limit", ENDED)
        run = store.begin(replace(HEADER, serial="OB-0024"))
        store.add_readings(run, [READING, changed(READING, limit_high=float("inf"))])
        store.finish(run, "pass", "", ENDED)
        store.begin(replace(HEADER, serial="OB\x1b[31m"))
    return path


@pytest.fixture
def switchwalk(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """Runs a command and gives what it printed, or its complaint where it is expected to fail."""
    monkeypatch.setenv("COLUMNS", "80")

    def run(*arguments: int | Path | str, expect: int = 0) -> str:
        code = exit_code(*arguments)
        printed = capsys.readouterr()
        assert code == expect, printed.err
        return printed.err if expect else printed.out

    return run


def lines(text: str) -> list[str]:
    return [" ".join(line.split()) for line in text.splitlines() if line.strip(" ─")]


def test_units_lists_each_unit_with_its_latest_run(place: Path, switchwalk: Callable[..., Any]) -> None:
    assert lines(switchwalk("units", "--records", place)) == [
        "Serial Part Verdict Run Runs Started (UTC)",
        "OB\N{REPLACEMENT CHARACTER}[31m TLS-2 B INTERRUPTED 3 1 2026-11-25 09:30",
        "OB-0024 TLS-2 B PASS 2 1 2026-11-25 09:30",
        "OB-0023 TLS-2 B FAIL 1 1 2026-11-25 09:30 simulated",
    ]


def test_show_says_what_it_was_and_what_did_not_pass_worst_first(
    place: Path, switchwalk: Callable[..., Any]
) -> None:
    message = switchwalk("show", 1, "--records", place)
    whole = " ".join(message.split())
    for expected in (
        "Run 1: Two-loop line switcher, TLS-2 B SIMULATED Serial OB-0023: FAIL 1 reading outside its limit",
        "3 of 3 readings: 1 fail, 1 missing, 1 pass",
        "2026-11-25 09:30:12 to 09:31:35 UTC by Ada, switchwalk 0.1.0",
        "oscilloscope: Example,S4,2002,2.1 at TCPIP::192.0.2.11::5025::SOCKET",
        "input 3 clipped",
        "-6.110 ± 0.008 dB -0.286 to 0.114 dB",
    ):
        assert expected in whole, message
    assert message.index("FAIL   ") < message.index("MISSING  ")
    assert "PASS" not in message


def test_show_says_the_batch_and_wraps_an_instrument_below_itself(
    tmp_path: Path, switchwalk: Callable[..., Any]
) -> None:
    long = tuple(
        replace(instrument, text=f"{instrument.text},{'options ' * 5}") for instrument in HEADER.instruments
    )
    with open_records(tmp_path / "records.sqlite") as store:
        store.begin(replace(HEADER, batch="autumn", instruments=long))
    message = switchwalk("show", 1, "--records", tmp_path / "records.sqlite")
    assert "UTC by Ada, batch autumn, switchwalk 0.1.0" in " ".join(message.split())
    head, tail = message[message.index("  oscilloscope") :].splitlines()[:2]
    assert head.startswith("  oscilloscope: Example,S4")
    assert tail.startswith("    ")
    assert not any(line.endswith(" ") for line in (head, tail))


def test_a_budget_of_percent_is_in_percent(tmp_path: Path, switchwalk: Callable[..., Any]) -> None:
    part = Contribution(name="the generator's own", standard=0.00012)
    distorted = changed(
        READING, check="Distortion", quantity="distortion", unit="%", value=0.001, standard=0.00012,
        low=0.0008, high=0.0012, limit_low=None, limit_high=0.003, budget=(part,), acquisitions=(),
    )  # fmt: skip
    with open_records(tmp_path / "records.sqlite") as store:
        store.add_readings(store.begin(HEADER), [distorted])
    message = switchwalk("show", 1, "--all", "--budget", "--records", tmp_path / "records.sqlite")
    assert "0.012 % the generator's own" in " ".join(message.split())
    assert "0.300 %" in message


def test_a_budget_leaves_out_what_changes_no_digit_and_breaks_no_word(
    tmp_path: Path, switchwalk: Callable[..., Any]
) -> None:
    parts = (
        Contribution(name="noise near the tones of this record, never under its quantisation", standard=0.2),
        Contribution(name="a capture that is quieter than its reference", standard=2.1e-4),
        Contribution(name="rounding", standard=1.2e-19),
    )
    level = changed(
        READING, check="Noise", quantity="noise", unit="dBu", value=-91.0, standard=0.2, low=-91.4,
        high=-90.6, limit_low=None, limit_high=-80.0, budget=parts,
    )  # fmt: skip
    with open_records(tmp_path / "records.sqlite") as store:
        store.add_readings(store.begin(HEADER), [level])
    message = switchwalk("show", 1, "--all", "--budget", "--records", tmp_path / "records.sqlite")
    assert "-91.00 dBu ± 0.40 dB, at most -80.00 dBu" in message
    assert " 0.2 dB  noise near the tones of this record, never under its\n" in message
    assert "0.00021 dB  a capture that is quieter than its reference" in message
    assert "rounding" not in message


def test_show_all_and_budget_show_the_rest(place: Path, switchwalk: Callable[..., Any]) -> None:
    message = switchwalk("show", 2, "--records", place)
    assert "Every reading passed; --all lists them." in message
    everything = switchwalk("show", 2, "--all", "--budget", "--records", place)
    assert everything.count("PASS") == 3  # the unit's and two readings'
    assert "0.0035 dB" in everything
    assert "0.0035 dB" not in switchwalk("show", 2, "--all", "--records", place)


@pytest.mark.parametrize("arguments", [("units",), ("show", 1, "--all", "--budget"), ("show", 3)])
def test_eighty_columns_and_no_control_codes_are_enough(
    place: Path, arguments: tuple[int | str, ...], switchwalk: Callable[..., Any]
) -> None:
    message = switchwalk(*arguments, "--records", place)
    assert max(len(line) for line in message.splitlines()) <= 80
    assert "\x1b" not in message


def test_units_as_json_keeps_its_keys(place: Path, switchwalk: Callable[..., Any]) -> None:
    units = json.loads(switchwalk("units", "--json", "--records", place))
    assert units[1] == {
        "serial": "OB-0024",
        "part": "TLS-2",
        "module_name": "Two-loop line switcher",
        "revision": "B",
        "simulated": False,
        "runs": 1,
        "passes": 1,
        "latest_run": 2,
        "latest_outcome": "pass",
        "latest_started": "2026-11-25T09:30:12.345678+00:00",
        "purpose": "",
        "extent": "whole",
        "relay_operations": {},
    }


def test_one_unit_is_shown_with_what_its_relays_did_in_all_its_runs(
    tmp_path: Path, switchwalk: Callable[..., Any]
) -> None:
    path = tmp_path / "worn.sqlite"
    with open_records(path) as store:
        for serial, k1, simulated in (
            ("W-1", 5, False),
            ("W-1", 7, False),
            ("W-1", 90, True),
            ("W-2", 4, False),
        ):
            run = store.begin(replace(HEADER, serial=serial, simulated=simulated))
            operated = RelaysOperated(operations={"K1": k1, "K6": 2}, read_back=True)
            store.add_event(run, operated)
            store.add_event(run, operated)  # as a run has that was resumed
            store.finish(run, "pass", "", ENDED)
    message = switchwalk("units", "W-1", "--records", path)
    assert "relay operations in all runs of TLS-2: K1 24, K6 8" in message
    assert "relay operations in all runs of TLS-2, simulated: K1 180, K6 4" in message
    assert "W-2" not in message
    assert max(len(line) for line in message.splitlines()) <= 80
    told = json.loads(switchwalk("units", "--json", "--records", path))
    assert [(one["serial"], one["simulated"], one["relay_operations"]["K1"]) for one in told] == [
        ("W-2", False, 8),
        ("W-1", True, 180),
        ("W-1", False, 24),
    ]
    assert "no unit 'W-9'" in switchwalk("units", "W-9", "--records", path, expect=2)


def test_show_as_json_keeps_its_keys(place: Path, switchwalk: Callable[..., Any]) -> None:
    run = json.loads(switchwalk("show", 2, "--json", "--records", place))
    assert set(run) == {
        "run",
        "by_hand",
        "not_measured",
        "outcome",
        "reason",
        "ended",
        "verdicts",
        "acquisitions",
        "serial",
        "module_name",
        "part",
        "revision",
        "sequence_name",
        "decision",
        "bench_name",
        "operator",
        "started",
        "software_version",
        "simulated",
        "notes",
        "planned_readings",
        "job_folder",
        "bench_file",
        "batch",
        "purpose",
        "simulated_faults",
        "relays",
        "instruments",
        "files",
        "readings",
    }
    assert (run["run"], run["outcome"], run["verdicts"]) == (2, "pass", {"pass": 2})
    kept = {"check", "quantity", "state", "channel", "port", "frequency_hz", "unit", "value", "standard"}
    kept |= {"low", "high", "coverage_factor", "floor", "expected", "expected_standard", "limit_low"}
    kept |= {"limit_high", "verdict", "reason", "budget", "acquisitions", "route"}
    added = {"options", "driven", "setup", "facts"}
    assert [set(reading) for reading in run["readings"]] == [kept | added] * 2
    assert run["readings"][0]["budget"][0] == {"name": "fit residual", "standard": 0.002}
    assert [reading["limit_high"] for reading in run["readings"]] == [0.114, "inf"]


def test_a_run_or_records_that_are_not_there_end_with_one_clear_line(
    place: Path, tmp_path: Path, switchwalk: Callable[..., Any]
) -> None:
    message = switchwalk("show", 9, "--records", place, expect=2)
    assert message == f"{place}: there is no run 9. `switchwalk units` lists what there is\n"
    message = switchwalk("units", "--records", tmp_path / "none.sqlite", expect=2)
    assert "no records here yet" in message
    assert len(message.splitlines()) == 1
    assert not (tmp_path / "none.sqlite").exists()


def test_empty_records_say_so(tmp_path: Path, switchwalk: Callable[..., Any]) -> None:
    open_records(tmp_path / "new.sqlite").close()
    assert switchwalk("units", "--records", tmp_path / "new.sqlite") == "No unit has been tested yet.\n"
    assert json.loads(switchwalk("units", "--json", "--records", tmp_path / "new.sqlite")) == []
