"""Records as plain JSON values, for other programs. The keys are promised: more may come, none changes.

Units are SI, with the unit in the key or beside the value; times ISO 8601 in UTC; what is not known is null,
and a number that JSON has no word for is "inf" or "-inf".
"""

from collections.abc import Mapping
from dataclasses import asdict, fields
from typing import Any

from harness.reading import Reading
from harness.records.rows import NUMBERS, number_to_json
from harness.records.run import RunRecord, UnitSummary


def unit_to_json(unit: UnitSummary, operations: Mapping[str, int]) -> dict[str, Any]:
    """Keys: the fields of `UnitSummary`, and relay_operations: by relay, in all of the unit's runs."""
    return asdict(unit) | {
        "latest_started": unit.latest_started.isoformat(),
        "relay_operations": dict(operations),
    }


def run_to_json(run: RunRecord) -> dict[str, Any]:
    """Keys: run, outcome, reason, ended, verdicts (how many of each), acquisitions, and those of `RunHeader`.

    Of `files` it gives name and sha256, of `instruments` role, address, profile and text.
    """
    header = asdict(run.header)
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
    """Keys: the fields of `Reading`; `budget` is a list of {name, standard}."""
    content = asdict(reading)
    for name in NUMBERS:
        content[name] = number_to_json(content[name])
    content["budget"] = [
        {"name": part.name, "standard": number_to_json(part.standard)} for part in reading.budget
    ]
    content["acquisitions"] = list(reading.acquisitions)
    return content


def reading_to_row(reading: Reading) -> dict[str, Any]:
    """One flat row for a table: the fields of `Reading` but budget, acquisitions and route, and `where`.

    Numbers stay numbers, also infinite ones; what is not known is None.
    """
    row = asdict(reading)
    return {"where": reading.where} | {name: row[name] for name in reading_columns()[1:]}


def reading_columns() -> tuple[str, ...]:
    """The columns of `reading_to_row`, which a run without any reading has as well."""
    names = (one.name for one in fields(Reading))
    return ("where", *(name for name in names if name not in ("budget", "acquisitions", "route")))
