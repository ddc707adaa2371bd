"""A batch's figures as plain JSON values, for other programs. The keys are promised: more may come."""

import math
from collections.abc import Sequence
from dataclasses import asdict, is_dataclass
from typing import Any

from harness.records.history import ReadingKey
from harness.statistics.batch import Batch, ReadingDrift, ReadingFigures, SideDifference
from harness.statistics.compare import Comparison
from harness.statistics.yields import YIELD_DEFINITION


def batch_to_json(batch: Batch, readings: Sequence[ReadingFigures]) -> dict[str, Any]:
    """Keys: units, first, last, definition, yields, failing_checks, failing_readings, readings.

    yields: the fields of `Yields`. failing_…: label, count, share, cumulative. readings: the fields of
    `ReadingFigures`, the key's own among them.
    """
    return {
        "units": len(batch.firsts),
        "first": batch.firsts[0].started.isoformat() if batch.firsts else None,
        "last": batch.firsts[-1].started.isoformat() if batch.firsts else None,
        "definition": YIELD_DEFINITION,
        "yields": plain(batch.yields),
        "failing_checks": plain(batch.failing_checks),
        "failing_readings": plain(batch.failing_readings),
        "readings": [plain(one) for one in readings],
    }


def comparison_to_json(found: Sequence[Comparison[ReadingKey]]) -> list[dict[str, Any]]:
    """Keys: key, difference (the fields of `Difference`, and shift), p_corrected, moved."""
    return [
        plain(one) | {"difference": plain(one.difference) | {"shift": one.difference.shift}} for one in found
    ]


def drifts_to_json(found: Sequence[ReadingDrift]) -> list[dict[str, Any]]:
    """Keys: key, drift (the fields of `Drift`, slopes a day), p_corrected."""
    return [plain(one) for one in found]


def sides_to_json(found: Sequence[SideDifference]) -> list[dict[str, Any]]:
    """Keys: key, channels, difference (the fields of `PairedDifference`), p_corrected."""
    return [plain(one) for one in found]


def plain(value: object) -> Any:
    """Make what JSON can hold: dataclasses by their fields, what is no finite number as null."""
    if is_dataclass(value) and not isinstance(value, type):
        return plain(asdict(value))
    if isinstance(value, dict):
        return {str(name): plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
