"""Values to rows of the tables and back, exactly. Pure: nothing here touches a database."""

import hashlib
import io
import json
import math
import zipfile
from collections.abc import Mapping
from dataclasses import fields
from datetime import datetime
from functools import lru_cache
from operator import itemgetter
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from harness.errors import RecordsError
from harness.measure.tones import Stimulus
from harness.quantities.registry import QUANTITIES
from harness.reading import (
    Contribution,
    Estimate,
    Expected,
    Fact,
    InputRefused,
    LeadOrUnit,
    LostToBench,
    Measurand,
    MeasuredAgain,
    NotConfirmed,
    NothingMoved,
    OperationFailed,
    Reading,
    ReadingKey,
)
from harness.records import tables
from harness.records.run import (
    KINDS,
    AcquisitionRecord,
    Ended,
    Event,
    Remembered,
    RunEvent,
    RunHeader,
    StoredReference,
)
from harness.records.tables import checked, dump, from_json, number_to_json, text_of, to_json
from harness.roles import Capture, CaptureSetting, Identity, InputSetting, Mark
from harness.toml_files.located import JobFile

Row = Mapping[str, Any]

KEY_COLUMNS = (
    "check_name", "quantity", "options", "state", "channel", "port", "driven", "frequency_hz",
)  # fmt: skip
"""What a reading's key is made of: the check's name, and the fields of `Measurand` in their order."""

VALUE_COLUMNS = (
    "value", "standard", "low", "high", "coverage_factor", "floor", "expected", "expected_standard",
    "limit_low", "limit_high",
)  # fmt: skip
NUMBERS = ("frequency_hz", *(name for name in VALUE_COLUMNS if name != "floor"))
FACTS: Mapping[str, type[Fact]] = {
    "input refused": InputRefused,
    "lost to bench": LostToBench,
    "nothing moved": NothingMoved,
    "operation failed": OperationFailed,
    "measured again": MeasuredAgain,
    "not confirmed": NotConfirmed,
    "lead or unit": LeadOrUnit,
}
"""What the records call each fact of a reading."""

FACT_NAMES: Mapping[type, str] = {fact: name for name, fact in FACTS.items()}
_KEY_OF = itemgetter(*KEY_COLUMNS)
_ESTIMATE_AS_IS = ("value", "standard", "low", "high", "coverage_factor")
_READING_AS_IS = ("unit", "limit_low", "limit_high", "verdict", "reason", "route", "setup")
_ACQUISITION_AS_IS = ("number", "setup", "state", "purpose", "duration_s")
_STIMULUS = {
    "kind": "stimulus_kind",
    "frequency_hz": "stimulus_hz",
    "level_vrms": "stimulus_vrms",
}
_HEADER_AS_IS = tuple(
    field.name
    for field in fields(RunHeader)
    if field.name not in {"started", "instruments", "files", "simulated_faults"}
)


def time_to_text(time: datetime) -> str:
    """Write a UTC time as ISO 8601 with microseconds, which sorts as text."""
    return time.isoformat(timespec="microseconds")


def header_to_row(header: RunHeader) -> Row:
    """Make the row of `runs`, of a run that hasn't ended."""
    row = {name: getattr(header, name) for name in _HEADER_AS_IS}
    return row | {
        "started": time_to_text(header.started),
        "simulated_faults": dump(header.simulated_faults),
        "outcome": None,
        "reason": "",
        "ended": None,
    }


def row_to_header(row: Row, *, files: tuple[JobFile, ...], instruments: tuple[Identity, ...]) -> RunHeader:
    """Make the header that `header_to_row` was given. Raises ValueError for any other row."""
    checked(tables.runs, row)
    for file in files:
        checked(tables.run_files, vars(file))
    for identity in instruments:
        checked(tables.instruments, vars(identity))
    return RunHeader(
        started=datetime.fromisoformat(row["started"]),
        files=files,
        instruments=instruments,
        simulated_faults=from_json(tuple[str, ...], json.loads(row["simulated_faults"])),
        **{name: row[name] for name in _HEADER_AS_IS},
    )


