"""`switchwalk diagnose`: which fault would explain what a run measured, and where to probe next."""

import json
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.described import Described, recorded_description
from harness.cli.lines import say
from harness.cli.records import AsJson, RecordsPlace
from harness.errors import EXIT_UNPROVEN

if TYPE_CHECKING:
    from harness.faults.diagnosis import Diagnosis
    from harness.faults.observed import Evidence
    from harness.faults.probes import Probe
    from harness.records.run import RunRecord
    from harness.records.store import RunStore
    from harness.report.explanation import Explanation


def diagnose(
    run: Annotated[int, typer.Argument(metavar="RUN", help="The run's number.", show_default=False)],
    records: RecordsPlace = None,
    as_json: AsJson = False,
    double: Annotated[
        bool, typer.Option("--double/--no-double", help="Try pairs of faults where no single one fits.")
    ] = True,
) -> None:
    """Name the faults that would explain a run, from the job files and phasors that it recorded."""
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records

    with open_records(records or DEFAULT_RECORDS, read_only=True) as store:
        record = store.run(run)
        recorded = None if record.outcome == "pass" else read_recorded(store, record)
    found = None if recorded is None else Diagnosed(recorded, double=double)
    title = f"{record.header.part} {record.header.serial}, run {run}: {record.outcome.upper()}"
    if as_json:
        _print_json(record, found)
    elif found is None:
        say(f"{title}. Every reading passed; there is nothing to explain.")
    else:
        say(title)
        _print(found.explanation)
    if found is not None and found.empty:
        raise typer.Exit(EXIT_UNPROVEN)


@dataclass(frozen=True, kw_only=True, eq=False)
class Recorded:
    """What a diagnosis starts from: a run's own job with its plan, and what it measured."""

    described: Described
    evidence: "Evidence"

    @property
    def empty(self) -> bool:
        """Whether there is nothing to go by."""
        evidence = self.evidence
        return not (evidence.acquisitions or evidence.supply_a or evidence.over_current or evidence.edges)


def read_recorded(store: "RunStore", record: "RunRecord", described: Described | None = None) -> Recorded:
    """Read a run back. described: its job and plan, where they are at hand; else made anew of its files.

    Raises RecordsError where its files no longer read.
    """
    from harness.runner.recorded import Kept, evidence_of

    described = described or recorded_description(record)
    kept = Kept(
        record=record,
        readings=store.readings(record.run_id),
        acquisitions=store.acquisitions(record.run_id),
        references=store.references(record.run_id),
        events=store.events(record.run_id),
    )
    evidence = evidence_of(described.job, described.plan, kept)
    notes = (*evidence.notes, *described.notes)
    return Recorded(described=described, evidence=replace(evidence, notes=notes))


class Diagnosed:
    """A run's diagnosis with its next probe, in words. Raises CircuitError."""

    def __init__(self, recorded: Recorded, *, double: bool) -> None:
        from harness.faults.probes import best_probe
        from harness.report.explanation import make_explanation, shown_groups

        described, evidence = recorded.described, recorded.evidence
        job, plan = described.job, described.plan
        self.job, self.empty = job, recorded.empty
        self.found: Diagnosis = described.diagnoser(evidence.acquisitions).diagnose(evidence, double=double)
        self.probe: Probe | None = None
        if not self.empty and not evidence.over_current and self.found.explained:
            self.probe = best_probe(
                job,
                plan,
                shown_groups(self.found),
                impedances=described.impedances,
                supply_read=tuple(evidence.supply_a),
            )
        self.explanation: Explanation = make_explanation(self.found, self.probe, job.module, job.fixture)

    @property
    def names(self) -> tuple[str, ...]:
        """Faults that explain the run best and are not told apart, the likeliest first."""
        said = self.found.explained and not self.found.says_healthy and bool(self.found.groups)
        return self.found.groups[0].names if said else ()

    @property
    def probability(self) -> float:
        """Of those faults together; 0 where there are none."""
        return self.found.groups[0].posterior if self.names else 0.0


def diagnose_run_end(
    store: "RunStore", record: "RunRecord", described: Described | None = None
) -> Diagnosed | None:
    """Which fault explains a failing run; None where that would keep a person waiting. Never in pairs.

    What it finds is kept with the run, for the batch's figures: faults that are not told apart, the likeliest
    first, none where nothing on the list explains it.
    """
    if record.outcome != "fail":
        return None
    recorded = read_recorded(store, record, described)
    if recorded.empty or not recorded.described.is_quick(len(recorded.evidence.acquisitions)):
        return None
    found = Diagnosed(recorded, double=False)
    kept = {"faults": found.names, "probability": found.probability}
    store.add_event(record.run_id, "diagnosis", json.dumps(kept, ensure_ascii=False))
    return found


def _print(explanation: "Explanation") -> None:
    say(explanation.headline, hang=0)
    for number, group in enumerate(explanation.groups, start=1):
        typer.echo("")
        say(f"{number}. {group.likelihood} likely")
        for name, words in group.faults:
            say(name, indent=3)
            say(words, indent=5, hang=0)
        if group.others:
            say(f"and as well: {', '.join(group.others)}", indent=3)
    typer.echo("")
    if explanation.next_probe:
        say(f"next: {explanation.next_probe}; that would tell most")
    elif len(explanation.groups) > 1 or any(len(group.faults) > 1 for group in explanation.groups):
        say("next: no view from outside would tell these apart; look at each")
    for remark in explanation.remarks:
        say(remark, hang=0)


def _print_json(record: "RunRecord", done: "Diagnosed | None") -> None:
    from harness.report.explanation import as_data

    content = {"run": record.run_id, "serial": record.header.serial, "outcome": record.outcome}
    if done is None:
        content |= {
            "explained": True,
            "healthy": 1.0,
            "something_else": 0.0,
            "groups": [],
            "next_probe": None,
        }
    else:
        content |= as_data(done.found, done.probe, done.job.module, done.job.fixture)
    typer.echo(json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False))
