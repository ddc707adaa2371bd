"""Brings records of an older version to this one, and knows what they said in its words.

One step for each version, from it to the next, all within the transaction that holds the write lock: it is
done whole or not at all. A SQLite file is copied first. What was recorded stays in its row: as it stands, or,
where this version shows another word, in the column `recorded`. The ledger's digests are of that.

This is the one place that reads old texts: what a program asks of an old row is worked out here, once.
"""

import json
import re
import shutil
import sqlite3
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, bindparam, insert, select, text, update

from harness.errors import RecordsError
from harness.records import tables
from harness.records.run import KINDS
from harness.records.tables import dump, from_json, to_json

Row = Mapping[str, Any]
Enter = Callable[[Connection, Table, Sequence[Row]], None]
"""Adds the ledger's entries of rows."""

QUANTITIES: Mapping[str, str] = {
    "balance": "leg_gain_difference",
    "balance_phase": "leg_phase_error",
    "channel_match": "channel_gain_difference",
    "channel_phase": "channel_phase_difference",
    "offset": "dc_offset",
    "gap": "transfer_time",
    "bounce": "bounce_time",
    "capacitance": "coupling_capacitance",
}
"""Names of quantities in version 3 whose names have changed."""

CLICKS: Mapping[str, str] = {"V": "click_peak", "V²s": "click_energy", "s": "click_duration"}
"""Version 3 had one quantity for all three, `transient`, told apart by the unit."""

STATES: Mapping[str, str] = {"rest": "idle"}
"""Names of states in version 3 whose names have changed."""

PURPOSES: Mapping[str, str] = {"own tests": "custom tests"}
STIMULI: Mapping[str, str] = {"idle": "terminated"}
FAULTS: Mapping[str, str] = {
    r"(?<=\.hot) rest (?=stuck|intermittent|\d)": " released ",
    r"(?<=\.cold) rest (?=stuck|intermittent|\d)": " released ",
    r"(?<= stuck) at rest\b": " released",
    r"\bline (?=[^ .]+ dead\b)": "control line ",
    r"\blines (?=[^ .]+ and [^ .]+ swapped\b)": "control lines ",
}
"""What stood in the name of a fault, as a pattern, and what is said now."""

EVENTS: Mapping[str, str] = {"fingerprint": "currents", "hookup": "leads"}
OLD_NAMES: Mapping[str, Mapping[str, str]] = {
    "readings": {"setup": "hookup"},
    "acquisitions": {"setup": "hookup"},
}
"""By table, columns that had another name in version 3."""

ADDED: Mapping[str, frozenset[str]] = {
    "runs": frozenset({"simulated_faults", "recorded"}),
    "acquisitions": frozenset({"purpose", "stimulus_kind", "stimulus_hz", "stimulus_vrms", "recorded"}),
    "readings": frozenset({"options", "driven", "facts", "recorded"}),
    "run_events": frozenset({"content", "recorded"}),
}
"""By table, columns that version 3 didn't have."""

BECOMES = " > "  # between the two states in the name of a change of state
UNDRIVEN = ("offset", "supply_current")  # quantities that are what they are whatever port is driven
NOTED_FAULTS = "simulated faults: "  # how the notes of a run on a simulated bench begin
ROWS_AT_ONCE = 2000


def bring_up(connection: Connection, file: Path | None, version: int, *, enter: Enter) -> None:
    """Bring records of an older version to this one, and keep a copy of a file. Raises RecordsError."""
    if file is not None:
        keep_copy(file, version)
    for older in range(version, tables.SCHEMA_VERSION):
        STEPS[older](connection, enter)
    connection.execute(update(tables.schema).values(version=tables.SCHEMA_VERSION))


