"""Switchboards: the order in which channels move, and the SCPI switch. Other boards have their own files."""

import contextlib
import time
from collections.abc import Iterable

from drivers.profile import RouteProfile
from drivers.session import Session
from harness.errors import BenchError
from harness.roles import Identity


class Channels:
    """The `Switchboard` of harness.roles, for a board that brings its four moves.

    What was commanded, what the board reads back and what the contacts do are three facts; this holds the
    first and verifies the second. Channels open before others close, and where both move in one change the
    board's settling time passes between. When a move failed, the state is unknown: the next change opens
    all first. `found` is what a board that was asked to look reads back as closed before all is opened,
    None where it was not asked, or does not say.
    """

    found: frozenset[int] | None = None

    def __init__(
        self, *, identity: Identity, channel_count: int, settle_s: float, reads_back: bool = True
    ) -> None:
        self.identity = identity
        self.channel_count = channel_count
        self.settle_s = settle_s
        self.reads_back = reads_back
        self._closed: frozenset[int] | None = None

    def set(self, closed: frozenset[int]) -> None:
        """Close exactly these channels, opening the others first; read back where the board can.

        Raises BenchError for a channel that the board doesn't have, or one that reads back otherwise.
        """
        strangers = sorted(n for n in closed if not 1 <= n <= self.channel_count)
        if strangers:
            raise self._error(f"has channels 1 to {self.channel_count}, and {strangers} are asked for")
        before, self._closed = self._closed, None
        if before is None:
            self._open_all()
            before = frozenset()
        to_open, to_close = sorted(before - closed), sorted(closed - before)
        if to_open:
            self._open(to_open)
        if to_open and to_close:
            time.sleep(self.settle_s)
        if to_close:
            self._close(to_close)
        if to_open or to_close:
            self._verify(closed)
        self._closed = closed

    def off(self) -> None:
        """Every channel open, verified where the board can. Works on a link that needs reopening first."""
        self._closed = None
        self._insist_all_open()
        self._closed = frozenset()

    def recover(self) -> None:
        """After a failure: reopen, the same identity where it has one, every channel open."""
        self._closed = None
        self._reopen_link()
        self._all_open()
        self._closed = frozenset()

    def _begin(self, *, look: bool) -> None:
        """Every channel open, from whatever they are."""
        if look:
            with contextlib.suppress(BenchError):  # what cannot be seen is opened all the same
                self.found = self._look()
        self.off()

    def _look(self) -> frozenset[int] | None:
        return self._read_back(frozenset(range(1, self.channel_count + 1)))

    def _all_open(self) -> None:
        self._open_all()
        self._verify(frozenset())

    def _verify(self, wanted: frozenset[int]) -> None:
        found = self._read_back(wanted)
        if found is not None and found != wanted:
            raise self._error(
                f"channels {listed(wanted)} were to be closed and the others open; it reads back "
                f"{listed(found)} as closed"
            )

    def _error(self, what: str) -> BenchError:
        return BenchError(what, instrument="switchboard", address=self.identity.address)

    def _insist_all_open(self) -> None:
        """Open all and verify, after reopening the link if need be."""
        raise NotImplementedError

    def _reopen_link(self) -> None:
        """Make sure that the next answer belongs to the next question."""
        raise NotImplementedError

    def _open_all(self) -> None:
        raise NotImplementedError

    def _open(self, channels: list[int]) -> None:
        raise NotImplementedError

    def _close(self, channels: list[int]) -> None:
        raise NotImplementedError

    def _read_back(self, wanted: frozenset[int]) -> frozenset[int] | None:
        """The channels that the board says are closed; None for a board that says nothing."""
        raise NotImplementedError


def listed(channels: Iterable[int]) -> str:
    """Channels as a person reads them."""
    return ", ".join(str(n) for n in sorted(channels)) or "none"


class RouteSwitchboard(Channels):
    """A SCPI switch. Only channels that were ever closed are read back: it may have fewer than 16."""

    def __init__(
        self,
        session: Session,
        profile: RouteProfile,
        *,
        profile_name: str,
        settle_s: float,
        look: bool = False,
    ) -> None:
        self._session, self._commands = session, profile.commands
        self._used: frozenset[int] = frozenset()
        identity = Identity(
            role="switchboard", address=session.address, profile=profile_name, text=session.identity
        )
        super().__init__(identity=identity, channel_count=profile.channels, settle_s=settle_s)
        self._begin(look=look)

    def _insist_all_open(self) -> None:
        self._session.insist(self._all_open)

    def _reopen_link(self) -> None:
        self._session.resync()

    def _open_all(self) -> None:
        self._session.drain_errors()  # an older error must not hide whether this worked
        with self._session.group():
            self._session.write(self._commands.open_all())

    def _open(self, channels: list[int]) -> None:
        with self._session.group():
            self._session.write(self._commands.open(channels=channels))

    def _close(self, channels: list[int]) -> None:
        self._used |= frozenset(channels)
        with self._session.group():
            self._session.write(self._commands.close(channels=channels))

    def _read_back(self, wanted: frozenset[int]) -> frozenset[int]:
        asked = sorted(self._used | wanted)
        if not asked:
            return frozenset()
        command = self._commands.close_query(channels=asked)
        answer = self._session.query(command)
        states = [part.strip() for part in answer.split(",")]
        if len(states) != len(asked) or not set(states) <= {"0", "1"}:
            raise self._session.bad_reply(f"{len(asked)} times 0 or 1", answer, command)
        return frozenset(n for n, state in zip(asked, states, strict=True) if state == "1")