def event_to_row(event: Event, text: str, at: datetime) -> Row:
    """Make the row of `run_events`."""
    return {
        "kind": event.kind,
        "at": time_to_text(at),
        "outcome": event.outcome if isinstance(event, Ended) else None,
        "content": dump(to_json(event)),
        "text": text,
    }


def row_to_event(row: Row) -> RunEvent[Event | Remembered]:
    """Make an event of a run. Raises ValueError for a row that holds anything else."""
    checked(tables.run_events, row)
    kind, content = row["kind"], row["content"]
    if content is None and row["recorded"] is None:
        raise ValueError(f"an event {kind!r} without its content")
    event = Remembered(kind=kind) if content is None else from_json(KINDS[kind], json.loads(content))
    return RunEvent(event=event, at=datetime.fromisoformat(row["at"]), text=row["text"])


def key_of_columns(columns: tuple[Any, ...]) -> ReadingKey:
    """The key that these columns of a row make, in the order of `KEY_COLUMNS`.

    Raises RecordsError for a quantity that nobody knows, ValueError for anything else that is none.
    """
    check, quantity, options, *others = columns
    if quantity not in QUANTITIES:
        raise RecordsError(
            f"a reading of check {check!r} is of the quantity {quantity!r}, which this version of switchwalk "
            "does not know. Use the version that made the run"
        )
    options = () if options == "[]" else options_of(options)
    named = dict(zip(KEY_COLUMNS[1:], (quantity, options, *others), strict=True))
    return ReadingKey(check=check, measurand=Measurand(**named))


def columns_of_key(key: ReadingKey) -> tuple[Any, ...]:
    """The columns that `key_of_columns` makes this key of."""
    quantity, options, *others = vars(key.measurand).values()
    return key.check, quantity, dump(options), *others


def values_of(reading: Reading) -> Row:
    """Columns of the estimate and of the prediction, None if there is none."""
    result, expected = reading.estimate, reading.expected
    return {
        **{name: getattr(result, name, None) for name in _ESTIMATE_AS_IS},
        "floor": result is not None and result.floor,
        "expected": expected.value if expected else None,
        "expected_standard": expected.standard if expected else None,
    }


def reading_to_row(reading: Reading) -> Row:
    """Make the row of `readings`. Raises RecordsError for a NaN, which a database would turn into "none"."""
    row = dict(zip(KEY_COLUMNS, columns_of_key(reading.key), strict=True))
    row |= {name: getattr(reading, name) for name in _READING_AS_IS}
    row |= values_of(reading)
    budget = reading.estimate.budget if reading.estimate else ()
    row |= {
        "budget": dump([[part.name, number_to_json(part.standard)] for part in budget]),
        "facts": dump([[FACT_NAMES[type(fact)], to_json(fact)] for fact in reading.facts]),
        "acquisitions": dump(reading.acquisitions),
    }
    for name in NUMBERS:
        value = row[name]
        if value is not None and math.isnan(value):
            measurand = reading.key.measurand
            where = f"{measurand.where or 'the unit'} in state {measurand.state}"
            raise RecordsError(
                f"reading {reading.key.check!r} at {where}: {name} is not a number; expected a number, or a "
                "missing reading with its reason. Nothing was recorded"
            )
    return row


def row_to_reading(row: Row) -> Reading:
    """Make the reading that `reading_to_row` was given. Raises ValueError for any other row."""
    checked(tables.readings, row)
    expected = row["expected"]
    return Reading(
        key=key_of_columns(_KEY_OF(row)),
        estimate=None if row["value"] is None else _row_to_estimate(row),
        expected=None if expected is None else Expected(value=expected, standard=row["expected_standard"]),
        facts=()
        if row["facts"] == "[]"
        else tuple(from_json(FACTS[name], content) for name, content in json.loads(row["facts"])),
        acquisitions=_whole_numbers(row["acquisitions"]),
        **{name: row[name] for name in _READING_AS_IS},
    )


def _row_to_estimate(row: Row) -> Estimate:
    if None in (row["low"], row["high"], row["coverage_factor"]):
        raise ValueError(f"reading {row['id']}: a value without its interval")
    budget = tuple(
        Contribution(name=text_of(name), standard=float(standard))
        for name, standard in _decode(row["budget"])
    )
    return Estimate(floor=row["floor"], budget=budget, **{name: row[name] for name in _ESTIMATE_AS_IS})


