"""`switchwalk serve`: the records as pages that keep themselves up to date, for browsers on this machine."""

import signal
from types import FrameType
from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.records import RecordsPlace
from harness.errors import UsageError
from harness.workbench.report import report_path

if TYPE_CHECKING:
    from pathlib import Path

    from harness.records.run import RunRecord
    from harness.records.store import RunStore


def serve(
    records: RecordsPlace = None,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0: any that is free.")] = 0,
) -> None:
    """Show the records in a browser on this machine, also while a run goes on. Nothing can be changed."""
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records
    from harness.site.live import LiveSite, SiteServer

    place = records or DEFAULT_RECORDS

    def report(store: "RunStore", record: "RunRecord") -> str:
        return _report(store, record, report_path(place, record.run_id, record.header.serial))

    site = LiveSite(lambda: open_records(place, read_only=True), report)
    try:
        server = SiteServer(site, port)
    except OSError as error:
        raise UsageError(
            f"port {port}: cannot be listened on: {error.strerror or error}. "
            "Give another --port, or 0 for any"
        ) from error
    before = signal.signal(signal.SIGTERM, _stop)
    try:
        typer.echo(server.address)
        typer.echo("on this machine alone, to read alone; Ctrl-C ends it", err=True)
        server.serve_forever(poll_interval=0.2)
    except KeyboardInterrupt:
        typer.echo("ended", err=True)
    finally:
        signal.signal(signal.SIGTERM, before)
        server.server_close()
        site.close()


def _stop(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _report(store: "RunStore", record: "RunRecord", beside: "Path") -> str:
    """The report that was written at the end of the run, with its diagnosis; else one from the records."""
    from harness.report.write import render_report

    if record.ended is not None:
        try:
            return beside.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            pass  # it was put away; the records have all that is measured
    return render_report(record, store.readings(record.run_id), store.waveforms(record.run_id))
