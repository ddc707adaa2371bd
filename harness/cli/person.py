"""The bench that a command uses, and the person at its terminal, who answers questions and moves leads."""

import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import typer

from harness.cli.options import RECORDS
from harness.errors import UsageError
from harness.job.fixture import Setup
from harness.job.job import Job
from harness.job.sequence import CheckSequence
from harness.plan.model import Plan
from harness.report.setup_picture import drawing, lead_words
from harness.session.admission import serial_mistake
from harness.session.planned_job import PlannedJob, made_by_hand
from harness.session.simulated import Simulation

NOBODY = "standard input is not a terminal, so nobody can be asked"


def tell(text: str) -> None:
    """Say on standard error what the bench has to say."""
    typer.echo(text, err=True)


def tell_new_folder(records: str) -> None:
    """Say that a folder is made for the records: it may be a slip of the pen."""
    folder = Path(records).parent
    if "://" not in records and records != RECORDS and not folder.exists():
        tell(f"{folder}: a new folder, for new records")


def simulation_for(job: Job, bench: Path | None, wanted: Simulation, *, simulate: bool) -> Simulation | None:
    """The simulated bench that a command wants, None for a real one; refused before anything is opened.

    Raises UsageError for what fits neither.
    """
    if simulate:
        if bench is not None:
            raise UsageError("--simulate brings a bench of its own; leave --bench out")
        return wanted
    for option, given, what in (
        ("--fault", bool(wanted.faults), "a simulated bench"),
        ("--speed", wanted.speed != 1.0, "a simulated bench"),
        ("--lead-errors", wanted.lead_errors > 0.0, "simulated hands"),
        ("--imperfection", bool(wanted.imperfections), "a simulated bench"),
    ):
        if given:
            raise UsageError(f"{option} is for {what}; add --simulate")
    if job.bench is None:
        raise UsageError(
            f"{job.folder}: no bench.toml in the job; give --bench FILE, or --simulate to run without a bench"
        )
    return None


def person_at(planned: PlannedJob) -> "PersonAtTheBench":
    """Whoever sits at the terminal moves the leads. Raises UsageError if nobody can be asked."""
    require_person(planned.plan)
    return PersonAtTheBench(planned.job)


def require_person(plan: Plan) -> None:
    """Raise UsageError for a plan that needs hands if nobody can be asked."""
    by_hand = made_by_hand(plan)
    if by_hand and not sys.stdin.isatty():
        raise UsageError(
            f"{NOBODY}, and somebody has to move the leads of {by_hand}. "
            "Run it in a terminal, or give the setup select = […], relay board channels that make it"
        )


class PersonAtTheBench:
    """Asks a person to make setups by hand, and to correct leads."""

    def __init__(self, job: Job) -> None:
        self._job = job

    def make(self, setup: Setup) -> None:
        """Draw what goes where, and wait for Enter."""
        typer.echo(f"\n{drawing(self._job, setup)}\n")
        self._wait(setup, "Press Enter when it is made. ")

    def correct(self, setup: Setup, leads: Sequence[str], message: str) -> None:
        """Say which leads to see to, draw the setup again, and wait for Enter."""
        typer.echo(f"\n{drawing(self._job, setup)}\n")
        named = ", ".join(lead_words(self._job, lead) for lead in leads) or "every lead of it"
        typer.echo(f"Please look at {named}.")
        self._wait(setup, "Press Enter when it is as drawn. ")

    def _wait(self, setup: Setup, prompt: str) -> None:
        if not sys.stdin.isatty():
            raise UsageError(f"{NOBODY}, and setup {setup.name!r} needs hands")
        # An Enter from before the drawing was shown has made nothing.
        ask_hands(prompt, undone=f"nobody made the setup {setup.name!r}")


def read_serials(path: Path, sequence: CheckSequence) -> list[str]:
    """Read serial numbers, a line each; empty lines and those that begin with # are left out.

    Raises UsageError with every line that cannot be one, or that stands there before.
    """
    result: dict[str, int] = {}
    mistakes: list[str] = []
    for number, serial in listed_lines(path, "serial numbers"):
        wrong = serial_mistake(serial, sequence)
        if serial in result:
            wrong = f"is also in line {result[serial]}; expected every serial number once"
        if wrong:
            mistakes.append(f"{path}:{number}: serial {serial!r}: {wrong}")
        result.setdefault(serial, number)
    if not result:
        mistakes.append(f"{path}: contains no serial number; expected one per line")
    if mistakes:
        raise UsageError("\n".join(mistakes))
    return list(result)


