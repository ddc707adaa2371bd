"""Runs whose every sentence for people is the same word: programs make the same of them."""

import json
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from harness.reading import Fact, MeasuredAgain, Reading
from harness.records.run import Event, OverCurrent
from harness.records.store import RunStore, open_records
from tests.cli.commands import switchwalk
from tests.jobs import RELAY_CURRENT, ROUTE_AND_GAIN, check_of, job_in

CONSTANT = "nothing to read here"
CHECKS = (
    ROUTE_AND_GAIN,
    check_of("noise", below="-100 dBu"),
    RELAY_CURRENT,
    check_of("intermittency", operations=12, below="5 %"),
    check_of("operate_time", below="4 ms"),
    check_of("transfer_time", between=["50 us", "4 ms"]),
)
FAULTS = ("K1.1.cold operated intermittent", "K1 coil shorted")


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("job") / "short"
    return job_in(folder, *CHECKS, states=["idle", "loop_a"], channels=["left"])


def change(place: Path, *statements: str) -> None:
    with closing(sqlite3.connect(place)) as database:
        for statement in statements:
            database.execute(statement)
        database.commit()


def without_sentences(place: Path) -> Path:
    """A copy of the records in which every sentence for people is the same."""
    copy = Path(shutil.copy(place, place.with_stem(f"{place.stem}-constant")))
    change(
        copy,
        f"UPDATE readings SET reason = '{CONSTANT}'",
        f"UPDATE run_events SET text = '{CONSTANT}'",
        f"UPDATE runs SET notes = '{CONSTANT}', reason = '{CONSTANT}'",
        f"UPDATE acquisitions SET stimulus = '{CONSTANT}', purpose = '{CONSTANT}'",
    )
    return copy


@pytest.fixture
def silent(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing but the constant is ever given for a sentence, also while a run goes on."""
    make, add_event, finish = Reading.__init__, RunStore.add_event, RunStore.finish

    def made(self: Reading, **values: object) -> None:
        make(self, **{**values, "reason": CONSTANT})  # type: ignore[arg-type]

    def added(self: RunStore, run: int, event: Event, text: str = "", **more: object) -> None:
        add_event(self, run, event, CONSTANT, **more)  # type: ignore[arg-type]

    def finished(self: RunStore, run: int, outcome: object, reason: str, ended: object) -> None:
        finish(self, run, outcome, CONSTANT, ended)  # type: ignore[arg-type]

    monkeypatch.setattr(Reading, "__init__", made)
    monkeypatch.setattr(RunStore, "add_event", added)
    monkeypatch.setattr(RunStore, "finish", finished)


def run(capsys: pytest.CaptureFixture[str], job: Path, records: Path, *more: str) -> int:
    simulated = ("--simulate", "--speed", "20", "--records", str(records))
    return switchwalk(capsys, "run", str(job), "--serial", "OB-7", *simulated, *more).code


def steady_facts(reading: Reading) -> list[Fact]:
    """What two runs have alike: no value is measured twice the same."""
    return [
        replace(fact, value=None, again_value=None) if isinstance(fact, MeasuredAgain) else fact
        for fact in reading.facts
    ]


@pytest.mark.parametrize("fault", FAULTS)
def test_the_diagnosis_is_the_same(
    capsys: pytest.CaptureFixture[str], job: Path, tmp_path: Path, fault: str
) -> None:
    records = tmp_path / "records.sqlite"
    assert run(capsys, job, records, "--fault", fault) == 1
    with open_records(records, read_only=True) as store:
        over = [each for each in store.events(1) if isinstance(each.event, OverCurrent)]
    assert bool(over) == (fault == "K1 coil shorted")
    result = [
        json.loads(switchwalk(capsys, "diagnose", "1", "--json", "--records", str(place)).out)
        for place in (records, without_sentences(records))
    ]
    assert result[0] == result[1]
    named = [each["name"] for group in result[0]["groups"][:1] for each in group["faults"]]
    assert fault in named


def test_a_run_without_sentences_goes_on_alike(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    job: Path,
    tmp_path: Path,
    request: pytest.FixtureRequest,
) -> None:
    """Of a run that was stopped after some of its readings, and of one that lost a reading to the bench."""
    monkeypatch.setattr(RunStore, "refuse_edited", lambda *_: None)  # these records are edited to be so
    records = tmp_path / "records.sqlite"
    assert run(capsys, job, records, "--fault", "K1 never operates") == 1
    change(
        records,
        "DELETE FROM readings WHERE id > 8",
        "DELETE FROM run_events WHERE kind IN ('ended', 'diagnosis', 'explanation')",
        "UPDATE runs SET outcome = NULL, reason = '', ended = NULL",
    )
    lost = Path(shutil.copy(records, tmp_path / "lost.sqlite"))
    change(lost, """UPDATE readings SET facts = '[["lost to bench",{"instrument":"supply"}]]' WHERE id = 8""")
    constant = without_sentences(records)
    resumed = ("resume", "1", "--speed", "20", "--records")
    refused = [switchwalk(capsys, *resumed, str(place)) for place in (lost, without_sentences(lost))]
    assert [(each.code, each.err) for each in refused] == [(2, refused[0].err)] * 2
    assert "the bench could not take" in refused[0].err
    codes = [switchwalk(capsys, *resumed, str(records)).code]
    request.getfixturevalue("silent")
    again = switchwalk(capsys, *resumed, str(constant))
    codes.append(again.code)
    assert codes == [1, 1], again.err
    ended = []
    for place in (records, constant):
        with open_records(place, read_only=True) as store:
            readings = store.readings(1)
            kinds = [each.kind for each in store.events(1)]
            ended.append(([(each.key, each.verdict, steady_facts(each)) for each in readings], kinds))
    assert ended[0] == ended[1]
    assert {each.reason for each in readings} == {CONSTANT}
