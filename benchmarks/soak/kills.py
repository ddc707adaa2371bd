"""Kill whole runs, hundreds of times: is a reading lost or doubled, are records damaged, is the bench safe?

    python benchmarks/soak/kills.py               # 20 kills at any moment, and at each commit
    python benchmarks/soak/kills.py --kills 200   # the proof: a quarter of an hour of one processor

SIGKILL at moments drawn from the seed over whole runs and what resumes them, then before and after each
commit to the records. After every death the records are checked page by page and entry by entry; the first
thing that is not as it should be ends the script with what it was.
"""

import argparse
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.wire.kills import Told, killed_at_any_moment, killed_at_each_commit
from tests.wire.standing_bench import Bench, nursery, smaller_job, standing_bench, tiny_job


def main() -> None:
    """Read the command line, kill, print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    print(f"{'killed':24} {'kills':>6} {'bench left on':>14} {'whole runs':>11} {'readings':>9} {'s':>6}")
    with TemporaryDirectory(prefix="kills-") as place:
        folder = Path(place)
        job = tiny_job(folder)
        small = smaller_job(folder) if asked.kills < 100 else job
        with standing_bench(job) as standing, nursery(folder) as made:
            bench = Bench(folder, job, standing, made)

            def story(name: str, one: Bench) -> Bench:
                records = folder / name.replace(" ", "-")
                records.mkdir()
                return one.with_records_in(records)

            begun = time.monotonic()
            told = killed_at_any_moment(story("at any moment", bench), asked.seed, asked.kills)
            _print("at any moment", told, time.monotonic() - begun)
            for when in ("killed before", "killed after"):
                name = f"{when.removeprefix('killed ')} each commit"
                begun = time.monotonic()
                told = killed_at_each_commit(story(name, bench.with_job(small)), when)
                _print(name, told, time.monotonic() - begun)
    print("lost 0, doubled 0, damaged records 0, benches not made safe 0")


def _print(name: str, text: Told, seconds: float) -> None:
    print(
        f"{name:24} {text.kills:>6} {text.left_on:>14} {text.whole:>11} {text.readings:>9} {seconds:>6.0f}",
        flush=True,
    )


if __name__ == "__main__":
    main()
