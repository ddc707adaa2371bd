"""One reading: what is measured, by which check, within which limits, and with which verdict.

The session makes readings, the records keep them, and the report and the statistics show them.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

Verdict = Literal["pass", "fail", "unproven", "missing"]
Step = Literal["released", "operated"]
Shown = Literal["hot leg", "cold leg", "between the legs"]


@dataclass(frozen=True, kw_only=True)
class Contribution:
    """One line of an uncertainty budget: a component and its share, one standard uncertainty in the unit."""

    name: str
    standard: float


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """A value with its expanded interval, `low` to `high`.

    The interval covers what `coverage_factor` standard uncertainties do of a normal distribution. It is
    narrower if a component between two limits outweighs the others (`factor_for`), and wider if one
    does that was found from few values (`student_factor`). If `floor` is true, only a bound is known: `value`
    and `high` are the level that it lies below, and `low` is minus infinity; or `value` and `low` are what it
    is at least, and `high` is infinity. `standard` is None then, and the budget empty.
    """

    value: float
    standard: float | None
    low: float
    high: float
    coverage_factor: float
    floor: bool
    budget: tuple[Contribution, ...]

    @property
    def is_least(self) -> bool:
        """Whether the value is a lower bound: the true one is at least so much."""
        return self.floor and math.isfinite(self.low) and not math.isfinite(self.high)


@dataclass(frozen=True, kw_only=True)
class Expected:
    """What the circuit predicts, with its standard uncertainty."""

    value: float
    standard: float | None


@dataclass(frozen=True, kw_only=True)
class Limit:
    """What a value must satisfy, in `unit` (dB, dBu, deg, V, A, ohm, F; % is a fraction).

    within: no further than `high` from the predicted value (relative: `high` is a fraction of it, and unit is
    the prediction's). below, above: `high` or `low` alone. between: both.
    tolerance: it comes from the tolerance of parts and the bench's uncertainty; a check's has no ends, and
    the plan sets those of each reading.
    """

    kind: Literal["within", "below", "above", "between"]
    unit: str
    low: float | None = None
    high: float | None = None
    relative: bool = False
    tolerance: bool = False


@dataclass(frozen=True, kw_only=True)
class Measurand:
    """What is measured, apart from the check that asks for it.

    options: name and value of what tells two measurands of one quantity apart, such as the weighting of a
    noise or the loopbacks that are plugged in; sorted by name. state: a state's name, or that of a change of
    state. channel and port: where it is measured; port is a net, or net.leg for one leg; both "" for the
    whole unit. driven: the port that the generator feeds, `left.in`; "" if it feeds none.
    """

    quantity: str
    options: tuple[tuple[str, str], ...] = ()
    state: str
    channel: str = ""
    port: str = ""
    driven: str = ""
    frequency_hz: float | None = None

    def __post_init__(self) -> None:
        if len(self.options) > 1 and tuple(sorted(self.options)) != self.options:
            raise ValueError(f"the options of a measurand are sorted by name, got {self.options}")

    @property
    def where(self) -> str:
        """`left.out`, or "" for a reading of the whole unit."""
        return f"{self.channel}.{self.port}" if self.channel else self.port

    @property
    def net(self) -> str:
        """The port's net, also for a reading of one leg."""
        return self.port.partition(".")[0]

    @property
    def pair(self) -> str:
        """`left.out`, also for a reading of one leg; "" for a reading of the whole unit."""
        return f"{self.channel}.{self.net}" if self.channel else self.net

    def mirrored(self, left: str, right: str) -> "Measurand":
        """The same in the other of two channels, the driven channel swapped as well."""
        other = {left: right, right: left}
        channel, dot, net = self.driven.partition(".")
        return replace(
            self,
            channel=other.get(self.channel, self.channel),
            driven=f"{other.get(channel, channel)}{dot}{net}",
        )


@dataclass(frozen=True, kw_only=True)
class ReadingKey:
    """What makes a reading the same reading in another run: the check's name and the measurand."""

    check: str
    measurand: Measurand


@dataclass(frozen=True, kw_only=True)
class InputRefused:
    """A scope input whose capture was not good enough to make this reading from."""

    input: int
    problem: str  # the kind of problem, such as "clipped"


@dataclass(frozen=True, kw_only=True)
class LostToBench:
    """The bench failed when this reading was to be taken, so it stays missing."""

    instrument: str


@dataclass(frozen=True, kw_only=True)
class NothingMoved:
    """No change of the signal's route was seen in the whole record of a change of state."""


@dataclass(frozen=True, kw_only=True)
class OperationFailed:
    """One of several operations of a control line after which a level was wrong.

    number: of the operation, from 1. step: the half of it after which that was seen. shown: where.
    """

    number: int
    step: Step
    shown: Shown


@dataclass(frozen=True, kw_only=True)
class MeasuredAgain:
    """The reading did not pass at first, and was measured again after all relays were released.

    value, again_value: None for a measurement that could not be taken. cause: what the bench was seen to do
    at the first one, "" if nothing was seen.
    """

    verdict: Verdict
    value: float | None
    again_verdict: Verdict
    again_value: float | None
    cause: str


@dataclass(frozen=True, kw_only=True)
class NotConfirmed:
    """The reading failed, and could not be measured again."""


@dataclass(frozen=True, kw_only=True)
class LeadOrUnit:
    """The reading failed, and these leads (`input 1`) on other pins would explain all that failed.

    faults: of the unit, by name, that would explain it as well.
    """

    leads: tuple[str, ...]
    faults: tuple[str, ...]


Fact = InputRefused | LostToBench | NothingMoved | OperationFailed | MeasuredAgain | NotConfirmed | LeadOrUnit
"""What programs ask about a reading besides its value and its verdict."""


@dataclass(frozen=True, kw_only=True)
class Reading:
    """A judged reading; a missing one has no estimate and a `reason`.

    unit: of the estimate, of what is expected and of the limits; "" for polarity, which reads +1 (normal) or
    -1 (inverted). limit_low and limit_high: what the value had to satisfy, None for an open end.
    """

    key: ReadingKey
    unit: str
    estimate: Estimate | None
    expected: Expected | None
    limit_low: float | None
    limit_high: float | None
    verdict: Verdict
    reason: str  # for people: why it is missing or unproven, or a warning; "" otherwise
    facts: tuple[Fact, ...]
    acquisitions: tuple[int, ...]  # the records' numbers of the captures behind it
    route: str  # the route in words that the circuit predicts, "" if none applies
    setup: str  # the name of the test setup; "" for the supply current
