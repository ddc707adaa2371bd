"""A batch's figures as plain JSON values, for other programs. The keys are promised: more may come."""

import math
from collections.abc import Sequence
from dataclasses import fields
from functools import cache
from typing import Any

from harness.reading import Measurand, ReadingKey
from harness.records.history import Series
from harness.statistics.batch import (
    Batch,
    ReadingDrift,
    ReadingFigures,
    SideDifference,
    chart,
    distribution,
    proposal,
)
from harness.statistics.compare import Comparison
from harness.statistics.control import IndividualsChart
from harness.statistics.yields import YIELD_DEFINITION


def batch_to_json(batch: Batch, readings: Sequence[ReadingFigures]) -> dict[str, Any]:
    """Keys: units, only_passed (of the readings), first, last, definition, yields, diagnosed_faults,
    failing_checks, failing_readings, readings.

    yields: the fields of `Yields`. diagnosed_…, failing_…: label, count, share, cumulative. readings: the
    fields of `ReadingFigures`; key: what `key_to_json` makes of it.
    """
    return {
        "units": len(batch.firsts),
        "only_passed": batch.only_passed,
        "first": batch.firsts[0].started.isoformat() if batch.firsts else None,
        "last": batch.firsts[-1].started.isoformat() if batch.firsts else None,
        "definition": YIELD_DEFINITION,
        "yields": plain(batch.yields),
        "diagnosed_faults": plain(batch.diagnosed_faults),
        "failing_checks": plain(batch.failing_checks),
        "failing_readings": plain(batch.failing_readings),
        "readings": [plain(one) for one in readings],
    }


def reading_to_json(batch: Batch, one: Series) -> dict[str, Any]:
    """Keys: key, unit, distribution, chart, proposed; null where there are too few values.

    distribution: edges, counts. chart: centre, lower, upper, sigma, mean_range, upper_range, units (serial,
    value, range from the one before), signals (rule, sentence, serial), range_signals (serials). proposed:
    the fields of `ProposedLimits`.
    """
    serial = {run.run_id: run.serial for run in batch.firsts}
    names = [serial[int(run_id)] for run_id in one.run_ids[one.measured]]
    return {
        "key": plain(one.key),
        "unit": one.unit,
        "distribution": plain(distribution(one)),
        "chart": _chart_to_json(chart(one), names),
        "proposed": plain(proposal(one)),
    }


def _chart_to_json(found: IndividualsChart | None, names: Sequence[str]) -> dict[str, Any] | None:
    if found is None:
        return None
    ranges = [None, *map(float, found.ranges)]
    fields = ("centre", "lower", "upper", "sigma", "mean_range", "upper_range")
    return {name: plain(getattr(found, name)) for name in fields} | {
        "units": [
            {"serial": serial, "value": float(value), "range": moved}
            for serial, value, moved in zip(names, found.values, ranges, strict=True)
        ],
        "signals": [
            {"rule": one.rule, "sentence": one.sentence, "serial": names[one.at]} for one in found.signals
        ],
        "range_signals": [names[at] for at in found.range_signals],
    }


def comparison_to_json(
    found: Sequence[Comparison[ReadingKey]], series: Sequence[Series]
) -> list[dict[str, Any]]:
    """Keys: key, unit, difference (the fields of `Difference`), p_corrected, moved. series: of one side."""
    units = {one.key: one.unit for one in series}
    return [plain(one) | {"unit": units[one.key]} for one in found]


def drifts_to_json(found: Sequence[ReadingDrift]) -> list[dict[str, Any]]:
    """Keys: key, unit, drift (the fields of `Drift`, slopes a day), p_corrected."""
    return [plain(one) for one in found]


def sides_to_json(found: Sequence[SideDifference]) -> list[dict[str, Any]]:
    """Keys: key, other (the second channel's), unit, channels, difference (the fields of `PairedDifference`),
    p_corrected.
    """
    return [plain(one) for one in found]


def key_to_json(key: ReadingKey) -> dict[str, Any]:
    """Keys: check, quantity, options (name and value of each), state, channel, port, driven, frequency_hz."""
    return {"check": key.check} | {
        name: plain(getattr(key.measurand, name)) for name in _names_of_fields(Measurand)
    }


def plain(value: object) -> Any:
    """Make what JSON can hold: dataclasses by their fields, what is no finite number as null."""
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    if isinstance(value, dict):
        return {str(name): plain(one) for name, one in value.items()}
    if isinstance(value, ReadingKey):
        return key_to_json(value)
    kind: Any = type(value)
    return {name: plain(getattr(value, name)) for name in _names_of_fields(kind)}


@cache
def _names_of_fields(kind: Any) -> tuple[str, ...]:
    return tuple(field.name for field in fields(kind))
