"""A crossed study of the bench: the runs that it wants, and what comes of them."""

import random
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

import typer

from harness.cli.errand import Errand
from harness.cli.serials import ask_hands
from harness.errors import BenchError, UsageError
from harness.statistics.study import By, Crossing, ReadingStudy, cross, studies
from harness.statistics.yields import COMPLETE, NOT_WHOLE
from harness.workbench.serial import serial_mistake

if TYPE_CHECKING:
    from harness.cli.station import Station, Workplace
    from harness.job.job import Job
    from harness.records.history import RunLine
    from harness.records.run import Purpose
    from harness.records.store import RunStore


class Work(Protocol):
    """Does something at an open station, and gives the bench's name."""

    def __call__(
        self,
        store: "RunStore",
        first: str,
        purpose: "Purpose",
        batch: str,
        do: "Callable[[Station, Workplace, Errand], None]",
    ) -> str:
        """Open the place, do it, close it."""
        ...


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """A study as it was asked for; `operators` may be empty where it is made of records."""

    units: tuple[str, ...]
    operators: tuple[str, ...]
    repeats: int
    by: By
    name: str
    seed: int


def run_study(store: "RunStore", work: Work, job: "Job", wanted: Wanted, *, simulate: bool) -> None:
    """Make the runs of a study that are not there yet, units in an order drawn by the seed.

    A study with a name goes on where it was stopped. Raises UsageError, and BenchError where a run stopped.
    """
    if len(wanted.operators) < 2:
        raise UsageError(
            "a study needs two or more operators: --operators A,B. Of a bench that nobody touches, name the "
            "fresh hookups"
        )
    for serial in wanted.units:
        wrong = serial_mistake(serial, job.sequence)
        if wrong:
            raise UsageError(f"--units {serial}: {wrong}")
    left = runs_left(wanted, _of_study(store, job, wanted, simulate=simulate) if wanted.name else ())

    def do(station: "Station", here: "Workplace", errand: Errand) -> None:
        for number, (serial, operator) in enumerate(left, start=1):
            place(here, serial, f"run {number} of {len(left)}: {operator}, put unit {serial} in afresh")
            tested = station.test(replace(errand, serial=serial, operator=operator))
            if tested.outcome == "stopped":
                raise BenchError(
                    f"run {tested.run_id} of the study was stopped: {tested.reason}. The runs before it are "
                    "kept; with the same --batch NAME the study goes on",
                    instrument="bench",
                )
            if not errand.quiet:
                done = f"{number}/{len(left)} {serial} by {operator}: run {tested.run_id}"
                typer.echo(f"{done}, {tested.outcome.upper()}, {tested.seconds:.1f} s")

    if left:
        work(store, left[0][0], "gauge", wanted.name, do)


def runs_left(wanted: Wanted, made: "Sequence[RunLine]") -> list[tuple[str, str]]:
    """Unit and operator of every run that is still to be made: trial by trial, operator by operator."""
    have = Counter((line.serial, line.operator) for line in made)
    draw = random.Random(f"gauge {wanted.seed}")
    left: list[tuple[str, str]] = []
    for trial in range(wanted.repeats):
        for operator in wanted.operators:
            order = list(wanted.units)
            draw.shuffle(order)
            left += [(serial, operator) for serial in order if have[serial, operator] <= trial]
    return left


def study_of_records(
    store: "RunStore", job: "Job", wanted: Wanted, *, simulate: bool
) -> tuple[Crossing, list[ReadingStudy]]:
    """Study what the records hold of the units. Raises UsageError where the runs do not cross."""
    lines = _of_study(store, job, wanted, simulate=simulate)
    chosen = [line for line in lines if not wanted.operators or line.operator in wanted.operators]
    try:
        crossing = cross(chosen, by=wanted.by)
    except ValueError as error:
        runs = f"Complete runs of these units: {len(chosen)}"
        cure = "; --operators A,B leaves out those of others" if wanted.by == "operator" else ""
        raise UsageError(f"{store.place}: {error}. {runs}{cure}") from None
    crossed = [run for unit in crossing.runs for appraiser in unit for run in appraiser]
    return crossing, studies(crossing, store.series(crossed))


def _of_study(store: "RunStore", job: "Job", wanted: Wanted, *, simulate: bool) -> "list[RunLine]":
    """Complete runs of the units: of the study where it has a name, else all but those with known faults."""
    return [
        line
        for line in store.lines(part=job.module.part, simulated=simulate)
        if line.serial in wanted.units
        and line.outcome in COMPLETE
        and (line.batch == wanted.name if wanted.name else line.purpose not in NOT_WHOLE)
    ]


def place(here: "Workplace", serial: str, request: str, faults: Sequence[str] = ()) -> None:
    """Have a unit put into the fixture: by simulated hands, or by a person who presses Enter."""
    if here.simulated is not None:
        here.simulated.place_unit(serial, faults)
        return
    if not sys.stdin.isatty():
        raise UsageError(f"standard input is no terminal, so nobody can be asked: {request}")
    ask_hands(f"{request}, and press Enter: ", undone=f"nobody put unit {serial} in")
