"""Quantities of a control line that is operated again and again."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from harness.measure.intermittency import failure_rate
from harness.measure.stimulus import Stimulus
from harness.quantities.judged import Decision, Judged
from harness.quantities.limits import LimitRule
from harness.quantities.need import Need, key_for, one_tone
from harness.quantities.quantity import LOW_LEVEL_VRMS, Family, Options, PlannedReading, Quantity
from harness.reading import Estimate, OperationFailed

CONFIDENCE = 0.95
MOST_TOLD = 5  # operations that failed: how many a sentence has room for


@dataclass(frozen=True, kw_only=True)
class CycleLevels:
    """V RMS on each viewed leg, by row, and between the legs of the port.

    An open leg carries a copy of the other where the load floats: then only what is between them is wrong.
    """

    legs_vrms: tuple[float, ...]
    pair_vrms: float


def levels_of(volts: NDArray[np.complex128], rows: tuple[int, int]) -> CycleLevels:
    """From the legs' phasors by row; rows: of the port's legs."""
    hot, cold = rows
    return CycleLevels(
        legs_vrms=tuple(float(level) for level in np.abs(volts)),
        pair_vrms=float(abs(volts[hot] - volts[cold])),
    )


@dataclass(frozen=True, kw_only=True)
class OfOperations:
    """A line that is operated from rest, what is looked at after each step, and what the circuit expects."""

    setup: str
    line: str
    operations: int
    stimulus: Stimulus
    rows: tuple[int, int]
    at_rest: CycleLevels
    operated: CycleLevels


@dataclass(frozen=True, kw_only=True)
class Failure:
    """Where an operation went wrong, and in words how far."""

    fact: OperationFailed
    words: str


@dataclass(frozen=True, kw_only=True)
class CycleSeen:
    """What became of a line's operations."""

    operations: int
    failures: tuple[Failure, ...]


class OfCycle(Quantity[OfOperations, CycleSeen]):
    """A quantity of a line's operations: the session operates it, this counts."""

    family: ClassVar[Family] = "cycle"

    def planned(
        self,
        need: Need,
        *,
        setup: str,
        line: str,
        rows: tuple[int, int],
        at_rest: CycleLevels,
        operated: CycleLevels,
    ) -> PlannedReading[OfOperations]:
        """The reading of one line, in the state in which it alone is on."""
        options = need.check.options
        return PlannedReading(
            key=key_for(need, self.name, options.of_measurand(), frequency_hz=need.check.tone.frequency_hz),
            quantity=self,
            limit=need.check.limit,
            captures=(),
            given=OfOperations(
                setup=setup,
                line=line,
                operations=options.operations,
                stimulus=one_tone(need),
                rows=rows,
                at_rest=at_rest,
                operated=operated,
            ),
        )


class IntermittencyOptions(Options):
    """Of an intermittency check. operations: of each line."""

    operations: Annotated[int, Field(ge=1, le=100_000)] = 10


class Intermittency(OfCycle):
    """Share of a line's operations after which a level is wrong."""

    name, words, unit = "intermittency", "intermittent contacts", "%"
    limits = LimitRule(dimension="fraction", unit="%", kinds=("below",), example='below = "30 %"')
    options = IntermittencyOptions
    look_for = "a contact or a joint that comes and goes"
    default_level_vrms = most_level_vrms = LOW_LEVEL_VRMS

    def measure(self, planned: PlannedReading[OfOperations], seen: Sequence[CycleSeen], k: float) -> Estimate:
        """The share that failed, between the bounds of what that says of the rate."""
        failed, operations = len(seen[0].failures), seen[0].operations
        upper = failure_rate(failed, operations, confidence=CONFIDENCE).upper
        lower = failure_rate(failed, operations, confidence=CONFIDENCE, sides="two").lower
        return Estimate(
            value=failed / operations,
            standard=None,
            low=lower,
            high=upper,
            coverage_factor=k,
            floor=False,
            budget=(),
        )

    def judged(
        self,
        planned: PlannedReading[OfOperations],
        seen: Sequence[CycleSeen],
        found: Estimate,
        expected: Estimate | None,
        *,
        decision: Decision,
    ) -> Judged:
        """With what was seen of each operation that failed."""
        judged = super().judged(planned, seen, found, expected, decision=decision)
        failures, operations = seen[0].failures, seen[0].operations
        reason = f"{len(failures)} of {operations} operations failed, so at most {100 * found.high:.3g} % do"
        if failures:
            reason += f": {'; '.join(one.words for one in failures[:MOST_TOLD])}"
            reason += " and more" if len(failures) > MOST_TOLD else ""
        elif judged.verdict == "unproven":
            reason += "; more operations would tell"
        return replace(judged, reason=reason, facts=tuple(one.fact for one in failures))