def keep_copy(file: Path, version: int) -> Path:
    """Copy a SQLite file with what is in its log, beside it, and give the copy: `records.sqlite.version-2`.

    A copy that is there already stays, and this one gets a number. Raises RecordsError for want of room.
    """
    size, free = file.stat().st_size, shutil.disk_usage(file.resolve().parent).free
    if free < 2 * size:  # the copy, and what grows meanwhile
        raise RecordsError(
            f"{file}: the disk has {free / 1e6:.0f} MB free, and to bring up these records takes "
            f"{2 * size / 1e6:.0f} MB. Free some space. Nothing was changed"
        )
    copy = file.with_name(f"{file.name}.version-{version}")
    number = 1
    while copy.exists():
        number += 1
        copy = file.with_name(f"{file.name}.version-{version}-{number}")
    part = file.with_name(f"{file.name}.version-{version}.part")
    part.unlink(missing_ok=True)  # of one that was killed
    with closing(sqlite3.connect(file)) as source, closing(sqlite3.connect(part)) as target:
        source.backup(target)
    return part.replace(copy)


# --- what an old row says


@dataclass(frozen=True, kw_only=True)
class RecordedJob:
    """What a reading's key needs of the job files of a run: its setups and its checks, by name."""

    setups: Mapping[str, Row] = field(default_factory=dict)
    checks: Mapping[str, Row] = field(default_factory=dict)


def recorded_job(texts: Iterable[str]) -> RecordedJob:
    """Read the setups and checks in the files of an old run; what does not read says nothing."""
    setups: dict[str, Row] = {}
    checks: dict[str, Row] = {}
    for each in texts:
        with suppress(tomllib.TOMLDecodeError):
            content = tomllib.loads(each)
            setups |= _by_name(content.get("hookup"))
            checks |= _by_name(content.get("check"))
    return RecordedJob(setups=setups, checks=checks)


def _by_name(entries: object) -> Iterator[tuple[str, Row]]:
    for entry in entries if isinstance(entries, list) else ():
        if isinstance(entry, dict) and isinstance(entry.get("name"), str):
            yield entry["name"], entry


def as_recorded(table: Table, row: Row) -> dict[str, Any]:
    """A row as the older version wrote it, by the names of then."""
    names, added = OLD_NAMES.get(table.name, {}), ADDED[table.name]
    kept = {names.get(name, name): value for name, value in row.items() if name not in added}
    return {**kept, **json.loads(row["recorded"] or "{}")}


def column_now(table: Table, name: str) -> str:
    """What a column of an older version is called now."""
    return next((now for now, then in OLD_NAMES.get(table.name, {}).items() if then == name), name)


def upgraded(table: Table, old: Row, job: RecordedJob) -> dict[str, Any]:
    """The row that this version makes of one that an older version wrote."""
    new = {column_now(table, name): value for name, value in old.items()}
    changed = _CHANGES[table.name](old, job)
    recorded = {
        name: old[name] for name in old if changed.get(column_now(table, name), old[name]) != old[name]
    }
    return {**new, **changed, "recorded": dump(recorded)}


def _run(old: Row, _job: RecordedJob) -> Row:
    first = old["notes"].partition("\n")[0]
    faults = first.removeprefix(NOTED_FAULTS).split("; ") if first.startswith(NOTED_FAULTS) else []
    return {
        "purpose": PURPOSES.get(old["purpose"], old["purpose"]),
        "simulated_faults": dump([_fault(name) for name in faults]),
    }


def _acquisition(old: Row, _job: RecordedJob) -> Row:
    """The stimulus was kept in words: `1000 Hz, 0.283 V`, `antiphase, …`, `silence`, `check: …` of leads."""
    purpose, colon, words = old["stimulus"].partition(": ")
    parts = (words if colon else purpose).split(", ")
    kind = parts[0] if parts[0] in ("silence", "idle", "antiphase") else "pair"
    numbers = [part.partition(" ")[0] for part in parts if part[-2:] in ("Hz", " V")]
    frequency_hz = level_vrms = 0.0
    with suppress(ValueError):
        frequency_hz, level_vrms = (float(number) for number in numbers)
    return {
        "state": _state(old["state"]),
        "purpose": purpose if colon else "",
        "stimulus_kind": STIMULI.get(kind, kind),
        "stimulus_hz": frequency_hz,
        "stimulus_vrms": level_vrms,
    }


