"""Which scope input, and which row of a capture, sees which leg."""

from harness.job.fixture import Hookup


def input_numbers(hookup: Hookup) -> tuple[int, ...]:
    """Numbers of the scope's inputs in the order of the viewed legs: hot, cold, hot, cold."""
    pairs = range(1, 2 * len(hookup.view), 2)
    if hookup.exchanged:
        return tuple(number for first in pairs for number in (first + 1, first))
    return tuple(number for first in pairs for number in (first, first + 1))


def drive_rows(hookup: Hookup) -> tuple[int, int] | None:
    """Rows that view the driven port, where the setup does."""
    if hookup.drive is None or hookup.drive not in hookup.view:
        return None
    return hookup.rows(hookup.drive)
