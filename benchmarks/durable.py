"""What it costs that a reading is on the disk before it is shown: SQLite commits, fully synchronised.

    python benchmarks/durable.py [FOLDER]     # on the disk of FOLDER, of the temporary folder without one

A group of readings is what a state of a run commits. The same commits without synchronisation (which a power
failure could lose) stand beside, so that the cost of the disk itself can be seen.
"""

import statistics
import sys
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from sqlalchemy import event

from harness.records.store import RunStore, open_records
from tests.records.outside_broadcast import HEADER, READING, changed

COMMITS, GROUP = 400, 6


def commit_ms(place: Path, *, synchronous: str) -> list[float]:
    """Milliseconds of each of many commits of a group of readings."""
    with open_records(place) as store:
        event.listen(
            store._engine, "connect", lambda link, _: link.execute(f"PRAGMA synchronous={synchronous}")
        )
        store._engine.dispose()
        return _commits(store)


def _commits(store: RunStore) -> list[float]:
    run = store.begin(replace(HEADER, started=datetime.now(UTC)))
    group = [changed(READING, state=f"state {n}") for n in range(GROUP)]
    took_ms = []
    for _ in range(COMMITS):
        begun = time.perf_counter()
        store.add_readings(run, group)
        took_ms.append(1e3 * (time.perf_counter() - begun))
    return took_ms


def main() -> None:
    """Measure both and print the ratio."""
    where = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    with tempfile.TemporaryDirectory(dir=where) as folder:
        medians = {}
        for synchronous in ("OFF", "FULL"):
            took_ms = sorted(commit_ms(Path(folder) / f"{synchronous}.sqlite", synchronous=synchronous))
            medians[synchronous] = statistics.median(took_ms)
            print(
                f"synchronous {synchronous:4}: median {medians[synchronous]:.2f} ms, "
                f"95 % within {took_ms[int(0.95 * COMMITS)]:.2f} ms, longest {took_ms[-1]:.2f} ms "
                f"({COMMITS} commits of {GROUP} readings)"
            )
        print(f"durable over not: {medians['FULL'] / medians['OFF']:.2f}")


if __name__ == "__main__":
    main()
