"""Records for other programs: plain JSON values, pandas frames for notebooks, and files of a run.

The keys of the JSON are promised: more may come, none changes. Units are SI, with the unit in the key or
beside the value; times ISO 8601 in UTC; what is not known is null, and a number that JSON has no word for is
"inf" or "-inf".

pandas comes with the optional extra `data`: `runs = runs_frame(store, part="TLS-2")` in an open store, then
`readings_frame(store, runs.run_id)`.

Every file is written under another name beside it and then renamed, so that none is ever half-written.
"""

import csv
import io
import json
import os
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np

from harness.errors import UsageError, not_written
from harness.reading import Reading, ReadingKey
from harness.records.history import told_apart
from harness.records.rows import FACT_NAMES, KEY_COLUMNS, NUMBERS, VALUE_COLUMNS, options_of, values_of
from harness.records.run import RunRecord, UnitSummary
from harness.records.store import RunStore
from harness.records.tables import number_to_json, to_json
from harness.roles import Capture

if TYPE_CHECKING:
    import pandas as pd

FORMULA_BEGINS = tuple("=+-@\t\r")
Format = Literal["csv", "json", "parquet", "junit", "wav", "npz"]
FORMATS: tuple[Format, ...] = get_args(Format)
COLUMNS = ("where", "check", *KEY_COLUMNS[1:], "setup", "unit", *VALUE_COLUMNS, "verdict", "reason")
"""Of `reading_to_row`, in this order."""


def unit_to_json(unit: UnitSummary, operations: Mapping[str, int]) -> dict[str, Any]:
    """Keys: the fields of `UnitSummary`, and relay_operations: by relay, in all of the unit's runs."""
    return asdict(unit) | {
        "latest_started": unit.latest_started.isoformat(),
        "relay_operations": dict(operations),
    }


def run_to_json(run: RunRecord) -> dict[str, Any]:
    """Keys: run, outcome, reason, ended, verdicts (how many of each), acquisitions, and those of `RunHeader`.

    Of `files` it gives name and sha256, of `instruments` role, address, profile and text; of `job_folder` and
    `bench_file` the name alone, which is what other computers can use.
    """
    header = asdict(run.header)
    header |= {name: Path(header[name]).name for name in ("job_folder", "bench_file")}
    header["started"] = run.header.started.isoformat()
    header["files"] = [{"name": file.name, "sha256": file.sha256} for file in run.header.files]
    header["instruments"] = list(header["instruments"])
    return {
        "run": run.run_id,
        "outcome": run.outcome,
        "reason": run.reason,
        "ended": None if run.ended is None else run.ended.isoformat(),
        "verdicts": dict(run.verdicts),
        "acquisitions": run.acquisitions,
        **header,
    }


def reading_to_json(reading: Reading) -> dict[str, Any]:
    """Keys: check, quantity, options (a list of name and value), state, channel, port, driven, frequency_hz.

    setup, unit, value, standard, low, high, coverage_factor, floor, expected, expected_standard, limit_low,
    limit_high, verdict, reason, route, acquisitions; budget: a list of {name, standard}; facts: a list of
    {fact, and its fields}.
    """
    content = _flat(reading)
    for name in NUMBERS:
        content[name] = number_to_json(content[name])
    result = reading.estimate
    return content | {
        "options": [list(option) for option in reading.key.measurand.options],
        "route": reading.route,
        "acquisitions": list(reading.acquisitions),
        "budget": [to_json(part) for part in result.budget] if result else [],
        "facts": [{"fact": FACT_NAMES[type(fact)]} | to_json(fact) for fact in reading.facts],
    }


def reading_to_row(reading: Reading) -> dict[str, Any]:
    """One flat row for a table, with the columns `COLUMNS`; options as `weighting A, loopbacks pad_a`.

    Numbers stay numbers, also infinite ones; what is not known is None.
    """
    return {"where": reading.key.measurand.where} | _flat(reading)


