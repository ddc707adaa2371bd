"""Commands on recorded runs: pages, certificate, diagnosis, and judging by another sequence."""

import signal
from collections import Counter
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from types import FrameType
from typing import Annotated, Any

import typer

from harness.circuit.elements import BenchImpedances
from harness.cli import options
from harness.cli.terminal import print_json, say, shown_progress
from harness.errors import EXIT_FAIL, EXIT_PASS, EXIT_UNPROVEN, UsageError, not_written
from harness.job.job import FIXTURE, MODULE, Job, load_job
from harness.judge import unit_verdict
from harness.plan.build import trial_plan
from harness.plan.model import Planned
from harness.records.evidence import JOB_FILES, Rejudged, judge_again, refuse_upgraded
from harness.records.export import reading_to_json
from harness.records.run import Explanation, RunRecord
from harness.records.store import open_records
from harness.report.certificate import certify
from harness.report.explanation import as_data
from harness.report.page_files import print_page, refuse_other, write_whole
from harness.report.run_report import Diagnosed, page_beside, read_recorded, report_path, write_report_again
from harness.report.words import reading_line
from harness.session.admission import refuse_running
from harness.session.planned_job import named_as_given
from harness.site.live import LiveSite, SiteServer
from harness.site.write import write_site
from harness.units import counted

FEW_ABSENT = 6  # places of a check that are named
EXIT_OF = {"pass": EXIT_PASS, "fail": EXIT_FAIL, "unproven": EXIT_UNPROVEN}


def report(
    run: options.RunNumber,
    records: options.RecordsLocation = options.RECORDS,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The page  [default: reports/… beside the records]")
    ] = None,
) -> None:
    """Write the report of a run again, on another computer or if it was lost.

    The diagnosis is the one that was made at the end of the run.
    """
    with open_records(records, read_only=True) as store:
        store.run(run)
        refuse_running(store, run)
        store.refuse_edited(run, "No report is written")
        if out is not None:
            refuse_other(out)
        typer.echo(write_report_again(store, run, records, page=out))


def certificate(
    run: options.RunNumber,
    records: options.RecordsLocation = options.RECORDS,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="The page, or .pdf for both  [default: certificates/… beside the records]"
        ),
    ] = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="Print it to a PDF as well, with a browser.")] = False,
) -> None:
    """Write a one-page certificate of a run: what was measured, with what uncertainty and equipment, and what
    it does not claim.

    A run that failed or is unproven gets a page that says so. A run without a verdict gets none.
    """
    if out is not None and out.suffix.lower() == ".pdf":
        out, pdf = out.with_suffix(".html"), True  # a browser prints it from the page
    with open_records(records, read_only=True) as store:
        text = certify(store, run)
        page = out or page_beside(records, "certificates", run, store.run(run).header.serial)
    _write_page(page, text)
    typer.echo(page)
    if pdf:
        paper = page.with_suffix(".pdf")
        print_page(page, paper)
        typer.echo(paper)


def _write_page(page: Path, text: str) -> None:
    refuse_other(page)
    try:
        write_whole(page, text.encode("utf-8"))
    except OSError as error:
        raise not_written(page, error) from error


def diagnose(
    run: options.RunNumber,
    records: options.RecordsLocation = options.RECORDS,
    as_json: options.AsJson = False,
    double: Annotated[
        bool, typer.Option("--double/--no-double", help="Try pairs of faults if no single one fits.")
    ] = True,
    fault: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME", help='Consider this fault too, or several at once ("A + B"); may be repeated.'
        ),
    ] = None,
) -> None:
    """Name the faults that explain a run best, from its recorded job files and phasors."""
    pairs = "comparing every fault, and pairs if none fits" if double else "comparing every fault"
    with (
        open_records(records, read_only=True) as store,
        shown_progress("diagnose", "reading the run back", pairs) as done,
    ):
        record = store.run(run)
        recorded = None if record.outcome == "pass" else read_recorded(store, record)
        if recorded is not None and recorded.empty:
            _nothing_to_diagnose(record, as_json=as_json)
            raise typer.Exit(EXIT_UNPROVEN)
        done.next_step()
        result = None if recorded is None else Diagnosed(recorded, double=double, suspects=fault or ())
    title = f"{record.header.part} {record.header.serial}, run {run}: {record.outcome.upper()}"
    if as_json:
        _print_explanation_json(record, result)
    elif result is None:
        say(f"{title}. Every reading passed; there is nothing to explain.")
    else:
        say(title)
        _print_explanation(result.explanation)


