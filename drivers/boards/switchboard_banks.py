"""Several switchboards as one: their channels are numbered on from one board to the next."""

import time
from collections.abc import Callable, Sequence

from drivers.boards.switchboard import Channels
from harness.errors import BenchError
from harness.roles import Identity


class Banks:
    """The `Switchboard` of harness.roles for several boards, in the order of their channels.

    A change opens channels on every board before it closes any on another, as one board does.
    """

    def __init__(self, boards: Sequence[Channels]) -> None:
        self._boards = tuple(boards)
        self._first = [1 + sum(board.channel_count for board in boards[:at]) for at in range(len(boards))]
        self._now: frozenset[int] | None = None  # what is closed; None: unknown
        first = boards[0].identity
        self.identity = Identity(
            role="switchboard",
            address=first.address,
            profile=first.profile,
            text=f"{len(boards)} boards, the first {first.text}",
        )
        self.identities = tuple(board.identity for board in boards)
        self.channel_count = sum(board.channel_count for board in boards)
        self.reads_back = all(board.reads_back for board in boards)
        self.settle_s = max(board.settle_s for board in boards)

    def set(self, closed: frozenset[int]) -> None:
        """Close exactly these channels, opening the others on every board first."""
        strangers = sorted(n for n in closed if not 1 <= n <= self.channel_count)
        if strangers:
            raise BenchError(
                f"has channels 1 to {self.channel_count} on {len(self._boards)} boards, and {strangers} are "
                "asked for",
                instrument="switchboard",
                address=self.identity.address,
            )
        before, self._now = self._now, None
        if before is None:
            self._on_each(lambda board, _: board.set(frozenset()), frozenset())
            before = frozenset()
        stays = before & closed
        if stays != before:
            self._on_each(lambda board, part: board.set(part), stays)
            if closed != stays:
                time.sleep(self.settle_s)
        if closed != stays:
            self._on_each(lambda board, part: board.set(part), closed)
        self._now = closed

    def _on_each(self, act: Callable[[Channels, frozenset[int]], None], channels: frozenset[int]) -> None:
        for board, first in zip(self._boards, self._first, strict=True):
            last = first + board.channel_count - 1
            act(board, frozenset(n - first + 1 for n in channels if first <= n <= last))

    def off(self) -> None:
        """Every channel of every board open, whatever befalls another; raises BenchError for what failed."""
        self._now = None
        self._all(Channels.off)
        self._now = frozenset()

    def recover(self) -> None:
        """After a failure: every board reopened, every channel open."""
        self._now = None
        self._all(Channels.recover)
        self._now = frozenset()

    def _all(self, act: Callable[[Channels], None]) -> None:
        failures: list[BenchError] = []
        for board in self._boards:
            try:
                act(board)
            except BenchError as error:  # the next board must be opened whatever befell this one
                failures.append(error)
        if failures:
            for other in failures[1:]:
                failures[0].add_note(str(other))
            raise failures[0]
