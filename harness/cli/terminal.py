"""Between the shell and the commands: lines at eighty columns, JSON, signals, signs of life.

Lines are written in letters that the terminal has. The first signal stops a run; further ones change nothing
of how that ends.
"""

import codecs
import contextlib
import io
import json
import os
import select
import signal
import sys
import textwrap
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from types import FrameType
from typing import Any

import typer

from harness.errors import RunStopped, SwitchwalkError

WIDTH = 80
TIED = "\N{NO-BREAK SPACE}"  # between words that stay in one line; printed as a space
IN_ASCII = {
    "±": "+/-",
    "µ": "u",
    "Ω": "ohm",
    "°": " deg",
    "²": "2",
    "→": ">",
    "…": "...",
    "×": "x",
    "–": "-",
    "≤": "<=",
    "≥": ">=",
    "━": "-",
    "╸": "-",
    "╺": "-",
}
_TABLE = str.maketrans(IN_ASCII)
_HANDLER = "switchwalk-in-ascii"
FIRST_S = 2.0  # what takes no longer than this says nothing
EVERY_S = 10.0  # in a pipe or a file; a terminal's line is written over each second
ON_TERMINAL_S = 1.0
SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


def open_closed_streams() -> None:
    """Put a stream to nowhere in place of each standard stream that was closed before the start."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115  # until the end


def say(text: str, *, indent: int = 0, hang: int = 2, err: bool = False) -> None:
    """Print a text in lines of at most eighty columns: the first indented, the others by `hang` more.

    err: on standard error, in lines as wide as its terminal; whole if it is none, for a program to read.
    """
    stream = sys.stderr if err else sys.stdout
    width = _columns_of_errors() if err else WIDTH
    shown = as_shown(text, stream.encoding or "utf-8")
    lines = shown.splitlines() if width is None else wrapped(shown, width, indent=indent, hang=hang)
    for line in lines or [""]:
        typer.echo(line, err=err)


def print_json(content: Any, *, indent: int | None = 2) -> None:
    """Print what another program reads."""
    typer.echo(json.dumps(content, indent=indent, ensure_ascii=False, allow_nan=False))


def print_lines(lines: Iterable[str]) -> None:
    """Print lines as they are."""
    for line in lines:
        typer.echo(line)


def print_result(content: Any, lines: Iterable[str], *, as_json: bool) -> None:
    """Print a result for another program, or its lines for a person."""
    if as_json:
        print_json(content)
    else:
        print_lines(lines)


def wrapped(text: str, width: int = WIDTH, *, indent: int = 0, hang: int = 2) -> list[str]:
    """A text's lines, none longer than this unless a word is."""
    wrapper = textwrap.TextWrapper(
        width,
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + hang),
        break_long_words=False,
        break_on_hyphens=False,
    )
    lines = [line for paragraph in text.splitlines() or [""] for line in wrapper.wrap(paragraph) or [""]]
    return [line.replace(TIED, " ") for line in lines]


def hanging(columns: str, text: str) -> list[str]:
    """A row's columns and a text at their right, which goes on below itself."""
    return textwrap.wrap(
        printable(text), WIDTH, initial_indent=columns, subsequent_indent=" " * len(columns)
    ) or [columns.rstrip()]


def fitted(text: str, width: int) -> str:
    """A text that fits one line, its end left out if it is longer."""
    return text if len(text) <= width else f"{text[: max(width - 3, 0)]}..."


def duration(seconds: float) -> str:
    """`45 s` or `3 min 20 s`."""
    whole = round(seconds)
    return f"{whole} s" if whole < 60 else f"{whole // 60} min {whole % 60} s"


def printable(text: str) -> str:
    """Keep a name from the records from steering the terminal."""
    return "".join(
        character if character.isprintable() else "\N{REPLACEMENT CHARACTER}" for character in text
    )


def show_on_any_terminal() -> None:
    """Write in ASCII what a terminal cannot show, so that nothing fails that is printed."""
    codecs.register_error(_HANDLER, _replace)
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors=_HANDLER)
            if stream.isatty() and _asks_for_ascii():
                reconfigure(encoding="ascii", errors=_HANDLER)


def as_shown(text: str, encoding: str) -> str:
    """The text as a stream of this encoding will show it, to be measured before it is wrapped."""
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return text.translate(_TABLE)
    return text


def _asks_for_ascii() -> bool:
    """Whether the locale is one without other letters, by name; Python writes UTF-8 in it all the same.

    If no locale is set, terminals of today show UTF-8. Python sets LC_CTYPE itself if LANG is C (PEP 538),
    so LC_CTYPE says nothing.
    """
    every = os.environ.get("LC_ALL")
    return (every or os.environ.get("LANG", "")) in ("C", "POSIX")


