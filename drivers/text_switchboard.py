"""A relay board that takes a line of text per command over a serial port."""

import time

from drivers.profile import TextProfile
from drivers.session import Session
from drivers.switchboard import Channels
from harness.errors import BadReply, BenchTimeout, Desynchronised, LinkLost
from harness.roles import Identity

QUIET_S = 0.05
BOOT_WITHIN_S = 4.0  # boards that reset when their port is opened talk for a second or two
TRY_FOR_S = 0.5
MOST_CHANNELS = 1024


class TextSwitchboard(Channels):
    """Commands are answered one by one; the state is read back as a mask where there is a query."""

    def __init__(
        self,
        session: Session,
        profile: TextProfile,
        *,
        profile_name: str,
        settle_s: float,
        look: bool = False,
    ) -> None:
        self._session, self._profile = session, profile
        self._wait_until_it_answers()
        identity = Identity(
            role="switchboard", address=session.address, profile=profile_name, text=profile.description
        )
        super().__init__(
            identity=identity,
            channel_count=profile.channels,
            settle_s=settle_s,
            reads_back=profile.commands.state_query is not None,
        )
        self._begin(look=look)

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

    def _open(self, channels: list[int]) -> None:
        for n in channels:
            self._command(self._profile.commands.open(n=n))

    def _close(self, channels: list[int]) -> None:
        for n in channels:
            self._command(self._profile.commands.close(n=n))

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
