"""`switchwalk gauge`: what of a reading is the bench, whether it has moved, and whether it sees faults."""

import json
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from harness.cli.errand import Errand
from harness.cli.hands import CAUTIONS
from harness.cli.options import AsJson, BenchPath, Faults, Hasten, JobFolder, RecordsPlace, check_place
from harness.errors import EXIT_BENCH, EXIT_FAIL, EXIT_PASS, UsageError
from harness.workbench.serial import serial_mistake

if TYPE_CHECKING:
    from harness.cli.station import Station, Workplace
    from harness.job.job import Job
    from harness.records.run import Purpose
    from harness.records.store import RunStore
    from harness.statistics.study import By

POOR_PERCENT = 30.0  # of the tolerance, taken by the bench: above it the trade calls a gauge unfit (AIAG MSA)


def gauge(
    job: JobFolder,
    units: Annotated[
        str, typer.Option(metavar="S1,S2", help="Study these units, run again and again.", show_default=False)
    ] = "",
    repeats: Annotated[int, typer.Option(min=2, help="Runs of each unit by each operator.")] = 3,
    operators: Annotated[
        str, typer.Option(metavar="A,B", help="Who runs them, each all of them.", show_default=False)
    ] = "",
    by: Annotated[
        str, typer.Option(help="What the runs differ by, from records: operator, bench or day.")
    ] = "operator",
    from_records: Annotated[
        bool, typer.Option("--from-records", help="Run nothing: study what the records hold of the units.")
    ] = False,
    name: Annotated[
        str, typer.Option("--batch", metavar="NAME", help="The study's name; one that was stopped goes on.")
    ] = "",
    seed: Annotated[int, typer.Option(help="Draws the order in which units are run.")] = 1,
    golden: Annotated[
        str,
        typer.Option(metavar="SERIAL", help="Check the bench with this golden unit.", show_default=False),
    ] = "",
    new_history: Annotated[
        str,
        typer.Option(
            metavar="REASON",
            help="Begin the golden unit's history anew, and why.",
            show_default=False,
        ),
    ] = "",
    known_bad: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Check that units with known faults fail by their names.", show_default=False
        ),
    ] = None,
    operator: Annotated[str | None, typer.Option(help="Who checks the bench.", show_default=False)] = None,
    bench: BenchPath = None,
    simulate: Annotated[bool, typer.Option("--simulate", help="Use a simulated bench.")] = False,
    fault: Faults = None,
    hasten: Hasten = 1.0,
    records: RecordsPlace = None,
    as_json: AsJson = False,
) -> None:
    """Study the bench (--units), or check it with a golden unit (--golden) or known faults (--known-bad)."""
    from harness.workbench.job_files import read_job

    described = read_job(job, bench)
    _check_one_of(units, golden, known_bad)
    asked = _Asked(described, bench, simulate=simulate, hasten=hasten, records=records, as_json=as_json)
    if golden:
        raise typer.Exit(_golden(asked, golden, operator, new_history, fault or []))
    if known_bad is not None:
        raise typer.Exit(_known_bad(asked, known_bad, operator))
    if fault:
        raise UsageError("--fault is for a simulated golden unit; a study takes units as they are")
    raise typer.Exit(_study(asked, units, operators, repeats, by, name, seed, from_records=from_records))


class _Asked:
    """What every kind of gauge work has in common: the job, its bench, the records, and how to print."""

    def __init__(
        self,
        job: "Job",
        bench: Path | None,
        *,
        simulate: bool,
        hasten: float,
        records: str | None,
        as_json: bool,
    ) -> None:
        from harness.records.run import DEFAULT_RECORDS

        self.job, self.simulate, self.as_json = job, simulate, as_json
        self.records: str | Path = records or DEFAULT_RECORDS
        self._bench, self._hasten = bench, hasten

    def open(self, *, read_only: bool = False) -> "RunStore":
        from harness.records.store import open_records

        return open_records(self.records, read_only=read_only)

    def work(
        self,
        store: "RunStore",
        first: str,
        purpose: "Purpose",
        batch: str,
        do: "Callable[[Station, Workplace, Errand], None]",
    ) -> str:
        """Do something at an open station; gives the bench's name."""
        from harness.cli.station import Station, workplace
        from harness.cli.stopping import stoppable

        check_place(self.job, self._bench, simulate=self.simulate, hasten=self._hasten)
        with ExitStack() as open_things:
            here = open_things.enter_context(
                workplace(self.job, self._bench, simulate=self.simulate, hasten=self._hasten, first=first)
            )
            errand = Errand(
                job=here.job,
                plan=here.plan,
                serial=first,
                operator=None,
                simulated=self.simulate,
                notes="",
                bench_file=here.bench_file,
                transcript=None,
                quiet=self.as_json,
                batch=batch,
                purpose=purpose,
            )
            if not self.as_json:
                typer.echo(CAUTIONS)
            with stoppable() as stopping, Station(store, here.hands, stopping) as station:
                do(station, here, errand)
            return here.bench_name


