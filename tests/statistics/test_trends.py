"""`switchwalk trends`, from real records of an invented batch."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.reading import Reading
from harness.records.run import Outcome
from harness.records.store import RunStore, open_records
from harness.statistics import batch
from tests.cli.commands import exit_code, switchwalk
from tests.records.outside_broadcast import ENDED, HEADER, READING, changed

SIGMA_DB = 0.01
GAIN = changed(READING, acquisitions=(), limit_low=-0.2, limit_high=0.2)
RIGHT = changed(GAIN, channel="right", driven="right.in")
PHASE = changed(GAIN, check="Phase", quantity="phase", unit="deg", limit_low=-1.0, limit_high=1.0)
QUIET = changed(
    GAIN, check="Crosstalk", quantity="crosstalk", value=-101.0, standard=None, low=float("-inf"),
    high=-101.0, floor=True, limit_low=None, limit_high=-80.0,
)  # fmt: skip
MISSING = changed(GAIN, check="Click", value=None, standard=None, low=None, high=None, verdict="missing")


def add(store: RunStore, serial: str, day: float, outcome: Outcome, *readings: Reading, **header: Any) -> int:
    """One run, begun so many days after the first."""
    started = HEADER.started + timedelta(days=day)
    run = store.begin(replace(HEADER, serial=serial, started=started, **header))
    store.add_readings(run, list(readings))
    store.finish(run, outcome, "", ENDED + timedelta(days=day))
    return run


def unit(
    rng: np.random.Generator, *, gain: float = 0.0, phase: float = 0.0, right: float = 0.0
) -> tuple[Reading, Reading, Reading, Reading]:
    """The readings of one good unit."""
    value = gain + rng.normal(0, SIGMA_DB)
    return (
        changed(GAIN, value=value),
        changed(RIGHT, value=value + right + rng.normal(0, SIGMA_DB / 10)),
        changed(PHASE, value=phase + rng.normal(0, 0.1)),
        QUIET,
    )


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty units of one batch, thirty of the next (whose phase moved), a golden unit, and another part."""
    rng = np.random.default_rng(31)
    path = tmp_path_factory.mktemp("batch") / "records.sqlite"
    with open_records(path) as store:
        for number in range(40):
            add(store, f"A-{number:02d}", number * 0.01, "pass", *unit(rng, right=0.02))
        for number in range(30):
            add(store, f"B-{number:02d}", 1 + number * 0.01, "pass", *unit(rng, phase=0.4, right=0.02))
        bad = changed(GAIN, value=-6.1, verdict="fail")
        add(store, "B-30", 2.0, "stopped")
        add(store, "B-30", 2.1, "fail", bad, *unit(rng)[1:], MISSING)
        add(store, "B-30", 2.2, "pass", *unit(rng))
        for day in range(12):
            add(store, "GOLD", 3.0 + day, "pass", *unit(rng, gain=0.01 * day))
        add(store, "X", 20.0, "pass", GAIN, part="ATT-6")
        add(store, "A-00", 21.0, "fail", bad, simulated=True)
    return path


@pytest.fixture
def trends(place: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., Any]:
    def run(*arguments: str, expect: int = 0) -> str:
        code = exit_code("trends", "--records", str(place), *arguments)
        printed = capsys.readouterr()
        assert code == expect, printed.err
        return printed.err if expect else printed.out

    return run


def test_a_batch_is_shown_with_its_yields_and_their_definition(trends: Callable[..., Any]) -> None:
    message = trends("--part", "TLS-2", "--golden", "GOLD")
    assert "TLS-2: 71 units" in message
    assert "SIMULATED" not in message
    assert "First-pass yield   70 of 71    98.6 %  (95 %: 92.4 to 100.0 %)" in message
    assert "Final yield        71 of 71   100.0 %  (95 %: 94.9 to 100.0 %)" in message
    assert "1 run stopped or interrupted" in message
    assert "units whose first complete run passed" in " ".join(message.split())
    assert "    1            50 %      50 %  Click" in message
    assert max(map(len, message.splitlines())) <= 80


def test_readings_stand_with_the_least_capable_first_and_say_what_is_doubtful(
    trends: Callable[..., Any],
) -> None:
    message = trends("--part", "TLS-2", "--serial-pattern", "A-*")
    table = message[message.index("Readings, the least") :].splitlines()
    assert "Phase: loop_a left.out" in table[2]  # Cpk about 3, gain about 6
    assert any("Crosstalk" in line for line in table)
    assert "left less right, unit by unit: they differ in 1 of 1 reading" in message


def test_left_less_right_is_found(trends: Callable[..., Any]) -> None:
    (side,) = json.loads(trends("--part", "TLS-2", "--serial-pattern", "A-*", "--json"))["sides"]
    assert side["channels"] == ["left", "right"]
    assert side["difference"]["low"] < -0.02 < side["difference"]["high"]
    assert side["difference"]["n"] == 40
    assert side["p_corrected"] < 1e-6


