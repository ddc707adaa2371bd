"""What goes into the records comes out of them, equal to the last bit."""

import sqlite3
from collections.abc import Iterator
from dataclasses import asdict, fields, replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from sqlalchemy.dialects.postgresql.base import PGDialect
from sqlalchemy.dialects.sqlite.base import SQLiteDialect
from sqlalchemy.engine.interfaces import Dialect
from sqlalchemy.schema import CreateTable

from harness.errors import RecordsError
from harness.quantities.registry import QUANTITIES
from harness.reading import (
    Contribution,
    Estimate,
    Expected,
    Fact,
    InputRefused,
    LostToBench,
    Measurand,
    NothingMoved,
    OperationFailed,
    Reading,
    ReadingKey,
    Shown,
    Step,
    Verdict,
)
from harness.records.rows import FACTS, event_to_row, reading_to_row, row_to_event, row_to_reading
from harness.records.run import (
    KINDS,
    CurrentsDrawn,
    Event,
    FaultsNamed,
    Outcome,
    RelaysOperated,
    RunEvent,
    RunHeader,
)
from harness.records.store import RunStore, open_records
from harness.records.tables import metadata
from tests.records.outside_broadcast import (
    ACQUISITION,
    ENDED,
    HEADER,
    READING,
    STARTED,
    capture,
    changed,
    value_of,
)

numbers = st.floats(allow_nan=False)
maybe = st.none() | numbers
# A lone surrogate is no text in UTF-8; PostgreSQL has no text with a NUL.
texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
any_measurand = st.builds(
    Measurand,
    quantity=st.sampled_from(sorted(QUANTITIES)),
    options=st.dictionaries(texts, texts, max_size=2).map(lambda options: tuple(sorted(options.items()))),
    **dict.fromkeys(("state", "channel", "port", "driven"), texts),
    frequency_hz=maybe,
)
any_estimate = st.builds(
    Estimate,
    **dict.fromkeys(("value", "low", "high", "coverage_factor"), numbers),
    standard=maybe,
    floor=st.booleans(),
    budget=st.lists(st.builds(Contribution, name=texts, standard=numbers), max_size=4).map(tuple),
)
any_fact = st.one_of(
    st.builds(InputRefused, input=st.integers(1, 8), problem=texts),
    st.builds(LostToBench, instrument=texts),
    st.just(NothingMoved()),
    st.builds(
        OperationFailed,
        number=st.integers(1, 1000),
        step=st.sampled_from(get_args(Step)),
        shown=st.sampled_from(get_args(Shown)),
    ),
)
any_reading = st.builds(
    Reading,
    key=st.builds(ReadingKey, check=texts, measurand=any_measurand),
    **dict.fromkeys(("unit", "reason", "route", "setup"), texts),
    estimate=st.none() | any_estimate,
    expected=st.none() | st.builds(Expected, value=numbers, standard=maybe),
    limit_low=maybe,
    limit_high=maybe,
    verdict=st.sampled_from(get_args(Verdict)),
    facts=st.lists(any_fact, max_size=3).map(tuple),
    acquisitions=st.lists(st.integers(min_value=1, max_value=2**31 - 1), max_size=4).map(tuple),
)


