"""Whether a plan's readings would see a fault: every reading of every suspect, judged as a run would.

A margin counts expanded uncertainties between a reading and the limit that it breaks: at 1 it is judged fail
even so. The uncertainty holds the bench's, the prediction's and the spread of sound parts in the unit itself.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.faults.doubt import Level, supply_standard
from harness.faults.over_current import over_current
from harness.faults.prospect import REJECTION, Prospect
from harness.faults.signatures import Signatures
from harness.job.job import Job
from harness.judge import limits_for
from harness.measure.contact import LEAST_LEVEL
from harness.measure.quantities import CERTAIN, CLEAR_DEG
from harness.plan.model import Plan, PlannedReading
from harness.quantities.registry import QUANTITIES
from harness.reading import Limit

Floats = NDArray[np.float64]

KNOWN = frozenset(
    {"gain", "isolation", "polarity", "balance", "crosstalk", "channel_match", "supply_current", "response"}
    | {"contact_resistance", REJECTION}
    | {"phase", "balance_phase", "channel_phase"}
)  # others count as no evidence: nothing here predicts what a fault does to them
NONE = -math.inf  # the margin of a reading that says nothing


@dataclass(frozen=True, kw_only=True, eq=False)
class Margins:
    """Margins of every reading for every suspect, (suspects, readings + 1); the last is the over-current
    check of each line before the plan.

    sound: the same for a healthy unit, (readings,): how far inside its limits it is, in expanded
    uncertainties; below 1 a healthy unit may not pass.
    """

    readings: tuple[PlannedReading, ...]
    margins: Floats
    sound: Floats

    @property
    def best(self) -> Floats:
        """The largest margin of each suspect."""
        return np.asarray(self.margins.max(axis=1, initial=NONE))


def weigh_margins(job: Job, plan: Plan, signatures: Signatures) -> Margins:
    """Judge every reading of every suspect, and of a healthy unit."""
    prospect = Prospect(job=job, plan=plan, signatures=signatures)
    columns = [_margins(prospect, reading) for reading in plan.readings]
    k = prospect.coverage_factor
    over = np.array(
        [over_current(job.module, suspect, coverage_factor=k)[0] for suspect in signatures.suspects]
    )
    margins = np.stack([*(broken for broken, _ in columns), over.reshape(len(signatures.suspects))], axis=1)
    return Margins(readings=plan.readings, margins=margins, sound=np.array([inside for _, inside in columns]))


def words_for(reading: PlannedReading) -> str:
    """`gain at left.out, loop_a, driving left`."""
    if reading.quantity == "supply_current":
        return f"supply current, {reading.state.name}"
    quantity = reading.quantity.replace("_", " ")
    driven = "" if reading.driven == reading.channel else f", driving {reading.driven}"
    return f"{quantity} at {reading.channel}.{reading.port}, {reading.state.name}{driven}"


def _margins(prospect: Prospect, reading: PlannedReading) -> tuple[Floats, float]:
    """Margin by which each suspect breaks this reading's limit, and by which a healthy unit keeps it."""
    if reading.quantity == "supply_current":
        return _supply(prospect, reading)
    if reading.quantity not in KNOWN:
        return np.full(len(prospect.signatures.suspects), NONE), math.inf
    if reading.quantity == "polarity":
        return _polarity(prospect, reading)
    if QUANTITIES[reading.quantity].unit == "deg":
        return _phase(prospect, reading)
    if reading.quantity == REJECTION:
        return _rejection(prospect, reading)
    if reading.quantity == "contact_resistance":
        return _contact(prospect, reading)
    return _level(prospect, reading)


def _level(prospect: Prospect, reading: PlannedReading) -> tuple[Floats, float]:
    level, needed = prospect.ratio_of(reading)
    expected_db, doubt = _expected_db(level)
    limit = reading.limit or Limit(kind="between", unit="dB")
    low_db, high_db = limits_for(limit, expected_db)
    k = prospect.coverage_factor
    magnitude = np.abs(level.value)
    there = magnitude > k * level.bench_quadrature
    bench = np.where(there, level.bench_standard, level.bench_quadrature)
    own = doubt * magnitude if limit.kind == "within" else 0.0 * magnitude
    broken = np.full(len(magnitude), NONE)
    inside = math.inf
    for end, sign in ((low_db, -1.0), (high_db, 1.0)):
        if end is None:
            continue
        edge = 10 ** (end / 20)
        whole = k * np.sqrt(bench**2 + level.parts_standard**2 + own**2) + 1e-300
        margin = sign * (magnitude - edge) / whole
        broken = np.maximum(broken, margin)
        inside = min(inside, -float(margin[0]))
    broken = np.where(np.isfinite(magnitude) & needed, broken, NONE)
    return broken[1:], inside


