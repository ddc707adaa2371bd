"""`switchwalk serve`: the records as pages that keep themselves up to date, for browsers on this machine."""

import signal
from types import FrameType
from typing import Annotated

import typer

from harness.cli.options import RecordsPlace
from harness.errors import UsageError
from harness.workbench.report import report_path


def serve(
    records: RecordsPlace = None,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0: any that is free.")] = 0,
) -> None:
    """Show the records in a browser on this machine, also while a run goes on. Nothing can be changed."""
    from harness.records.run import DEFAULT_RECORDS
    from harness.records.store import open_records
    from harness.site.live import LiveSite, SiteServer

    place = records or DEFAULT_RECORDS

    site = LiveSite(
        lambda: open_records(place, read_only=True), lambda run, serial: report_path(place, run, serial)
    )
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
