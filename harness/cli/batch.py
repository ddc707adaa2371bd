"""`switchwalk batch`: unit after unit through a job, the bench kept open between them."""

import random
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from harness.cli import options
from harness.cli.live.view import run_watched
from harness.cli.outcome import (
    BatchResult,
    Refused,
    UnitResult,
    batch_to_json,
    say_likely,
    say_worst,
    show_banner,
    summary_lines,
)
from harness.cli.person import (
    NOBODY,
    ask,
    ask_at_supply,
    ask_hands,
    asked_serials,
    person_at,
    read_serials,
    simulation_for,
    tell,
    tell_new_folder,
)
from harness.cli.run import fewest_of, production_of, tell_whole_run
from harness.cli.terminal import Stopping, output_may_be_gone, print_result, say, stoppable
from harness.errors import BenchError, SwitchwalkError, UsageError
from harness.job.faults import ONE_RESISTANCE_OHM, single_faults
from harness.job.job import Job
from harness.plan.steps import part_of
from harness.records.run import Noted, RefusalOverridden
from harness.records.store import RunStore, open_records
from harness.report.explanation import Explained
from harness.report.run_report import Reporter
from harness.report.words import TERMINAL_CAUTIONS
from harness.session.admission import (
    Retest,
    check_bench_block,
    check_count,
    earlier_runs,
    how_it_ended,
    is_serial,
    make_retest,
    whole_run_due,
)
from harness.session.open_bench import OpenBench, at_bench
from harness.session.planned_job import read_job
from harness.session.request.fewest import Fewest, Production
from harness.session.request.header import RunRequest
from harness.session.simulated import Simulation
from harness.session.unit_run import RunResult
from harness.units import counted

WORST_SHOWN = 3
TROUBLES_IN_A_ROW = 2  # stopped runs after which an unattended batch ends: the bench needs a person

SerialsFile = Annotated[
    Path | None,
    typer.Option(
        "--serials", metavar="FILE", help="File of serial numbers, one per line, instead of prompting."
    ),
]


def batch(
    job: options.JobFolder,
    serials: SerialsFile = None,
    name: Annotated[str, typer.Option("--batch", metavar="NAME", help="The batch's name.")] = "",
    operator: options.Operator = None,
    notes: Annotated[str, typer.Option(metavar="TEXT", help="Recorded with each run.")] = "",
    again: options.Again = "",
    shortest: options.Shortest = False,
    stop_at_fail: options.StopAtFail = False,
    override: options.Override = "",
    bench: options.BenchPath = None,
    fixture: options.FixturePath = None,
    sequence: options.SequencePath = None,
    simulate: options.SimulateRun = False,
    faulty: Annotated[
        float,
        typer.Option(
            parser=options.parse_share, metavar="SHARE", help="Share of simulated units with a fault."
        ),
    ] = 0.0,
    seed: Annotated[
        int, typer.Option(metavar="NUMBER", help="Decides which units have a fault, and which fault.")
    ] = 1,
    speed: options.Speed = 1.0,
    records: options.RecordsLocation = options.RECORDS,
    transcript: options.TranscriptPath = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the batch as JSON at its end, and nothing else.")
    ] = False,
) -> None:
    """Prompt for a serial number, test, show a large PASS or FAIL and the likely fault, then repeat."""
    described = read_job(job, bench, sequence_file=sequence, fixture_file=fixture)
    simulation = simulation_for(described, bench, Simulation(speed=speed), simulate=simulate)
    _check_faulty(faulty, serials, simulate=simulate)
    _check_person(serials, simulate=simulate)
    wanted = None if serials is None else read_serials(serials, described.sequence)
    faults = draw_faults(wanted, faulty, described, seed=seed) if wanted and faulty else {}
    made = BatchResult(
        name=name,
        part=described.module.part,
        simulated=simulate,
        operator=operator,
        seed=seed if faulty else None,
    )
    tell_new_folder(records)
    with open_records(records) as store:
        check = partial(_check_wanted, store, described, wanted or [], again=again, operator=operator)
        check(simulated=simulate)
        with at_bench(
            described,
            bench_file=bench,
            simulation=simulation and replace(simulation, serial=wanted[0] if wanted else "none"),
            hands=person_at,
            transcript=transcript,
            tell=tell,
            ask=ask_at_supply,
        ) as opened:
            fewest = fewest_of(opened, records) if shortest or stop_at_fail else None
            opened.instruments()  # which say whether they are simulated
            if (
                opened.simulated != made.simulated
            ):  # a simulated bench at addresses: its units have other runs
                made.simulated = opened.simulated
                check(simulated=opened.simulated)
            overridden = check_bench_block(
                store, opened.job, simulated=opened.simulated, override=override, who=operator
            )
            if not as_json:
                typer.echo(TERMINAL_CAUTIONS)
            units = Units(
                bench=opened,
                store=store,
                reporter=Reporter(opened.planned, store, records),
                request=RunRequest(serial="", operator=operator, notes=notes, batch=name),
                faults=faults,
                fewest=fewest,
                shortest=shortest,
                stop_at_fail=stop_at_fail,
                again=again,
                overridden=overridden,
                listed=wanted is not None,
                quiet=as_json,
                made=made,
            )
            trouble = units.test(wanted)
    left = made.left_of(wanted or [])
    with output_may_be_gone():
        print_result(batch_to_json(made, left, trouble), summary_lines(made, left), as_json=as_json)
    if trouble is not None:
        raise trouble
    raise typer.Exit(made.exit_code)