def _flat(reading: Reading) -> dict[str, Any]:
    measurand = reading.key.measurand
    return {
        "check": reading.key.check,
        **vars(measurand),
        "options": _options_in_words(measurand.options),
        "setup": reading.setup,
        "unit": reading.unit,
        **values_of(reading),
        "limit_low": reading.limit_low,
        "limit_high": reading.limit_high,
        "verdict": reading.verdict,
        "reason": reading.reason,
    }


def _options_in_words(options: tuple[tuple[str, str], ...]) -> str:
    return ", ".join(f"{name} {value}" for name, value in options)


def runs_frame(store: RunStore, *, part: str | None = None, simulated: bool | None = None) -> "pd.DataFrame":
    """Return a row for every run, oldest first. Columns: the fields of `RunLine`; `started` in UTC.

    Raises UsageError where pandas is not installed.
    """
    need("pandas")
    import pandas as pd

    return pd.DataFrame([asdict(line) for line in store.lines(part=part, simulated=simulated)])


def readings_frame(store: RunStore, run_ids: Iterable[int] | None = None) -> "pd.DataFrame":
    """Return a row for every reading of these runs, or of all: runs as they were begun, readings as made.

    Columns: run_id, and those of `reading_to_row`. Missing numbers are NaN. Raises UsageError where pandas is
    not installed, NoSuchRun where there is no such run.
    """
    need("pandas")
    import pandas as pd

    run_ids_of_all = {line.run_id for line in store.lines()}
    wanted = run_ids_of_all if run_ids is None else {int(run_id) for run_id in run_ids}
    for absent in wanted - run_ids_of_all:
        store.run(absent)  # raises NoSuchRun
    names, rows = store.table(wanted)
    frame = pd.DataFrame.from_records(
        rows, columns=["check" if name == "check_name" else name for name in names]
    )
    frame["where"] = frame["port"].where(frame["channel"] == "", frame["channel"] + "." + frame["port"])
    kinds = dict.fromkeys(NUMBERS, "float64") | {"run_id": "int64", "floor": "bool"}
    with store.readable():
        words = {text: _options_in_words(options_of(text)) for text in frame["options"].unique()}
        frame["options"] = frame["options"].map(words)
        return frame.astype({name: kind for name, kind in kinds.items() if name in frame.columns})[
            ["run_id", *COLUMNS]
        ]


def need(*modules: str) -> None:
    """Refuse to go on without these modules. Raises UsageError that says how to install them."""
    missing = [name for name in modules if find_spec(name) is None]
    if missing:
        raise UsageError(
            f"{' and '.join(missing)} {'are' if len(missing) > 1 else 'is'} not installed. Install with: "
            "pip install 'switchwalk[data]'"
        )


def write_run(store: RunStore, run_id: int, form: Format, path: Path, *, replace: bool = False) -> Path:
    """Write a run to `path` and give it back; waveforms as WAV into a folder of that name, one for each.

    csv: a line a reading, SI units, "" if nothing is known. json: the run and its readings, with the keys
    that `show --json` has. parquet: the table of the csv (extra `data`). junit: a test case a reading.
    wav: volts as 32-bit floats, a channel for each scope input. npz: the waveforms exactly.
    Raises RecordsError for a run that isn't there or a path that can't be written, UsageError where the run
    kept no waveform, and for a file that is there unless it is to be replaced.
    """
    record = store.run(run_id)
    if not replace and form != "wav":
        _refuse_to_replace(path)
    if form in ("wav", "npz"):
        waveforms = store.waveforms(run_id)
        if not waveforms:
            raise UsageError(
                f"run {run_id} has no waveforms: they are recorded only for readings that do not pass, and "
                "for the worst changes of state. Other formats: csv, json, parquet, junit"
            )
        if form == "npz":
            return _put(path, partial(_write_npz, waveforms))
        files = {path / f"acquisition-{number}.wav": capture for number, capture in waveforms.items()}
        for file in () if replace else files:
            _refuse_to_replace(file)
        for file, capture in files.items():
            _put(file, partial(_write_wav, capture))
        return path
    if form == "parquet":
        need("pandas", "pyarrow")
        frame = readings_frame(store, [run_id])
        frame.insert(1, "serial", record.header.serial)
        return _put(path, lambda target: frame.to_parquet(target, engine="pyarrow", index=False))
    readings = store.readings(run_id)
    content = {"csv": csv_text, "json": json_text, "junit": junit_text}[form](record, readings)
    return _put(path, lambda target: target.write_bytes(content.encode("utf-8")))


