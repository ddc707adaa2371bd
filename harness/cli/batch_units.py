"""The units of a batch, one after another: what is asked, what is kept, and what is shown of each."""

import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from harness.cli.big_word import show_big
from harness.cli.errand import Errand
from harness.cli.outcome import say_likely
from harness.cli.retest import leave_for
from harness.cli.serials import ask_hands
from harness.cli.wrapping import say
from harness.errors import BenchError, UsageError
from harness.records.run import Noted, RefusalOverridden
from harness.units import counted
from harness.workbench.described import Described
from harness.workbench.report import find_fault, write_page
from harness.workbench.retest import Retest, earlier_runs
from harness.workbench.simulated import fault_notes

if TYPE_CHECKING:
    from harness.cli.station import Station, Tested
    from harness.reading import Reading
    from harness.records.run import Outcome
    from harness.records.store import RunStore
    from harness.report.explanation import Explained
    from harness.workbench.simulated import SimulatedBench

WORST_SHOWN = 3
TROUBLES_IN_A_ROW = 2  # after so many stopped runs an unattended batch ends: the bench has to be looked at


@dataclass(frozen=True, kw_only=True)
class UnitResult:
    """One unit of a batch.

    faults: not told apart, the likeliest first; () where none is named. injected: the simulated fault, "" for
    none. seconds: of the run; ready_s: from its verdict until the next unit could come.
    """

    serial: str
    run_id: int
    outcome: "Outcome"
    reason: str
    faults: tuple[str, ...]
    probability: float
    injected: str
    seconds: float
    ready_s: float
    retest: int
    report: str


@dataclass(frozen=True, kw_only=True)
class Refused:
    """A serial number of which no unit was tested, and why."""

    serial: str
    why: str