@dataclass(frozen=True, kw_only=True)
class Units:
    """Tests one unit after another, and records each one's result in `made`.

    request: what all their runs have in common. fewest: steps of shortest runs, and of those that end at the
    first FAIL. faults: of simulated units. again, override: what the command
    line says of retests and of a bad bench. listed: whether the serial numbers come from a file.
    """

    bench: OpenBench
    store: RunStore
    reporter: Reporter
    request: RunRequest
    faults: Mapping[str, str]
    fewest: Fewest | None
    shortest: bool
    stop_at_fail: bool
    again: str
    overridden: tuple[Noted, ...]
    listed: bool
    quiet: bool
    made: BatchResult

    @property
    def attended(self) -> bool:
        """Whether a person puts the units in."""
        return not (self.bench.simulator is not None and self.listed)

    def test(self, wanted: Sequence[str] | None) -> SwitchwalkError | None:
        """Test all units; returns the error that ended the batch early, if any. wanted: None to ask."""
        try:
            with self.reporter.helped(), stoppable() as stopping, self.bench:
                asked = asked_serials(self.bench.job.sequence, self._mistyped, quiet=self.quiet)
                for serial in asked if wanted is None else wanted:
                    stopping.check()
                    self._take(serial, stopping)
        except SwitchwalkError as error:
            return error
        return None

    def _take(self, serial: str, stopping: Stopping) -> None:
        """Test one unit, or say why it is not. Raises what ends the batch."""
        try:
            retest = self._leave(serial)
            if self.listed and self.attended:
                self._ask_for(serial, f"Put unit {serial} in and press Enter (or type skip): ")
            faults = (self.faults[serial],) if serial in self.faults else ()
            if self.bench.simulator is not None:
                self.bench.simulator.place_unit(serial, faults)
            arrived = self._arrive(serial)
        except UsageError as error:
            self._refuse(serial, str(error))
            return
        request = replace(
            self.request,
            serial=serial,
            operator=self.request.operator or (retest.who if retest else None),
            faults=faults,
            production=self._production(serial),
            noted=(*(() if retest is None else (retest.noted,)), *self.overridden, *arrived),
        )
        result = run_watched(self.bench, self.store, request, stopping, quiet=self.quiet)
        self._report(result, request, retest)
        self._check_trouble()

    def _report(self, run_result: RunResult, request: RunRequest, retest: Retest | None) -> None:
        """The word at once; then what would explain a failure, which may take a moment, and the page."""
        ended_s = time.monotonic()
        unit = UnitResult(
            serial=request.serial,
            run_id=run_result.run_id,
            outcome=run_result.outcome,
            reason=run_result.reason,
            injected="".join(request.faults),
            seconds=run_result.duration_s,
            retest=0 if retest is None else retest.number,
            extent=run_result.extent,
            unseen=self._is_unseen(run_result),
        )
        self.made.units.append(unit)  # whatever comes now, the unit has its verdict
        result = self._show(request.serial, run_result)
        page = self.reporter.write_page(self.store.run(run_result.run_id), result)
        self.made.units[-1] = replace(
            unit,
            faults=() if result is None else result.names,
            probability=0.0 if result is None else result.probability,
            ready_s=time.monotonic() - ended_s,
            report=str(page),
        )
        if not self.quiet:
            say(f"report: {page}", indent=2)
            typer.echo("")

    def _production(self, serial: str) -> Production | None:
        """How a unit's run differs from a whole one; says so if it is a whole one by the sequence's wish."""
        if self.fewest is None:
            return None
        due = ""
        if self.shortest:
            due = whole_run_due(self.store, self.bench.job, simulated=self.bench.simulated)
            tell_whole_run(serial, due)
        return production_of(self.fewest, shortest=self.shortest and not due, stop_at_fail=self.stop_at_fail)

    def _is_unseen(self, result: RunResult) -> bool:
        """Whether a whole run among shortest ones failed only by what those do not measure."""
        if not (self.shortest and self.fewest and result.extent == "whole" and result.outcome == "fail"):
            return False
        taken = {one.key for one in part_of(self.bench.planned.plan, self.fewest.steps).readings}
        failed = {reading.key for reading in result.readings if reading.verdict == "fail"}
        return bool(failed) and not failed & taken

    def _show(self, serial: str, run_result: RunResult) -> Explained | None:
        if not self.quiet:
            if self.attended or sys.stdout.isatty():  # an unattended log has no room to be read across
                show_banner(run_result.outcome.upper())
            passed = sum(reading.verdict == "pass" for reading in run_result.readings)
            counts = f"{passed} of {counted(len(run_result.readings), 'reading')} pass"
            ended = f"{serial}: {run_result.outcome.upper()}, run {run_result.run_id}"
            say(f"{ended}, {run_result.duration_s:.1f} s, {counts}")
            if run_result.reason:
                say(run_result.reason, indent=2, hang=0)
        result = self.reporter.find_fault(self.store.run(run_result.run_id), at_once=self.attended)
        if not self.quiet and run_result.outcome in ("fail", "unproven"):
            say_likely(result, run_result.run_id, run_result.outcome)
            say_worst([reading for reading in run_result.readings if reading.verdict != "pass"], WORST_SHOWN)
        return result

    def _refuse(self, serial: str, why: str) -> None:
        """Say why a unit is not tested, and keep that for the end."""
        self.made.refused.append(Refused(serial=serial, why=why))
        say(why, err=True)

    def _mistyped(self, serial: str, why: str) -> None:
        """Report an invalid serial number; on a terminal the operator retypes it, otherwise it counts as
        refused.
        """
        if sys.stdin.isatty():
            say(f"{serial!r}: {why}", err=True)
        else:
            self._refuse(serial, f"{serial!r}: {why}")

    def _leave(self, serial: str) -> Retest | None:
        """Get leave to run a unit again; None for its first run.

        Raises UsageError if it has had all its retests, or nobody gives a name and a reason.
        """
        job = self.bench.job
        earlier = earlier_runs(self.store, job, serial, simulated=self.bench.simulated)
        retest = make_retest(serial, earlier, job, who=self.request.operator or "", why=self.again)
        if retest is None:
            return None
        if not retest.why and self.attended and sys.stdin.isatty():
            of = "" if retest.allowed is None else f" of {retest.allowed}"
            why = ask(
                f"unit {serial}: {retest.before}. Retest {retest.number}{of}: why? (empty: not tested) "
            )
            if is_serial(why, job.sequence) or why == serial:
                raise UsageError(f"unit {serial} is not run again: {why} is a serial number, not a reason")
            who = retest.who or (ask("Who allows it? ") if why else "")
            retest = replace(retest, who=who, why=why)
        if not (retest.why and retest.who):
            raise UsageError(
                f"unit {serial}: {retest.before}. It is tested again only with a name and a reason: "
                "--operator NAME --again REASON"
            )
        return retest

    def _arrive(self, serial: str) -> tuple[Noted, ...]:
        """Check that a unit is in the fixture, and not the one before; returns what a person overrode."""
        while True:
            try:
                arrived = self.bench.look_at_unit()
            except BenchError:
                return ()  # the run fails at it too, and records it
            if arrived in ("a unit", "over-current"):
                return ()
            if arrived == "nothing":
                text = (
                    "nothing in the fixture draws current, released or on any control line: no unit, or no "
                    "supply lead"
                )
            else:
                before = self.made.units[-1].serial if self.made.units else ""
                if before == serial:
                    return ()
                text = (
                    f"the unit in the fixture draws the same currents as {before} did at the end of its test"
                )
            if not self.attended:
                # Nobody handles units here, so the unit itself is like that.
                return ((RefusalOverridden(who="", why=text), text),)
            if not sys.stdin.isatty():
                raise UsageError(f"unit {serial} is not tested: {text}")
            say(text[:1].upper() + text[1:] + ".", hang=0)
            wanted = f"Plug {serial} in and press Enter; or type run, or skip: "
            if self._ask_for(serial, wanted) == "run":
                who = self.request.operator or "nobody named"
                return ((RefusalOverridden(who=who, why=text), f"{who} had it tested anyway: {text}"),)

    def _ask_for(self, serial: str, question: str) -> str:
        """Ask for a unit to be put in; returns what was typed. Raises UsageError if it is to be skipped."""
        answer = ask_hands(question, undone=f"nobody put unit {serial} in")
        if answer == "skip":
            raise UsageError(f"unit {serial} is not tested")
        return answer

    def _check_trouble(self) -> None:
        """End an unattended batch on a bench that stops run after run."""
        latest = self.made.units[-TROUBLES_IN_A_ROW:]
        if self.attended or len(latest) < TROUBLES_IN_A_ROW:
            return
        if all(unit.outcome == "stopped" for unit in latest):
            raise BenchError(
                f"the last {TROUBLES_IN_A_ROW} runs were stopped by the bench; the batch ends here. "
                f"Last: {latest[-1].reason}",
                instrument="bench",
            )


