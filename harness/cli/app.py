"""The `switchwalk` command. A command's module is imported when the command is called, so that help is quick.

A command registers by an entry in `COMMANDS`; its module needs to do nothing. The entry names a function that
Typer makes a command of, or a `typer.Typer` that holds a group of commands.
"""

import atexit
import errno
import gc
import os
import sys
import traceback
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from functools import cached_property
from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup
from typer.main import get_command

from harness.cli.terminal import (
    as_stopped,
    open_closed_streams,
    output_may_be_gone,
    printable,
    say,
    show_on_any_terminal,
    signals_as_before,
    write_to_nowhere,
)
from harness.errors import EXIT_BENCH, RunStopped, SwitchwalkError

# Circuits are small: threads inside the linear algebra cost more than they bring. A person's setting stands.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

EXIT_BROKEN_PIPE = 128 + 13  # as a shell shows it (POSIX.1-2017, XCU 2.8.2; SIGPIPE is 13)
JOB = "sequences/two_loop_switcher"


@dataclass(frozen=True, kw_only=True)
class CommandEntry:
    """A command, its module, and the function, or group of commands, in it.

    short_help: one sentence for the list of commands. examples: shown under the command's help; a test holds
    them against its options.
    """

    name: str
    module: str
    function: str
    short_help: str
    examples: tuple[str, ...]

    @property
    def epilog(self) -> str:
        """What stands under the command's help; each example on its own line."""
        return "\b\nFor example:\n" + "\n".join(f"  {each}" for each in self.examples)


def _entry(name: str, where: str, short_help: str, *examples: str) -> CommandEntry:
    """where: `module:function`, the module below `harness.cli`."""
    module, _, function = where.partition(":")
    return CommandEntry(
        name=name,
        module=f"harness.cli.{module}",
        function=function,
        short_help=short_help,
        examples=tuple(f"switchwalk {name} {each}".rstrip() for each in examples),
    )


COMMANDS = (
    _entry(
        "new",
        "new_jobs:new",
        "Write the commented files of a job of your own.",
        "my-switcher",
        "my-insert --template mono-insert",
    ),
    _entry(
        "import",
        "new_jobs:import_netlist",
        "Draft a module.toml from a netlist.",
        "board.net --out my-switcher/module.toml",
    ),
    _entry(
        "compose",
        "compose:compose",
        "Write fixture and sequence for a module.",
        "my-switcher",
        'my-switcher --by-hand --scope-inputs 2 --load "10 kohm"',
    ),
    _entry(
        "run",
        "run:run",
        "Test one unit in every state.",
        f"{JOB} --serial OB-0001",
        'JOB --serial OB-0002 --simulate --fault "K3 never operates"',
    ),
    _entry(
        "measure",
        "measure:measure",
        "Measure one state once; nothing is recorded.",
        f"{JOB} swap",
        "JOB loop_a+swap --simulate --png swap.png",
    ),
    _entry(
        "batch",
        "batch:batch",
        "Test unit after unit.",
        f"{JOB} --batch autumn --operator Mara",
        "JOB --simulate --serials units.txt --faulty 0.2",
    ),
    _entry("bench", "bench:bench", "Check a bench without a unit.", JOB, "JOB --simulate --json"),
    _entry(
        "profile",
        "profile:app",
        "Make an instrument's profile, or try one on it.",
        "new oscilloscope --name my-scope --address /dev/ttyUSB1",
        "check fixed-supply --address /dev/ttyUSB0",
    ),
    _entry("find", "bench:find", "List serial ports and instruments.", "", "--host 192.0.2.17:5025"),
    _entry("resume", "run:resume", "Continue a run that was interrupted or stopped.", "12"),
    _entry("reference", "measure:reference", "Measure and keep the through reference of a bench.", JOB),
    _entry("plan", "jobs:plan", "Print what a run will do, and how long it takes.", f"{JOB} --steps"),
    _entry(
        "wiring",
        "jobs:wiring",
        "Print how to wire the fixture, and what to buy.",
        JOB,
        f"{JOB} --html wiring.html",
    ),
    _entry("table", "jobs:table", "Print the level at every port in every state.", JOB),
    _entry(
        "coverage",
        "coverage:coverage",
        "Print which single faults the sequence detects.",
        JOB,
        f"{JOB} --minimal",
    ),
    _entry("units", "records:units", "List the units in the records.", "", "OB-0001 --json"),
    _entry("show", "records:show", "Show one run and the readings that did not pass.", "12", "12 --budget"),
    _entry("diagnose", "runs:diagnose", "Name the faults that would explain a run.", "12"),
    _entry(
        "trends",
        "studies.trends:trends",
        "Show yields, failures and capability of a batch.",
        "",
        "--batch autumn --against-batch spring",
    ),
    _entry(
        "gauge",
        "studies.gauge:gauge",
        "Study a bench, or check it with known units.",
        "study JOB --simulate --units S1,S2,S3 --operators Mara,Ivo",
        f"golden {JOB} OB-0100",
        "known-bad JOB known_faults.txt --simulate",
    ),
    _entry("report", "runs:report", "Write the report of a run again.", "12 --out run-12.html"),
    _entry(
        "export",
        "records:export",
        "Write a run's readings or waveforms to a file.",
        "12 --format csv --out run-12.csv",
    ),
    _entry("certificate", "runs:certificate", "Write a one-page certificate of a run.", "12 --pdf"),
    _entry("site", "runs:site", "Write all records as a folder of pages.", "pages"),
    _entry("serve", "runs:serve", "Show the records in a browser on this machine.", "", "--port 8080"),
    _entry(
        "rejudge", "runs:rejudge", "Judge a recorded run by another sequence.", "12 --sequence tighter.toml"
    ),
    _entry("verify", "records:verify", "Check the records for changes made afterwards.", ""),
    _entry(
        "simulate",
        "bench:simulate",
        "Start a simulated bench with a unit on it.",
        f"{JOB} --bench-file simulated.toml",
    ),
    _entry(
        "hands",
        "bench:hands",
        "Tell a simulated bench what was plugged by hand.",
        '127.0.0.1:40123 "probe left"',
        '127.0.0.1:40123 "probe left" --lead "input 1=left.in.hot"',
    ),
)


