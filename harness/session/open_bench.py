"""A job's bench, real or simulated, for any number of units.

A simulated bench is started, and the job read, held against its bench and planned, once. The instruments are
opened when they are first needed, stay open, off and verified between units, and are reopened after a fault.
"""

import logging
import signal
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import FrameType, TracebackType
from typing import Self

from drivers.bench import make_left_safe, open_bench
from drivers.by_hand import Ask, nobody
from harness.bench_file import BenchFile
from harness.errors import BenchError, UsageError
from harness.job.fixture import Setup
from harness.job.job import Job
from harness.measure.reference import Reference
from harness.roles import Bench
from harness.session.context import BenchContext, bench_context
from harness.session.control_currents import Arrived, control_currents, look_at_unit
from harness.session.events import Event, Hands
from harness.session.planned_job import PlannedJob, made_by_hand, plan_job, profile_folder, read_job
from harness.session.repeats.through_again import BatchThrough
from harness.session.simulated import SimulatedBench, Simulation, simulated_bench

log = logging.getLogger(__name__)

SIGNALS = tuple(getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name))


SIMULATED = "simulated"


def unobserved(event: Event) -> None:
    """Nobody is watching."""


class OpenBench:
    """A bench with a planned job and the hands at it. A context manager: leaving it makes the bench safe.

    simulator: None at a real bench. reference: a through reference that runs use until it expires, instead of
    a new one; so hands make a through setup once for all units. batch_through: the last one, looked
    at again before the next unit uses it. ask: has a person switch a relay supply that has no interface.
    """

    def __init__(
        self,
        planned: PlannedJob,
        file: BenchFile,
        *,
        hands: Hands,
        simulator: SimulatedBench | None = None,
        transcript: Path | None = None,
        tell: Callable[[str], None] = log.warning,
        ask: Ask = nobody,
    ) -> None:
        self.ask = ask
        self.planned, self.file, self.hands, self.simulator = planned, file, hands, simulator
        self.reference: Reference | None = None
        self.batch_through: BatchThrough | None = None
        self._transcript, self._tell = transcript, tell
        self._open = ExitStack()
        self._instruments: Bench | None = None
        self._answered_simulated = False
        self._passed_by: tuple[BenchError, ...] = ()
        self._left_a: Mapping[str, float] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._instruments = None
        self._open.__exit__(kind, error, trace)

    @property
    def job(self) -> Job:
        """The job, with this bench as its own."""
        return self.planned.job

    @property
    def simulated(self) -> bool:
        """Whether the bench and the unit are simulated.

        Of a bench at addresses that is known once its instruments are open, by their identities.
        """
        return self.simulator is not None or self._answered_simulated

    def instruments(self) -> Bench:
        """The four instruments, opened if they are not. Raises BenchError and its kinds."""
        if self._instruments is None:
            self._open.enter_context(terminable())
            self._instruments = self._open.enter_context(
                open_bench(
                    self.file,
                    folder=self.planned.profile_folder,
                    transcript=self._transcript,
                    tell=self._tell,
                    ask=lambda text: self.ask(text),
                    marked=self.simulator is None,
                )
            )
            self._answered_simulated = any(each.simulated for each in self._instruments.identities)
            self._passed_by += self._instruments.passed_by
        return self._instruments

    def take_passed_by(self) -> tuple[BenchError, ...]:
        """The troubles that opening met and that passed by, for the first run after it to record."""
        passed_by, self._passed_by = self._passed_by, ()
        return passed_by

    def close(self) -> None:
        """Leave the bench safe; `instruments` reopens it. Raises BenchError for what stays on."""
        self._instruments, self._left_a, self.batch_through = None, {}, None
        self._open.close()

    def place_unit(self, serial: str, faults: Sequence[str]) -> None:
        """Put a unit with these faults into a simulated bench; a real one has its unit. Raises UsageError."""
        if self.simulator is not None:
            self.simulator.place_unit(serial, faults)
        elif faults:
            raise UsageError("faults are for a simulated bench")

    def look_at_unit(self) -> Arrived:
        """Check whether a unit is in the fixture, and another than before; leaves everything off."""
        return look_at_unit(self.context(), self._left_a)

    def unit_leaves(self) -> None:
        """Measure what the unit draws, and switch everything off before hands come near it.

        A bench that fails at this reports it, and is made safe and closed. Raises BenchError for what stays
        on.
        """
        try:
            self._left_a = control_currents(self.context())
        except BenchError as error:
            self._tell(f"after the run: {error}")
            self.close()

    def context(self) -> BenchContext:
        """What every step at this bench shares; its relays' operations are counted from now on."""
        return bench_context(self.job, self.instruments(), unobserved)


