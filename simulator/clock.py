"""The simulator's own time: seconds since it started, perhaps faster than the wall's."""

import time


class Clock:
    """Simulated seconds, running `hasten` times faster than the wall clock."""

    def __init__(self, hasten: float = 1.0) -> None:
        self.hasten = hasten
        self._start_s = time.monotonic()

    def now(self) -> float:
        """Simulated seconds since the clock was made."""
        return (time.monotonic() - self._start_s) * self.hasten

    def wall_until(self, at_s: float) -> float:
        """Wall seconds until the simulated instant `at_s`; zero when it has passed."""
        return max(0.0, (at_s - self.now()) / self.hasten)
