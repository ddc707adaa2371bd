"""What a person is told before a run, and asked for during it."""

import sys
from typing import TYPE_CHECKING

import typer

from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.descriptions.fixture import Hookup
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
    hookups = [*filter(None, [plan.through]), *(visit.hookup for visit in plan.visits)]
    by_hand = [repr(hookup.name) for hookup in hookups if hookup.select is None]
    if by_hand and not sys.stdin.isatty():
        raise UsageError(
            f"{NOBODY}, and a person moves the leads of {', '.join(by_hand)}. "
            "Run it in a terminal, or give the hookup select = […], switchboard channels that make it"
        )


class PersonAtTheBench:
    """Asks for hookups to be made by hand."""

    def make(self, hookup: "Hookup") -> None:
        """Say what goes where, and wait for Enter."""
        drive = (
            f"generator hot and cold to {hookup.drive}" if hookup.drive else "generator to every scope pair"
        )
        views = [
            f"inputs {2 * index + 1} and {2 * index + 2} to {port} hot and cold"
            for index, port in enumerate(hookup.view)
        ]
        views += [f"input {number} to control line {line}" for line, number in hookup.lines_on.items()]
        links = [f"plugs {', '.join(hookup.links)}"] if hookup.links else []
        typer.echo(f"Please make the hookup {hookup.name!r}: {'; '.join([drive, *views, *links])}.")
        if not sys.stdin.isatty():
            raise UsageError(f"{NOBODY}, and hookup {hookup.name!r} needs hands")
        input("Press Enter when it is made. ")
