"""Values to rows of the tables and back, exactly. Pure: nothing here touches a database."""

import hashlib
import io
import json
import math
from collections.abc import Mapping
from dataclasses import fields
from datetime import datetime
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from harness.errors import RecordsError
from harness.reading import Contribution, Reading
from harness.records import tables
from harness.records.run import AcquisitionRecord, RunEvent, RunHeader
from harness.records.sound import sound, unpacked
from harness.roles import Capture, CaptureSetting, Identity, InputSetting, Mark
from harness.toml_files.file import JobFile

Row = Mapping[str, Any]

NUMBERS = (
    "frequency_hz",
    "value",
    "standard",
    "low",
    "high",
    "coverage_factor",
    "expected",
    "expected_standard",
    "limit_low",
    "limit_high",
)
_READING_AS_IS = tuple(
    field.name for field in fields(Reading) if field.name not in {"check", "budget", "acquisitions"}
)
_HEADER_AS_IS = tuple(
    field.name for field in fields(RunHeader) if field.name not in {"started", "instruments", "files"}
)


def number_to_json(value: float | None) -> float | str | None:
    """Make a number that JSON can hold: an infinity becomes "inf" or "-inf"."""
    return value if value is None or math.isfinite(value) else repr(value)


def time_to_text(time: datetime) -> str:
    """Write a UTC time as ISO 8601 with microseconds, which sorts as text."""
    return time.isoformat(timespec="microseconds")


def header_to_row(header: RunHeader) -> Row:
    """Make the row of `runs`, of a run that hasn't ended."""
    row = {name: getattr(header, name) for name in _HEADER_AS_IS}
    return row | {"started": time_to_text(header.started), "outcome": None, "reason": "", "ended": None}


def row_to_header(row: Row, *, files: tuple[JobFile, ...], instruments: tuple[Identity, ...]) -> RunHeader:
    """Make the header that `header_to_row` was given. Raises ValueError for any other row."""
    sound(tables.runs, row)
    for file in files:
        sound(tables.run_files, vars(file))
    for identity in instruments:
        sound(tables.instruments, vars(identity))
    return RunHeader(
        started=datetime.fromisoformat(row["started"]),
        files=files,
        instruments=instruments,
        **{name: row[name] for name in _HEADER_AS_IS},
    )


def row_to_event(row: Row) -> RunEvent:
    """Make an event of a run. Raises ValueError for a row that holds anything else."""
    sound(tables.run_events, row)
    return RunEvent(
        kind=row["kind"], at=datetime.fromisoformat(row["at"]), outcome=row["outcome"], text=row["text"]
    )


def reading_to_row(reading: Reading) -> Row:
    """Make the row of `readings`. Raises RecordsError for a NaN, which a database would turn into "none"."""
    for name in NUMBERS:
        value = getattr(reading, name)
        if value is not None and math.isnan(value):
            place = f"{reading.where or 'the unit'} in state {reading.state}"
            raise RecordsError(
                f"reading {reading.check!r} at {place}: {name} is not a number; expected a number, or a "
                "missing reading with its reason. Nothing was recorded"
            )
    row = {name: getattr(reading, name) for name in _READING_AS_IS}
    budget = [[part.name, number_to_json(part.standard)] for part in reading.budget]
    return row | {
        "check_name": reading.check,
        "budget": _dump(budget),
        "acquisitions": _dump(reading.acquisitions),
    }


def row_to_reading(row: Row) -> Reading:
    """Make the reading that `reading_to_row` was given. Raises ValueError for any other row."""
    sound(tables.readings, row)
    return Reading(
        check=row["check_name"],
        budget=tuple(
            Contribution(name=_text(name), standard=float(standard))
            for name, standard in json.loads(row["budget"])
        ),
        acquisitions=tuple(int(number) for number in json.loads(row["acquisitions"])),
        **{name: row[name] for name in _READING_AS_IS},
    )


