"""Records of an older version after their upgrade: the same readings and verdicts, the ledger unbroken."""

import json
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.errors import RecordsError
from harness.job.job import load_job
from harness.plan.build import trial_plan
from harness.records.evidence import refuse_upgraded
from harness.records.run import (
    BenchCheck,
    CurrentsDrawn,
    Ended,
    Explanation,
    FaultsNamed,
    OverCurrent,
    RelaysOperated,
    Remembered,
)
from harness.records.store import RunStore, open_records
from tests.cli.commands import switchwalk
from tests.records import version_3

REAL, EVERY_EVENT = 4, 5
REWRITTEN = (
    (r'quantity = "transient"\nmeasure = "peak"', 'quantity = "click_peak"'),
    (r"\[\[hookup\]\]", "[[setup]]"),
    (r"(?m)^\[links\.", "[loopbacks."),
    (r"(?m)^\[plugs\.", "[measured."),
    (r"(?m)^links = ", "loopbacks = "),
    (r"(?m)^\[lines\]", "[controls]"),
    (r"(?m)^line = ", "control = "),
    (r"(?m)^lines_on = ", "controls_viewed = "),
    (r"\brest = ", "released = "),
    (r'"rest"', '"idle"'),
    (r"(?m)^exchanged = ", "inputs_swapped = "),
    (r"(?m)^silent_below = ", "silent_ports_below = "),
    (r'quantity = "balance"', 'quantity = "leg_gain_difference"'),
    (r'quantity = "balance_phase"', 'quantity = "leg_phase_error"'),
    (r'quantity = "channel_match"', 'quantity = "channel_gain_difference"'),
    (r'quantity = "channel_phase"', 'quantity = "channel_phase_difference"'),
    (r'quantity = "offset"', 'quantity = "dc_offset"'),
    (r'quantity = "gap"', 'quantity = "transfer_time"'),
    (r'quantity = "bounce"', 'quantity = "bounce_time"'),
    (r'quantity = "capacitance"', 'quantity = "coupling_capacitance"'),
    (r'(quantity = "dc_offset"\n(?:.*\n)*?)within = "(.*)"', r'\1between = ["-\2", "\2"]'),
    (r'visa = "@py"', 'visa = "python"'),
)
"""What a person changes in the job's files so that this version reads them."""


@pytest.fixture(scope="module")
def upgraded_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("upgraded") / "records.sqlite"
    version_3.write(place)
    open_records(place).close()
    return place


@pytest.fixture(scope="module", params=["file", "database"])
def store(request: pytest.FixtureRequest, upgraded_file: Path) -> Iterator[RunStore]:
    """Upgraded records, in a file and in a database."""
    place = str(upgraded_file)
    if request.param == "database":
        place = request.getfixturevalue("postgresql").new_place()
        version_3.write(place)
    with open_records(place, bring_up=True) as opened:
        yield opened


def of_run(table: str, run: int) -> list[dict[str, object]]:
    return [row for row in version_3.rows()[table] if row["run_id"] == run]


@pytest.mark.parametrize("run", version_3.RUNS)
def test_every_reading_has_the_value_the_limits_and_the_verdict_that_it_had(
    store: RunStore, run: int
) -> None:
    for reading, row in zip(store.readings(run), of_run("readings", run), strict=True):
        result, expected = reading.estimate, reading.expected
        shown = {
            "check_name": reading.key.check,
            "channel": reading.key.measurand.channel,
            "port": reading.key.measurand.port,
            "frequency_hz": reading.key.measurand.frequency_hz,
            "hookup": reading.setup,
            "unit": reading.unit,
            "value": result and result.value,
            "standard": result and result.standard,
            "low": result and result.low,
            "high": result and result.high,
            "expected": expected and expected.value,
            "expected_standard": expected and expected.standard,
            "limit_low": reading.limit_low,
            "limit_high": reading.limit_high,
            "verdict": reading.verdict,
            "reason": reading.reason,
            "route": reading.route,
            "acquisitions": json.dumps(reading.acquisitions, separators=(",", ":")),
        }
        assert shown == {name: row[name] for name in shown}


def test_a_reading_has_the_key_that_its_job_gives_it_today(store: RunStore, tmp_path: Path) -> None:
    for file in store.run(REAL).header.files[:3]:
        text = file.text
        for old, new in REWRITTEN:
            text = re.sub(old, new, text)
        (tmp_path / file.name).write_text(text)
    plan = trial_plan(load_job(tmp_path), impedances=BenchImpedances())
    wanted = {planned.key for planned in plan.readings}
    assert {reading.key for reading in store.readings(REAL)} == wanted
    assert set(store.reading_keys([REAL])) == wanted


