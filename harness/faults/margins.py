"""Whether a plan's readings would see a fault: every reading of every fault set, judged as a run would."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.faults.predicted_readings import PredictedReadings
from harness.faults.signatures import Signatures
from harness.faults.supply import SURE, over_currents
from harness.job.job import Job
from harness.plan.model import Plan, Planned, driven_channel
from harness.quantities.estimates import NO_EVIDENCE
from harness.quantities.supply import current_standard

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]

PORTION = 1024  # fault sets that are judged at a time; most of them read alike in most captures


@dataclass(frozen=True, kw_only=True, eq=False)
class Margins:
    """Margins of every reading for every fault set, (sets, readings + 1); the last column is that of the
    over-current check of each line before the plan.

    sound: the same for a good unit, (readings,): how far inside its limits it is, in expanded uncertainties;
    below 1 a good unit may not pass.
    """

    readings: tuple[Planned, ...]
    margins: Floats
    sound: Floats

    @property
    def best(self) -> Floats:
        """The largest margin of each fault set."""
        return np.asarray(self.margins.max(axis=1, initial=NO_EVIDENCE))


def weigh_margins(job: Job, plan: Plan, signatures: Signatures) -> Margins:
    """Judge every reading of every fault set, and of a good unit."""
    readings, count = plan.state_readings, len(signatures.suspects)
    margins = np.full((count, len(readings) + 1), NO_EVIDENCE)
    sound = np.full(len(readings), np.inf)
    order = sorted(range(len(readings)), key=lambda column: readings[column].captures)
    for start in range(0, max(count, 1), PORTION):
        rows = np.arange(start, min(start + PORTION, count))
        units = PredictedReadings(job, plan, signatures, rows)
        for column in order:
            estimates = readings[column].quantity.predict(readings[column], units)
            if estimates is not None:
                found = estimates.margins(readings[column].limit)
                margins[rows, column], sound[column] = found.broken[1:], found.inside
    k = job.sequence.coverage_factor
    stops = over_currents(job.module, signatures.suspects, coverage_factor=k)
    margins[:, -1] = [margin for margin, _ in stops]
    return Margins(readings=readings, margins=margins, sound=sound)


def words_for(reading: Planned) -> str:
    """`gain at left.out, loop_a, driving left`; `supply current, loop_a`."""
    quantity, measurand = reading.quantity, reading.measurand
    if not quantity.at_ports:
        return f"{quantity.spoken}, {measurand.state}"
    channel = driven_channel(reading)
    driven = "" if channel in ("", measurand.channel) else f", driving {channel}"
    return f"{quantity.spoken} at {measurand.where}, {measurand.state}{driven}"


def told_apart(units: PredictedReadings) -> Flags:
    """Whether some entry of some capture, or the supply current of some state, tells two fault sets apart.

    Shape (sets, sets). Entries count as different beyond their difference's expanded uncertainty. A fault set
    that the over-current check stops shows the state where it stopped, and nothing else.
    """
    signatures, job = units.signatures, units.job
    k = units.coverage_factor
    values, standards = units.entries()
    values, standards = values[1:], standards[1:]
    supply = signatures.supply_a
    coils = np.maximum(signatures.healthy_supply_a - job.module.supply.quiescent_a, 0)
    doubt = current_standard(supply, coils) + 1e-9
    stops = [
        state if margin >= SURE else ""  # in which the check surely stops a run
        for margin, state in over_currents(job.module, signatures.suspects, coverage_factor=k)
    ]
    stopped = np.array([stop != "" for stop in stops], dtype=bool)
    apart = np.zeros((len(stops), len(stops)), dtype=bool)
    for row, stop in enumerate(stops):
        spread = k * np.hypot(standards[row], standards)
        apart[row] = (np.abs(values - values[row]) > spread).any(axis=1)
        apart[row] |= (np.abs(supply - supply[row]) > k * np.hypot(doubt[row], doubt)).any(axis=1)
        same = np.array([other == stop for other in stops], dtype=bool)
        apart[row] = ~same if stop else apart[row] | stopped
    return apart


def groups_of(apart: Flags, members: Sequence[int]) -> tuple[tuple[int, ...], ...]:
    """Put members together that none of the group tells apart, in their order; groups of one included."""
    groups: list[list[int]] = []
    for member in members:
        home = next((group for group in groups if not apart[member, group].any()), None)
        if home is None:
            groups.append([member])
        else:
            home.append(member)
    return tuple(tuple(group) for group in groups)
