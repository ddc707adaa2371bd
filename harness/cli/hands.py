"""What a person is told before a run, and asked for during it."""

import sys
from typing import TYPE_CHECKING

import typer

from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.descriptions.fixture import Hookup

CAUTIONS = """\
Before you start:
 - Generator and scope commons are earth: clip to pin 1 only, never to a leg, and
   leave the instruments earthed.
 - No phantom power on the unit; no power amplifier, loudspeaker or headphones.
 - Extra-low voltage only: mains-powered units with covers off are not for this
   bench.
 - Handle bare boards at an ESD-safe place.
 - Local codes and licensed practice come first."""


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
        links = [f"plugs {', '.join(hookup.links)}"] if hookup.links else []
        typer.echo(f"Please make the hookup {hookup.name!r}: {'; '.join([drive, *views, *links])}.")
        if not sys.stdin.isatty():
            raise UsageError(
                f"hookup {hookup.name!r} needs hands, and nobody can be asked: standard input is no terminal"
            )
        input("Press Enter when it is made. ")
