"""What another process works out while the bench is at work, so that a run's report need not wait for it.

What a plan would see of every fault follows from job and plan alone, and takes seconds, or half a minute. The
pictures of a run take two seconds; here, they would be at its end. The other process is less urgent than the
run, and ends with it, however that ends. A report that is written later is drawn there too, meanwhile the run
is explained here.
"""

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from contextlib import contextmanager, suppress
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import ParamSpec, Self, TypeVar

from harness.faults.coverage import FaultSeen, judge_faults
from harness.reading import Reading
from harness.report.pictures import draw_svg
from harness.report.response_plot import ResponsePlot, response_plots
from harness.report.run_pictures import Drawn, choose_pictures, draw
from harness.report.words import worst_first
from harness.roles import Capture
from harness.session.events import EdgeNoted, Event
from harness.session.planned_job import PlannedJob

NICENESS = 5  # gives way to the run, and still gets on where a processor has other work as well

Asked = ParamSpec("Asked")
Found = TypeVar("Found")


class SecondProcess:
    """The other process. A context manager; what it has not answered when this is left is given up."""

    def __init__(self) -> None:
        spawning = get_context("spawn")
        theirs, self._ours = spawning.Pipe(duplex=False)  # ours is closed with this process, in any case
        self._pool = ProcessPoolExecutor(1, mp_context=spawning, initializer=_begin, initargs=(theirs,))
        with _interruptions_put_off():
            self.process = self._pool.submit(os.getpid)
        self._coverage: Future[tuple[FaultSeen, ...]] | None = None
        self._waveforms: dict[int, Future[str] | None] = {}
        self._responses: Future[list[ResponsePlot]] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._ours.close()
        self._pool.shutdown(cancel_futures=True)

    def begin_coverage(self, planned: PlannedJob) -> None:
        """Begin to work out what a plan would see of every fault."""
        self._coverage = self._ask(judge_faults, planned.job, planned.plan, impedances=planned.impedances)

    def prepare_to_draw(self) -> None:
        """Load what pictures take now: at the changes of state bench and run would wait for the processor."""
        self._ask(_draw_nothing)

    def see(self, event: Event) -> None:
        """Draw a change of state whose record the report may show."""
        if isinstance(event, EdgeNoted):
            self._draw(event.acquisition, event.capture, window_s=0.0)

    def draw(self, readings: Sequence[Reading], waveforms: Mapping[int, Capture]) -> None:
        """Begin to draw what the report of the run that made these shows, and is not drawn yet."""
        if self._responses is None:
            self._responses = self._ask(response_plots, readings)
        for shown in choose_pictures(worst_first(readings), waveforms):
            if shown.acquisition not in self._waveforms:
                self._draw(shown.acquisition, waveforms[shown.acquisition], shown.window_s)

    def coverage(self) -> tuple[FaultSeen, ...]:
        """Wait for the coverage; () where that came to nothing."""
        return _answer(self._coverage) or ()

    def drawn(self) -> Drawn:
        """Wait for the pictures of a run; those that came to nothing lack. The next run's are drawn anew."""
        svgs = {number: _answer(asked) for number, asked in self._waveforms.items()}
        responses = _answer(self._responses)
        self._waveforms.clear()
        self._responses = None
        return Drawn(
            waveforms={number: svg for number, svg in svgs.items() if svg is not None}, responses=responses
        )

    def _draw(self, acquisition: int, capture: Capture, window_s: float) -> None:
        self._waveforms[acquisition] = self._ask(draw, capture, window_s)

    def _ask(
        self, work: Callable[Asked, Found], *args: Asked.args, **kwargs: Asked.kwargs
    ) -> Future[Found] | None:
        """Have something worked out after what was asked before; None where the other process is no more."""
        with suppress(BrokenExecutor):
            return self._pool.submit(work, *args, **kwargs)
        return None


def _draw_nothing() -> None:
    from matplotlib.figure import Figure  # takes 0.2 s, and is needed in the other process alone

    def draw_axes(figure: Figure) -> None:
        figure.subplots().set_ylabel("V")

    draw_svg(1.0, draw_axes)


def _answer(asked: Future[Found] | None) -> Found | None:
    """Wait for what was found; None where that came to nothing."""
    return asked.result() if asked is not None and asked.exception() is None else None


@contextmanager
def _interruptions_put_off() -> Iterator[None]:
    """A process that is started within this is never interrupted: a Ctrl-C is for the run."""
    if sys.platform == "win32":
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin(asker: Connection) -> None:
    """Begin as the other process: in silence, giving way, and no longer than whoever asks."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(NICENESS)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (1, 2):
        os.dup2(nowhere, stream)
    threading.Thread(target=_end_with, args=(asker,), daemon=True).start()


def _end_with(asker: Connection) -> None:
    with suppress(EOFError, OSError):
        asker.recv_bytes()
    os._exit(1)
