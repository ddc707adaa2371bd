"""Ambiguity groups: faults that no reading tells apart."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from harness.faults.doubt import SURE, supply_standard
from harness.faults.over_current import over_current
from harness.faults.prospect import Prospect

Flags = NDArray[np.bool_]


def told_apart(prospect: Prospect) -> Flags:
    """Whether some entry of some acquisition, or the supply current of some state, tells two suspects apart.

    Shape (suspects, suspects). Entries count as different beyond their difference's expanded uncertainty.
    A suspect that the over-current check stops shows the state where it stopped, and nothing else.
    """
    signatures, job = prospect.signatures, prospect.job
    k = prospect.coverage_factor
    values, standards = prospect.entries()
    values, standards = values[1:], standards[1:]
    supply = signatures.supply_a
    coils = np.maximum(signatures.healthy_supply_a - job.module.supply.quiescent_a, 0)
    doubt = supply_standard(supply, coils) + 1e-9
    stops = [_stop(prospect, row) for row in range(len(signatures.suspects))]
    stopped = np.array([stop != "" for stop in stops], dtype=bool)
    apart = np.zeros((len(stops), len(stops)), dtype=bool)
    for row, stop in enumerate(stops):
        spread = k * np.hypot(standards[row], standards)
        apart[row] = (np.abs(values - values[row]) > spread).any(axis=1)
        apart[row] |= (np.abs(supply - supply[row]) > k * np.hypot(doubt[row], doubt)).any(axis=1)
        same = np.array([other == stop for other in stops], dtype=bool)
        apart[row] = ~same if stop else apart[row] | stopped
    return apart


def _stop(prospect: Prospect, row: int) -> str:
    suspect = prospect.signatures.suspects[row]
    margin, state = over_current(prospect.job.module, suspect, coverage_factor=prospect.coverage_factor)
    return state if margin >= SURE else ""


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
