"""What a person is told before a run, and asked for during it."""

import sys
from typing import TYPE_CHECKING

import typer

from harness.cli.serials import ask_hands
from harness.errors import UsageError
from harness.report.hookup_picture import drawing, lead_words
from harness.workbench.planning import hookups_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.job.fixture import Hookup
    from harness.job.job import Job
    from harness.plan.model import Plan

NOBODY = "standard input is no terminal, so nobody can be asked"
CAUTIONS = """\
Before you start:
 - Generator and scope commons are earth: clip to pin 1 only, never to a leg,
   and leave the instruments earthed.
 - No phantom power on the unit; no power amplifier, loudspeaker or headphones.
 - Extra-low voltage only: mains-powered units with covers off are not for this
   bench.
 - Handle bare boards at an ESD-safe place.
 - Local codes and licensed practice come first."""


def require_person(plan: "Plan") -> None:
    """Refuse a plan that needs hands where nobody can be asked. Raises UsageError."""
    by_hand = [repr(hookup.name) for hookup in hookups_of(plan) if hookup.select is None]
    if by_hand and not sys.stdin.isatty():
        raise UsageError(
            f"{NOBODY}, and a person moves the leads of {', '.join(by_hand)}. "
            "Run it in a terminal, or give the hookup select = […], switchboard channels that make it"
        )


class PersonAtTheBench:
    """Asks for hookups to be made by hand, and for leads to be put right."""

    def __init__(self, job: "Job") -> None:
        self._job = job

    def make(self, hookup: "Hookup") -> None:
        """Draw what goes where, and wait for Enter."""
        typer.echo(f"\n{drawing(self._job, hookup)}\n")
        self._wait(hookup, "Press Enter when it is made. ")

    def correct(self, hookup: "Hookup", leads: "Sequence[str]", said: str) -> None:
        """Say which leads to see to, draw the hookup again, and wait for Enter."""
        typer.echo(f"\n{drawing(self._job, hookup)}\n")
        named = ", ".join(lead_words(self._job, lead) for lead in leads) or "every lead of it"
        typer.echo(f"Please look at {named}.")
        self._wait(hookup, "Press Enter when it is as drawn. ")

    def _wait(self, hookup: "Hookup", prompt: str) -> None:
        if not sys.stdin.isatty():
            raise UsageError(f"{NOBODY}, and hookup {hookup.name!r} needs hands")
        # An Enter from before the drawing was shown has made nothing.
        ask_hands(prompt, undone=f"nobody made the hookup {hookup.name!r}")
