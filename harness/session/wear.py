"""How often a run operated each relay: what was commanded, and whether the switchboard read it back.

That a contact closed is a third fact, and neither of these: the unit's current in each line (the run's
fingerprint) and its readings prove it.
"""

from collections import Counter

from harness.job.job import Job
from harness.roles import Identity, Switchboard


class CountedSwitchboard:
    """A switchboard, and how often each of its channels was told to close."""

    def __init__(self, board: Switchboard) -> None:
        self._board = board
        self._closed: frozenset[int] = frozenset()
        self.closings: Counter[int] = Counter()

    @property
    def identity(self) -> Identity:
        """Of the board itself."""
        return self._board.identity

    @property
    def channel_count(self) -> int:
        """Of the board itself."""
        return self._board.channel_count

    @property
    def reads_back(self) -> bool:
        """Whether the board verifies what it was told."""
        return self._board.reads_back

    @property
    def settle_s(self) -> float:
        """Of the board itself."""
        return self._board.settle_s

    def set(self, closed: frozenset[int]) -> None:
        """Close exactly these; what fails was commanded all the same, and wears as if it had not."""
        self.closings.update(closed - self._closed)
        self._closed = frozenset()
        self._board.set(closed)
        self._closed = closed

    def off(self) -> None:
        """Every channel open."""
        self._closed = frozenset()
        self._board.off()

    def recover(self) -> None:
        """After a failure: every channel open."""
        self._closed = frozenset()
        self._board.recover()


def operations_of(job: Job, board: CountedSwitchboard) -> dict[str, int]:
    """How often each relay's line was energised (of a latching one, the line that sets it)."""
    lines = {relay.name: relay.operating_line for relay in job.module.relays}
    return {name: board.closings[job.fixture.lines[line]] for name, line in lines.items() if line is not None}