class NoHands:
    """Nobody is there to move leads: refuses a plan that wants it, before anything is opened."""

    def __init__(self, planned: PlannedJob) -> None:
        if by_hand := made_by_hand(planned.plan):
            raise UsageError(
                f"a person moves the leads of {by_hand}, and nobody can be asked here. Use "
                "`switchwalk run`, or give the setup select = […], relay board channels that make it"
            )

    def make(self, setup: Setup) -> None:
        """Refuse it."""
        raise UsageError(f"setup {setup.name!r} needs hands")

    def correct(self, setup: Setup, leads: Sequence[str], message: str) -> None:
        """Refuse it."""
        raise UsageError(f"setup {setup.name!r} needs hands: {message}")


@contextmanager
def at_bench(
    job: Job,
    *,
    bench_file: Path | None = None,
    simulation: Simulation | None = None,
    hands: Callable[[PlannedJob], Hands] = NoHands,
    through: bool = True,
    transcript: Path | None = None,
    tell: Callable[[str], None] = log.warning,
    ask: Ask = nobody,
) -> Iterator[OpenBench]:
    """Plan a job for its bench, with nothing open yet; a simulated one is started, and ended after.

    bench_file: another than the job's own. simulation: None for a real bench; outputs that a killed run left
    on there are switched off first, and `tell` is told. hands: who moves leads there. ask: has a person
    switch a relay supply that has no interface. through: False for runs without a through reference.
    transcript: a file for every message on the wires. Raises JobError, UsageError, BenchError and its kinds.
    """
    with bench_started(job, bench_file, simulation) as (job, bench_file, simulator):
        if job.bench is None:
            raise UsageError(f"{job.folder}: no bench.toml in the job; name a bench file, or simulate one")
        if simulator is None:
            with terminable():
                folder = profile_folder(job, bench_file)
                make_left_safe(job.bench, folder=folder, tell=tell, ask=ask)
        planned = plan_job(job, bench_file, through=through)
        at_it = simulator or hands(planned)
        with OpenBench(
            planned, job.bench, hands=at_it, simulator=simulator, transcript=transcript, tell=tell, ask=ask
        ) as bench:
            yield bench


def choose_bench(bench: str | Path | None, *, speed: float = 1.0) -> tuple[Path | None, Simulation | None]:
    """A bench file, or a bench to simulate, for other Python code; (None, None): the job's own bench.

    bench: a path, "simulated", or None. Raises UsageError for a real bench with a clock of another speed.
    """
    if bench == SIMULATED:
        return None, Simulation(speed=speed)
    if speed != 1.0:
        raise UsageError("a clock of another speed is for a simulated bench")
    return None if bench is None else Path(bench), None


@contextmanager
def bench_started(
    job: Job, bench_file: Path | None, simulation: Simulation | None
) -> Iterator[tuple[Job, Path | None, SimulatedBench | None]]:
    """A job with its bench: unchanged, or read again with a simulated one, which is started and ended."""
    if simulation is None:
        yield job, bench_file, None
        return
    sequence, fixture = job.sequence_file, job.fixture_file
    with simulated_bench(job, simulation) as simulator:
        bench = simulator.bench_file
        yield read_job(job.folder, bench, sequence_file=sequence, fixture_file=fixture), bench, simulator


@contextmanager
def terminable() -> Iterator[None]:
    """Turn SIGTERM and SIGHUP into KeyboardInterrupt, as Ctrl-C is one, so that the bench is made safe.

    Only the main thread has signals: in another, nothing is done. A signal that the calling program handles
    already is left to it.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt(f"stopped by {signal.Signals(number).name}")

    unhandled = [number for number in SIGNALS if signal.getsignal(number) is signal.SIG_DFL]
    for number in unhandled:
        signal.signal(number, stop)
    try:
        yield
    finally:
        for number in unhandled:
            signal.signal(number, signal.SIG_DFL)