def _reading(old: Row, job: RecordedJob) -> Row:
    quantity = old["quantity"]
    options = _options(quantity, job.checks.get(old["check_name"], {}))
    setup = {} if quantity in UNDRIVEN else job.setups.get(old["hookup"], {})
    loopbacks = setup.get("links")
    if isinstance(loopbacks, list) and loopbacks:
        options["loopbacks"] = "+".join(sorted(map(str, loopbacks)))
    return {
        "quantity": CLICKS.get(old["unit"], quantity)
        if quantity == "transient"
        else QUANTITIES.get(quantity, quantity),
        "options": dump(sorted(options.items())),
        "state": _state(old["state"]),
        "driven": str(setup.get("drive", "")),
        "facts": "[]",
    }


def _options(quantity: str, check: Row) -> dict[str, str]:
    """What told measurands of one quantity apart, as the check has it or leaves it out."""
    defaults = {
        "noise": {"weighting": "none"},
        "distortion": {"include": "harmonics"},
        "common_mode_rejection": {"source": "equal"},
        "capacitance": {"coupling": "isolation"},
        "transient": {"band": "full"},
    }
    return {name: str(check.get(name, value)) for name, value in defaults.get(quantity, {}).items()}


def _state(name: str) -> str:
    return BECOMES.join(STATES.get(part, part) for part in name.split(BECOMES))


def _fault(name: str) -> str:
    for then, now in FAULTS.items():
        name = re.sub(then, now, name)
    return name


def _event(old: Row, _job: RecordedJob) -> Row:
    kind = EVENTS.get(old["kind"], old["kind"])
    content = None
    with suppress(ValueError, KeyError, TypeError, RecursionError):
        content = dump(to_json(from_json(KINDS[kind], _content(old))))
    return {"kind": kind, "content": content}


def _content(old: Row) -> Any:
    """The fields of an event, as far as an older version kept them for programs. Raises ValueError."""
    match old["kind"]:
        case "ended":
            return {"outcome": old["outcome"]}
        case "fingerprint":
            currents_a = json.loads(old["text"])
            return {"currents_a": {_state(name): current for name, current in currents_a.items()}}
        case "over-current":
            content = json.loads(old["text"])
            return content | {"state": _state(content["state"])}
        case "diagnosis":
            content = {"probability": 0.0} | json.loads(old["text"])
            return content | {"faults": [_fault(name) for name in content["faults"]]}
        case "relays" | "explanation" | "bench check":
            return json.loads(old["text"])
    raise ValueError("only a text was kept")


_CHANGES: Mapping[str, Callable[[Row, RecordedJob], Row]] = {
    "runs": _run,
    "acquisitions": _acquisition,
    "readings": _reading,
    "run_events": _event,
}


# --- from one version to the next


def _add_column(connection: Connection, table: str, column: str) -> None:
    connection.execute(text(f"ALTER TABLE {table} ADD COLUMN {column}"))


def _from_version_2(connection: Connection, enter: Enter) -> None:
    """Add batch and purpose of a run; enter references of benches, whose past is not known, in the ledger.

    The ledger knows nothing of the two columns where they are "".
    """
    for name in ("batch", "purpose"):
        _add_column(connection, "runs", f"{name} TEXT NOT NULL DEFAULT ''")
    tables.kept_references.create(connection, checkfirst=True)
    rows = connection.execute(select(tables.kept_references).order_by(tables.kept_references.c.id)).mappings()
    enter(connection, tables.kept_references, [dict(row) for row in rows.all()])