def csv_text(record: RunRecord, readings: Sequence[Reading]) -> str:
    """A heading and a line a reading (RFC 4180), columns: run_id, serial, and those of `reading_to_row`.

    Text that a spreadsheet would take for a formula begins with an apostrophe (OWASP, "CSV Injection").
    """
    out = io.StringIO(newline="")
    first = {"run_id": record.run_id, "serial": record.header.serial}
    rows = [
        {name: _no_formula(value) for name, value in (first | reading_to_row(reading)).items()}
        for reading in readings
    ]
    writer = csv.DictWriter(out, fieldnames=[*first, *COLUMNS])
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def _no_formula(value: Any) -> Any:
    if not isinstance(value, str) or value[:1] not in FORMULA_BEGINS or value in ("-inf", "+inf"):
        return value
    return f"'{value}"


def json_text(record: RunRecord, readings: Sequence[Reading]) -> str:
    """The run and its readings, as `show --json` prints them."""
    content = run_to_json(record) | {"readings": [reading_to_json(reading) for reading in readings]}
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def junit_text(record: RunRecord, readings: Sequence[Reading]) -> str:
    """The run as JUnit XML, as CI servers read it: a test case a reading, in a suite that is the run.

    A failed or unproven reading is a failure (of that type), a missing one an error; none is skipped, since
    what is not shown to pass must not look as if it did. A run that ended without a verdict adds an error,
    one that failed by something else than a reading (an over-current, a person's custom test) a failure.
    Source: JUnit.xsd of Windy Road Technology, "JUnit test result schema for the Apache Ant JUnit and
    JUnitReport tasks", whole: its host is the bench.
    """
    header = record.header
    stopped = record.outcome not in ("pass", "fail", "unproven")
    by_itself = record.outcome == "fail" and not any(reading.verdict == "fail" for reading in readings)
    failures = sum(reading.verdict in ("fail", "unproven") for reading in readings) + by_itself
    errors = sum(reading.verdict == "missing" for reading in readings) + stopped
    cases = len(readings) + stopped + by_itself
    seconds = 0.0 if record.ended is None else (record.ended - header.started).total_seconds()
    seconds = max(seconds, 0.0)  # a clock that was set back during the run
    suites = ET.Element("testsuites")
    suite = ET.SubElement(
        suites,
        "testsuite",
        {
            "id": "0",
            "package": _xml(header.part),
            "name": _xml(f"{header.part} {header.serial}: {header.sequence_name}"),
            "hostname": _xml(header.bench_name or "no bench named"),
            "tests": str(cases),
            "failures": str(failures),
            "errors": str(errors),
            "time": f"{seconds:.3f}",
            "timestamp": header.started.replace(tzinfo=None).isoformat(timespec="seconds"),
        },
    )
    properties = ET.SubElement(suite, "properties")
    for name, value in _properties(record).items():
        ET.SubElement(properties, "property", name=name, value=_xml(value))
    for reading, name in zip(readings, _case_names(readings), strict=True):
        _add_case(suite, header.part, reading, name)
    if stopped or by_itself:
        case = ET.SubElement(suite, "testcase", classname=_xml(header.part), name="the whole run", time="0")
        kind = "error" if stopped else "failure"
        ET.SubElement(case, kind, type=record.outcome, message=_xml(record.reason or record.outcome))
    ET.SubElement(suite, "system-out")
    ET.SubElement(suite, "system-err")
    ET.indent(suites)
    body = ET.tostring(suites, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'


def _properties(record: RunRecord) -> Mapping[str, str]:
    header = record.header
    return {
        "run": str(record.run_id),
        "serial": header.serial,
        "part": header.part,
        "revision": header.revision,
        "outcome": record.outcome,
        "simulated": str(header.simulated).lower(),
        "bench": header.bench_name,
        "software": header.software_version,
    }


def _case_names(readings: Sequence[Reading]) -> list[str]:
    """Where each was read; with what else tells it from others of its check: equal names are merged."""
    words: dict[ReadingKey, str] = {}
    for reading in readings:
        check, measurand = reading.key.check, reading.key.measurand
        tone = "" if measurand.frequency_hz is None else f"{measurand.frequency_hz:g} Hz"
        where = " ".join(filter(None, (measurand.state, measurand.where, tone)))
        words[reading.key] = f"{check}: {where or check}"
    names = told_apart(words)
    return [names[reading.key].removeprefix(f"{reading.key.check}: ") for reading in readings]


def _add_case(suite: ET.Element, part: str, reading: Reading, name: str) -> None:
    classname = _xml(f"{part}.{reading.key.check}")
    case = ET.SubElement(suite, "testcase", classname=classname, name=_xml(name), time="0")
    if reading.verdict == "pass":
        return
    kind = "error" if reading.verdict == "missing" else "failure"
    size = 100.0 if reading.unit == "%" else 1.0  # read by people: a fraction would look like so many percent
    value, interval, result = "no value", "", reading.estimate
    if result is not None:
        bound = "at least " if result.is_least else "below " if result.floor else ""
        value = f"{bound}{size * result.value:.6g} {reading.unit}"
        interval = f" ({size * result.low:.6g} to {size * result.high:.6g})"
    low, high = (_end(end, size) for end in (reading.limit_low, reading.limit_high))
    limits = f"limit {low} to {high} {reading.unit}".strip()
    reason = f": {reading.reason}" if reading.reason else ""
    message = _xml(f"{value}{interval}, {limits}{reason}")
    problem = ET.SubElement(case, kind, type=reading.verdict, message=message)
    problem.text = _xml(f"{reading.key.measurand.quantity} in setup {reading.setup!r}\n{reading.route}")


def _end(limit: float | None, size: float) -> str:
    return "open" if limit is None else f"{size * limit:.6g}"


def _xml(text: str) -> str:
    """Without the characters that XML 1.0 has no way to hold."""
    return re.sub("[^\t\n -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "\ufffd", text)


def _write_npz(waveforms: Mapping[int, Capture], target: Path) -> None:
    """For each acquisition N: N_volts (inputs, samples), N_inputs, N_interval_s."""
    arrays: dict[str, np.ndarray] = {}
    for number, capture in waveforms.items():
        for name in ("volts", "inputs", "interval_s"):
            arrays[f"{number}_{name}"] = np.array(getattr(capture, name))
    with target.open("wb") as file:
        np.savez_compressed(file, **arrays)  # type: ignore[arg-type]


def _write_wav(capture: Capture, target: Path) -> None:
    """A sample of 1.0 is a volt. A WAV file has whole hertz only; the exact interval is in the npz."""
    from scipy.io import wavfile

    rate_hz = round(1.0 / capture.interval_s)
    wavfile.write(target, rate_hz, np.ascontiguousarray(capture.volts.T, dtype=np.float32))


def _refuse_to_replace(path: Path) -> None:
    if path.is_file():
        raise UsageError(f"{path}: already exists. Give another --out, or --replace to overwrite it")


def _put(path: Path, write: Callable[[Path], object]) -> Path:
    if not path.name:
        raise UsageError(f"--out {str(path)!r} names no file; expected a name for one")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and not path.is_file() and not path.is_dir():
            write(path)  # a device or a pipe is written to; a file moved there would replace it
            return path
        part = path.with_name(f".{path.stem}.{os.getpid()}{path.suffix}")
        try:
            write(part)
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise not_written(path, error) from error
    return path
