"""Switchboards: the order in which channels move, SCPI switches, and boards that take text or frames.

Boards that need a library of their own, Modbus coils and GPIO lines, have their own files.
"""

import contextlib
import re
import time
from collections.abc import Iterable

from drivers.command import Command
from drivers.models.switchboards import FrameProfile, RouteProfile, SwitchboardProfile, TextProfile
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

    instrument: its name in messages. text: its identity, the profile's description if it has none. look:
    ask first which channels are closed.
    A board's own fields stand before this is called, as every channel is opened, from whatever they are.
    """

    found_closed: frozenset[int] | None = None

    def __init__(
        self,
        profile: SwitchboardProfile,
        file: SwitchboardFile,
        *,
        instrument: str = "switchboard",
        text: str = "",
        reads_back: bool = True,
        look: bool = False,
    ) -> None:
        text = text or profile.description
        self.identity = Identity(role=instrument, address=file.address, profile=file.profile, text=text)
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

    @property
    def identities(self) -> tuple[Identity, ...]:
        """Of this one board."""
        return (self.identity,)

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
        return BenchError(what, instrument=self.identity.role, address=self.identity.address)

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
        self._offset = profile.first_number - 1
        self._used: frozenset[int] = frozenset()
        super().__init__(profile, file, instrument=session.instrument, text=session.identity, look=look)

    def _numbers(self, channels: Iterable[int]) -> list[int]:
        """Channels as the switch numbers them."""
        return [n + self._offset for n in channels]

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
            command = self._commands.close if closed else self._commands.open
            self._session.write(command(channels=self._numbers(channels)))

    def _read_back(self, wanted: frozenset[int]) -> frozenset[int]:
        asked = sorted(self._used | wanted)
        if not asked:
            return frozenset()
        command = self._commands.close_query(channels=self._numbers(asked))
        answer = self._session.query(command)
        states = [part.strip() for part in answer.split(",")]
        if len(states) != len(asked) or not set(states) <= {"0", "1"}:
            raise self._session.bad_reply(f"{len(asked)} times 0 or 1", answer, command)
        return frozenset(n for n, state in zip(asked, states, strict=True) if state == "1")


LIST_OF_STATES = re.compile(r"[01](?:[ ,;]*[01])*")
READS_AS = {
    "hexadecimal": "a hexadecimal mask of its channels",
    "decimal": "a mask of its channels as a decimal number",
    "binary": "a mask of its channels as a binary number",
    "list": "0 or 1 for each of its channels",
}
BASES = {"hexadecimal": 16, "decimal": 10, "binary": 2}


class TextSwitchboard(Channels):
    """A relay board that takes a line of text per command over a serial port.

    Each command is answered if the profile says so; the state is read back if it has a query for that.
    """

    def __init__(
        self, session: Session, profile: TextProfile, file: SwitchboardFile, *, look: bool = False
    ) -> None:
        self._session, self._profile = session, profile
        self._commanded: frozenset[int] = frozenset()
        self._wait_until_it_answers()
        super().__init__(
            profile,
            file,
            instrument=session.instrument,
            reads_back=profile.commands.state_query is not None,
            look=look,
        )

    def _wait_until_it_answers(self) -> None:
        """Let a boot banner pass, then ask for the state until it reads; asking changes nothing."""
        deadline = time.monotonic() + BOOT_WITHIN_S
        while True:
            if self._session.dirty:
                self._session.resync()
            self._session.discard(quiet_s=QUIET_S, timeout_s=TRY_FOR_S)
            try:
                self._state(timeout_s=max(TRY_FOR_S, self._session.timeout_s))
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
        commands = self._profile.commands
        self._commanded = frozenset()
        if commands.open_all is not None:
            self._session.write(commands.open_all())
        elif commands.set_all is not None:
            self._session.write(self._all(commands.set_all))
        else:
            super()._open_all()

    def _move(self, channels: list[int], *, closed: bool) -> None:
        commands = self._profile.commands
        self._commanded = self._commanded | set(channels) if closed else self._commanded - set(channels)
        if commands.set_all is not None:
            self._session.write(self._all(commands.set_all))
            return
        command = commands.close if closed else commands.open
        if command is None:
            raise ValueError("a profile without set_all has close and open")
        for n in channels:
            self._session.write(command(n=n - 1 + self._profile.first_number))

    def _all(self, set_all: Command) -> str:
        """The command for every relay as it was commanded."""
        mask = sum(1 << n - 1 for n in self._commanded)
        return set_all(mask=mask ^ self._every if self._profile.active_low else mask)

    @property
    def _every(self) -> int:
        """A mask of all channels."""
        return (1 << self._profile.channels) - 1

    def _state(self, timeout_s: float | None = None) -> frozenset[int] | None:
        """The channels that it says are closed; None if it says nothing."""
        query = self._profile.commands.state_query
        if query is None:
            return None
        answer = self._session.query(query(), timeout_s=timeout_s)
        closed = self._read(answer.strip())
        if closed is None:
            raise self._session.bad_reply(READS_AS[self._profile.state], answer, query())
        return closed

    def _read(self, answer: str) -> frozenset[int] | None:
        """The closed channels of an answer in the profile's form, None for one in another form."""
        form = self._profile.state
        if form == "list":
            if not LIST_OF_STATES.fullmatch(answer):
                return None
            states = re.findall("[01]", answer)
            if len(states) != self._profile.channels:
                return None
            closed = "0" if self._profile.active_low else "1"
            return frozenset(n for n, state in enumerate(states, start=1) if state == closed)
        try:
            mask = int(answer, BASES[form])
        except ValueError:
            return None
        if not 0 <= mask < 1 << MOST_CHANNELS:
            return None
        if self._profile.active_low:
            mask ^= self._every
        return frozenset(bit + 1 for bit in range(mask.bit_length()) if mask >> bit & 1)

    def _read_back(self, wanted: frozenset[int]) -> frozenset[int] | None:
        return self._state()


class FrameSwitchboard(Channels):
    """A relay board of four-byte frames over a serial port; some answer each frame with the same one.

    What its relays do is not verified: `reads_back` says that nothing confirms the commanded state.
    """

    def __init__(self, session: Session, profile: FrameProfile, file: SwitchboardFile) -> None:
        self._session, self._profile = session, profile
        super().__init__(
            profile,
            file,
            instrument=session.instrument,
            text=f"{profile.description} (not verified)",
            reads_back=False,
        )

    def _insist_all_open(self) -> None:
        self._session.insist(self._all_open)

    def _reopen_link(self) -> None:
        self._session.resync()

    def _open_all(self) -> None:
        """Every channel by name: the state is unknown here, and the board has no frame for all."""
        self._session.send_bytes(FLUSH)
        if self._profile.echoes:
            self._session.discard(quiet_s=QUIET_S, timeout_s=TRY_FOR_S)
        super()._open_all()

    def _move(self, channels: list[int], *, closed: bool) -> None:
        profile = self._profile
        state = profile.energised if closed else profile.released
        for n in channels:
            data = frame(profile.start, n - 1 + profile.first_number, state)
            self._session.send_bytes(data, answer=data if profile.echoes else b"")

    def _read_back(self, wanted: frozenset[int]) -> None:
        return None


def frame(start: int, channel: int, state: int) -> bytes:
    """Four bytes: start, channel, state, low byte of their sum."""
    return bytes((start, channel, state, (start + channel + state) & 0xFF))
