"""One reading and what became of it: what the runner makes, the records keep and the report shows."""

from dataclasses import dataclass
from typing import Literal

Verdict = Literal["pass", "fail", "unproven", "missing"]


@dataclass(frozen=True, kw_only=True)
class Contribution:
    """One line of an uncertainty budget: a component and its share, one standard uncertainty in the unit."""

    name: str
    standard: float


@dataclass(frozen=True, kw_only=True)
class Reading:
    """A measured value with its uncertainty, its limits and its verdict.

    `value` with `low` and `high` (the expanded interval, which covers what `coverage_factor` standard
    uncertainties do of a normal distribution) and `standard`, all in `unit`. Where `floor` is true the signal
    was not found and `value` is the level below which it lies.
    A missing reading has no value and a `reason`. `limit_low` and `limit_high` are what the value had to
    satisfy, None where open. `expected` is the circuit's prediction, with its own `expected_standard`.
    Polarity reads +1 (normal) or -1 (inverted), unit "".
    """

    check: str
    quantity: str
    state: str
    channel: str  # of the port; "" for supply_current
    port: str  # net, or net.leg for a reading of one leg; "" for supply_current
    hookup: str
    frequency_hz: float | None
    unit: str
    value: float | None
    standard: float | None
    low: float | None
    high: float | None
    coverage_factor: float
    floor: bool
    expected: float | None
    expected_standard: float | None
    limit_low: float | None
    limit_high: float | None
    verdict: Verdict
    reason: str  # why missing or unproven, or a doubt; "" otherwise
    budget: tuple[Contribution, ...]
    acquisitions: tuple[int, ...]  # the records' numbers of the captures behind it
    route: str  # the route in words that the circuit predicts, "" where none applies

    @property
    def where(self) -> str:
        """`left.out`, or "" for a reading of the whole unit."""
        return f"{self.channel}.{self.port}" if self.channel else self.port