def _replace(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(IN_ASCII.get(letter, "?") for letter in error.object[error.start : error.end]), error.end


def _columns_of_errors() -> int | None:
    """How wide the terminal is that errors go to; None if it is no terminal."""
    if not sys.stderr.isatty():
        return None
    try:
        return int(os.environ.get("COLUMNS", "")) or WIDTH
    except ValueError:
        pass
    try:
        return os.get_terminal_size(sys.stderr.fileno()).columns or WIDTH
    except OSError:
        return WIDTH


class Stopping:
    """Whether a signal has asked for the end of what is going on."""

    def __init__(self) -> None:
        self.reason = ""

    def check(self) -> None:
        """Raise KeyboardInterrupt if a signal came and its own exception was lost.

        Python drops exceptions that are raised within a finaliser or a weak reference's callback.
        """
        if self.reason:
            raise KeyboardInterrupt(self.reason)


@contextmanager
def stoppable() -> Iterator[Stopping]:
    """Turn the first Ctrl-C, SIGTERM or SIGHUP into KeyboardInterrupt; ignore what follows, and say so.

    Outside, the interruption is a RunStopped: the command line's own handling of Ctrl-C has no exit code of
    ours. After a stop further signals are ignored until `signals_as_before` ends: else a key that is held
    down would cut off the closing of the bench, and the message about how the run ended.
    """
    stopping = Stopping()

    def stop(number: int, frame: FrameType | None) -> None:
        if stopping.reason:
            with contextlib.suppress(OSError):  # the terminal may be what was lost
                typer.echo("already stopping: the bench is being made safe", err=True)
            return
        stopping.reason = f"stopped by {signal.Signals(number).name}"
        raise KeyboardInterrupt(stopping.reason)

    before = {number: signal.signal(number, stop) for number in SIGNALS}
    try:
        yield stopping
    except KeyboardInterrupt as error:
        raise as_stopped(str(error), error) from error
    except SwitchwalkError:
        raise  # a bench that is not safe, or a lost record, is reported whatever asked for the end
    except Exception as error:
        # A library that an interruption met half-way may make an error of its own of it.
        if not stopping.reason:
            raise
        raise as_stopped(stopping.reason, error) from error
    finally:
        for number, handler in before.items():
            signal.signal(number, signal.SIG_IGN if stopping.reason else handler)


@contextmanager
def signals_as_before() -> Iterator[None]:
    """Restore, at the end, the signal handlers of the beginning."""
    before = {number: signal.getsignal(number) for number in SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            if handler is not None and signal.getsignal(number) is not handler:
                signal.signal(number, handler)


def as_stopped(reason: str, error: BaseException) -> RunStopped:
    """The stop that an interruption asked for, with what was noted on its way up."""
    stopped = RunStopped(reason or "stopped by hand")
    for note in getattr(error, "__notes__", ()):
        stopped.add_note(note)
    return stopped


def answers_piped() -> bool:
    """Whether something waits on standard input, which is no terminal; what comes later is not seen."""
    try:
        source = sys.stdin.buffer
        waits = bool(select.select([sys.stdin], [], [], 0)[0])
        return waits and isinstance(source, io.BufferedReader) and bool(source.peek(1))
    except (OSError, ValueError, AttributeError):  # closed, or no file; on Windows, no socket
        return False


@contextmanager
def output_may_be_gone() -> Iterator[None]:
    """Ignore a terminal or a pipe that is gone: the exit code says how the run ended."""
    try:
        yield
        sys.stdout.flush()
    except OSError:
        write_to_nowhere()


def write_to_nowhere() -> None:
    """Let whatever is printed from now on go nowhere."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):
            os.dup2(nowhere, stream.fileno())
    os.close(nowhere)


class Progress:
    """Which step of a command's work is being done; `next_step` moves on to the step that follows."""

    def __init__(self, command: str, steps: Sequence[str]) -> None:
        self._command, self._steps, self._at = command, list(steps), 0
        self._begun_s = time.monotonic()

    def next_step(self) -> None:
        """Say that the next step has begun."""
        self._at = min(self._at + 1, len(self._steps) - 1)

    def note(self, text: str) -> None:
        """Say how far the step has come, in place of its name."""
        self._steps[self._at] = text

    def __str__(self) -> str:
        spent = duration(time.monotonic() - self._begun_s)
        which = f"step {self._at + 1} of {len(self._steps)}, " if len(self._steps) > 1 else ""
        return f"{self._command}: {which}{self._steps[self._at]}; {spent} so far"


@contextmanager
def shown_progress(
    command: str, *steps: str, first_s: float = FIRST_S, every_s: float = EVERY_S
) -> Iterator[Progress]:
    """Say now and then on standard error which of these steps is being done, from `first_s` on."""
    progress, ended = Progress(command, steps), threading.Event()
    on_terminal = sys.stderr.isatty()

    def show() -> None:
        waiting_s = first_s
        while not ended.wait(waiting_s):
            text = fitted(str(progress), WIDTH - 1) if on_terminal else str(progress)
            _write_progress(f"\r{text:<{WIDTH - 1}}" if on_terminal else f"{text}\n")
            waiting_s = ON_TERMINAL_S if on_terminal else every_s
        if on_terminal and waiting_s != first_s:
            _write_progress(f"\r{'':<{WIDTH - 1}}\r")

    shower = threading.Thread(target=show, daemon=True)
    shower.start()
    try:
        yield progress
    finally:
        ended.set()
        shower.join()


def _write_progress(text: str) -> None:
    with contextlib.suppress(OSError, ValueError):  # a pipe that is full or closed; the result goes elsewhere
        sys.stderr.write(text)
        sys.stderr.flush()