@dataclass(kw_only=True)
class Units:
    """Takes units through the job, and keeps what became of each in `results`.

    known: what follows from the job alone. records: where they are, for the reports beside them. faults: of
    simulated units. again, override: what the command line says of retests and of a bad bench. attended:
    whether serial numbers come from a person.
    """

    errand: Errand
    known: Described
    store: "RunStore"
    records: str | Path
    simulated: "SimulatedBench | None"
    faults: Mapping[str, str]
    again: str
    override: tuple[Noted, ...]
    listed: bool
    results: list[UnitResult] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)

    @property
    def attended(self) -> bool:
        """Whether a person puts the units in."""
        return self.simulated is None or not self.listed

    def take(self, serial: str, station: "Station") -> None:
        """Test one unit, or say why it is not. Raises what ends the batch."""
        try:
            retest = self._leave(serial)
            if self.listed and self.attended:
                self._ask_for(serial, f"Put unit {serial} in and press Enter (or type skip): ")
            injected = self.faults.get(serial, "")
            if self.simulated is not None:
                self.simulated.place_unit(serial, [injected] if injected else [])
            errand = replace(
                self.errand,
                serial=serial,
                operator=self.errand.operator or (retest.who if retest else None),
                notes=fault_notes([injected] if injected else [], self.errand.notes),
                simulated_faults=(injected,) if injected else (),
            )
            arrived = self._arrive(errand, station)
        except UsageError as error:
            self.refuse(serial, str(error))
            return
        noted = () if retest is None else (retest.noted,)
        tested = station.test(errand, (*noted, *self.override, *arrived))
        ended_s = time.monotonic()
        self._keep(serial, tested, injected, retest)
        found = self._show(serial, tested)
        page = self._page(tested, found)
        self.results[-1] = replace(
            self.results[-1],
            faults=() if found is None else found.names,
            probability=0.0 if found is None else found.probability,
            ready_s=time.monotonic() - ended_s,
            report=str(page),
        )
        self._tell_report(self.results[-1])
        self._check_trouble()

    def refuse(self, serial: str, why: str) -> None:
        """Say why a unit is not tested, and keep that for the end."""
        self.refused.append(Refused(serial=serial, why=why))
        say(why, err=True)

    def mistyped(self, serial: str, why: str) -> None:
        """Hear of what can be no serial number: at a terminal it is typed again, else nobody is there to."""
        if sys.stdin.isatty():
            say(f"{serial!r}: {why}", err=True)
        else:
            self.refuse(serial, f"{serial!r}: {why}")

    def _leave(self, serial: str) -> Retest | None:
        job = self.errand.job
        earlier = earlier_runs(self.store, job, serial, simulate=self.errand.simulated)
        return leave_for(
            serial,
            earlier,
            job.sequence,
            who=self.errand.operator or "",
            why=self.again,
            attended=self.attended,
        )

    def _arrive(self, errand: Errand, station: "Station") -> tuple[Noted, ...]:
        """Look whether a unit is in the fixture, and another than before; what a person said of it."""
        while True:
            try:
                arrived = station.look(errand)
            except BenchError:
                return ()  # the run meets it too, and keeps it
            if arrived.what in ("a unit", "over-current"):
                return ()
            if arrived.what == "nothing":
                told = (
                    "nothing in the fixture draws current, at rest or on any line: no unit, or no supply lead"
                )
            else:
                before = self.results[-1].serial if self.results else ""
                if before == errand.serial:
                    return ()
                told = f"what is in the fixture draws the same as {before} did when it left"
            if not self.attended:
                # nobody has forgotten anything here: the unit is like that
                return ((RefusalOverridden(who="", why=told), told),)
            if not sys.stdin.isatty():
                raise UsageError(f"unit {errand.serial} is not tested: {told}")
            say(told[:1].upper() + told[1:] + ".", hang=0)
            wanted = f"Put {errand.serial} in and press Enter; or type run, or skip: "
            if self._ask_for(errand.serial, wanted) == "run":
                who = errand.operator or "nobody named"
                return ((RefusalOverridden(who=who, why=told), f"{who} had it tested as it is: {told}"),)

    def _ask_for(self, serial: str, question: str) -> str:
        """Have a unit put in; what was typed. Raises UsageError where it is to be skipped."""
        answer = ask_hands(question, undone=f"nobody put unit {serial} in")
        if answer == "skip":
            raise UsageError(f"unit {serial} is not tested")
        return answer

    def _keep(self, serial: str, tested: "Tested", injected: str, retest: Retest | None) -> None:
        self.results.append(
            UnitResult(
                serial=serial,
                run_id=tested.run_id,
                outcome=tested.outcome,
                reason=tested.reason,
                faults=(),
                probability=0.0,
                injected=injected,
                seconds=tested.seconds,
                ready_s=0.0,
                retest=0 if retest is None else retest.number,
                report="",
            )
        )

    def _show(self, serial: str, tested: "Tested") -> "Explained | None":
        """The word at once; then what would explain a failure, which may take a moment."""
        quiet = self.errand.quiet
        if not quiet:
            if self.attended or sys.stdout.isatty():  # an unattended log has no room to be read across
                show_big(tested.outcome.upper())
            counts = f"{tested.passed} of {counted(tested.readings, 'reading')} pass"
            say(f"{serial}: {tested.outcome.upper()}, run {tested.run_id}, {tested.seconds:.1f} s, {counts}")
            if tested.reason:
                say(tested.reason, indent=2, hang=0)
        record = self.store.run(tested.run_id)
        found = find_fault(self.store, record, self.known, at_once=self.attended)
        if not quiet and tested.outcome in ("fail", "unproven"):
            say_likely(found, tested.run_id, tested.outcome)
            self._worst(self.store.readings(tested.run_id))
        return found

    def _worst(self, readings: "list[Reading]") -> None:
        from harness.report.words import reading_line, worst_first

        for reading in worst_first(one for one in readings if one.verdict != "pass")[:WORST_SHOWN]:
            say(reading_line(reading), indent=2)

    def _page(self, tested: "Tested", found: "Explained | None") -> Path:
        record = self.store.run(tested.run_id)
        return write_page(self.store, record, self.records, found, self.known)

    def _tell_report(self, result: UnitResult) -> None:
        if not self.errand.quiet:
            say(f"report: {result.report}", indent=2)
            typer.echo("")

    def _check_trouble(self) -> None:
        """End an unattended batch on a bench that stops run after run."""
        latest = self.results[-TROUBLES_IN_A_ROW:]
        if self.attended or len(latest) < TROUBLES_IN_A_ROW:
            return
        if all(one.outcome == "stopped" for one in latest):
            raise BenchError(
                f"the last {TROUBLES_IN_A_ROW} runs were stopped by the bench; the batch ends here. "
                f"Last: {latest[-1].reason}",
                instrument="bench",
            )