_decode = json.JSONDecoder().decode  # a run has a thousand readings, each with several texts of JSON


def _whole_numbers(text: str) -> tuple[int, ...]:
    numbers = tuple(_decode(text))
    if any(type(number) is not int for number in numbers):
        raise ValueError(f"{text:.80} for whole numbers")
    return numbers


@lru_cache(maxsize=256)
def options_of(text: str) -> tuple[tuple[str, str], ...]:
    """The options of a measurand that a row holds. Raises ValueError for anything else."""
    return from_json(tuple[tuple[str, str], ...], json.loads(text))


def acquisition_to_row(acquisition: AcquisitionRecord) -> Row:
    """Make the row of `acquisitions`. Raises RecordsError for a phasor that is not a finite number."""
    phasors, stimulus = acquisition.phasors, acquisition.stimulus
    if not np.isfinite(phasors).all():
        raise RecordsError(
            f"acquisition {acquisition.number} in state {acquisition.state}: a phasor is not a finite "
            "number. Nothing was recorded"
        )
    return {name: getattr(acquisition, name) for name in _ACQUISITION_AS_IS} | {
        "stimulus": str(stimulus),
        **{column: getattr(stimulus, name) for name, column in _STIMULUS.items()},
        "frequencies_hz": _dump_numbers(acquisition.frequencies_hz),
        "setting": dump(_setting_to_json(acquisition.setting)),
        "phasors": dump({"real": phasors.real.tolist(), "imag": phasors.imag.tolist()}),
        "residuals_vrms": _dump_numbers(acquisition.residuals_vrms),
        "started": time_to_text(acquisition.started),
    }


def row_to_acquisition(row: Row) -> AcquisitionRecord:
    """Make the acquisition that `acquisition_to_row` was given. Raises ValueError for any other row."""
    checked(tables.acquisitions, row)
    parts = json.loads(row["phasors"])
    # Part by part: real + 1j * imag would lose the sign of a zero.
    phasors = np.empty(np.shape(parts["real"]), dtype=np.complex128)
    phasors.real, phasors.imag = parts["real"], parts["imag"]
    frequencies_hz, residuals_vrms = map(_load_numbers, (row["frequencies_hz"], row["residuals_vrms"]))
    if phasors.shape != (len(residuals_vrms), len(frequencies_hz)) or not np.isfinite(phasors).all():
        raise ValueError(f"acquisition {row['number']}: phasors of shape {phasors.shape}")
    return AcquisitionRecord(
        stimulus=from_json(Stimulus, {name: row[column] for name, column in _STIMULUS.items()}),
        frequencies_hz=frequencies_hz,
        setting=_json_to_setting(json.loads(row["setting"])),
        phasors=phasors,
        residuals_vrms=residuals_vrms,
        started=datetime.fromisoformat(row["started"]),
        **{name: row[name] for name in _ACQUISITION_AS_IS},
    )


def reference_to_row(reference: StoredReference) -> Row:
    """Make the row of `kept_references`."""
    return vars(reference) | {
        "taken": time_to_text(reference.taken),
        "simulated": int(reference.simulated),
        "content": json.dumps(reference.content, ensure_ascii=False, allow_nan=False),
    }


def row_to_reference(row: Row) -> StoredReference:
    """Make the reference that `reference_to_row` was given. Raises ValueError for any other row."""
    checked(tables.kept_references, row)
    return StoredReference(
        taken=datetime.fromisoformat(row["taken"]),
        bench=row["bench"],
        temperature_c=row["temperature_c"],
        simulated=bool(row["simulated"]),
        content=json.loads(row["content"]),
    )


def capture_to_row(capture: Capture) -> Row:
    """Make the row of `waveforms`: the volts as a compressed npz, the rest as JSON."""
    buffer = io.BytesIO()
    np.savez_compressed(buffer, volts=capture.volts)
    content = buffer.getvalue()
    description = {
        "inputs": capture.inputs,
        "interval_s": capture.interval_s,
        "full_scale_v": capture.full_scale_v,
        "step_v": capture.step_v,
        "clipped": [int(count) for count in capture.clipped],
        "setting": _setting_to_json(capture.setting),
        "origin_s": capture.origin_s,
        "marks": [[mark.kind, mark.input, mark.time_s] for mark in capture.marks],
    }
    return {
        "description": dump(description),
        "sha256": hashlib.sha256(content).hexdigest(),
        "volts_npz": content,
    }