def _nothing_to_diagnose(record: RunRecord, *, as_json: bool) -> None:
    """Of a run that was stopped before it had measured anything of the unit."""
    if as_json:
        print_json(
            {"run": record.run_id, "serial": record.header.serial, "outcome": record.outcome}
            | {"explained": False, "groups": [], "next_probe": None}
        )
        return
    again = f"`switchwalk resume {record.run_id}` continues the run, or start a new one"
    say(
        f"{record.header.part} {record.header.serial}, run {record.run_id}: {record.outcome.upper()}. It "
        f"measured nothing of the unit, so no fault can be named; {again}"
    )


def _print_explanation(explanation: Explanation) -> None:
    say(explanation.headline, hang=0)
    for number, group in enumerate(explanation.groups, start=1):
        typer.echo("")
        say(f"{number}. {group.likelihood} likely")
        for name, words in group.faults:
            say(name, indent=3)
            say(words, indent=5, hang=0)
        if group.others:
            say(f"also: {', '.join(group.others)}", indent=3)
    typer.echo("")
    if explanation.next_probe:
        say(f"next: {explanation.next_probe}; this distinguishes them best")
    elif explanation.left_over:
        say("next: no probe outside the unit would tell these apart; check each")
    for remark in explanation.remarks:
        say(remark, hang=0)


def _print_explanation_json(record: RunRecord, done: Diagnosed | None) -> None:
    content = {"run": record.run_id, "serial": record.header.serial, "outcome": record.outcome}
    if done is None:
        content |= {"explained": True, "good": 1.0, "something_else": 0.0, "groups": [], "next_probe": None}
    else:
        content |= as_data(done.result, done.probe, done.job.module, done.job.fixture)
    print_json(content)


def rejudge(
    run: options.RunNumber,
    sequence: Annotated[Path, typer.Option(metavar="FILE", help="The sequence.toml to judge by.")],
    records: options.RecordsLocation = options.RECORDS,
    as_json: options.AsJson = False,
) -> None:
    """Judge a run's recorded readings by another sequence. The run's own verdict does not change."""
    with open_records(records, read_only=True) as store:
        record, kept = store.run(run), store.readings(run)
    if not kept:
        raise UsageError(f"run {run} has no readings, so there is nothing to judge again")
    refuse_upgraded(record, "judging it again")
    job = _job_as_it_was(record, sequence)
    plan = trial_plan(job, impedances=BenchImpedances())  # the expected values are recorded with the readings
    judged = judge_again(plan, kept, sequence=job.sequence)
    verdict = unit_verdict(now.verdict for _, now in judged.pairs)
    if verdict == "pass" and judged.absent:
        verdict = "unproven"
    if as_json:
        print_json(_rejudged_data(record, judged, verdict), indent=None)
    else:
        _print_rejudged(record, judged, verdict)
    raise typer.Exit(EXIT_OF[verdict])


def _job_as_it_was(record: RunRecord, sequence: Path) -> Job:
    """The run's own files, but for the sequence. Raises JobError for mistakes, as with any job."""
    # In this order, whatever their own names are; what follows are profiles.
    texts = {name: file.text for name, file in zip(JOB_FILES, record.header.files, strict=False)}
    with TemporaryDirectory(prefix="switchwalk-") as folder:
        for name in (MODULE, FIXTURE):
            if name not in texts:
                raise UsageError(f"run {record.run_id} has no {name} recorded with it")
        for name, text in texts.items():
            (Path(folder) / name).write_text(text, encoding="utf-8")
        with named_as_given(sequence, None):
            return load_job(Path(folder), sequence_file=sequence)