def draw_faults(serials: Sequence[str], share: float, job: Job, *, seed: int) -> dict[str, str]:
    """Draw a single fault for this share of simulated units; returns faults by serial number.

    Any single fault that a unit can have, each as likely as the others; those of the loopback plugs are the
    fixture's, which all units share, and are left out.
    """
    listed = single_faults(job.module, job.fixture, contact_ohm=ONE_RESISTANCE_OHM)
    faults = [fault.name for fault in listed if not fault.kind.startswith("loopback")]
    draw = random.Random(f"faulty {seed}")
    chosen = sorted(draw.sample(range(len(serials)), round(share * len(serials))))
    return {serials[index]: draw.choice(faults) for index in chosen}


def _check_person(serials: Path | None, *, simulate: bool) -> None:
    if serials is not None and not simulate and not sys.stdin.isatty():
        raise UsageError(
            f"{NOBODY} to put the units of --serials in. Run it in a terminal, or give the serial numbers on "
            "standard input, each when its unit is in the fixture"
        )


def _check_faulty(faulty: float, serials: Path | None, *, simulate: bool) -> None:
    if faulty and not simulate:
        raise UsageError("--faulty is for a simulated bench; add --simulate")
    if faulty and serials is None:
        raise UsageError("--faulty is a share of the units of --serials FILE; add that")


def _check_wanted(
    store: RunStore, job: Job, wanted: Sequence[str], *, simulated: bool, again: str, operator: str | None
) -> None:
    """Refuse a list with units in it that may not be run again, all at once."""
    mistakes: list[str] = []
    cures: set[str] = set()
    for serial in wanted:
        earlier = earlier_runs(store, job, serial, simulated=simulated)
        if not earlier:
            continue
        try:
            check_count(serial, earlier, job.sequence.retests)
        except UsageError as error:
            mistakes.append(str(error))
            cures.add("Leave units that have had all their retests out of the list")
            continue
        if not (again and operator):
            mistakes.append(f"unit {serial}: {how_it_ended(earlier[-1])}")
            cures.add("A unit is tested again only with a name and a reason: --operator NAME --again REASON")
    if mistakes:
        raise UsageError("\n".join([*mistakes, *sorted(cures)]))
