"""Checks of the bench before it is trusted: a golden unit that must read as it did, faults it must name."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from harness.cli.errand import Errand
from harness.cli.gauge_study import Work, place
from harness.cli.serials import listed_lines
from harness.errors import BenchError, CircuitError, RecordsError, UsageError
from harness.records.history import labels
from harness.records.run import BenchCheck
from harness.statistics.drift import Shift, golden_shifts
from harness.statistics.yields import COMPLETE
from harness.workbench.described import Described
from harness.workbench.diagnosed import Diagnosed, read_recorded
from harness.workbench.planning import impedances_of
from harness.workbench.serial import serial_mistake
from harness.workbench.simulated import fault_notes

if TYPE_CHECKING:
    from harness.cli.station import Station, Tested, Workplace
    from harness.job.job import Job
    from harness.records.history import RunLine
    from harness.records.store import RunStore

TOLD_FIRST = 3  # readings, or faults, that the records' own sentence names


@dataclass(frozen=True, kw_only=True)
class Golden:
    """A golden unit's run against its history: run numbers, and every reading's shift."""

    serial: str
    bench: str
    run_id: int
    outcome: str
    history: tuple[int, ...]
    shifts: tuple[Shift, ...]
    check: BenchCheck

    @property
    def moved(self) -> tuple[Shift, ...]:
        """Readings that have moved, the furthest first."""
        return tuple(shift for shift in self.shifts if shift.moved)


@dataclass(frozen=True, kw_only=True)
class KnownBad:
    """A unit with a known fault: how its run ended, and what was named."""

    serial: str
    fault: str
    run_id: int
    outcome: str
    named: tuple[str, ...]

    @property
    def good(self) -> bool:
        """Whether it failed, and its fault is the likeliest or not told apart from that."""
        return self.outcome == "fail" and self.fault in self.named


def check_golden(
    store: "RunStore",
    work: Work,
    serial: str,
    operator: str | None,
    new_history: str,
    faults: Sequence[str],
) -> Golden:
    """Run the golden unit, compare it with its history on this bench, and keep what that says with the run.

    Raises BenchError where the run was stopped.
    """
    made: list[Tested] = []

    def do(station: "Station", here: "Workplace", errand: Errand) -> None:
        place(here, serial, f"put the golden unit {serial} in", faults)
        made.append(
            station.test(
                replace(
                    errand,
                    serial=serial,
                    operator=operator,
                    notes=fault_notes(faults),
                    simulated_faults=tuple(faults),
                )
            )
        )

    bench = work(store, serial, "golden", "", do)
    (tested,) = made
    if tested.outcome == "stopped":
        raise BenchError(f"the golden unit's run was stopped: {tested.reason}", instrument="bench")
    header = store.run(tested.run_id).header
    lines = store.lines(part=header.part, serial=serial, simulated=header.simulated)
    history = [] if new_history else history_of(store, lines, bench, before=tested.run_id)
    shifts = golden_shifts(store.series([*history, tested.run_id]), tested.run_id) if history else []
    check = _verdict(serial, tested, shifts, new_history)
    store.add_event(tested.run_id, check, check.why)
    return Golden(
        serial=serial,
        bench=bench,
        run_id=tested.run_id,
        outcome=tested.outcome,
        history=tuple(history),
        shifts=tuple(shifts),
        check=check,
    )


def history_of(store: "RunStore", lines: "Sequence[RunLine]", bench: str, *, before: int) -> list[int]:
    """The golden unit's good checks on this bench, since its history began."""
    chosen = [
        line.run_id
        for line in lines
        if line.purpose == "golden"
        and line.bench_name == bench
        and line.outcome in COMPLETE
        and line.run_id < before
    ]
    history: list[int] = []
    for run_id, made in sorted(store.latest_events(BenchCheck, chosen).items()):
        check = made.event
        if check.new_history:
            history = []
        if check.good:
            history.append(run_id)
    return history


