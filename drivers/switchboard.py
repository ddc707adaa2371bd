"""Switchboards: the order in which channels move, SCPI switches, and boards that take text or frames.

Boards that need a library of their own, Modbus coils and GPIO lines, have their own files.
"""

import contextlib
import time
from collections.abc import Iterable

from drivers.profile import FrameProfile, RouteProfile, SwitchboardProfile, TextProfile
from drivers.session import Session
from harness.bench_file import SwitchboardFile
from harness.errors import BadReply, BenchError, BenchTimeout, Desynchronised, LinkLost
from harness.roles import Identity

QUIET_S = 0.05
BOOT_WITHIN_S = 4.0  # boards that reset when their port is opened talk for a second or two
TRY_FOR_S = 0.5
MOST_CHANNELS = 1024
# A board that was cut off in the middle of a frame takes these for the rest of it, and the next start as a
# start.
FLUSH = bytes(4)


class Channels:
    """The `Switchboard` of harness.roles, for a board that brings its own moves.

    What was commanded, what the board reads back and what the contacts do are three facts; this holds the
    first and verifies the second. Channels open before others close, and where both move in one change the
    board's settling time passes between. When a move failed, the state is unknown: the next change opens
    all first. `found_closed` is what a board that was asked to look reads back as closed before all is
    opened, None if it was not asked, or does not say.

    text: its identity, the profile's description if it has none. look: ask first which channels are closed.
    A board's own fields stand before this is called, as every channel is opened, from whatever they are.
    """

    found_closed: frozenset[int] | None = None

    def __init__(
        self,
        profile: SwitchboardProfile,
        file: SwitchboardFile,
        *,
        text: str = "",
        reads_back: bool = True,
        look: bool = False,
    ) -> None:
        text = text or profile.description
        self.identity = Identity(role="switchboard", address=file.address, profile=file.profile, text=text)
        self.channel_count = profile.channels
        self.settle_s = file.settle_s
        self.reads_back = reads_back
        self._closed: frozenset[int] | None = None
        try:
            if look:
                with contextlib.suppress(BenchError):  # what cannot be seen is opened all the same
                    self.found_closed = self._look()
            self.off()
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Let go of what the board itself opened; never raises."""

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
            self._move(to_open, closed=False)
        if to_open and to_close:
            time.sleep(self.settle_s)
        if to_close:
            self._move(to_close, closed=True)
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

    def _look(self) -> frozenset[int] | None:
        return self._read_back(frozenset(range(1, self.channel_count + 1)))

    def _all_open(self) -> None:
        self._open_all()
        self._verify(frozenset())

    def _verify(self, wanted: frozenset[int]) -> None:
        result = self._read_back(wanted)
        if result is not None and result != wanted:
            raise self._error(
                f"channels {listed(wanted)} were to be closed and the others open; it reads back "
                f"{listed(result)} as closed"
            )

    def _error(self, what: str) -> BenchError:
        return BenchError(what, instrument="switchboard", address=self.identity.address)

    def _insist_all_open(self) -> None:
        """Open all and verify, after reopening the link if need be."""
        self._all_open()

    def _reopen_link(self) -> None:
        """Make sure that the next answer belongs to the next question, if there is a link."""

    def _open_all(self) -> None:
        self._move(list(range(1, self.channel_count + 1)), closed=False)

    def _move(self, channels: list[int], *, closed: bool) -> None:
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
        self, session: Session, profile: RouteProfile, file: SwitchboardFile, *, look: bool = False
    ) -> None:
        self._session, self._commands = session, profile.commands
        self._used: frozenset[int] = frozenset()
        super().__init__(profile, file, text=session.identity, look=look)

    def _insist_all_open(self) -> None:
        self._session.insist(self._all_open)

    def _reopen_link(self) -> None:
        self._session.resync()

    def _open_all(self) -> None:
        self._session.drain_errors()  # an older error must not hide whether this worked
        with self._session.group():
            self._session.write(self._commands.open_all())

    def _move(self, channels: list[int], *, closed: bool) -> None:
        if closed:
            self._used |= frozenset(channels)
        with self._session.group():
            self._session.write((self._commands.close if closed else self._commands.open)(channels=channels))

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


class TextSwitchboard(Channels):
    """A relay board that takes a line of text per command over a serial port.

    Commands are answered one by one; the state is read back as a mask if the profile has a query.
    """

    def __init__(
        self, session: Session, profile: TextProfile, file: SwitchboardFile, *, look: bool = False
    ) -> None:
        self._session, self._profile = session, profile
        self._wait_until_it_answers()
        super().__init__(profile, file, reads_back=profile.commands.state_query is not None, look=look)

    def _wait_until_it_answers(self) -> None:
        """Let a boot banner pass, then ask for the state until it reads; asking changes nothing."""
        deadline = time.monotonic() + BOOT_WITHIN_S
        while True:
            if self._session.dirty:
                self._session.resync()
            self._session.discard(quiet_s=QUIET_S, timeout_s=TRY_FOR_S)
            try:
                self._mask(timeout_s=TRY_FOR_S)
                return
            except (BenchTimeout, BadReply, Desynchronised):
                if time.monotonic() > deadline:
                    raise

    def _insist_all_open(self) -> None:
        if not self._session.dirty:
            try:
                return self._all_open()
            except (BenchTimeout, LinkLost, Desynchronised, BadReply):
                self._session.dirty = True
        self._wait_until_it_answers()
        return self._all_open()

    def _reopen_link(self) -> None:
        self._session.dirty = True
        self._wait_until_it_answers()

    def _open_all(self) -> None:
        self._command(self._profile.commands.open_all())

    def _move(self, channels: list[int], *, closed: bool) -> None:
        commands = self._profile.commands
        for n in channels:
            self._command((commands.close if closed else commands.open)(n=n))

    def _command(self, command: str) -> None:
        answer = self._session.query(command)
        if answer.strip() == command:
            wanted = f"{self._profile.answer!r} and not an echo (switch the board's echo off)"
            raise self._session.bad_reply(wanted, answer, command)
        if answer.strip() != self._profile.answer:
            raise self._session.bad_reply(repr(self._profile.answer), answer, command)

    def _mask(self, timeout_s: float | None = None) -> int | None:
        query = self._profile.commands.state_query
        if query is None:
            return None
        answer = self._session.query(query(), timeout_s=timeout_s)
        try:
            mask = int(answer.strip(), 16)
        except ValueError:
            mask = -1
        if not 0 <= mask < 1 << MOST_CHANNELS:
            raise self._session.bad_reply("a hexadecimal mask of its channels", answer, query())
        return mask

    def _read_back(self, wanted: frozenset[int]) -> frozenset[int] | None:
        mask = self._mask()
        if mask is None:
            return None
        return frozenset(bit + 1 for bit in range(mask.bit_length()) if mask >> bit & 1)


class FrameSwitchboard(Channels):
    """A relay board of four-byte frames over a serial port. It answers nothing: what it does is not verified.

    It keeps the commanded state, and says by `reads_back` that nothing confirms it.
    """

    def __init__(self, session: Session, profile: FrameProfile, file: SwitchboardFile) -> None:
        self._session, self._profile = session, profile
        super().__init__(profile, file, text=f"{profile.description} (not verified)", reads_back=False)

    def _insist_all_open(self) -> None:
        self._session.insist(self._all_open)

    def _reopen_link(self) -> None:
        self._session.resync()

    def _open_all(self) -> None:
        """Every channel by name: the state is unknown here, and the board has no frame for all."""
        self._session.send_bytes(FLUSH)
        super()._open_all()

    def _move(self, channels: list[int], *, closed: bool) -> None:
        state = self._profile.energised if closed else self._profile.released
        for n in channels:
            self._session.send_bytes(frame(self._profile.start, n, state))

    def _read_back(self, wanted: frozenset[int]) -> None:
        return None


def frame(start: int, channel: int, state: int) -> bytes:
    """Four bytes: start, channel, state, low byte of their sum."""
    return bytes((start, channel, state, (start + channel + state) & 0xFF))
