"""`python -m simulator JOB`: start the simulator for a job, say where it is, run until it is told to end."""

import argparse
import json
import os
import signal
import sys
import threading
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from types import FrameType

# The circuits are small: more threads only wait for each other, twenty times as long on a busy machine. The
# libraries read these when numpy is first imported, hence the imports after them.
for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

from harness.errors import SwitchwalkError  # noqa: E402
from harness.job.job import load_job  # noqa: E402
from simulator.imperfections import KINDS, parse_imperfections  # noqa: E402
from simulator.server import BOARD_KINDS, Simulator, read_faults, write_bench  # noqa: E402
from simulator.troubles import GRAMMAR, parse_trouble  # noqa: E402


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the simulator; returns the exit code. Prints one line of JSON once it can be reached.

    It ends when its standard input closes, on SIGTERM or Ctrl-C, or when the control port says so.
    """
    asked = _parser().parse_args(arguments)
    try:
        job = load_job(asked.job, sequence_file=asked.sequence, fixture_file=asked.fixture)
        troubles = [parse_trouble(text) for text in asked.trouble]
        with Simulator(
            job,
            serial=asked.serial,
            faults=read_faults(asked.fault, job),
            speed=asked.speed,
            switchboard=asked.switchboard,
            bench_seed=asked.bench_seed,
            troubles=troubles,
            lead_errors=asked.lead_errors,
            imperfections=parse_imperfections(asked.imperfection),
        ) as simulator:
            if asked.bench_file is not None:
                write_bench(asked.bench_file, simulator.bench_toml())
            _heed_the_end(simulator)
            _say_ready(simulator, asked.serial, asked.speed)
            while not simulator.ended.wait(0.5):  # in steps: a signal has to get its turn on every platform
                pass
    except SwitchwalkError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m simulator", description="A bench and a unit in software."
    )
    parser.add_argument("job", type=Path, help="the job's folder")
    parser.add_argument("--fixture", type=Path, help="another fixture.toml than the job's own")
    parser.add_argument("--sequence", type=Path, help="another sequence.toml than the job's own")
    parser.add_argument("--serial", default="SIM-1", help="the unit's serial number: draws its values")
    parser.add_argument("--fault", action="append", default=[], help="a fault of the unit; may be repeated")
    parser.add_argument("--trouble", action="append", default=[], help=f"a trouble of the bench: {GRAMMAR}")
    parser.add_argument("--speed", type=_speed, default=1.0, help="run the clock so many times faster")
    parser.add_argument("--switchboard", choices=BOARD_KINDS, default="frame", help="kind of switchboard")
    parser.add_argument("--bench-seed", type=int, default=1, help="draws the bench's own errors")
    parser.add_argument("--lead-errors", type=_share, default=0.0, help="share of setups by hand with a slip")
    parser.add_argument(
        "--imperfection",
        action="append",
        default=[],
        metavar="KIND=SIZE",
        help=f"0: none, 1: usual; may be repeated; kinds: {', '.join(KINDS)}, all",
    )
    parser.add_argument("--bench-file", type=Path, help="write a complete bench.toml here")
    return parser


def _speed(text: str) -> float:
    value = float(text)
    if not 0.01 <= value <= 1000:
        raise argparse.ArgumentTypeError("expected 0.01 to 1000")
    return value


def _share(text: str) -> float:
    value = float(text)
    if not 0.0 <= value <= 1.0:
        raise argparse.ArgumentTypeError("expected 0 to 1")
    return value


def _say_ready(simulator: Simulator, serial: str, speed: float) -> None:
    ready = {
        "ready": True,
        "serial": serial,
        "speed": speed,
        "switchboard_kind": simulator.switchboard_kind,
        **asdict(simulator.addresses),
    }
    print(json.dumps(ready), flush=True)


def _heed_the_end(simulator: Simulator) -> None:
    """Let a signal or the end of standard input end the simulator; set up before anybody knows of it."""

    def end(number: int, frame: FrameType | None) -> None:
        simulator.ended.set()

    def watch_input() -> None:
        while os.read(0, 4096):
            pass
        simulator.ended.set()

    signal.signal(signal.SIGTERM, end)
    signal.signal(signal.SIGINT, end)
    threading.Thread(target=watch_input, name="standard input", daemon=True).start()


if __name__ == "__main__":
    sys.exit(main())