def _verdict(serial: str, tested: "Tested", shifts: Sequence[Shift], new_history: str) -> BenchCheck:
    moved = [shift for shift in shifts if shift.moved]
    why = f"{serial} reads as it did" if shifts else f"{serial} is kept as what later runs are held against"
    if tested.outcome != "pass":
        why = f"{serial} ended in {tested.outcome.upper()}"
    elif moved:
        told = labels(shift.key for shift in shifts)
        named = "; ".join(told[shift.key] for shift in moved[:TOLD_FIRST])
        why = f"{len(moved)} of {len(shifts)} readings of {serial} moved: {named}"
    good = tested.outcome == "pass" and not moved
    return BenchCheck(check="golden", good=good, why=why, new_history=new_history)


def read_known_bad(path: Path, job: "Job") -> list[tuple[str, str]]:
    """Read serial numbers and faults, `OB-0042, K3 never operates` a line; # begins a remark.

    Raises UsageError with every line that is none.
    """
    from harness.job.faults import parse_fault

    found: list[tuple[str, str]] = []
    mistakes: list[str] = []
    for number, line in listed_lines(path, "known faults"):
        serial, comma, fault = (part.strip() for part in line.partition(","))
        wrong = serial_mistake(serial, job.sequence) if comma else "expected SERIAL, FAULT"
        try:
            faults = parse_fault(fault, job.module, job.fixture) if not wrong else ()
        except UsageError as error:
            wrong, faults = str(error), ()
        if len(faults) > 1:
            wrong = "expected a single fault"
        if wrong:
            mistakes.append(f"{path}:{number}: {wrong}; found {line!r}")
        found += [(serial, each.name) for each in faults[:1]]
    if not found and not mistakes:
        mistakes.append(f"{path}: no known fault is in it; expected SERIAL, FAULT a line")
    if mistakes:
        raise UsageError("\n".join(mistakes))
    return found


def check_known_bad(
    store: "RunStore", work: Work, wanted: Sequence[tuple[str, str]], operator: str | None
) -> list[KnownBad]:
    """Run every unit with its known fault, and keep with the last run whether all were failed and named.

    Raises BenchError where a run was stopped.
    """
    found: list[KnownBad] = []

    def do(station: "Station", here: "Workplace", errand: Errand) -> None:
        # What all faults would show is the same for every unit, and is worked out once.
        known = Described(job=here.job, plan=here.plan, impedances=impedances_of(here.job, here.bench_file))
        for serial, fault in wanted:
            place(here, serial, f"put unit {serial} in with the fault {fault!r} switched on", [fault])
            notes = fault_notes([fault]) if here.simulated is not None else f"known fault: {fault}"
            simulated = () if here.simulated is None else (fault,)
            tested = station.test(
                replace(errand, serial=serial, operator=operator, notes=notes, simulated_faults=simulated)
            )
            if tested.outcome == "stopped":
                raise BenchError(f"the run of {serial} was stopped: {tested.reason}", instrument="bench")
            one = KnownBad(
                serial=serial,
                fault=fault,
                run_id=tested.run_id,
                outcome=tested.outcome,
                named=_named(store, tested.run_id, known),
            )
            found.append(one)
            if not errand.quiet:
                told = "failed, and named" if one.good else "NOT as it should"
                typer.echo(f"{len(found)}/{len(wanted)} {serial}, {fault}: {told}, {tested.seconds:.1f} s")

    work(store, wanted[0][0], "known-bad", "", do)
    bad = [one for one in found if not one.good]
    why = "every known fault was failed and named"
    if bad:
        faults = "; ".join(one.fault for one in bad[:TOLD_FIRST])
        why = f"{len(bad)} of {len(found)} known faults were not failed or not named: {faults}"
    store.add_event(found[-1].run_id, BenchCheck(check="known-bad", good=not bad, why=why), why)
    return found


def _named(store: "RunStore", run_id: int, known: Described) -> tuple[str, ...]:
    """What the diagnosis names, however long it takes; nothing of a run that did not fail."""
    record = store.run(run_id)
    if record.outcome != "fail":
        return ()
    try:
        return Diagnosed(read_recorded(store, record, known), double=False).names
    except (CircuitError, RecordsError):
        return ()
