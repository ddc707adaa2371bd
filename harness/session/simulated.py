"""The simulated bench: another process, reached by its wires alone."""

import json
import socket
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from tempfile import TemporaryDirectory

from harness.errors import BenchError, UsageError
from harness.job.fixture import Setup
from harness.job.job import Job

# Libraries that a run loads when it first uses them: while the simulator starts, a processor is free for it.
NEEDED_BY_A_RUN = ("pyvisa_py", "serial", "jinja2")
START_S = 30.0
END_S = 5.0
HANDS_S = 10.0


@dataclass(frozen=True, kw_only=True)
class Simulation:
    """A simulated bench to be started, with a unit in its fixture.

    speed: of its clock, times real time. lead_errors: share of the setups made by simulated hands with a lead
    on a wrong pin. imperfections: sizes of those of bench and unit, as `cables=0`. bench_seed: draws the
    bench's.
    """

    serial: str = "none"
    faults: Sequence[str] = ()
    speed: float = 1.0
    lead_errors: float = 0.0
    imperfections: Sequence[str] = ()
    bench_seed: int = 1


@dataclass(frozen=True, kw_only=True)
class SimulatedBench:
    """A running simulator: the bench file that reaches it, and its control port for what hands do."""

    bench_file: Path
    control: tuple[str, int]

    def make(self, setup: Setup) -> None:
        """Move the leads, as a person would."""
        self._by_hand({"setup": setup.name})

    def correct(self, setup: Setup, leads: Sequence[str], message: str) -> None:
        """Correct leads, as a person would who is told what is wrong with them."""
        self._by_hand({"setup": setup.name, "look_at": list(leads)})

    def place_unit(self, serial: str, faults: Sequence[str] = ()) -> None:
        """Put another unit into the fixture."""
        self._by_hand({"unit": serial, "faults": list(faults)})

    def _by_hand(self, request: dict[str, object]) -> None:
        ask_hands_of(self.control, request)


HANDS = "the simulated hands"


def plug(control: tuple[str, int], setup: str, leads: Mapping[str, Sequence[str]]) -> None:
    """Move the leads of a simulated bench as a setup has them, but for these, which are on other pins.

    control: host and port. Raises UsageError for a name that the simulator does not know, BenchError if it
    is gone.
    """
    request: dict[str, object] = {"setup": setup}
    if leads:
        request["leads"] = {lead: list(pins) for lead, pins in leads.items()}
    if why := _refusal(control, request):
        raise UsageError(why)


def ask_hands_of(control: tuple[str, int], request: dict[str, object]) -> None:
    """Have the simulated hands do something. Raises BenchError for what they refuse, or if nobody answers."""
    if why := _refusal(control, request):
        raise BenchError(why, instrument=HANDS, address=f"{control[0]}:{control[1]}")


def _refusal(control: tuple[str, int], request: dict[str, object]) -> str:
    """Why the simulated hands refuse a request, "" if they did it. Raises BenchError if nobody answers."""
    try:
        with socket.create_connection(control, timeout=HANDS_S) as connection:
            connection.sendall(json.dumps(request).encode() + b"\n")
            with connection.makefile("rb") as lines:
                answer = json.loads(lines.readline() or b"{}")
    except (OSError, ValueError) as error:
        message = f"nothing answers as a control port does ({error}); `switchwalk simulate` prints its own"
        raise BenchError(message, instrument=HANDS, address=f"{control[0]}:{control[1]}") from error
    if isinstance(answer, dict) and answer.get("ok"):
        return ""
    return str((answer.get("error") if isinstance(answer, dict) else None) or "no answer")


def fault_notes(faults: Sequence[str], notes: str = "") -> str:
    """The simulated faults of a run in words, then a person's notes."""
    simulated = f"simulated faults: {'; '.join(faults)}" if faults else ""
    return "\n".join(filter(None, (simulated, notes)))


@contextmanager
def simulated_bench(job: Job, simulation: Simulation) -> Iterator[SimulatedBench]:
    """Start a simulator for a job and end it afterwards. Raises UsageError for what it refuses."""
    command = simulator_command(
        job.folder, simulation, sequence_file=job.sequence_file, fixture_file=job.fixture_file
    )
    with TemporaryDirectory(prefix="switchwalk-") as folder:
        bench_file = Path(folder) / "bench.toml"
        process = subprocess.Popen(
            [*command, "--bench-file", str(bench_file)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            # A Ctrl-C at the terminal is for the run, which then makes this bench safe; not for the bench.
            start_new_session=sys.platform != "win32",
        )
        try:
            for module in NEEDED_BY_A_RUN:
                import_module(module)
            ready = _ready(process)
            host, port = str(ready["control"]).rsplit(":", 1)
            yield SimulatedBench(bench_file=bench_file, control=(host, int(port)))
        finally:
            _end(process)


def simulator_command(
    job: Path, simulation: Simulation, *, sequence_file: Path | None = None, fixture_file: Path | None = None
) -> list[str]:
    """What starts a simulator of a job, with these files in place of the folder's own."""
    others = {"--sequence": sequence_file, "--fixture": fixture_file}
    return [
        *(sys.executable, "-m", "simulator", str(job), "--serial", simulation.serial),
        *(text for name, path in others.items() if path is not None for text in (name, str(path))),
        *("--speed", f"{simulation.speed:g}", "--lead-errors", f"{simulation.lead_errors:g}"),
        *("--bench-seed", str(simulation.bench_seed)),
        *(argument for fault in simulation.faults for argument in ("--fault", fault)),
        *(argument for kind in simulation.imperfections for argument in ("--imperfection", kind)),
    ]


def _ready(process: "subprocess.Popen[str]") -> dict[str, object]:
    """The line that the simulator prints when it can be reached."""
    line = process.stdout.readline() if process.stdout else ""
    if not line:
        _, message = process.communicate(timeout=START_S)
        raise UsageError(message.strip() or "the simulated bench ended before it was ready")
    return dict(json.loads(line))


def _end(process: "subprocess.Popen[str]") -> None:
    if process.stdin and not process.stdin.closed:
        process.stdin.close()
    try:
        process.wait(END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    for stream in (process.stdout, process.stderr):
        if stream:
            stream.close()
