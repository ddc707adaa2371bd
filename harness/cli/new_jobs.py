"""Commands that begin a job: write one from a few answers, or draft a module from a netlist."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from harness.cli.person import ask_hands
from harness.cli.terminal import answers_piped, say
from harness.drafts.expressions import read_netlist
from harness.drafts.job_text import (
    EXTRA_CONTROLS,
    USUAL,
    Answers,
    check_answers,
    check_new,
    job_texts,
    write_new,
)
from harness.drafts.job_text import template as template_named
from harness.drafts.module_draft import draft_module
from harness.errors import UsageError
from harness.units import counted


def _named(folder: str) -> Path:
    if not folder.strip():
        raise typer.BadParameter("found an empty name; expected the folder to make, or . for this one")
    return Path(folder)


def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make.", parser=_named)],
    channels: Annotated[int | None, typer.Option(metavar="COUNT", help="Audio channels: 1 to 8.")] = None,
    loops: Annotated[int | None, typer.Option(metavar="COUNT", help="Send/return loops: 0 to 4.")] = None,
    controls: Annotated[
        int | None, typer.Option(metavar="COUNT", help="Control lines: one per loop, then mute, dim.")
    ] = None,
    relays: Annotated[
        int | None,
        typer.Option(
            "--relays-per-line", metavar="COUNT", help="1 for all channels, or one for each channel."
        ),
    ] = None,
    template: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Ask nothing: stereo-loops, mono-insert or stereo-mute; other options change it.",
        ),
    ] = None,
) -> None:
    """Write the four commented files of a job for a line switcher.

    Asks for whatever the options leave open; without a terminal it takes the defaults. Never overwrites a
    file.
    """
    usual = template_named(template or USUAL)
    ask = template is None and sys.stdin.isatty()
    if template is None and not ask and None in (channels, loops, controls, relays) and answers_piped():
        raise UsageError(
            "questions are asked only at a terminal, and standard input is not a terminal. Give the "
            "answers as --channels, --loops, --controls and --relays-per-line, or name a --template"
        )
    many = _answer(ask, "Audio channels (1 to 8)", channels, usual.channels)
    in_loops = _answer(ask, "Send/return loops (0 to 4)", loops, usual.loops)
    most = in_loops + len(EXTRA_CONTROLS)
    extra = min(max(usual.controls - usual.loops, 0 if in_loops else 1), len(EXTRA_CONTROLS))
    on_controls = _answer(ask, f"Control lines (up to {most})", controls, in_loops + extra)
    each = usual.relays_per_control if usual.relays_per_control == 1 else many
    each = _answer(ask and many > 1, f"Relays on each control line (1 or {many})", relays, each)
    answers = check_answers(
        Answers(channels=many, controls=on_controls, loops=in_loops, relays_per_control=each)
    )
    write_new({folder / name: text for name, text in job_texts(answers).items()})
    say(
        f"{folder}: a job with {counted(len(answers.control_names), 'control line')} "
        f"({', '.join(answers.control_names)}). Try it:",
        err=True,
    )
    for command in (f"run {folder} --serial OB-0001 --simulate", f"coverage {folder}", f"wiring {folder}"):
        typer.echo(f"  switchwalk {command}", err=True)


def _answer(ask: bool, question: str, given: int | None, usual: int) -> int:
    """The option's value, else a person's answer, else the usual."""
    if given is not None:
        return given
    if not ask:
        return usual
    while True:
        try:
            text = ask_hands(f"{question} [{usual}]: ", undone="nothing was written")
        except KeyboardInterrupt:
            raise UsageError("nothing was written") from None
        if not text:
            return usual
        try:
            return int(text)
        except ValueError:
            say(f"{text!r} is not a whole number", err=True)


def import_netlist(
    netlist: Annotated[Path, typer.Argument(metavar="NETLIST", help="SPICE or S-expression netlist.")],
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the draft to this new file instead of the terminal."),
    ] = None,
) -> None:
    """Draft a module.toml from a netlist: relays, contacts, nets, resistors, capacitors, connectors.

    In SPICE a relay is a subcircuit, XK1 coil+ coil- common1 released1 operated1 common2 ... TYPE, or
    the S switches of one control pair. In a schematic's netlist it is a part K1. Its pins are told apart by
    the switches in its subcircuit, by their names (A1 A2 11 12 14, COIL+ COM1 NC1 NO1), or by position.
    Channel, net and leg are read from names such as left.out.hot, L_OUT_P or out+, or from what the net
    connects to. What is in doubt is printed, and written into the draft as comments.
    """
    if out is not None:
        check_new([out])
    drafted = draft_module(read_netlist(netlist))
    if out is None:
        typer.echo(drafted.text, nl=False)
    else:
        write_new({out: drafted.text})
    for question in drafted.unclear:
        say(f"in doubt: {question}", err=True, hang=4)
    if out is not None:
        say(
            f"{out}: a draft with {counted(len(drafted.unclear), 'doubt')}. Compare it with the circuit "
            "diagram",
            err=True,
        )
