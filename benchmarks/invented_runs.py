"""Invented runs for the records' benchmark: as large as real ones, many, and quick to add.

Of every twenty runs one tests a unit again and one checks its bench with the golden unit; the last ones are a
gauge study. Every run has its relays' operations and its acquisitions.
"""

import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from sqlalchemy import Connection, update

from harness.measure.tones import Stimulus
from harness.reading import Contribution, Estimate, Expected, Measurand, Reading, ReadingKey
from harness.records import rows, tables
from harness.records.database import find_location, open_engine, writing
from harness.records.ledger import insert_rows
from harness.records.run import (
    AcquisitionRecord,
    BenchCheck,
    CurrentsDrawn,
    Ended,
    Event,
    FaultsNamed,
    Outcome,
    Purpose,
    RelaysOperated,
    RunHeader,
)
from harness.records.store import open_records
from harness.roles import CaptureSetting, InputSetting
from harness.toml_files.located import JobFile

PART = "LMX-TLS"
GOLDEN = "OB-GOLD"
BENCHES = 4
BATCHES = ("Spring build", "Autumn build")
STUDY = "Study of the benches"
STUDIED = ("OB-S1", "OB-S2", "OB-S3", "OB-S4", "OB-S5")
APPRAISERS = ("Ada", "Mara")
TRIALS = 2
STUDY_RUNS = len(STUDIED) * len(APPRAISERS) * TRIALS
RUNS_A_TRANSACTION = 50
READINGS_AN_ACQUISITION = 4
FAILING = 0.0002  # of all readings
EVERY = 20  # so many runs there is a retest and a check of the bench
STARTED = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
STATES = ("idle", "loop_a", "loop_b", "loop_a+loop_b", "swap", "loop_a+swap", "loop_b+swap", "all")
PORTS = ("out", "a_send", "b_send", "out.hot", "out.cold")
KINDS = (
    ("Route and gain", "gain", 1e3, "dB", -0.09, 0.004, -0.29, 0.11),
    ("Response, low", "gain", 20.0, "dB", -0.10, 0.005, -0.4, 0.2),
    ("Response, high", "gain", 20e3, "dB", -0.12, 0.006, -0.4, 0.2),
    ("Phase", "phase", 1e3, "deg", 0.2, 0.02, -1.0, 1.0),
    ("Polarity", "polarity", 1e3, "", 1.0, 0.0, 0.5, None),
    ("Crosstalk", "crosstalk", 10e3, "dB", -101.0, 0.8, None, -80.0),
    ("Common mode", "common_mode_rejection", 1e3, "dB", 71.0, 1.2, 50.0, None),
    ("DC offset", "dc_offset", None, "V", 2e-4, 5e-5, -2e-3, 2e-3),
    ("Click", "click_peak", None, "V", 4e-3, 4e-4, None, 2e-2),
    ("Operate time", "operate_time", None, "s", 2.1e-3, 1e-4, None, 4e-3),
    ("Release time", "release_time", None, "s", 1.2e-3, 1e-4, None, 4e-3),
    ("Contacts", "contact_resistance", None, "ohm", 0.11, 0.01, None, 0.25),
    ("Hum", "noise", 50.0, "dBu", -88.0, 0.7, None, -75.0),
)
OPERATIONS = {f"K{number}": 34 + number for number in range(1, 11)}
CURRENTS_A = {"loop_a": 0.0241, "loop_b": 0.0239, "swap": 0.0482}