def _check_one_of(units: str, golden: str, known_bad: Path | None) -> None:
    if sum((bool(units), bool(golden), known_bad is not None)) != 1:
        raise UsageError("say one of: --units S1,S2 (a study), --golden SERIAL, --known-bad FILE")


def _golden(asked: _Asked, serial: str, operator: str | None, new_history: str, faults: list[str]) -> int:
    from harness.cli.gauge_checks import check_golden
    from harness.cli.gauge_text import golden_lines, golden_to_json
    from harness.job.faults import parse_fault

    if faults and not asked.simulate:
        raise UsageError("--fault is for a simulated unit; add --simulate")
    for fault in faults:
        parse_fault(fault, asked.job.module, asked.job.fixture)  # a bench would say it, as its own trouble
    if wrong := serial_mistake(serial, asked.job.sequence):
        raise UsageError(f"--golden {serial}: {wrong}")
    with asked.open() as store:
        found = check_golden(store, asked.work, serial, operator, new_history, faults)
    if asked.as_json:
        typer.echo(json.dumps(golden_to_json(found), indent=2, ensure_ascii=False, allow_nan=False))
    else:
        for line in golden_lines(found):
            typer.echo(line)
    return EXIT_PASS if found.check.good else EXIT_BENCH


def _known_bad(asked: _Asked, path: Path, operator: str | None) -> int:
    from harness.cli.gauge_checks import check_known_bad, read_known_bad
    from harness.cli.gauge_text import known_bad_lines, known_bad_to_json

    wanted = read_known_bad(path, asked.job)
    with asked.open() as store:
        found = check_known_bad(store, asked.work, wanted, operator)
    if asked.as_json:
        typer.echo(json.dumps(known_bad_to_json(found), indent=2, ensure_ascii=False, allow_nan=False))
    else:
        for line in known_bad_lines(found):
            typer.echo(line)
    return EXIT_PASS if all(one.good for one in found) else EXIT_BENCH


def _study(
    asked: _Asked,
    units: str,
    operators: str,
    repeats: int,
    by: str,
    name: str,
    seed: int,
    *,
    from_records: bool,
) -> int:
    from harness.cli.gauge_study import Wanted, run_study, study_of_records
    from harness.cli.gauge_text import study_lines, study_to_json

    wanted = Wanted(
        units=_listed("--units", units),
        operators=_listed("--operators", operators) if operators else (),
        repeats=repeats,
        by=_by(by),
        name=name,
        seed=seed,
    )
    with asked.open(read_only=from_records) as store:
        if not from_records:
            run_study(store, asked.work, asked.job, wanted, simulate=asked.simulate)
        crossing, found = study_of_records(store, asked.job, wanted, simulate=asked.simulate)
    if asked.as_json:
        content = study_to_json(asked.job, wanted, crossing, found, simulate=asked.simulate)
        typer.echo(json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        for line in study_lines(asked.job, wanted, crossing, found, simulate=asked.simulate):
            typer.echo(line)
    shares = [one.study.gauge.tolerance_percent or 0.0 for one in found if one.study is not None]
    return EXIT_FAIL if any(share > POOR_PERCENT for share in shares) else EXIT_PASS


def _listed(option: str, text: str) -> tuple[str, ...]:
    names = tuple(one.strip() for one in text.split(",") if one.strip())
    if len(names) < 2 or len(set(names)) < len(names):
        raise UsageError(f"{option} {text!r}: expected two or more different names, with commas between")
    return names


def _by(text: str) -> "By":
    kinds: dict[str, Literal["operator", "bench", "day"]] = {
        "operator": "operator", "bench": "bench", "day": "day",
    }  # fmt: skip
    if text not in kinds:
        raise UsageError(f"--by {text}: expected operator, bench or day")
    return kinds[text]