def test_a_batch_is_compared_with_another(trends: Callable[..., Any]) -> None:
    content = json.loads(trends("--part", "TLS-2", "--serial-pattern", "A-*", "--against", "B-*", "--json"))
    moved = [one for one in content["compared"] if one["moved"]]
    assert [one["key"]["check"] for one in moved] == ["Phase"]
    assert moved[0]["difference"]["shift"] == pytest.approx(0.4, abs=0.1)
    message = trends("--part", "TLS-2", "--serial-pattern", "A-*", "--against", "B-*")
    assert "Against the other 31 units: 1 of 3 readings moved" in message


def test_the_golden_units_drift_is_found(trends: Callable[..., Any]) -> None:
    message = trends("--part", "TLS-2", "--golden", "GOLD")
    assert "Golden unit GOLD on bench 'Van bench', 12 runs: a drift in 2 of 3 readings" in message
    content = json.loads(trends("--part", "TLS-2", "--golden", "GOLD", "--json"))
    gain = next(one for one in content["drifts"] if one["key"]["check"] == "Route and gain")
    assert gain["drift"]["low"] < 0.01 < gain["drift"]["high"]


def test_one_reading_is_charted_unit_by_unit(trends: Callable[..., Any]) -> None:
    message = trends("--part", "TLS-2", "--serial-pattern", "B-*", "--reading", "gain: loop_a left")
    rows = [line for line in message.splitlines() if line.startswith("  B-")]
    assert len(rows) == 31
    assert "#" in rows[-1]  # the dead unit
    assert "# one point beyond three sigma: at B-30" in message
    assert "not in control: 1 of 31 values lie further out" in " ".join(message.split())
    assert "Limits proposed:" in message
    assert "30 values" in message  # of units that passed
    assert max(map(len, message.splitlines())) <= 80


def test_json_has_every_figure(trends: Callable[..., Any]) -> None:
    content = json.loads(trends("--part", "TLS-2", "--serial-pattern", "A-*", "--json"))
    assert (content["part"], content["simulated"], content["units"]) == ("TLS-2", False, 40)
    assert content["yields"]["first_pass"]["count"] == 40
    result = {(one["key"]["check"], one["key"]["channel"]): one for one in content["readings"]}
    gain = result["Route and gain", "left"]
    assert gain["n"] == 40
    assert gain["sigma"] == pytest.approx(SIGMA_DB, rel=0.4)
    assert gain["capability"]["cpk"]["value"] == pytest.approx(0.2 / 3 / SIGMA_DB, rel=0.4)
    quiet = result["Crosstalk", "left"]
    assert (quiet["n"], quiet["floors"], quiet["mean"], quiet["capability"]) == (0, 40, None, None)


def test_what_is_not_there_is_said(trends: Callable[..., Any], tmp_path: Path) -> None:
    assert "there are runs of ATT-6, TLS-2. Say which with --part" in trends(expect=2)
    assert "there is no run of part TLS-3. There are: ATT-6, TLS-2" in trends("--part", "TLS-3", expect=2)
    none = trends("--part", "TLS-2", "--serial-pattern", "Z*", expect=2)
    assert "no unit like Z* has a complete run of its own. Runs: none" in none
    assert "no reading has 'hum'" in trends("--part", "TLS-2", "--reading", "hum", expect=2)
    assert "golden unit NONE has no complete run" in trends("--part", "TLS-2", "--golden", "NONE", expect=2)


def test_a_unit_is_never_on_both_sides_of_a_comparison(trends: Callable[..., Any]) -> None:
    both = json.loads(trends("--part", "TLS-2", "--golden", "GOLD", "--against", "B-*", "--json"))
    assert both["units"] == 40
    same = trends("--part", "TLS-2", "--serial-pattern", "B-*", "--against", "B-*", expect=2)
    assert "no unit like B-* is left on this side" in same
    assert "none is counted on both sides of a comparison" in same
    golden = trends("--part", "TLS-2", "--golden", "GOLD", "--serial-pattern", "GOLD", expect=2)
    assert "the golden unit is none of the batch" in golden


def test_units_of_no_batch_are_not_said_to_be_of_the_only_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "records.sqlite"
    with open_records(path) as store:
        add(store, "A-1", 0, "pass", GAIN, batch="autumn")
        add(store, "A-2", 1, "pass", GAIN)
    exit_code("trends", "--records", str(path))
    assert capsys.readouterr().out.startswith("TLS-2: 2 units of batch autumn and no batch\n")