def invented_readings(count: int, rng: np.random.Generator, *, first: int = 1) -> list[Reading]:
    """One good unit's readings."""
    return [
        _reading(number, float(deviation), first + number // 2)
        for number, deviation in enumerate(rng.normal(0.0, 1.0, count))
    ]


def _reading(number: int, deviation: float, acquisition: int) -> Reading:
    rest, state = divmod(number, len(STATES))
    rest, side = divmod(rest, 2)
    rest, port = divmod(rest, len(PORTS))
    check, quantity, frequency_hz, unit, value, sigma, low, high = KINDS[rest % len(KINDS)]
    channel = ("left", "right")[side]
    measured = value + sigma * deviation
    return Reading(
        key=ReadingKey(
            check=check if rest < len(KINDS) else f"{check} {1 + rest // len(KINDS)}",
            measurand=Measurand(
                quantity=quantity,
                options=(("loopbacks", "pad_a+pad_b"),),
                state=STATES[state],
                channel=channel,
                port=PORTS[port],
                driven=f"{channel}.in",
                frequency_hz=frequency_hz,
            ),
        ),
        unit=unit,
        estimate=Estimate(
            value=measured,
            standard=sigma / 3,
            low=measured - 2 * sigma / 3,
            high=measured + 2 * sigma / 3,
            coverage_factor=2.0,
            floor=check == "Crosstalk" and deviation < -1.0,
            budget=(
                Contribution(name="fit residual", standard=sigma / 6),
                Contribution(name="through reference", standard=sigma / 7),
                Contribution(name="gain accuracy", standard=sigma / 8),
            ),
        ),
        expected=Expected(value=value, standard=sigma),
        limit_low=low,
        limit_high=high,
        verdict="pass",
        reason="",
        facts=(),
        acquisitions=(acquisition,),
        route=f"{channel}.in > K1 > {channel}.a_send > pad_a > {channel}.a_return > {channel}.out",
        setup=f"drive {channel}, view outputs",
    )


def _acquisition(number: int) -> AcquisitionRecord:
    """Two sources at four inputs, as most acquisitions are."""
    inputs = {one: InputSetting(volts_per_division=0.5, offset_v=0.0) for one in (1, 2, 3, 4)}
    return AcquisitionRecord(
        number=number,
        setup="drive left, view outputs",
        state=STATES[number % len(STATES)],
        stimulus=Stimulus(kind="pair", frequency_hz=1e3, level_vrms=1.228),
        frequencies_hz=(1e3, 1.1e3),
        setting=CaptureSetting(inputs=inputs, duration_s=0.05, samples=20_000),
        phasors=np.array([[0.61 + 0.01j, 0.002 - 0.001j]] * 4),
        residuals_vrms=(2e-4,) * 4,
        started=STARTED,
        duration_s=0.05,
    )


@dataclass(frozen=True, kw_only=True)
class _Role:
    """What a run is for, by its number."""

    serial: str
    operator: str
    batch: str
    purpose: Purpose


def _role(number: int, runs: int) -> _Role:
    studied = number - (runs - STUDY_RUNS)
    if studied >= 0:
        rest, unit = divmod(studied, len(STUDIED))
        operator = APPRAISERS[rest % len(APPRAISERS)]
        return _Role(serial=STUDIED[unit], operator=operator, batch=STUDY, purpose="gauge")
    if number % EVERY == EVERY // 2:
        return _Role(serial=GOLDEN, operator="Ada", batch="", purpose="golden")
    unit = number - number // EVERY  # every twentieth run is of the unit before it
    batch = BATCHES[len(BATCHES) * number // (runs - STUDY_RUNS)]
    return _Role(serial=f"OB-{unit:05d}", operator="Ada", batch=batch, purpose="")


def header(number: int, runs: int, readings: int) -> RunHeader:
    """Of the so many-th of so many runs."""
    role = _role(number, runs)
    return RunHeader(
        serial=role.serial,
        module_name="Two-loop line switcher",
        part=PART,
        revision="B",
        sequence_name="Production test",
        decision="guarded",
        bench_name=f"Bench {1 + number % BENCHES}",
        operator=role.operator,
        started=STARTED + timedelta(minutes=6 * number),
        software_version="0.1.0",
        simulated=False,
        notes="",
        instruments=(),
        files=(),
        planned_readings=readings,
        batch=role.batch,
        purpose=role.purpose,
    )


@dataclass(frozen=True, kw_only=True)
class _Invented:
    """What the rows of every run are made from."""

    readings: list[rows.Row]
    acquisitions: list[rows.Row]
    files: list[rows.Row]


def fill(place: str, runs: int, readings: int) -> float | None:
    """Add invented runs, many in a transaction, with their ledger; gives how long that took.

    Nothing, and None, where there are any runs already.
    """
    with open_records(place) as store:
        if store.lines():
            return None
    begun = time.perf_counter()
    rng = np.random.default_rng(6)
    acquisitions = [_acquisition(1 + number) for number in range(-(-readings // READINGS_AN_ACQUISITION))]
    text = "# as long as most\n" * 100
    names = ("module.toml", "fixture.toml", "sequence.toml", "bench.toml")
    files = [JobFile(name=name, sha256="0" * 64, text=text) for name in names]
    invented = _Invented(
        readings=[
            rows.reading_to_row(invented_reading) for invented_reading in invented_readings(readings, rng)
        ],
        acquisitions=[rows.acquisition_to_row(acquisition) for acquisition in acquisitions],
        files=[vars(file) for file in files],
    )
    engine = open_engine(find_location(place), read_only=False)
    for first in range(0, runs, RUNS_A_TRANSACTION):
        with writing(engine) as connection:
            for number in range(first, min(first + RUNS_A_TRANSACTION, runs)):
                _add_run(connection, header(number, runs, readings), invented, rng)
    engine.dispose()
    return time.perf_counter() - begun


def _add_run(connection: Connection, begun: RunHeader, invented: _Invented, rng: np.random.Generator) -> None:
    """Each reading a little beside the invented one, and now and then one that fails."""
    (run,) = insert_rows(connection, tables.runs, [rows.header_to_row(begun)])
    insert_rows(connection, tables.run_files, [{**row, "run_id": run} for row in invented.files])
    first = insert_rows(
        connection, tables.acquisitions, [{**row, "run_id": run} for row in invented.acquisitions]
    )[0]
    failing = rng.random(len(invented.readings)) < FAILING
    made = []
    for number, (row, fails, deviation) in enumerate(
        zip(invented.readings, failing, rng.normal(0.0, 1.0, len(invented.readings)), strict=True)
    ):
        value = row["expected"] + row["expected_standard"] * float(deviation)
        made.append(
            {
                **row,
                "run_id": run,
                "value": value,
                "low": value - 2 * row["standard"],
                "high": value + 2 * row["standard"],
                "verdict": "fail" if fails else "pass",
                "acquisitions": f"[{first + number // READINGS_AN_ACQUISITION}]",
            }
        )
    insert_rows(connection, tables.readings, made)
    ended = begun.started + timedelta(minutes=4)
    outcome: Outcome = "fail" if failing.any() else "pass"
    events = [rows.event_to_row(event, "", ended) for event in _events(begun, outcome)]
    insert_rows(connection, tables.run_events, [{"run_id": run, **event} for event in events])
    stands = {"outcome": outcome, "ended": rows.time_to_text(ended)}
    connection.execute(update(tables.runs).where(tables.runs.c.id == run).values(stands))


def _events(begun: RunHeader, outcome: Outcome) -> Iterator[Event]:
    yield CurrentsDrawn(currents_a=CURRENTS_A)
    yield RelaysOperated(operations=OPERATIONS, read_back=True)
    yield Ended(outcome=outcome)
    if outcome == "fail":
        yield FaultsNamed(faults=("K3 never operates",), probability=0.9)
    if begun.purpose == "golden":
        yield BenchCheck(check="golden", good=True, why="as it was")