def listed_lines(path: Path, what: str) -> Iterator[tuple[int, str]]:
    """Read the lines of a list with their numbers, without empty ones and remarks, which begin with #.

    Only CR and LF end a line: a scanner writes the separators of a code's fields (GS and the like) within it.
    Raises UsageError where the file cannot be read.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or error
        raise UsageError(f"{path}: the {what} cannot be read: {why}") from error
    for number, line in enumerate(re.split("\r\n|\r|\n", text), start=1):
        if line.strip() and not line.lstrip().startswith("#"):
            yield number, line.strip()


def asked_serials(
    sequence: CheckSequence, wrong: Callable[[str, str], None], *, quiet: bool
) -> Iterator[str]:
    """Ask for one serial number after another, from a keyboard or a scanner, until an empty line or the end.

    wrong: called with an invalid serial number and the reason. quiet: the prompt goes to standard error,
    so that standard output is left to data.
    """
    lines, first = typed_lines(), True
    while True:
        if left_out() and not first:
            typer.echo("What was typed or scanned before this prompt is discarded.", err=True)
        first = False
        with line_ended(err=quiet):
            typer.echo("Serial number of the unit in the fixture (empty ends): ", nl=False, err=quiet)
            sys.stdout.flush()
            line = next(lines, "")
        if not (line and sys.stdin.isatty()):  # a terminal has shown the line's end itself
            typer.echo("", err=quiet)
        serial = line.strip()
        if not serial:
            return
        mistake = serial_mistake(serial, sequence)
        if mistake:
            wrong(serial, mistake)
            continue
        yield serial


def ask(question: str) -> str:
    """Ask a person something on the terminal; the answer without spaces around it, "" at the end of input."""
    return _answer(question).strip()


def ask_line(question: str) -> str:
    """As `ask`, but raises EOFError at the end of input, where Enter is an answer of its own."""
    line = _answer(question)
    if not line:
        raise EOFError
    return line.strip()


def ask_hands(question: str, *, undone: str) -> str:
    """Ask for what hands do before they press Enter; the answer without spaces around it.

    Raises KeyboardInterrupt, which says what is `undone`, on end of input, which does not count as Enter.
    """
    line = _answer(question)
    if not line:
        raise KeyboardInterrupt(f"stopped: {undone}")
    return line.strip()


def ask_at_supply(text: str) -> None:
    """Have the person at the terminal switch a supply that has no interface. Raises UsageError for nobody."""
    if not sys.stdin.isatty():
        raise UsageError(f"{NOBODY}, and somebody has to do this: {text}")
    ask_hands(f"{text}; then press Enter: ", undone=f"nobody did this: {text}")


def agreed(question: str) -> bool:
    """Ask a person for a yes; the end of input is none, nor is Ctrl-C."""
    try:
        return ask(f"{question} [y/N]: ").casefold() in ("y", "yes")
    except KeyboardInterrupt:
        return False


def _answer(question: str) -> str:
    left_out()
    with line_ended(err=True):
        typer.echo(question, nl=False, err=True)
        sys.stderr.flush()
        line = sys.stdin.readline()
    if not line:
        typer.echo("", err=True)
    return line


@contextmanager
def line_ended(*, err: bool) -> Iterator[None]:
    """End the line if a question is interrupted, so that the next message begins on its own line."""
    try:
        yield
    except KeyboardInterrupt:
        typer.echo("", err=err)
        raise


def left_out() -> bool:
    """Discard what was typed on the terminal before a question; returns whether anything was.

    It cannot be the answer: a scanner that was too quick would name a reason, or start a run while hands are
    still at the fixture.
    """
    if not sys.stdin.isatty():
        return False
    if sys.platform == "win32":
        import msvcrt

        waiting = msvcrt.kbhit()
        while msvcrt.kbhit():
            msvcrt.getwch()
        return waiting
    import select
    import termios

    waiting = bool(select.select([sys.stdin], [], [], 0)[0])
    termios.tcflush(sys.stdin, termios.TCIFLUSH)
    return waiting


def typed_lines() -> Iterator[str]:
    """Lines of standard input, each as soon as it ends: with LF, CR LF, or the bare CR of many scanners.

    A terminal makes line feeds of them. Python would wait after a bare CR for what might follow.
    """
    if sys.stdin.isatty():
        yield from iter(sys.stdin.readline, "")
        return
    line, after_return = "", False
    while character := sys.stdin.read(1):
        if character in "\r\n":
            if character == "\r" or not after_return:
                yield line
            line = ""
        else:
            line += character
        after_return = character == "\r"
    if line:
        yield line