def test_what_a_record_holds_rings_no_bell_in_a_complaint(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "records.sqlite"
    with open_records(path) as store:
        add(store, "A-1", 0, "pass", GAIN, batch="aut\x07umn")
    exit_code("trends", "--records", str(path), "--batch", "spring")
    told = capsys.readouterr().err
    assert "there is no batch spring. There are: aut\N{REPLACEMENT CHARACTER}umn" in told
    assert "\x07" not in told


def test_of_units_that_were_only_stopped_it_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "records.sqlite"
    with open_records(path) as store:
        add(store, "A-1", 0, "stopped", batch="autumn")
        add(store, "A-1", 1, "stopped", batch="autumn")
        add(store, "A-2", 2, "pass", batch="autumn", purpose="golden")
    exit_code("trends", "--records", str(path), "--batch", "autumn")
    message = " ".join(capsys.readouterr().err.split())
    assert "no unit of batch autumn has a complete run of its own. Runs: 1 golden, 2 stopped;" in message


def test_few_runs_of_the_golden_unit_are_not_said_to_stand_still(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Kendall's exact p of n runs that only rise is 2 / n!: of five, 1 in 60, for one reading alone."""
    rng = np.random.default_rng(2)
    path = tmp_path / "records.sqlite"
    with open_records(path) as store:
        for day in range(4):
            add(store, "GOLD", day, "pass", *unit(rng, gain=day), purpose="golden")
    message = switchwalk(capsys, "trends", "--golden", "GOLD", "--records", str(path)).out
    assert " ".join(message.split()) == (
        "Golden unit GOLD on bench 'Van bench', 4 runs: no drift can be seen; 5 runs or more, at different "
        "times, can be fitted"
    )
    with open_records(path) as store:
        add(store, "GOLD", 4, "pass", *unit(rng, gain=4), purpose="golden")
        for day in range(3):  # what differs from bench to bench is no drift
            add(store, "GOLD", day, "pass", *unit(rng, gain=-50), purpose="golden", bench_name="Other bench")
        add(store, "GOLD", 5, "pass", *unit(rng, gain=5), purpose="golden")
    message = " ".join(switchwalk(capsys, "trends", "--golden", "GOLD", "--records", str(path)).out.split())
    assert "6 runs: a drift in 2 of 3 readings" in message
    assert "So few runs" not in message
    content = json.loads(
        switchwalk(capsys, "trends", "--golden", "GOLD", "--records", str(path), "--json").out
    )
    assert set(content) == {"part", "simulated", "drifts"}


def test_the_latest_of_more_units_are_said_to_be_that_and_what_was_not_reached_is_counted(
    trends: Callable[..., Any],
) -> None:
    message = trends("--part", "TLS-2", "--serial-pattern", "A-*", "--last", "10")
    assert "TLS-2: the latest 10 units of 40" in message
    message = trends("--part", "TLS-2", "--serial-pattern", "B-*", "--reading", "Click")
    assert "(1 not passed, 1 missing, 30 not reached)" in message


def test_units_that_failed_can_be_left_out_of_the_figures_and_stay_in_the_yield(
    trends: Callable[..., Any],
) -> None:
    message = trends("--part", "TLS-2", "--serial-pattern", "B-*", "--passed")
    assert "First-pass yield   30 of 31" in message
    assert "Readings of the 30 units that passed, the least capable first (4 of 4)" in message
    content = json.loads(trends("--part", "TLS-2", "--serial-pattern", "B-*", "--passed", "--json"))
    gain = next(one for one in content["readings"] if one["key"]["channel"] == "left" and one["capability"])
    assert (content["only_passed"], gain["n"], gain["not_passed"]) == (True, 30, 0)


def test_readings_below_the_floor_are_said_to_be_left_out(trends: Callable[..., Any]) -> None:
    message = " ".join(trends("--part", "TLS-2", "--serial-pattern", "A-*", "--reading", "Crosstalk").split())
    assert "(40 below a floor) no value to describe" in message


def test_simulated_runs_are_never_mixed_with_real_ones(trends: Callable[..., Any]) -> None:
    message = trends("--simulated")
    assert "TLS-2: 1 unit   SIMULATED" in message
    assert "First-pass yield    0 of 1" in message


def test_only_simulated_runs_are_pointed_out(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "records.sqlite"
    with open_records(path) as store:
        add(store, "A", 0, "pass", GAIN, simulated=True)
    exit_code("trends", "--records", str(path))
    assert "there are only simulated runs. Give --simulated to see those" in capsys.readouterr().err


def test_the_latest_units_are_taken_with_all_their_runs(place: Path) -> None:
    with open_records(place, read_only=True) as store:
        lines = store.lines(part="TLS-2", simulated=False)
        chosen = batch.latest_units([line for line in lines if line.serial != "GOLD"], 2)
    assert [(line.serial, line.outcome) for line in chosen] == [
        ("B-29", "pass"), ("B-30", "stopped"), ("B-30", "fail"), ("B-30", "pass"),
    ]  # fmt: skip