def row_to_capture(row: Row) -> Capture:
    """Make the capture that `capture_to_row` was given. Raises RecordsError if its bytes have changed.

    And ValueError for a row that holds no such, or a waveform that unpacks to more than any is.
    """
    checked(tables.waveforms, row)
    content: bytes = row["volts_npz"]
    if hashlib.sha256(content).hexdigest() != row["sha256"]:
        raise RecordsError(
            f"the waveform of acquisition {row['acquisition_id']} is not what was stored: its checksum "
            "differs. The records are damaged; restore a copy"
        )
    volts = cast(NDArray[np.float64], np.load(unpacked(content), allow_pickle=False))
    description = json.loads(row["description"])
    inputs = tuple(int(number) for number in description["inputs"])
    _check_capture(volts, description)
    return Capture(
        inputs=inputs,
        volts=volts,
        interval_s=description["interval_s"],
        full_scale_v=tuple(description["full_scale_v"]),
        step_v=tuple(description["step_v"]),
        clipped=tuple(description["clipped"]),
        setting=_json_to_setting(description["setting"]),
        origin_s=description.get("origin_s", 0.0),
        marks=tuple(
            Mark(kind=kind, input=number, time_s=time_s)
            for kind, number, time_s in description.get("marks", ())
        ),
    )


def _check_capture(volts: NDArray[np.float64], description: Mapping[str, Any]) -> None:
    """Whether it describes these volts. Raises ValueError."""
    by_input = ("inputs", "full_scale_v", "step_v", "clipped")
    numbers = [float(description["interval_s"]), float(description.get("origin_s", 0.0))]
    numbers += [float(number) for name in by_input for number in description[name]]
    if {len(description[name]) for name in by_input} != {len(volts)} or not (
        numbers[0] > 0.0 and np.isfinite(numbers).all() and np.isfinite(volts).all() and volts.size
    ):
        raise ValueError(f"a waveform of shape {volts.shape} that is described otherwise")


def _setting_to_json(setting: CaptureSetting) -> dict[str, Any]:
    inputs = {
        str(number): [channel.volts_per_division, channel.offset_v]
        for number, channel in sorted(setting.inputs.items())
    }
    return {"inputs": inputs, "duration_s": setting.duration_s, "samples": setting.samples}


def _json_to_setting(content: Mapping[str, Any]) -> CaptureSetting:
    inputs = {
        int(number): InputSetting(volts_per_division=sensitivity, offset_v=offset)
        for number, (sensitivity, offset) in content["inputs"].items()
    }
    return CaptureSetting(inputs=inputs, duration_s=content["duration_s"], samples=content["samples"])


def _dump_numbers(numbers: tuple[float, ...]) -> str:
    return dump([number_to_json(number) for number in numbers])


def _load_numbers(text: str) -> tuple[float, ...]:
    return tuple(float(number) for number in json.loads(text))


LARGEST_WAVEFORM_BYTES = 128_000_000
"""Unpacked: twice what four inputs of two million samples are, the longest that any profile here records."""


def unpacked(content: bytes) -> io.BytesIO:
    """Unpack the one array of an npz. Raises ValueError where it is not just what its header says, or vast.

    Looked at before any room is made for it: a kilobyte may say that it is a gigabyte, or become one.
    """
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        (member,) = archive.infolist()
        if member.file_size > LARGEST_WAVEFORM_BYTES:
            raise ValueError(f"a waveform of {member.file_size} bytes")
        with archive.open(member) as packed:
            file = io.BytesIO(packed.read(member.file_size))
    if np.lib.format.read_magic(file) != (1, 0):
        raise ValueError("a waveform that is no array of volts")
    shape, _, kind = np.lib.format.read_array_header_1_0(file)
    held = file.getbuffer().nbytes - file.tell()
    if kind != np.float64 or len(shape) != 2 or math.prod(shape) * kind.itemsize != held:
        raise ValueError(f"a waveform of {kind} and shape {shape} in {held} bytes")
    file.seek(0)
    return file
