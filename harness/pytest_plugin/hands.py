"""The person at the terminal of a pytest session, who moves the leads."""

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import pytest

from harness.errors import UsageError
from harness.job.fixture import Setup
from harness.report.setup_picture import drawing, lead_words
from harness.session.planned_job import PlannedJob


class PersonAtPytest:
    """Asks a person to make setups by hand, and to correct leads, while pytest captures nothing."""

    def __init__(self, config: pytest.Config, planned: PlannedJob) -> None:
        self._config, self._job = config, planned.job

    def make(self, setup: Setup) -> None:
        """Draw what goes where, and wait for Enter."""
        self._ask(setup, f"\n{drawing(self._job, setup)}\n\nPress Enter when it is made. ")

    def correct(self, setup: Setup, leads: Sequence[str], message: str) -> None:
        """Say which leads to see to, draw the setup again, and wait for Enter."""
        named = ", ".join(lead_words(self._job, lead) for lead in leads) or "every lead of it"
        looked = f"Please look at {named}.\nPress Enter when it is as drawn. "
        self._ask(setup, f"\n{drawing(self._job, setup)}\n\n{looked}")

    def _ask(self, setup: Setup, text: str) -> None:
        with at_terminal(self._config):
            if not sys.stdin.isatty():
                raise UsageError(
                    "standard input is not a terminal, so nobody can be asked, and setup "
                    f"{setup.name!r} needs hands. Run pytest in a terminal, or give the setup select = […], "
                    "relay board channels that make it"
                )
            sys.stdout.write(text)
            sys.stdout.flush()
            if not sys.stdin.readline():
                raise KeyboardInterrupt(f"stopped: nobody made the setup {setup.name!r}")


@contextmanager
def at_terminal(config: pytest.Config) -> Iterator[None]:
    """Let a person read and answer: pytest captures neither output nor input."""
    capture = config.pluginmanager.getplugin("capturemanager")
    if capture is None:
        yield
        return
    capture.suspend(in_=True)
    try:
        yield
    finally:
        capture.resume()