def _named_alone(command: Any) -> Any:
    """The command; its help names arguments without their type, which Typer would add as <path>."""
    for argument in command.params:
        if argument.param_type_name == "argument":
            argument.display_type_rich = lambda ctx: None
    for each in getattr(command, "commands", {}).values():
        _named_alone(each)
    return command


class LazyCommand(TyperCommand):
    """A command of the table. Its module is imported when its arguments are parsed, not to list it."""

    def __init__(self, entry: CommandEntry) -> None:
        super().__init__(entry.name, short_help=entry.short_help, rich_markup_mode=None)
        self._entry = entry

    @cached_property
    def loaded(self) -> Any:
        """The command itself, or the group of commands, as Typer makes it of what its module holds."""
        function = getattr(import_module(self._entry.module), self._entry.function)
        if isinstance(function, typer.Typer):
            group = get_command(function)
            group.epilog = self._entry.epilog
            return _named_alone(group)
        alone = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)
        alone.command(self._entry.name, epilog=self._entry.epilog)(function)
        return _named_alone(get_command(alone))

    def make_context(self, *arguments: Any, **settings: Any) -> Any:
        """Parse arguments with the command itself, which the context then names and runs."""
        return self.loaded.make_context(*arguments, **settings)


class LazyGroup(TyperGroup):
    """All commands of the table. None of their errors ends with 1, which says that a unit failed."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        for entry in COMMANDS:
            self.add_command(LazyCommand(entry))

    def invoke(self, ctx: Any) -> Any:
        """Run the command of the arguments."""
        try:
            return super().invoke(ctx)
        except (BrokenPipeError, SystemExit):  # whoever read the output has enough of it; rich exits with 1
            write_to_nowhere()
            raise typer.Exit(EXIT_BROKEN_PIPE) from None
        except (EOFError, typer.Abort) as error:
            raise RunStopped("stopped: standard input has ended") from error
        except KeyboardInterrupt as error:  # of which Typer would make an exit code of its own
            raise as_stopped(str(error), error) from error


app = typer.Typer(
    cls=LazyGroup,
    name="switchwalk",
    help="Test relay-switched balanced audio modules: step each unit through every switch state, measure "
    "it, judge it and record it.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


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
    # A command keeps most of the objects that it makes. Collecting garbage at every 700 objects, and again at
    # the end of the process, costs a fifth of a second and frees next to nothing.
    gc.set_threshold(10_000)
    open_closed_streams()
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
        except Exception as error:
            if isinstance(error, OSError) and error.errno == errno.ENOSPC:
                _say_why(OSError("no space is left on the disk or device that this command writes to"))
                sys.exit(EXIT_BENCH)
            with output_may_be_gone():
                traceback.print_exc()
            error.add_note(
                "This is an error of switchwalk, and says nothing of the unit. Report the lines above"
            )
            _say_why(error)
            sys.exit(EXIT_BENCH)


def _say_why(error: BaseException) -> None:
    with output_may_be_gone():
        for line in (str(error) or "stopped by hand", *getattr(error, "__notes__", ())):
            # A record's or a file's text may be part of it, and must not steer the terminal.
            say("\n".join(map(printable, line.splitlines())), err=True)
