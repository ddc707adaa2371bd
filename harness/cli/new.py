"""`switchwalk new`: a job of one's own, from a few answers."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from harness.cli.wrapping import say
from harness.errors import UsageError
from harness.units import counted


def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make.", show_default=False)],
    channels: Annotated[
        int | None, typer.Option("--channels", help="Audio channels: 1 or 2.", show_default=False)
    ] = None,
    loops: Annotated[
        int | None, typer.Option("--loops", help="Send/return loops: 0 to 4.", show_default=False)
    ] = None,
    lines: Annotated[
        int | None,
        typer.Option("--lines", help="Control lines: one a loop, then mute, dim.", show_default=False),
    ] = None,
    relays: Annotated[
        int | None,
        typer.Option(
            "--relays-per-line", help="1 for all channels, or one for each channel.", show_default=False
        ),
    ] = None,
    template: Annotated[
        str | None,
        typer.Option(
            "--template",
            metavar="NAME",
            help="Ask nothing: stereo-loops, mono-insert or stereo-mute; other options change it.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Write a job's four files, commented, for a line switcher; then they are yours to change.

    Asks what no option says; where there is no terminal to ask at, takes the usual. Never writes over a file.
    """
    from harness.drafts.answers import EXTRA_LINES, USUAL, Answers, check_answers
    from harness.drafts.answers import template as template_named
    from harness.drafts.job import job_texts, write_new

    usual = template_named(template or USUAL)
    ask = template is None and sys.stdin.isatty()
    many = _answer(ask, "Audio channels (1 or 2)", channels, usual.channels)
    in_loops = _answer(ask, "Send/return loops (0 to 4)", loops, usual.loops)
    most = in_loops + len(EXTRA_LINES)
    extra = min(max(usual.lines - usual.loops, 0 if in_loops else 1), len(EXTRA_LINES))
    on_lines = _answer(ask, f"Control lines (up to {most})", lines, in_loops + extra)
    each = usual.relays_per_line if usual.relays_per_line == 1 else many
    each = _answer(ask and many > 1, f"Relays on each line (1 or {many})", relays, each)
    answers = check_answers(Answers(channels=many, lines=on_lines, loops=in_loops, relays_per_line=each))
    write_new({folder / name: text for name, text in job_texts(answers).items()})
    say(
        f"{folder}: a job with {counted(len(answers.line_names), 'line')} "
        f"({', '.join(answers.line_names)}). Try it:",
        err=True,
    )
    for command in (f"run {folder} --serial OB-0001 --simulate", f"cover {folder}", f"wiring {folder}"):
        typer.echo(f"  switchwalk {command}", err=True)


def _answer(ask: bool, question: str, given: int | None, usual: int) -> int:
    """What an option says, else what a person answers, else the usual."""
    if given is not None:
        return given
    if not ask:
        return usual
    try:
        return int(typer.prompt(question, default=usual, type=int, err=True))
    except (typer.Abort, KeyboardInterrupt):
        typer.echo("", err=True)
        raise UsageError("nothing was written") from None