def _from_version_3(connection: Connection, _enter: Enter) -> None:
    """Keep what programs ask of a row as columns, beside what older versions wrote in words."""
    number = "DOUBLE PRECISION NOT NULL DEFAULT 0"
    connection.execute(text("ALTER TABLE acquisitions RENAME COLUMN hookup TO setup"))
    for name, column in (
        ("runs", "simulated_faults TEXT NOT NULL DEFAULT '[]'"),
        ("runs", "recorded TEXT"),
        ("acquisitions", "purpose TEXT NOT NULL DEFAULT ''"),
        ("acquisitions", "stimulus_kind TEXT NOT NULL DEFAULT 'silence'"),
        ("acquisitions", f"stimulus_hz {number}"),
        ("acquisitions", f"stimulus_vrms {number}"),
        ("acquisitions", "recorded TEXT"),
        ("run_events", "content TEXT"),
        ("run_events", "recorded TEXT"),
    ):
        _add_column(connection, name, column)
    for table in (tables.runs, tables.acquisitions, tables.run_events):
        _fill(connection, table)
    jobs = _Jobs(connection)
    # A missing reading has no coverage factor now, and SQLite cannot lift a column's NOT NULL.
    connection.execute(text("DROP INDEX ix_readings_run_id"))
    connection.execute(text("ALTER TABLE readings RENAME TO readings_of_version_3"))
    tables.readings.create(connection)
    for rows in _portions(connection, "readings_of_version_3"):
        made = [upgraded(tables.readings, row, jobs[row["run_id"]]) for row in rows]
        connection.execute(insert(tables.readings), made)
    connection.execute(text("DROP TABLE readings_of_version_3"))


def _fill(connection: Connection, table: Table) -> None:
    """Fill in the new columns of the rows that are there, and give words their new names."""
    names = ADDED[table.name] | _RENAMED_WITHIN[table.name]
    change = (
        update(table)
        .where(table.c.id == bindparam("of_id"))
        .values({name: bindparam(f"to_{name}") for name in names})
    )
    for rows in _portions(connection, table.name):
        new = [upgraded(table, as_recorded(table, row), RecordedJob()) for row in rows]
        connection.execute(
            change, [{f"to_{name}": row[name] for name in names} | {"of_id": row["id"]} for row in new]
        )


_RENAMED_WITHIN: Mapping[str, frozenset[str]] = {
    "runs": frozenset({"purpose"}),
    "acquisitions": frozenset({"state"}),
    "run_events": frozenset({"kind"}),
}
"""By table, columns in which a word may have another name now."""


def _portions(connection: Connection, table: str) -> Iterator[list[dict[str, Any]]]:
    """The rows of a table in the order of their numbers, some at a time: a million are many."""
    last = 0
    query = text(f"SELECT * FROM {table} WHERE id > :last ORDER BY id LIMIT {ROWS_AT_ONCE}")
    while rows := [dict(row) for row in connection.execute(query, {"last": last}).mappings()]:
        yield rows
        last = rows[-1]["id"]


class _Jobs(dict[int, RecordedJob]):
    """The recorded job of each run; runs with the same files share one."""

    def __init__(self, connection: Connection) -> None:
        super().__init__()
        self._connection = connection
        self._by_files: dict[tuple[str, ...], RecordedJob] = {}

    def __missing__(self, run_id: int) -> RecordedJob:
        files = files_of(self._connection, run_id)
        key = tuple(sha256 for sha256, _ in files)
        if key not in self._by_files:
            self._by_files[key] = recorded_job(content for _, content in files)
        job = self[run_id] = self._by_files[key]
        return job


def files_of(connection: Connection, run_id: int) -> list[tuple[str, str]]:
    """SHA-256 and text of each job file of a run."""
    columns = tables.run_files.c
    query = select(columns.sha256, columns.text).where(columns.run_id == run_id).order_by(columns.id)
    return [(sha256, content) for sha256, content in connection.execute(query)]


STEPS: Mapping[int, Callable[[Connection, Enter], None]] = {2: _from_version_2, 3: _from_version_3}
"""What brings a version to the next. Version 1 was never released, and none is brought up from it."""
