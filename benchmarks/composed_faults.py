"""Whether a composed job keeps what it promises: every fault that it says it detects must fail a unit.

Run it as `python benchmarks/composed_faults.py`. The modules of the shipped jobs are composed for their bench
and for leads that a person moves with two scope inputs. `--units` draws so many units for each fault: parts
within their tolerances, strays as real benches have them, and the bench's own errors, each unit on a bench of
its own. They are measured in memory, by the simulator's own circuit solver. Faults that only changes of state
show are in no composed job. So many good units are counted as well, which must pass.
"""

import argparse
import os
import shutil
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.drawn_strays import draw_strays_apart
from benchmarks.simulated_runs import WITHOUT_STRAYS, Bench
from harness.compose.at_hand import AtHand
from harness.compose.composed import Composed, compose
from harness.session.asked_of_bench.profiles import bench_offer

SEQUENCES = Path(__file__).resolve().parents[1] / "sequences"
FILES = ("module.toml", "bench.toml")


@dataclass(frozen=True, kw_only=True)
class Unit:
    """One drawn unit with a fault, or a good one. margin: what was promised of the fault."""

    fault: str
    margin: float
    verdict: str


def composed(name: str, folder: Path, *, by_hand: bool) -> Composed:
    """Compose the module of a shipped job, for its bench."""
    for file in FILES:
        shutil.copy(SEQUENCES / name / file, folder)
    offer = bench_offer(folder / FILES[1])
    at_hand = AtHand(
        scope_inputs=offer.scope_inputs,
        boards=offer.switchboard_channels,
        impedances=offer.impedances,
        bench=offer.bench,
    )
    return compose(folder, replace(at_hand, scope_inputs=2, selectors=()) if by_hand else at_hand)


def drawn_units(made: Composed, count: int, first: int) -> Iterator[Unit]:
    """So many of each fault that is promised, and as many good ones."""
    for number in range(first, first + count):
        bench = Bench(
            made.job,
            made.plan,
            seed=number,
            lead_seed=number,
            imperfections=WITHOUT_STRAYS,
            strays=draw_strays_apart,
        )
        good = bench.run(f"G{number}", ())
        yield Unit(fault="", margin=0.0, verdict=good.verdict)
        for index, fault in enumerate(made.promise.seen):
            verdict = bench.run(f"F{number}-{index}", fault.fault_set).verdict
            yield Unit(fault=fault.name, margin=fault.margin, verdict=verdict)


def report(title: str, units: Sequence[Unit]) -> None:
    """One line, and one for each unit that was missed."""
    faulty, good = [unit for unit in units if unit.fault], [unit for unit in units if not unit.fault]
    missed = sorted((unit for unit in faulty if unit.verdict != "fail"), key=lambda unit: unit.margin)
    passed = sum(unit.verdict == "pass" for unit in good)
    print(
        f"{title}: {len(faulty) - len(missed)} of {len(faulty)} units with a promised fault fail; "
        f"{passed} of {len(good)} good units pass",
        flush=True,
    )
    for unit in missed:
        print(f"  {unit.fault}, promised {unit.margin:.3g}: {unit.verdict}", flush=True)


def main() -> None:
    """Print a line for each composed job."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=2, help="of each fault, and good ones")
    parser.add_argument("--first", type=int, default=1, help="number of the first")
    parser.add_argument("--jobs", nargs="+", default=[folder.name for folder in sorted(SEQUENCES.iterdir())])
    given = parser.parse_args()
    for name in given.jobs:
        for by_hand in (False, True):
            with TemporaryDirectory() as place:
                made = composed(name, Path(place), by_hand=by_hand)
                units = list(drawn_units(made, given.units, given.first))
            report(f"{name}, {'by hand' if by_hand else 'by relays'}", units)


if __name__ == "__main__":
    main()
