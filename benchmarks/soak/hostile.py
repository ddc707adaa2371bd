"""Hostile bytes, a million of them, for everything that reads bytes: files, answers, blocks, messages.

    python benchmarks/soak/hostile.py                     # 20 000 cases
    python benchmarks/soak/hostile.py --cases 1000000     # an hour of one processor

The targets are those of tests/hostile/targets.py. Each has a process of its own, in which atheris (`pip
install atheris`) finds new inputs by the lines that the last ones reached. A finding is whatever raises but
an error of ours, takes more than ten seconds, or more than a gigabyte; it is printed, and its input kept.
"""

import argparse
import re
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

SHARES = {  # in thousandths of the cases; to read a whole job takes a tenth of a second
    "answer": 298,
    "block": 250,
    "message": 130,
    "board": 79,
    "waveform": 60,
    "driver": 60,
    "control": 52,
    "profile": 30,
    "profile name": 30,
    "fault name": 4,
    "records": 2,
    "records edited": 1,
    "description": 3,
    "job": 1,
}
LONGEST_BYTES = 8192
HANG_S, MEMORY_MB = 10, 1024


@dataclass(frozen=True, kw_only=True)
class Searched:
    """What came of one target."""

    cases: int
    seconds: float
    memory_mb: int
    slowest_s: int
    finding: str


def search(name: str, cases: int, corpus: Path, seed: int) -> None:
    """Search one target; never returns."""
    import atheris

    with atheris.instrument_imports(include=["drivers", "harness", "simulator"]):
        from tests.hostile.targets import TARGETS, seeds
    for number, content in enumerate(seeds(name)):
        (corpus / f"seed-{number}").write_bytes(content)
    target = TARGETS[name]
    for good in seeds(name):  # what a target makes once takes longer than a case may
        target(good)
    options = [
        *(f"-runs={cases}", f"-max_len={LONGEST_BYTES}", f"-timeout={HANG_S}", f"-rss_limit_mb={MEMORY_MB}"),
        *(f"-seed={seed}", f"-artifact_prefix={corpus}/finding-", "-print_final_stats=1", "-verbosity=0"),
    ]
    atheris.Setup([sys.argv[0], *options, str(corpus)], target)
    atheris.Fuzz()


def search_apart(name: str, cases: int, seed: int, keep: Path) -> Searched:
    """Search one target in a process of its own."""
    corpus = keep / name.replace(" ", "_")
    corpus.mkdir(parents=True)
    begun = time.monotonic()
    done = subprocess.run(
        [
            *(sys.executable, __file__, "--target", name, "--cases", str(cases), "--seed", str(seed)),
            *("--corpus", str(corpus)),
        ],
        capture_output=True,
        text=True,
        errors="replace",
    )
    message = done.stdout + done.stderr

    def number(of: str) -> int:
        result = re.search(rf"stat::{of}:\s+(\d+)", message)
        return int(result[1]) if result else 0

    return Searched(
        cases=number("number_of_executed_units"),
        seconds=time.monotonic() - begun,
        memory_mb=number("peak_rss_mb"),
        slowest_s=number("slowest_unit_time_sec"),
        finding="" if done.returncode == 0 else message[-3000:],
    )


def main() -> int:
    """Read the command line; 1 where something was found."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cases", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--target", choices=SHARES)
    parser.add_argument("--corpus", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.corpus is not None:
        search(asked.target, asked.cases, asked.corpus, asked.seed)
    keep = Path(tempfile.mkdtemp(prefix="hostile-"))
    whole, findings = 0, 0
    print(f"{'target':14} {'cases':>9} {'s':>7} {'MB':>5} {'slowest s':>9} finding")
    shares = {asked.target: sum(SHARES.values())} if asked.target else SHARES
    for name, share in shares.items():
        result = search_apart(name, asked.cases * share // sum(SHARES.values()), asked.seed, keep)
        whole += result.cases
        findings += bool(result.finding)
        text = f"{result.slowest_s:>9} {'YES' if result.finding else 'none'}"
        print(f"{name:14} {result.cases:>9} {result.seconds:>7.0f} {result.memory_mb:>5} {text}", flush=True)
        if result.finding:
            print(result.finding)
    print(f"{whole} cases, {findings} findings; inputs in {keep}")
    return int(findings > 0)


if __name__ == "__main__":
    sys.exit(main())
