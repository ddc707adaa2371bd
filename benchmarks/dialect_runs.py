"""The two-loop job by scopes and relay boards of each dialect: the same verdicts, and the same readings.

A good unit and one with a fault are run on the simulated bench as it is. Then the relay board, or the scope,
is replaced by one of another dialect: the simulator's other boards, and the scopes of the tests' zoo, which
see what the simulated circuit shows. Printed are the verdict, how many of the readings differ from those of
the plain bench by more than both uncertainties together (k = 2: one in twenty may), and the seconds that the
run took. The readings of one quantity at one port, in all states, share what one through reference was off
by: where that is more than two standard uncertainties, all of them differ. So it is also printed how many of
these groups differ in the mean. Crosstalk at 10 kHz is left out, as the shorter memories do not hold its
record.

Run it as `python benchmarks/dialect_runs.py`, with names of dialects for some of them alone.
"""

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from math import hypot
from pathlib import Path
from statistics import mean

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from harness.job.job import load_job
from harness.reading import Measurand, Reading
from harness.records.store import open_records
from simulator.server import BoardKind, Simulator, read_faults
from simulator.world import World
from tests.drivers.own_profiles import profile_text
from tests.drivers.peers import peer
from tests.drivers.zoo.evening_scopes import PLAIN_MILLIVOLTS, PlainMillivolts
from tests.drivers.zoo.scope import Habits, Scope
from tests.drivers.zoo.scope_dialects import SingleQueries, TenFields, VoltsInText
from tests.drivers.zoo.strange_scopes import NEXT_PIECES, NextPieces
from tests.jobs import SWITCHER, with_checks_of

QUANTITIES = (
    *("gain", "polarity", "phase", "leg_gain_difference", "leg_phase_error", "channel_gain_difference"),
    *("channel_phase_difference", "dc_offset", "supply_current"),
)
FAULTS = ("", "K3 never operates")
SPEED = 20.0
NOISE_V = 2e-4
BOARDS: tuple[BoardKind, ...] = ("frame", "text", "route", "modbus")
SCOPES: Mapping[str, tuple[Callable[[], Scope], str]] = {
    "ten fields": (TenFields, profile_text("preamble-oscilloscope")),
    "single queries": (SingleQueries, profile_text("single-query-oscilloscope")),
    "volts in text": (
        VoltsInText,
        profile_text("text-list-oscilloscope", {"complete_after_s = 0.2": "complete_after_s = 0.5"}),
    ),
    "next pieces": (NextPieces, NEXT_PIECES),
    "plain millivolts": (lambda: PlainMillivolts(Habits(ending=b"\r\n")), PLAIN_MILLIVOLTS),
}


def seen_by(world: World, n: int, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Volts at input n of the simulated circuit, without a scope's own errors."""
    volts = np.zeros_like(time_s)
    for stretch in world.stretches(float(time_s[0]), float(time_s[-1])):
        part = time_s >= stretch.start_s
        volts[part] = stretch.constant_v[n - 1]
        for hz, phasor in zip(stretch.tones_hz, stretch.phasors[n - 1], strict=True):
            volts[part] += (phasor * np.exp(2j * np.pi * hz * time_s[part])).real
    return volts


@contextmanager
def bench(job: Path, folder: Path, dialect: str, fault: str) -> Iterator[Path]:
    """A bench file of a standing bench, one of whose instruments has this dialect."""
    board: BoardKind = next((kind for kind in BOARDS if kind == dialect), "frame")
    read = load_job(job)
    faults = read_faults([fault] if fault else [], read)
    with ExitStack() as undo:
        simulator = undo.enter_context(
            Simulator(read, serial="OB-0001", faults=faults, speed=SPEED, switchboard=board)
        )
        text, file = simulator.bench_toml(), folder / "bench.toml"
        if dialect in SCOPES:
            make, profile = SCOPES[dialect]
            scope = make()
            world = simulator._world
            scope.clock, scope.noise_v = world.clock.now, NOISE_V
            scope._random = np.random.default_rng()  # the same noise in every run would be off the same way
            scope.signal = lambda n, time_s: seen_by(world, n, time_s)
            served = undo.enter_context(peer(scope.script))
            (folder / "zoo.toml").write_text(profile, encoding="utf-8")
            text = text.replace(simulator.addresses.oscilloscope, served.address)
            text = text.replace('"preamble-oscilloscope"', '"zoo"')
        file.write_text(text, encoding="utf-8")
        yield file


def run(job: Path, dialect: str, fault: str) -> tuple[int, list[Reading], float]:
    """The exit code of a run, its readings, and the seconds that it took."""
    with (
        tempfile.TemporaryDirectory(prefix="switchwalk-") as name,
        bench(job, Path(name), dialect, fault) as file,
    ):
        records, began_s = Path(name) / "records.sqlite", time.monotonic()
        command = [sys.executable, "-m", "harness.cli", "run", str(job), "--serial", "OB-0001"]
        done = subprocess.run(
            [*command, "--bench", str(file), "--records", str(records)],
            capture_output=True,
            text=True,
            check=False,
        )
        took_s = time.monotonic() - began_s
        if done.returncode not in (0, 1, 3):
            sys.exit(f"{dialect}: {done.stdout[-2000:]}{done.stderr}")
        with open_records(records, read_only=True) as store:
            return done.returncode, list(store.readings(1)), took_s


def differing(readings: list[Reading], plain: list[Reading]) -> str:
    """How many values, and how many groups of them, differ by more than both expanded uncertainties."""
    of_plain = {each.key: each.estimate for each in plain}
    groups: dict[Measurand, list[float]] = {}
    for each in readings:
        one, other = each.estimate, of_plain.get(each.key)
        if one and other and not (one.floor or other.floor):
            apart = one.value - other.value
            if apart:  # a polarity has no uncertainty
                apart /= hypot(one.standard or 0.0, other.standard or 0.0) or 1e-12
            groups.setdefault(replace(each.key.measurand, state=""), []).append(apart)
    beyond = sum(abs(apart) > 2.0 for group in groups.values() for apart in group)
    together = sum(abs(mean(group)) > 2.0 for group in groups.values())
    count = sum(map(len, groups.values()))
    return f"{beyond:3d} of {count} differ, {together:2d} of {len(groups)} groups"


def main() -> None:
    """Print a line for each dialect and fault."""
    wanted = sys.argv[1:] or [*BOARDS, *SCOPES]
    with tempfile.TemporaryDirectory(prefix="switchwalk-") as name:
        job = with_checks_of(SWITCHER, Path(name) / "job", *QUANTITIES)
        for fault in FAULTS:
            _, plain, _ = run(job, "frame", fault)
            for dialect in wanted:
                code, readings, took_s = run(job, dialect, fault)
                verdict = {0: "PASS", 1: "FAIL", 3: "UNPROVEN"}[code]
                print(
                    f"{dialect:<17} {fault or 'good unit':<18} {verdict:<9} {differing(readings, plain)}, "
                    f"{took_s:.0f} s",
                    flush=True,
                )


if __name__ == "__main__":
    main()