def test_a_run_has_the_header_and_the_end_that_it_had(store: RunStore) -> None:
    for record, row in zip(store.runs(), version_3.rows()["runs"], strict=True):
        assert record.upgraded
        assert (record.header.serial, record.header.notes) == (row["serial"], row["notes"])
        assert (record.outcome, record.reason) == (row["outcome"] or "interrupted", row["reason"])
    assert store.run(EVERY_EVENT).header.simulated_faults == ("K1 never operates", "K2 coil open")
    assert store.run(REAL).header.simulated_faults == ("K1.1.hot operated stuck open",)


def test_what_programs_asked_of_events_they_can_still_ask(store: RunStore) -> None:
    events = [each.event for each in store.events(EVERY_EVENT)]
    assert [event.kind for event in events if isinstance(event, Remembered)] == [
        "retest", "override", "by hand", "leads", "bench fault", "test", "resumed",
    ]  # fmt: skip
    assert [event for event in events if not isinstance(event, Remembered)] == [
        OverCurrent(state="idle", limit_a=0.1, current_a=0.099, voltage_v=3.5),
        BenchCheck(check="golden", good=False, why="3 of 9 moved", new_history="new leads"),
        Ended(outcome="stopped"),
        Ended(outcome="fail"),
    ]
    assert store.events(EVERY_EVENT)[1].text.startswith("Grace went on despite")
    kinds = {type(each.event) for each in store.events(REAL)}
    assert kinds == {CurrentsDrawn, RelaysOperated, Ended, FaultsNamed, Explanation}
    (named,) = store.latest_events(FaultsNamed).values()
    assert "K1.1.hot operated stuck open" in named.event.faults
    (worn,) = (each for unit, each in store.operations().items() if unit[1] == "OB-0002")
    assert worn["K1"] == sum(
        json.loads(str(row["text"]))["operations"]["K1"]
        for row in of_run("run_events", REAL)
        if row["kind"] == "relays"
    )


def test_an_acquisition_has_its_stimulus_in_numbers(store: RunStore) -> None:
    for result, row in zip(store.acquisitions(REAL).values(), of_run("acquisitions", REAL), strict=True):
        purpose = f"{result.purpose}: " if result.purpose else ""
        assert f"{purpose}{result.stimulus}".replace("terminated", "idle") == row["stimulus"]
        assert (result.setup, result.number) == (row["hookup"], row["number"])


def test_the_ledger_is_as_it_was_and_holds_every_row(store: RunStore) -> None:
    result = store.verify()
    assert (result.findings, result.head) == ((), version_3.HEAD)


@pytest.mark.parametrize(
    ("statement", "what"),
    [
        ("UPDATE readings SET value = value + 1e-9 WHERE id = 60", "is not what was recorded"),
        ("UPDATE readings SET driven = 'rear.in' WHERE id = 60", "does not show what was recorded"),
        (
            'UPDATE readings SET options = \'[["band","none"]]\' WHERE id = 60',
            "does not show what was recorded",
        ),
        ("UPDATE readings SET recorded = NULL WHERE id = 60", "is not what was recorded"),
        ('UPDATE readings SET recorded = \'{"state":"swap"}\' WHERE id = 60', "is not what was recorded"),
        (
            "UPDATE run_events SET content = '{\"outcome\":\"pass\"}' WHERE kind = 'ended'",
            "does not show what",
        ),
        ("UPDATE acquisitions SET stimulus_hz = 2000 WHERE id = 60", "does not show what was recorded"),
        ("UPDATE runs SET simulated_faults = '[]' WHERE id = 4", "does not show what was recorded"),
    ],
)
def test_what_an_upgraded_row_shows_cannot_be_changed_unseen(
    upgraded_file: Path, tmp_path: Path, statement: str, what: str
) -> None:
    place = Path(shutil.copy(upgraded_file, tmp_path / "records.sqlite"))
    with closing(sqlite3.connect(place)) as database:
        database.execute(statement)
        database.commit()
    with open_records(place, read_only=True) as store:
        assert any(what in finding.what for finding in store.verify().findings)


@pytest.mark.parametrize(
    "arguments", [["diagnose", "4"], ["resume", "3"], ["rejudge", "4", "--sequence", "x.toml"]]
)
def test_what_needs_more_than_was_kept_is_refused_with_the_version_named(
    upgraded_file: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    printed = switchwalk(capsys, *arguments, "--records", str(upgraded_file))
    assert printed.code == 4
    assert "was recorded by switchwalk 0.1.0" in printed.err


def test_a_run_of_this_version_is_not_refused(store: RunStore) -> None:
    for record in store.runs():
        with pytest.raises(RecordsError, match=r"switchwalk 0\.1\.0"):
            refuse_upgraded(record, "a diagnosis")


@pytest.mark.parametrize(
    "arguments", [["show", "4", "--all", "--budget"], ["show", "5"], ["report", "4"], ["units"]]
)
def test_people_see_it_as_before(
    upgraded_file: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    printed = switchwalk(capsys, *arguments, "--records", str(upgraded_file))
    assert (printed.code, printed.err) == (0, "")