def _rejudged_data(record: RunRecord, judged: Rejudged, verdict: str) -> dict[str, Any]:
    """Keys: run, serial, was, now, readings (how many of each verdict now), changed, absent, unasked."""
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
            {"check": reading.key.check, "quantity": reading.quantity.name, "state": reading.measurand.state}
            | {"channel": reading.measurand.channel, "port": reading.measurand.port}
            for reading in judged.absent
        ],
        "unasked": [reading_to_json(reading) for reading in judged.unasked],
    }


def _place_of(reading: Planned) -> str:
    measurand = reading.measurand
    what = " ".join(filter(None, (reading.quantity.spoken, measurand.channel, measurand.port)))
    return f"{what} in {measurand.state}"


def _print_rejudged(record: RunRecord, judged: Rejudged, verdict: str) -> None:
    for was, now in judged.pairs:
        if was.verdict != now.verdict:
            typer.echo(f"was {was.verdict}: {reading_line(now)}")
    absent: dict[str, list[str]] = {}
    for reading in judged.absent:
        absent.setdefault(reading.key.check, []).append(_place_of(reading))
    for check, places in absent.items():
        more = f", and {len(places) - FEW_ABSENT} more" if len(places) > FEW_ABSENT else ""
        say(f"not measured in this run ({check}): {', '.join(places[:FEW_ABSENT])}{more}", hang=2)
    if judged.unasked:
        typer.echo(f"not in this sequence: {counted(len(judged.unasked), 'reading')}")
    counts = Counter(now.verdict for _, now in judged.pairs)
    message = ", ".join(f"{count} {name}" for name, count in sorted(counts.items())) or "no readings"
    typer.echo(
        f"{verdict.upper()}  unit {record.header.serial}, run {record.run_id} by this sequence: {message}"
    )
    typer.echo(f"its own verdict does not change: {record.outcome.upper()}")


def site(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to write to; created if necessary.")],
    records: options.RecordsLocation = options.RECORDS,
) -> None:
    """Write the records as web pages: all units with a search, one page per unit, one page with charts per
    batch.
    """
    with open_records(records, read_only=True) as store:
        written = write_site(store, folder, partial(page_beside, records))
    lacking = written.runs - written.reports
    without = f", {lacking} without a report beside the records" if lacking else ""
    typer.echo(
        f"{counted(written.units, 'unit')} in {counted(written.batches, 'batch', 'batches')}, "
        f"{counted(written.runs, 'run')}{without}; {written.changed} of {counted(written.pages, 'page')} "
        "new or changed",
        err=True,
    )
    typer.echo(written.index)


def serve(
    records: options.RecordsLocation = options.RECORDS,
    port: Annotated[
        int, typer.Option(parser=options.parse_port, metavar="PORT", help="0 for any free port.")
    ] = 0,
) -> None:
    """Show the records in a browser on this machine, also during a run. The pages are read-only."""
    pages = LiveSite(
        lambda: open_records(records, read_only=True), lambda run, serial: report_path(records, run, serial)
    )
    try:
        server = SiteServer(pages, port)
    except OSError as error:
        raise UsageError(
            f"port {port}: cannot be listened on: {error.strerror or error}. "
            "Give another --port, or 0 for any"
        ) from error
    before = signal.signal(signal.SIGTERM, _interrupt)
    try:
        typer.echo(server.address)
        typer.echo("on this machine only, read-only; Ctrl-C ends it", err=True)
        server.serve_forever(poll_interval=0.2)
    except KeyboardInterrupt:
        typer.echo("ended", err=True)
    finally:
        signal.signal(signal.SIGTERM, before)
        server.server_close()
        pages.close()


def _interrupt(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt
