"""The `switchwalk` command. Each command imports what it needs when it runs, so that help is quick."""

import atexit
import gc
import os
import sys
from collections.abc import Sequence
from contextlib import nullcontext
from typing import Annotated

import typer

from harness.cli.batch import batch
from harness.cli.bench import bench
from harness.cli.certificate import certificate
from harness.cli.cover import cover
from harness.cli.diagnose import diagnose
from harness.cli.examples import under_help
from harness.cli.export import export
from harness.cli.find import find
from harness.cli.gauge import gauge
from harness.cli.import_netlist import import_netlist
from harness.cli.judge import judge
from harness.cli.letters import show_on_any_terminal
from harness.cli.lines import say
from harness.cli.look import look
from harness.cli.new import new
from harness.cli.plan import plan
from harness.cli.records import printable, show, units
from harness.cli.reference import reference
from harness.cli.report import report
from harness.cli.resume import resume
from harness.cli.run import run
from harness.cli.serve import serve
from harness.cli.simulate import simulate
from harness.cli.site import site
from harness.cli.stopping import output_may_be_gone, signals_as_before
from harness.cli.table import table
from harness.cli.trends import trends
from harness.cli.verify import verify
from harness.cli.wiring import wiring
from harness.errors import EXIT_BENCH, SwitchwalkError

# Circuits are small: threads inside the linear algebra cost more than they bring. A person's setting stands.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

app = typer.Typer(
    name="switchwalk",
    help="Walk a relay-switched balanced audio module through every switch state, measure it, judge it, "
    "and keep the record.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
app.command()(new)
app.command("import")(import_netlist)
app.command()(run)
app.command()(look)
app.command()(batch)
app.command()(bench)
app.command()(find)
app.command()(resume)
app.command()(reference)
app.command()(plan)
app.command()(wiring)
app.command()(table)
app.command()(cover)
app.command()(units)
app.command()(show)
app.command()(diagnose)
app.command()(trends)
app.command()(gauge)
app.command()(report)
app.command()(export)
app.command()(certificate)
app.command()(site)
app.command()(serve)
app.command()(judge)
app.command()(verify)
app.command()(simulate)
for each in app.registered_commands:
    if each.callback is not None:
        each.epilog = under_help(each.name or each.callback.__name__)


def _print_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version  # brings half of the mail package

        typer.echo(f"switchwalk {version('switchwalk')}")
        raise typer.Exit


@app.callback()
def top(
    _version: Annotated[
        bool, typer.Option("--version", help="Print the version.", callback=_print_version, is_eager=True)
    ] = False,
) -> None:
    """Options that come before any command."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and exit: 0 pass, 1 fail, 2 wrong usage or files, 3 unproven, 4 bench trouble."""
    # Most of what a command makes, it keeps: Python need not look for what may go at every 700 objects, nor
    # through all there are at the end, where a fifth of a second goes before the process goes as a whole.
    gc.set_threshold(10_000)
    atexit.register(gc.freeze)
    show_on_any_terminal()
    # The end of a process of its own is cut off by no signal either.
    with nullcontext() if arguments is None else signals_as_before():
        try:
            app(arguments)
        except SwitchwalkError as error:
            _say_why(error)
            sys.exit(error.exit_code)
        except KeyboardInterrupt as error:
            _say_why(error)
            sys.exit(EXIT_BENCH)


def _say_why(error: BaseException) -> None:
    with output_may_be_gone():
        for line in (str(error) or "stopped by hand", *getattr(error, "__notes__", ())):
            # What a record or a file holds may stand in it, and tells a terminal nothing.
            say("\n".join(map(printable, line.splitlines())), err=True)