@pytest.fixture
def store(empty: str) -> Iterator[RunStore]:
    with open_records(empty) as store:
        yield store


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def module_store(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[RunStore]:
    if request.param == "sqlite":
        place = tmp_path_factory.mktemp("property") / "records.sqlite"
    else:
        place = request.getfixturevalue("postgresql").new_place()
    with open_records(place) as store:
        yield store


@given(readings=st.lists(any_reading, max_size=3))
@settings(max_examples=40, deadline=None)
def test_any_readings_come_back_equal_and_in_order(module_store: RunStore, readings: list[Reading]) -> None:
    run = module_store.begin(HEADER)
    module_store.add_readings(run, readings)
    assert module_store.readings(run) == readings


@given(reading=any_reading)
@settings(max_examples=200, deadline=None)
def test_a_reading_survives_its_row_even_to_the_sign_of_a_zero(reading: Reading) -> None:
    assert repr(row_to_reading(reading_to_row(reading))) == repr(reading)


@pytest.mark.parametrize("value", [5e-324, 0.1 + 0.2, 1.7976931348623157e308, float("inf"), float("-inf")])
def test_hard_numbers_come_back_bit_exact(store: RunStore, value: float) -> None:
    run = store.begin(HEADER)
    store.add_readings(run, [changed(READING, value=value)])
    (read,) = store.readings(run)
    assert repr(value_of(read)) == repr(value)


@pytest.mark.parametrize("field", ["value", "standard", "limit_high", "expected"])
def test_a_nan_is_refused_and_nothing_of_its_group_is_kept(store: RunStore, field: str) -> None:
    run = store.begin(HEADER)
    with pytest.raises(
        RecordsError, match=rf"'Route and gain' at left.out in state loop_a: {field} is not a number"
    ):
        store.add_readings(run, [READING, changed(READING, **{field: float("nan")})])
    assert store.readings(run) == []


def test_the_header_comes_back_equal_with_its_files_and_instruments(store: RunStore) -> None:
    run = store.begin(HEADER)
    record = store.run(run)
    assert record.header == HEADER
    assert (record.outcome, record.ended, record.readings) == ("interrupted", None, 0)


def test_two_runs_keep_their_own_files_readings_and_waveforms(store: RunStore) -> None:
    other = replace(HEADER, serial="OB-0024", operator=None, files=HEADER.files[:1], instruments=())
    first, second = store.begin(HEADER), store.begin(other)
    store.add_readings(second, [READING])
    assert [record.header for record in store.runs()] == [HEADER, other]
    assert store.readings(first) == []
    assert store.run(second).verdicts == {"pass": 1}
    assert store.waveforms(second) == {}


def test_an_acquisition_comes_back_with_its_phasors_and_times(store: RunStore) -> None:
    run = store.begin(HEADER)
    number = store.add_acquisition(run, ACQUISITION)
    (read,) = store.acquisitions(run).values()
    assert list(store.acquisitions(run)) == [number]
    for field in fields(read):
        if field.name != "phasors":
            assert getattr(read, field.name) == getattr(ACQUISITION, field.name), field.name
    assert read.phasors.dtype == np.complex128
    assert read.phasors.tobytes() == ACQUISITION.phasors.tobytes()


def test_a_phasor_that_is_no_number_is_refused(store: RunStore) -> None:
    run = store.begin(HEADER)
    with pytest.raises(RecordsError, match="acquisition 3 in state loop_a: a phasor is not a finite number"):
        store.add_acquisition(run, replace(ACQUISITION, phasors=np.array([[np.nan + 0j]])))
    assert store.acquisitions(run) == {}


def test_a_waveform_comes_back_sample_for_sample(store: RunStore) -> None:
    run = store.begin(HEADER)
    number = store.add_acquisition(run, ACQUISITION)
    made = capture(seed=1, samples=20_000)
    store.add_waveform(run, number, made)
    read = store.waveforms(run)[number]
    assert read.volts.tobytes() == made.volts.tobytes()
    assert read.volts.dtype == np.float64
    without = {**asdict(made), "volts": None}
    assert {**asdict(read), "volts": None} == without


def test_a_kept_waveform_is_smaller_than_it_was(tmp_path: Path) -> None:
    made = capture(seed=1, samples=20_000)
    with open_records(tmp_path / "records.sqlite") as store:
        run = store.begin(HEADER)
        store.add_waveform(run, store.add_acquisition(run, ACQUISITION), made)
    assert (tmp_path / "records.sqlite").stat().st_size < made.volts.nbytes / 4


def test_a_through_reference_comes_back(store: RunStore) -> None:
    run = store.begin(HEADER)
    reference = {"made": "2026-11-25T09:30:00+00:00", "ratios": {"1": [[1.0, 0.0]], "2": [[0.9991, -1e-5]]}}
    store.add_reference(run, reference)
    assert store.references(run) == [reference]


def test_finishing_says_how_it_ended_once(store: RunStore) -> None:
    run = store.begin(HEADER)
    store.finish(run, "fail", "2 readings outside their limits", ENDED)
    record = store.run(run)
    assert (record.outcome, record.reason, record.ended) == ("fail", "2 readings outside their limits", ENDED)
    with pytest.raises(RecordsError, match=f"run {run} does not exist or has ended already"):
        store.finish(run, "pass", "", ENDED)
    assert store.run(run).outcome == "fail"


@pytest.mark.parametrize(
    "started",
    [datetime(2026, 11, 25, 9, 30), datetime(2026, 11, 25, 9, 30, tzinfo=timezone(timedelta(hours=1)))],
    ids=["naive", "another zone"],
)
def test_a_time_that_is_not_utc_is_refused(started: datetime) -> None:
    with pytest.raises(ValueError, match="started needs a time in UTC"):
        replace(HEADER, started=started)


def test_times_are_kept_as_iso_8601_in_utc(tmp_path: Path) -> None:
    with open_records(tmp_path / "records.sqlite") as store:
        store.begin(replace(HEADER, started=datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)))
    with sqlite3.connect(tmp_path / "records.sqlite") as plain:
        assert plain.execute("SELECT started FROM runs").fetchall() == [("2026-01-02T03:04:05.000000+00:00",)]
    plain.close()


def finish(store: RunStore, outcome: Outcome | None, **changes: Any) -> int:
    run = store.begin(replace(HEADER, **changes))
    if outcome:
        store.finish(run, outcome, "", ENDED)
    return run


@pytest.mark.parametrize(
    ("outcomes", "passed"),
    [
        (["pass"], 1),
        (["fail"], None),
        ([None], None),
        (["fail", "pass"], 2),
        (["pass", "fail"], None),
        (["pass", "unproven"], None),
        (["pass", "stopped"], 1),
        (["pass", None], 1),
    ],
)
def test_a_unit_stands_passed_by_its_latest_verdict(
    store: RunStore, outcomes: list[Outcome | None], passed: int | None
) -> None:
    for outcome in outcomes:
        finish(store, outcome)
    record = store.passed("OB-0023", "TLS-2")
    assert (record and record.run_id) == passed
    assert store.passed("OB-0023", "TLS-3") is None


