"""A run as a file for another program: a table, a test report, or waveforms.

Every file is written beside its place and then moved there, so that none is ever half-written.
"""

import csv
import io
import json
import os
import xml.etree.ElementTree as ET
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Literal, get_args

import numpy as np

from harness.errors import RecordsError, UsageError
from harness.reading import Reading
from harness.records.export import reading_columns, reading_to_json, reading_to_row, run_to_json
from harness.records.frame import need, readings_frame
from harness.records.run import RunRecord
from harness.records.store import RunStore
from harness.roles import Capture

Format = Literal["csv", "json", "parquet", "junit", "wav", "npz"]
FORMATS: tuple[Format, ...] = get_args(Format)


def write_run(store: RunStore, run_id: int, form: Format, path: Path) -> Path:
    """Write a run to `path` and give it back; waveforms as WAV into a folder of that name, one for each.

    csv: a line a reading, SI units, "" where nothing is known. json: the run and its readings, with the keys
    that `show --json` has. parquet: the table of the csv (extra `data`). junit: a test case a reading.
    wav: volts as 32-bit floats, a channel for each scope input. npz: the waveforms exactly.
    Raises RecordsError for a run that isn't there or a place that can't be written, UsageError where the run
    kept no waveform.
    """
    record = store.run(run_id)
    if form in ("wav", "npz"):
        waveforms = store.waveforms(run_id)
        if not waveforms:
            raise UsageError(
                f"run {run_id} kept no waveforms: they are kept of readings that do not pass, and of the "
                "worst changes of state that do. Other formats: csv, json, parquet, junit"
            )
        if form == "npz":
            return _put(path, lambda target: _write_npz(waveforms, target))
        for acquisition, capture in waveforms.items():
            _put(path / f"acquisition-{acquisition}.wav", _wav_writer(capture))
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
    """A heading and a line a reading (RFC 4180), columns: run_id, serial, and those of `reading_to_row`."""
    out = io.StringIO(newline="")
    first = {"run_id": record.run_id, "serial": record.header.serial}
    rows = [first | reading_to_row(reading) for reading in readings]
    writer = csv.DictWriter(out, fieldnames=[*first, *reading_columns()])
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def json_text(record: RunRecord, readings: Sequence[Reading]) -> str:
    """The run and its readings, as `show --json` prints them."""
    content = run_to_json(record) | {"readings": [reading_to_json(reading) for reading in readings]}
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def junit_text(record: RunRecord, readings: Sequence[Reading]) -> str:
    """The run as JUnit XML, as CI servers read it: a test case a reading, in a suite that is the run.

    A failed or unproven reading is a failure (of that type), a missing one an error; none is skipped, since
    what is not shown to pass must not look as if it did. A run that ended without a verdict adds an error,
    one that failed by something else than a reading (an over-current, a person's own test) a failure.
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
    """Where each was read; with the hookup where that alone tells it apart: equal names are merged."""
    names = []
    for reading in readings:
        tone = "" if reading.frequency_hz is None else f"{reading.frequency_hz:g} Hz"
        place = " ".join(one for one in (reading.state, reading.where, tone) if one)
        names.append(place or reading.check)
    times = Counter((reading.check, name) for reading, name in zip(readings, names, strict=True))
    return [
        name if times[reading.check, name] == 1 else f"{name}, {reading.hookup}"
        for reading, name in zip(readings, names, strict=True)
    ]


def _add_case(suite: ET.Element, part: str, reading: Reading, name: str) -> None:
    case = ET.SubElement(
        suite,
        "testcase",
        classname=_xml(f"{part}.{reading.check}"),
        name=_xml(name),
        time="0",
    )
    if reading.verdict == "pass":
        return
    kind = "error" if reading.verdict == "missing" else "failure"
    floor = "below " if reading.floor else ""
    size = 100.0 if reading.unit == "%" else 1.0  # read by people: a fraction would look like so many percent
    value = "no value" if reading.value is None else f"{floor}{size * reading.value:.6g} {reading.unit}"
    interval = (
        ""
        if reading.low is None or reading.high is None
        else f" ({size * reading.low:.6g} to {size * reading.high:.6g})"
    )
    low, high = (_end(end, size) for end in (reading.limit_low, reading.limit_high))
    limits = f"limit {low} to {high} {reading.unit}".strip()
    reason = f": {reading.reason}" if reading.reason else ""
    message = _xml(f"{value}{interval}, {limits}{reason}")
    found = ET.SubElement(case, kind, type=reading.verdict, message=message)
    found.text = _xml(f"{reading.quantity} in hookup {reading.hookup!r}\n{reading.route}")


def _end(limit: float | None, size: float) -> str:
    return "open" if limit is None else f"{size * limit:.6g}"


def _xml(text: str) -> str:
    """Without the characters that XML 1.0 has no way to hold."""
    return "".join(
        one if one in "\t\n" or " " <= one <= "\ud7ff" or "\ue000" <= one <= "\ufffd" or one >= "\U00010000"
        else "\ufffd"
        for one in text
    )  # fmt: skip


def _write_npz(waveforms: Mapping[int, Capture], target: Path) -> None:
    """For each acquisition N: N_volts (inputs, samples), N_inputs, N_interval_s."""
    arrays: dict[str, np.ndarray] = {}
    for number, capture in waveforms.items():
        arrays[f"{number}_volts"] = capture.volts
        arrays[f"{number}_inputs"] = np.array(capture.inputs)
        arrays[f"{number}_interval_s"] = np.array(capture.interval_s)
    with target.open("wb") as file:
        np.savez_compressed(file, **arrays)  # type: ignore[arg-type]


def _wav_writer(capture: Capture) -> Callable[[Path], object]:
    """A sample of 1.0 is a volt. A WAV file has whole hertz only; the exact interval is in the npz."""

    def write(target: Path) -> None:
        from scipy.io import wavfile

        rate_hz = round(1.0 / capture.interval_s)
        wavfile.write(target, rate_hz, np.ascontiguousarray(capture.volts.T, dtype=np.float32))

    return write


def _put(path: Path, write: Callable[[Path], object]) -> Path:
    if not path.name:
        raise UsageError(f"--out {str(path)!r} names no file; expected a name for one")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and not path.is_file() and not path.is_dir():
            write(path)  # a device or a pipe is written to; a file moved there would take its place
            return path
        part = path.with_name(f".{path.stem}.{os.getpid()}{path.suffix}")
        try:
            write(part)
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        why = error.strerror or error
        raise RecordsError(f"{path}: cannot be written: {why}. Give another --out") from error
    return path
