"""`switchwalk judge`: the readings of a run that is over, by the limits of another sequence."""

import json
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.records import AsJson, RecordsPlace
from harness.errors import EXIT_FAIL, EXIT_PASS, EXIT_UNPROVEN, UsageError
from harness.units import counted

if TYPE_CHECKING:
    from harness.job.job import Job
    from harness.records.run import RunRecord
    from harness.session.rejudge import Rejudged

EXIT_OF = {"pass": EXIT_PASS, "fail": EXIT_FAIL, "unproven": EXIT_UNPROVEN}


def judge(
    run: Annotated[int, typer.Argument(metavar="RUN", help="The run's number.", show_default=False)],
    sequence: Annotated[
        Path,
        typer.Option(metavar="FILE", help="The sequence.toml to judge by.", show_default=False),
    ],
    records: RecordsPlace = None,
    as_json: AsJson = False,
) -> None:
    """Judge a run's kept readings by another sequence; its own verdict stays as it is."""
    from harness.circuit.elements import BenchImpedances
    from harness.judge import unit_verdict
    from harness.plan.build import trial_plan
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records
    from harness.session.rejudge import rejudge

    with open_records(records or DEFAULT_RECORDS, read_only=True) as store:
        record, kept = store.run(run), store.readings(run)
    job = _job_as_it_was(record, sequence)
    plan = trial_plan(job, impedances=BenchImpedances())  # what is expected was kept with the readings
    judged = rejudge(plan, kept, sequence=job.sequence)
    verdict = unit_verdict(now.verdict for _, now in judged.pairs)
    if verdict == "pass" and judged.absent:
        verdict = "unproven"
    if as_json:
        typer.echo(json.dumps(_to_json(record, judged, verdict), ensure_ascii=False))
    else:
        _say(record, judged, verdict)
    raise typer.Exit(EXIT_OF[verdict])


def _job_as_it_was(record: "RunRecord", sequence: Path) -> "Job":
    """The run's own files, but for the sequence. Raises JobError for mistakes, as with any job."""
    from harness.job.load import BENCH, FIXTURE, MODULE, SEQUENCE, load_job

    texts = {file.name: file.text for file in record.header.files[:4]}  # what follows are profiles
    with TemporaryDirectory(prefix="switchwalk-") as folder:
        for name in (MODULE, FIXTURE):
            if name not in texts:
                raise UsageError(f"run {record.run_id} has no {name} kept with it")
            (Path(folder) / name).write_text(texts[name], encoding="utf-8")
        others = [text for name, text in texts.items() if name not in (MODULE, FIXTURE, SEQUENCE)]
        if others:
            (Path(folder) / BENCH).write_text(others[0], encoding="utf-8")
        try:
            (Path(folder) / SEQUENCE).write_bytes(sequence.read_bytes())
        except OSError as error:
            raise UsageError(f"{sequence}: cannot be read: {error.strerror or error}") from error
        return load_job(Path(folder))


def _to_json(record: "RunRecord", judged: "Rejudged", verdict: str) -> dict[str, Any]:
    """Keys: run, serial, was, now, readings (how many of each verdict now), changed, absent, unasked."""
    from harness.records.export import reading_to_json

    return {
        "run": record.run_id,
        "serial": record.header.serial,
        "was": record.outcome,
        "now": verdict,
        "readings": Counter(now.verdict for _, now in judged.pairs),
        "changed": [
            {"was": was.verdict, "now": reading_to_json(now)}
            for was, now in judged.pairs
            if was.verdict != now.verdict
        ],
        "absent": [
            {"check": one.key.check, "quantity": one.quantity.name, "state": one.measurand.state}
            | {"channel": one.measurand.channel, "port": one.measurand.port}
            for one in judged.absent
        ],
        "unasked": [reading_to_json(one) for one in judged.unasked],
    }


def _say(record: "RunRecord", judged: "Rejudged", verdict: str) -> None:
    from harness.cli.readings_text import reading_line

    for was, now in judged.pairs:
        if was.verdict != now.verdict:
            typer.echo(f"was {was.verdict}: {reading_line(now)}")
    for one in judged.absent:
        place = " ".join(filter(None, (one.quantity.name, one.measurand.channel, one.measurand.port)))
        typer.echo(f"not measured in this run: {place} in {one.measurand.state} ({one.key.check})")
    if judged.unasked:
        typer.echo(f"not asked for by this sequence: {counted(len(judged.unasked), 'reading')}")
    counts = Counter(now.verdict for _, now in judged.pairs)
    said = ", ".join(f"{count} {name}" for name, count in sorted(counts.items())) or "no readings"
    typer.echo(
        f"{verdict.upper()}  unit {record.header.serial}, run {record.run_id} by this sequence: {said}"
    )
    typer.echo(f"its own verdict stays: {record.outcome.upper()}")
