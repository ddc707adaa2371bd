"""Invented records of many units, written straight into the tables: quick, with a ledger in name only."""

import hashlib
from datetime import timedelta
from pathlib import Path

import numpy as np
from sqlalchemy import Table, insert

from harness.records import rows, tables
from harness.records.database import find_location, open_engine
from harness.records.run import FaultsNamed
from tests.records.outside_broadcast import HEADER

CHECKS = (  # name, quantity, unit, middle, spread, limits
    ("Route and gain", "gain", "dB", -0.086, 0.02, -0.286, 0.114),
    ("Crosstalk", "crosstalk", "dB", -93.0, 2.0, None, -80.0),
    ("DC offset", "dc_offset", "V", 0.0003, 0.0008, -0.01, 0.01),
    ("Contact resistance", "contact_resistance", "ohm", 0.09, 0.012, None, 0.15),
    ("Operate time", "operate_time", "s", 0.0021, 0.0003, None, 0.004),
)
STATES = (
    "idle",
    "loop_a",
    "loop_b",
    "loop_a+loop_b",
    "swap",
    "loop_a+swap",
    "loop_b+swap",
    "mute",
    "dim",
    "mono",
)
UNITS_A_BATCH = 500
_AT_ONCE = 200

Row = dict[str, object]


def fill(path: Path, *, units: int, readings: int, seed: int = 5, bad: float = 0.08) -> None:
    """Some units of which a share fails at first and passes then; batches of 500, `readings` a run."""
    rng = np.random.default_rng(seed)
    base = rows.header_to_row(HEADER)
    engine = open_engine(find_location(path), read_only=False)
    run = 0
    with engine.begin() as connection:
        last = dict.fromkeys((tables.runs, tables.readings, tables.run_events, tables.ledger), 0)
        new: dict[Table, list[Row]] = {table: [] for table in last}
        for unit in range(units):
            outcomes = ("fail", "pass") if rng.random() < bad else ("pass",)
            for outcome in outcomes:
                run += 1
                started = HEADER.started + timedelta(minutes=4 * run)
                new[tables.runs].append(
                    {
                        **base,
                        "id": run,
                        "serial": f"OB-{unit + 1:05d}",
                        "batch": f"{unit // UNITS_A_BATCH + 1}",
                        "started": rows.time_to_text(started),
                        "planned_readings": readings,
                        "outcome": outcome,
                        "ended": rows.time_to_text(started + timedelta(seconds=80)),
                    }
                )
                new[tables.ledger].append(_seal(run))
                new[tables.readings] += _readings(rng, run, readings, failing=2 if outcome == "fail" else 0)
                if outcome == "fail":
                    fault = f"K{rng.integers(1, 5)} contact 1 cold leg open"
                    named = FaultsNamed(faults=(fault,), probability=0.9)
                    event = rows.event_to_row(named, fault, HEADER.started)
                    new[tables.run_events].append({"run_id": run, **event})
            if len(new[tables.runs]) >= _AT_ONCE or unit == units - 1:
                for table, some in new.items():
                    if some:
                        numbered = [{"id": last[table] + index, **row} for index, row in enumerate(some, 1)]
                        connection.execute(insert(table), numbered)
                        last[table] += len(some)
                        some.clear()
    engine.dispose()


def _seal(run: int) -> Row:
    """One entry a run, where real records have one a row: enough to tell whether a run is as it was."""
    digests = [hashlib.sha256(f"entry {number}".encode()).hexdigest() for number in (run - 1, run)]
    return {
        "run_id": run, "kind": "run", "row": run, "content": "", "previous": digests[0], "sha256": digests[1]
    }  # fmt: skip


def _readings(rng: np.random.Generator, run: int, count: int, *, failing: int) -> list[Row]:
    result = []
    outliers = set(rng.choice(count, size=failing, replace=False).tolist())
    for number in range(count):
        name, quantity, unit, middle, spread, low, high = CHECKS[number // 2 % len(CHECKS)]
        value = high + 6 * spread if number in outliers else middle + 0.5 * spread * rng.standard_normal()
        half = spread / 2
        result.append(
            {
                "run_id": run,
                "check_name": name,
                "quantity": quantity,
                "state": STATES[number // (2 * len(CHECKS)) % len(STATES)],
                "channel": ("left", "right")[number % 2],
                "port": "out",
                "options": "[]",
                "driven": f"{('left', 'right')[number % 2]}.in",
                "setup": "view outputs",
                "frequency_hz": 1000.0 if quantity == "gain" else None,
                "unit": unit,
                "value": value,
                "standard": half / 2,
                "low": value - half,
                "high": value + half,
                "coverage_factor": 2.0,
                "floor": False,
                "expected": middle,
                "expected_standard": half,
                "limit_low": low,
                "limit_high": high,
                "verdict": "fail" if number in outliers else "pass",
                "reason": "",
                "facts": "[]",
                "budget": "[]",
                "acquisitions": "[]",
                "route": "",
            }
        )
    return result
