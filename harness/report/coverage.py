"""What a job's plan detects of every fault: computed by a second process, stored for the next run, and drawn.

It depends on job and plan alone, and takes seconds, or half a minute. The second process works during the
run, so that a report need not wait for it; it has a lower priority than the run, and ends with it, however
that ends.
"""

import json
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Self

from harness.errors import CircuitError
from harness.faults.coverage import FaultSeen, hard_faults, judge_faults
from harness.job.faults import Fault, FaultKind
from harness.report.page_files import write_whole
from harness.report.plotter import Figure, Picture
from harness.session.planned_job import PlannedJob

NICENESS = 5  # lower than the run's priority, and still some time on a processor with other work

LARGEST_KEPT = 400_000  # faults times acquisitions: what is worked out once for all units of a job
SOON = 10_000  # as above: worked out in a third of a second, and another process begins in a whole one
PANELS: dict[str, dict[FaultKind, str]] = {
    "Relays": {
        "relay never operates": "armature",
        "relay always operated": "armature",
        "coil open": "coil",
        "coil shorted": "coil",
        "coil open, set": "coil",
        "set coil open": "coil",
        "reset coil open": "coil",
        "set coil shorted": "coil",
        "reset coil shorted": "coil",
        "pole stuck released": "one pole stuck",
        "pole stuck operated": "one pole stuck",
        "throw stuck open": "throw open",
        "throw stuck closed": "throw closed",
    },
    "Switches": {"switch stuck off": "stuck off", "switch stuck on": "stuck on"},
    "Connectors": {
        "leg open": "leg open",
        "leg grounded": "leg grounded",
        "legs swapped": "legs swapped",
        "legs shorted": "legs shorted",
        "channels bridged": "channels bridged",
        "channels swapped": "channels swapped",
    },
    "Control lines": {"control line dead": "dead", "control lines swapped": "swapped with another"},
    "Plugs": {
        "loopback missing": "missing",
        "loopback straight": "straight",
        "loopback legs swapped": "legs swapped",
        "loopback channels swapped": "channels swapped",
    },
    "Parts": {
        "part open": "open",
        "part shorted": "shorted",
        "part tenfold": "tenfold",
        "part a tenth": "a tenth",
    },
    "Transformers": {"winding open": "winding open", "winding shorted": "winding shorted"},
    "Amplifiers": {"amplifier dead": "dead"},
    "Suspects": {
        "nets bridged": "bridge",
        "part left out": "part left out",
        "relay left out": "relay left out",
        "transformer left out": "transformer left out",
        "part value": "wrong value",
        "parts swapped": "parts swapped",
    },
}
MOST_TOLD = 12  # missed faults, each with its reason
WIDTH, NAME, CELL, ROW, HEAD, GAP = 922, 126, 131, 20, 40, 14
LEFT = 4
BAR, BAR_HEIGHT = 60, 11
_HATCHED = (
    '<defs><pattern id="unseen" width="5" height="5" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><rect width="5" height="5" fill="#fff"/>'
    '<path d="M0 0V5" stroke="#33332f" stroke-width="2"/></pattern></defs>'
)
_STYLES = {
    "text": "font-size:12px",
    ".title,.short": "font-weight:bold",
    ".title": "font-size:13px",
    ".rule": "stroke:#d9d9d4",
    ".unseen": "fill:url(#unseen);stroke:#33332f",
}


class SecondProcess:
    """The other process. A context manager; what it has not answered when this is left is given up."""

    def __init__(self) -> None:
        spawning = get_context("spawn")
        theirs, self._ours = spawning.Pipe(duplex=False)  # ours is closed with this process, in any case
        self._pool = ProcessPoolExecutor(1, mp_context=spawning, initializer=_begin, initargs=(theirs,))
        with interruptions_deferred():
            self.process = self._pool.submit(os.getpid)
        self._coverage: Future[tuple[FaultSeen, ...]] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._ours.close()
        self._pool.shutdown(cancel_futures=True)

    def begin_coverage(self, planned: PlannedJob) -> None:
        """Begin to work out what a plan would see of every fault."""
        with suppress(BrokenExecutor):
            self._coverage = self._pool.submit(
                judge_faults, planned.job, planned.plan, hard_faults(planned.job)
            )

    def coverage(self) -> tuple[FaultSeen, ...]:
        """Wait for the coverage; () if the other process failed at it, or was not asked."""
        asked = self._coverage
        return asked.result() if asked is not None and asked.exception() is None else ()


@contextmanager
def interruptions_deferred() -> Iterator[None]:
    """A process that is started within this is never interrupted: a Ctrl-C is for the one that starts it."""
    if sys.platform == "win32":
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin(asker: Connection) -> None:
    """Begin as the other process: without output, at a low priority, and not outliving the run's process."""
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


class KeptCoverage:
    """What a plan detects of every hard fault, as stored in a folder, or computed and stored there.

    Nothing is computed for a job that would take minutes.
    """

    def __init__(self, planned: PlannedJob, folder: Path) -> None:
        self._planned = planned
        self._path = folder / f"coverage-{planned.digest}.json"
        faults = hard_faults(planned.job)
        size = len(faults) * len(planned.plan.acquisitions)
        self._faults: Sequence[Fault] = faults if size <= LARGEST_KEPT else ()
        self._soon = size <= SOON

    @property
    def wants_help(self) -> bool:
        """Whether it is still to be worked out, and takes longer than another process takes to begin."""
        return bool(self._faults) and not self._soon and not self._path.exists()

    def get(self, helper: SecondProcess | None) -> tuple[FaultSeen, ...]:
        """By fault; () for a job that would take minutes. helper: may have computed it meanwhile."""
        result = _read(self._path, self._faults)
        if result or not self._faults:
            return result
        planned = self._planned
        try:
            result = (() if helper is None else helper.coverage()) or judge_faults(
                planned.job, planned.plan, self._faults
            )
        except CircuitError:
            return ()
        _write(self._path, result)
        return result


