"""Quantities of a control line that is operated again and again."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from harness.arrays import Complex
from harness.errors import UsageError
from harness.measure.tones import Stimulus
from harness.quantities.need import Need, one_tone
from harness.quantities.quantity import (
    LOW_LEVEL_VRMS,
    Family,
    Judged,
    LimitRule,
    Options,
    PlannedReading,
    Quantity,
)
from harness.reading import Estimate, OperationFailed, Shown

Side = Literal["one", "two"]
MISS_DB = 0.8  # what 100 ohm take off 1 kohm: the miss of MIL-R-5757J, at the load that it is told by
SILENT = 0.01  # of the drive: a leg that should show less than this is missed when it shows more
MORE = 3.0  # times what the circuit predicts through an open contact, with strays: 12 dB in all
CONFIDENCE = 0.95
MOST_LISTED = 5  # operations that failed: how many a sentence has room for


@dataclass(frozen=True, kw_only=True)
class CycleLevels:
    """V RMS on each viewed leg, by row, and between the legs of the port.

    An open leg carries a copy of the other where the load floats: then only what is between them is wrong.
    coupled: what of these comes through the capacitance of open contacts, which may be several times as large
    as the job's files say; zeros if that is not known.
    """

    legs_vrms: tuple[float, ...]
    pair_vrms: float
    legs_coupled_vrms: tuple[float, ...] = ()
    pair_coupled_vrms: float = 0.0

    def with_coupled(self, alone: "CycleLevels") -> "CycleLevels":
        """The same, known what is there without the capacitance of open contacts."""
        legs = zip(self.legs_vrms, alone.legs_vrms, strict=True)
        return replace(
            self,
            legs_coupled_vrms=tuple(abs(level - without) for level, without in legs),
            pair_coupled_vrms=abs(self.pair_vrms - alone.pair_vrms),
        )


def levels_of(volts: Complex, rows: tuple[int, int]) -> CycleLevels:
    """From the legs' phasors by row; rows: of the port's legs."""
    hot, cold = rows
    return CycleLevels(
        legs_vrms=tuple(float(level) for level in np.abs(volts)),
        pair_vrms=float(abs(volts[hot] - volts[cold])),
    )


@dataclass(frozen=True, kw_only=True)
class OfOperations:
    """A control line that is operated from idle, what is looked at after each step, and what the circuit
    expects.
    """

    setup: str
    control: str
    operations: int
    stimulus: Stimulus
    rows: tuple[int, int]
    released: CycleLevels
    operated: CycleLevels

    def first_miss(self, volts: Complex, expected: CycleLevels) -> tuple[Shown, str] | None:
        """Which level differs from what the circuit predicts, and how; None if none does. volts: by row."""
        hot, cold = self.rows
        levels = levels_of(volts, self.rows)
        coupled = expected.legs_coupled_vrms or (0.0,) * len(expected.legs_vrms)
        shown: tuple[tuple[Shown, float, float, float], ...] = (
            ("hot leg", levels.legs_vrms[hot], expected.legs_vrms[hot], coupled[hot]),
            ("cold leg", levels.legs_vrms[cold], expected.legs_vrms[cold], coupled[cold]),
            ("between the legs", levels.pair_vrms, expected.pair_vrms, expected.pair_coupled_vrms),
        )
        drive_vrms = self.stimulus.level_vrms
        misses = (
            (what, _missed(level, wanted, through, drive_vrms=drive_vrms))
            for what, level, wanted, through in shown
        )
        return next(((what, miss) for what, miss in misses if miss), None)


@dataclass(frozen=True, kw_only=True)
class Failure:
    """Where an operation went wrong, and how far, for people."""

    fact: OperationFailed
    description: str


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
        control: str,
        rows: tuple[int, int],
        released: CycleLevels,
        operated: CycleLevels,
    ) -> PlannedReading[OfOperations]:
        """The reading of one line, in the state in which it alone is on."""
        return PlannedReading(
            key=self.key(need, need.frequency_hz),
            quantity=self,
            limit=need.limit,
            captures=(),
            given=OfOperations(
                setup=setup,
                control=control,
                operations=need.options.operations,
                stimulus=one_tone(need),
                rows=rows,
                released=released,
                operated=operated,
            ),
        )


class IntermittencyOptions(Options):
    """Of an intermittency check. operations: of each control line."""

    operations: Annotated[int, Field(ge=1, le=100_000)] = 10


class Intermittency(OfCycle):
    """Share of a line's operations after which a level is wrong."""

    name, label, unit = "intermittency", "intermittent contacts", "%"
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

    def explained(
        self,
        judged: Judged,
        planned: PlannedReading[OfOperations],
        seen: Sequence[CycleSeen],
        result: Estimate,
    ) -> Judged:
        """With what was seen of each operation that failed."""
        failures, operations = seen[0].failures, seen[0].operations
        reason = f"{len(failures)} of {operations} operations failed, so at most {100 * result.high:.3g} % do"
        if failures:
            reason += f": {'; '.join(failure.description for failure in failures[:MOST_LISTED])}"
            reason += " and more" if len(failures) > MOST_LISTED else ""
        elif judged.verdict == "unproven":
            reason += "; more operations would decide"
        return replace(judged, reason=reason, facts=tuple(failure.fact for failure in failures))


def _missed(level_vrms: float, expected_vrms: float, coupled_vrms: float, *, drive_vrms: float) -> str:
    """What is wrong with a leg's level after an operation: `not silent`, `-8.0 dB`; "" if nothing is.

    coupled_vrms: of what is expected, what open contacts let through: it may be none of it, or MORE times it
    in addition.
    """
    more_vrms = MORE * coupled_vrms
    if expected_vrms < SILENT * drive_vrms / 2:
        return "not silent" if level_vrms > max(SILENT * drive_vrms, expected_vrms + more_vrms) else ""
    miss = 10 ** (MISS_DB / 20)
    if expected_vrms / miss - coupled_vrms <= level_vrms <= expected_vrms * miss + more_vrms:
        return ""
    return f"{20 * math.log10(max(level_vrms, 1e-12) / expected_vrms):+.1f} dB"


@dataclass(frozen=True, kw_only=True)
class FailureRate:
    """The bounds of the rate behind some failures in a number of operations."""

    lower: float
    upper: float


def failure_rate(
    failures: int, operations: int, *, confidence: float = 0.95, sides: Side = "one"
) -> FailureRate:
    """Bound the failure rate by Clopper and Pearson (Biometrika 26, 1934): exact for independent operations.

    sides: one, an upper bound alone, at the whole confidence (lower is 0); two, an interval with half of the
    risk on each side. Operations that influence one another (a dirty contact that misses in runs) are not
    independent, and no bound holds for them.
    Raises UsageError for counts or a confidence that do not fit together.
    """
    if not 0 <= failures <= operations or operations < 1:
        raise UsageError(f"{failures} failures in {operations} operations can't be")
    if not 0 < confidence < 1:
        raise UsageError(f"a confidence of {confidence:g} can't be: expected between 0 and 1, such as 0.95")
    risk = 1 - confidence if sides == "one" else (1 - confidence) / 2
    if failures == 0:
        lower, upper = 0.0, -math.expm1(math.log(risk) / operations)
    else:
        from scipy.special import betaincinv

        lower = 0.0 if sides == "one" else float(betaincinv(failures, operations - failures + 1, risk))
        upper = 1.0
        if failures < operations:
            upper = float(betaincinv(failures + 1, operations - failures, 1 - risk))
    return FailureRate(lower=lower, upper=upper)
