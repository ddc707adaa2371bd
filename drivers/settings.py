"""What an instrument was set to: a command is sent if it would change something."""

from collections.abc import Iterator
from contextlib import contextmanager

from drivers.session import Session


class Settings:
    """Commands by the setting they make. Anything that fails makes all of it unknown.

    made: what was asked for at last, if all its settings are as they were sent; None if that is not known.
    """

    def __init__(self, session: Session) -> None:
        self.made: object = None
        self._session = session
        self._sent: dict[tuple[str, int], str] = {}

    def send(self, setting: str, command: str, *, n: int = 0) -> None:
        """Send the command that makes a setting (of output or input n), unless it was the last one sent."""
        if self._sent.get((setting, n)) != command:
            self._sent.pop((setting, n), None)
            self._session.write(command)
            self._sent[setting, n] = command

    def forget_one(self, setting: str) -> None:
        """One setting, of no output or input, is not known any more."""
        self._sent.pop((setting, 0), None)

    @contextmanager
    def changes(self) -> Iterator[None]:
        """A group of settings, and one look at the error queue if any of them went out."""
        try:
            with self._session.group():
                yield
        except BaseException:
            self.forget()
            raise

    def forget(self) -> None:
        """Nothing is known of the instrument any more."""
        self._sent.clear()
        self.made = None