_STORED: dict[str, Callable[[Any], Any]] = {
    "seen": bool,
    "by": str,
    "margin": float,
    "readings": int,
    "why": str,
}


def _read(path: Path, faults: Sequence[Fault]) -> tuple[FaultSeen, ...]:
    """What is stored of these faults; () if the file is missing, or lacks any of them."""
    try:
        rows = json.loads(path.read_text(encoding="utf-8"))
        return tuple(
            FaultSeen(
                fault_set=(fault,), **{name: kind(rows[fault.name][name]) for name, kind in _STORED.items()}
            )
            for fault in faults
        )
    except (OSError, ValueError, KeyError, TypeError):
        return ()


def _write(path: Path, result: Sequence[FaultSeen]) -> None:
    """Store it for the next unit; if the file can't be written, it is computed again."""
    rows = {fault.name: {name: getattr(fault, name) for name in _STORED} for fault in result}
    with suppress(OSError):
        write_whole(path, json.dumps(rows, ensure_ascii=False, indent=1).encode("utf-8"))


@dataclass(frozen=True, kw_only=True)
class CoverageFigure:
    """A picture, how much is detected in words, and the missed faults.

    unseen: names with reasons, no more than MOST_TOLD; more: how many there are beyond these.
    """

    figure: Figure
    headline: str
    unseen: tuple[tuple[str, str], ...]
    more: int


Cells = dict[str, dict[str, list[bool]]]  # by part, by column: whether each fault is seen


def draw_coverage(faults: Sequence[FaultSeen]) -> CoverageFigure | None:
    """Draw it; None if there are no faults."""
    if not faults:
        return None
    panels = {title: cells for title, kinds in PANELS.items() if (cells := _cells(faults, kinds))}
    seen = sum(fault.seen for fault in faults)
    unseen = [(fault.fault.name, fault.why) for fault in faults if not fault.seen]
    return CoverageFigure(
        figure=_draw(panels),
        headline=f"{seen} of {len(faults)} single faults ({100 * seen / len(faults):.1f} %)",
        unseen=tuple(unseen[:MOST_TOLD]),
        more=max(0, len(unseen) - MOST_TOLD),
    )


def _cells(faults: Sequence[FaultSeen], kinds: dict[FaultKind, str]) -> Cells:
    cells: Cells = {}
    for fault in faults:
        if fault.fault.kind in kinds:
            part = fault.fault.subject.split(".")[0]  # the relay of a pole, the part of a leg
            row = cells.setdefault(part, {})
            row.setdefault(kinds[fault.fault.kind], []).append(fault.seen)
    return cells


def _columns(title: str, cells: Cells) -> list[str]:
    known = dict.fromkeys(PANELS[title].values())
    return [name for name in known if any(name in row for row in cells.values())]


def _text(panels: dict[str, Cells]) -> str:
    """The picture in words: how many of each sort, and every cell that is not full."""
    messages = []
    for title, cells in panels.items():
        every = [seen for row in cells.values() for faults in row.values() for seen in faults]
        short = [
            f"{part} {column} {sum(faults)} of {len(faults)}"
            for part, row in cells.items()
            for column, faults in row.items()
            if not all(faults)
        ]
        more = f", of which {', '.join(short)}" if short else ""
        messages.append(f"{title}: {sum(every)} of {len(every)}{more}")
    return f"Faults detected, of those possible. {'. '.join(messages)}."


def _draw(panels: dict[str, Cells]) -> Figure:
    height = 4 + sum(HEAD + ROW * len(cells) + GAP for cells in panels.values())
    picture = Picture(WIDTH, height)
    y = 4
    for title, cells in panels.items():
        columns = _columns(title, cells)
        picture.text(LEFT, y + 14, title, kind="title")
        for index, column in enumerate(columns):
            picture.text(LEFT + NAME + CELL * index, y + 32, column)
        y += HEAD
        for number, (part, row) in enumerate(cells.items()):
            if number:
                picture.line(LEFT, y, LEFT + NAME + CELL * len(columns), y, "rule")
            picture.text(LEFT, y + 14, part)
            for index, column in enumerate(columns):
                if column in row:
                    _draw_cell(picture, row[column], LEFT + NAME + CELL * index, y)
            y += ROW
        y += GAP
    return picture.alone(_text(panels), _STYLES, definitions=_HATCHED)


def _draw_cell(picture: Picture, faults: Sequence[bool], x: int, y: int) -> None:
    """A bar, filled by the share of detected faults, else hatched; and the figures."""
    top = y + (ROW - BAR_HEIGHT) // 2
    seen, possible = sum(faults), len(faults)
    filled = round(BAR * seen / possible)
    if 0 < seen < possible:
        filled = min(max(filled, 2), BAR - 8)  # what is left out must show
    picture.box(x, top, BAR, BAR_HEIGHT, "unseen")
    if filled:
        picture.box(x, top, filled, BAR_HEIGHT, "full")
    picture.text(x + BAR + 7, y + 14, f"{seen} of {possible}", kind="" if seen == possible else "short")