def _rejection(prospect: Prospect, reading: PlannedReading) -> tuple[Floats, float]:
    """The worst of its sources' rejections: the differential over what a common drive makes of it."""
    k = prospect.coverage_factor
    broken = np.full(len(prospect.signatures.suspects), NONE)
    inside = math.inf
    limit = reading.limit
    if limit is None or limit.low is None:
        return broken, inside
    edge = 10 ** (-limit.low / 20)
    for number in reading.acquisitions:
        if prospect.hookup(number).exchanged:
            continue
        level = prospect.converted(reading, number)
        through = prospect.pair_level(number, reading.channel, reading.port)
        bench = np.maximum(level.bench_standard, level.bench_quadrature)
        whole = k * np.hypot(bench, level.parts_standard)
        margin = (np.abs(level.value) - edge) / (whole + 1e-300)
        broken = np.maximum(broken, np.where(prospect.there(through), margin, NONE)[1:])
        inside = min(inside, -float(margin[0]))
    return broken, inside


def _contact(prospect: Prospect, reading: PlannedReading) -> tuple[Floats, float]:
    """A path's series resistance, by what it takes off the level: as `series_resistance` has it."""
    nothing = np.full(len(prospect.signatures.suspects), NONE)
    source, load, limit = reading.source, reading.load, reading.limit
    if source is None or load is None or limit is None or limit.high is None:
        return nothing, math.inf
    number = reading.acquisitions[0]
    level = prospect.pair_level(number, reading.channel, reading.port)
    magnitude = np.maximum(np.abs(level.value), LEAST_LEVEL)
    found_ohm = load.ohm * (1 / magnitude - 1) - source.ohm
    doubt = np.hypot(level.bench_standard, level.parts_standard) * load.ohm / magnitude**2
    whole_ohm = prospect.coverage_factor * np.hypot(doubt, source.standard_ohm)
    high_ohm = limits_for(limit, float(found_ohm[0]))[1]
    if high_ohm is None or whole_ohm[0] > limit.high:
        return nothing, math.inf  # a run says of it that it isn't observable, and judges nothing
    margin = (found_ohm - high_ohm) / whole_ohm
    return np.where(prospect.there(level), margin, NONE)[1:], -float(margin[0])


def _polarity(prospect: Prospect, reading: PlannedReading) -> tuple[Floats, float]:
    number = reading.acquisitions[0]
    level = prospect.pair_level(number, reading.channel, reading.port)
    angle = np.abs(np.degrees(np.angle(level.value)))
    sign = np.where(angle <= CLEAR_DEG, 1, np.where(angle >= 180 - CLEAR_DEG, -1, 0))
    k = max(prospect.coverage_factor, CERTAIN)
    certain = np.abs(level.value) / (k * np.maximum(level.bench_standard, level.bench_quadrature))
    broken = np.where(sign * sign[0] == -1, certain, NONE)
    return broken[1:], float(certain[0])


def _phase(prospect: Prospect, reading: PlannedReading) -> tuple[Floats, float]:
    level, needed = prospect.ratio_of(reading)
    turned = np.degrees(np.angle(level.value / level.value[0]))
    opposite = -1 if reading.quantity == "balance_phase" else 1  # as legs are
    expected = float(np.degrees(np.angle(opposite * level.value[0])))
    limit = reading.limit or Limit(kind="between", unit="deg")
    low, high = limits_for(limit, expected)
    k = prospect.coverage_factor
    with np.errstate(divide="ignore", invalid="ignore"):
        side = np.sqrt(level.bench_quadrature**2 + (np.abs(level.parts) ** 2).sum(axis=0)) / np.abs(
            level.value
        )
    whole = k * np.degrees(side)
    broken = np.full(len(turned), NONE)
    inside = math.inf
    for end, sign in ((low, -1.0), (high, 1.0)):
        if end is not None:
            margin = sign * (turned - (end - expected)) / whole
            broken = np.maximum(broken, margin)
            inside = min(inside, -float(margin[0]))
    return np.where(prospect.there(level) & needed, broken, NONE)[1:], inside


def _supply(prospect: Prospect, reading: PlannedReading) -> tuple[Floats, float]:
    place = prospect.signatures.states.index(reading.state)
    found = prospect.signatures.supply_a[:, place]
    expected = float(prospect.signatures.healthy_supply_a[place])
    low, high = limits_for(reading.limit or Limit(kind="between", unit="A"), expected)
    coils = max(expected - prospect.job.module.supply.quiescent_a, 0.0)
    k = prospect.coverage_factor

    def over(value: Floats) -> Floats:
        whole = k * supply_standard(value, coils) + 1e-12
        return np.maximum(
            np.full(len(value), NONE) if low is None else (low - value) / whole,
            np.full(len(value), NONE) if high is None else (value - high) / whole,
        )

    return over(found), -float(over(np.array([expected]))[0])


def _expected_db(level: Level) -> tuple[float | None, float]:
    """What a healthy unit shows, and the relative spread of that."""
    magnitude = float(np.abs(level.value[0]))
    if not magnitude or not math.isfinite(magnitude):
        return None, 0.0
    return 20 * math.log10(magnitude), float(level.parts_standard[0]) / magnitude