def acquisition_to_row(acquisition: AcquisitionRecord) -> Row:
    """Make the row of `acquisitions`. Raises RecordsError for a phasor that is not a finite number."""
    phasors = acquisition.phasors
    if not np.isfinite(phasors).all():
        raise RecordsError(
            f"acquisition {acquisition.number} in state {acquisition.state}: a phasor is not a finite "
            "number. Nothing was recorded"
        )
    return {
        "number": acquisition.number,
        "hookup": acquisition.hookup,
        "state": acquisition.state,
        "stimulus": acquisition.stimulus,
        "frequencies_hz": _dump_numbers(acquisition.frequencies_hz),
        "setting": _dump(_setting_to_json(acquisition.setting)),
        "phasors": _dump({"real": phasors.real.tolist(), "imag": phasors.imag.tolist()}),
        "residuals_vrms": _dump_numbers(acquisition.residuals_vrms),
        "started": time_to_text(acquisition.started),
        "duration_s": acquisition.duration_s,
    }


def row_to_acquisition(row: Row) -> AcquisitionRecord:
    """Make the acquisition that `acquisition_to_row` was given. Raises ValueError for any other row."""
    sound(tables.acquisitions, row)
    parts = json.loads(row["phasors"])
    # Part by part: real + 1j * imag would lose the sign of a zero.
    phasors = np.empty(np.shape(parts["real"]), dtype=np.complex128)
    phasors.real, phasors.imag = parts["real"], parts["imag"]
    frequencies_hz, residuals_vrms = (
        _load_numbers(row["frequencies_hz"]),
        _load_numbers(row["residuals_vrms"]),
    )
    if phasors.shape != (len(residuals_vrms), len(frequencies_hz)) or not np.isfinite(phasors).all():
        raise ValueError(f"acquisition {row['number']}: phasors of shape {phasors.shape}")
    return AcquisitionRecord(
        number=row["number"],
        hookup=row["hookup"],
        state=row["state"],
        stimulus=row["stimulus"],
        frequencies_hz=frequencies_hz,
        setting=_json_to_setting(json.loads(row["setting"])),
        phasors=phasors,
        residuals_vrms=residuals_vrms,
        started=datetime.fromisoformat(row["started"]),
        duration_s=row["duration_s"],
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
        "description": _dump(description),
        "sha256": hashlib.sha256(content).hexdigest(),
        "volts_npz": content,
    }


def row_to_capture(row: Row) -> Capture:
    """Make the capture that `capture_to_row` was given. Raises RecordsError if its bytes have changed.

    And ValueError for a row that holds no such, or a waveform that unpacks to more than any is.
    """
    sound(tables.waveforms, row)
    content: bytes = row["volts_npz"]
    if hashlib.sha256(content).hexdigest() != row["sha256"]:
        raise RecordsError(
            f"the waveform of acquisition {row['acquisition_id']} is not what was stored: its checksum "
            "differs. The records are damaged; bring back a copy"
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
    each = ("inputs", "full_scale_v", "step_v", "clipped")
    numbers = [float(description["interval_s"]), float(description.get("origin_s", 0.0))]
    numbers += [float(number) for name in each for number in description[name]]
    if {len(description[name]) for name in each} != {len(volts)} or not (
        numbers[0] > 0.0 and np.isfinite(numbers).all() and np.isfinite(volts).all() and volts.size
    ):
        raise ValueError(f"a waveform of shape {volts.shape} that is described otherwise")


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{value!r} for a name")
    return value


def _setting_to_json(setting: CaptureSetting) -> dict[str, Any]:
    inputs = {
        str(number): [one.volts_per_division, one.offset_v] for number, one in sorted(setting.inputs.items())
    }
    return {"inputs": inputs, "duration_s": setting.duration_s, "samples": setting.samples}


def _json_to_setting(content: Mapping[str, Any]) -> CaptureSetting:
    inputs = {
        int(number): InputSetting(volts_per_division=sensitivity, offset_v=offset)
        for number, (sensitivity, offset) in content["inputs"].items()
    }
    return CaptureSetting(inputs=inputs, duration_s=content["duration_s"], samples=content["samples"])


def _dump(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def _dump_numbers(numbers: tuple[float, ...]) -> str:
    return _dump([number_to_json(number) for number in numbers])


def _load_numbers(text: str) -> tuple[float, ...]:
    return tuple(float(number) for number in json.loads(text))