def test_a_simulated_pass_proves_no_board(store: RunStore) -> None:
    finish(store, "pass", simulated=True)
    assert store.passed("OB-0023", "TLS-2") is None
    record = store.passed("OB-0023", "TLS-2", simulated=True)
    assert record is not None
    assert record.run_id == 1


def test_units_are_listed_by_their_latest_run(store: RunStore) -> None:
    finish(store, "fail")
    finish(store, "pass")
    finish(store, "pass", serial="OB-0024", started=STARTED + timedelta(hours=1))
    finish(store, "stopped", simulated=True)
    finish(store, None, serial="OB-0024", started=STARTED + timedelta(hours=2))
    assert [
        (unit.serial, unit.simulated, unit.runs, unit.passes, unit.latest_run, unit.latest_outcome)
        for unit in store.units()
    ] == [
        ("OB-0024", False, 2, 1, 5, "interrupted"),
        ("OB-0023", True, 1, 0, 4, "stopped"),
        ("OB-0023", False, 2, 1, 2, "pass"),
    ]
    assert [record.run_id for record in store.runs(serial="OB-0024")] == [3, 5]


def test_a_unit_stands_by_its_latest_test_whatever_it_was_there_for_afterwards(store: RunStore) -> None:
    finish(store, "fail")
    finish(store, "pass", purpose="custom tests")
    finish(store, "pass", serial="OB-0024", purpose="custom tests")
    assert [
        (unit.serial, unit.runs, unit.passes, unit.latest_run, unit.latest_outcome, unit.purpose)
        for unit in store.units()
    ] == [("OB-0024", 1, 0, 3, "pass", "custom tests"), ("OB-0023", 2, 0, 1, "fail", "")]


@pytest.mark.parametrize("copies", [1, 1300])
def test_a_reading_is_found_among_those_that_share_much_with_it(store: RunStore, copies: int) -> None:
    run = store.begin(HEADER)
    others = [changed(READING, acquisitions=(), **{name: "other"}) for name in ("check", "state", "driven")]
    store.add_readings(run, [changed(READING, acquisitions=(), value=-0.5), *others])
    wanted = next(
        key
        for key in store.reading_keys([run])
        if "other" not in (key.check, key.measurand.state, key.measurand.driven)
    )
    states = [f"{wanted.measurand.state}{number or ''}" for number in range(copies)]
    keys = [replace(wanted, measurand=replace(wanted.measurand, state=state)) for state in states]
    (result,) = store.series([run], keys=keys)
    assert (result.key, list(result.values)) == (wanted, [-0.5])
    assert store.series([run], keys=[]) == []


def test_the_state_changes_with_whatever_is_recorded_and_its_last_with_what_is_said_of_a_run(
    store: RunStore,
) -> None:
    states = [store.state()]
    run = store.begin(HEADER)
    states.append(store.state())
    store.add_acquisition(run, ACQUISITION)
    states.append(store.state())
    store.add_readings(run, [changed(READING, acquisitions=())])
    states.append(store.state())
    assert len(set(states)) == 4
    for event in (CurrentsDrawn(currents_a={}), RelaysOperated(operations={}, read_back=False)):
        store.add_event(run, event)  # some twenty a run
    assert store.state() == states[-1]
    store.finish(run, "fail", "", ENDED)
    states.append(store.state())
    store.add_event(run, FaultsNamed(faults=(), probability=0.0))
    states.append(store.state())
    assert len({state[-1] for state in states[-3:]}) == 3


@pytest.mark.parametrize("kind", [SQLiteDialect, PGDialect])
def test_every_table_can_be_said_in_both_databases(kind: type[Dialect]) -> None:
    dialect = kind()
    message = {
        table.name: str(CreateTable(table).compile(dialect=dialect)) for table in metadata.sorted_tables
    }
    assert len(message) == 11
    assert "DOUBLE" in message["readings"]


def test_the_header_has_a_column_for_every_field() -> None:
    columns = {column.name for column in metadata.tables["runs"].columns}
    assert {field.name for field in fields(RunHeader)} - {"files", "instruments"} <= columns


def test_the_records_know_every_fact_and_every_event() -> None:
    assert set(FACTS.values()) == set(get_args(Fact))
    assert len(KINDS) == len(Event.__subclasses__())  # no two of one kind


@given(event=st.one_of(*(st.from_type(kind) for kind in KINDS.values())), text=texts)
@settings(max_examples=200, deadline=None)
def test_any_event_survives_its_row(event: Any, text: str) -> None:
    assume("nan" not in repr(event))
    row = dict(event_to_row(event, text, STARTED)) | {"id": 1, "run_id": 1, "recorded": None}
    assert row_to_event(row) == RunEvent(event=event, at=STARTED, text=text)
