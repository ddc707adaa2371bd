"""What a run measured, as a diagnosis takes it: the transfers of its acquisitions, and the relay supply."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.job.state import State
from harness.measure.transfer import Transfer
from harness.plan.model import Acquisition, Cycle, EdgeReading
from harness.reading import Shown, Step

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class SupplyTrial:
    """A state in which the relay supply was held against a limit, and whether it went there.

    voltage_v: what was left of the supply's voltage at the limit, where known.
    """

    state: State
    limit_a: float
    limited: bool
    voltage_v: float | None = None


Moved = Literal["fine", "late", "bounces", "still"]
"""What a reading of a change of state says: as it should be; too late; too long; nothing moved."""


@dataclass(frozen=True, kw_only=True)
class EdgeSeen:
    """A judged reading of a change of state, as the plan has it, and what it says of the relays."""

    reading: EdgeReading
    moved: Moved


Missed = frozenset[tuple[Step, Shown]]
"""After which step what showed another level than it should."""


@dataclass(frozen=True, kw_only=True)
class CycleSeen:
    """A line operated again and again: the share of operations that failed, and where.

    judged: whether that share is judged fail.
    """

    cycle: Cycle
    failed: float
    missed: Missed
    judged: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class Evidence:
    """Complex transfers with their uncertainty, and what the relay supply gave.

    acquisitions: those that were made. values: (acquisitions, legs, 2), each column up to one unknown phase;
    rows beyond an acquisition's own legs are zero. there: bool, (acquisitions, legs), the legs that count.
    noise: standard uncertainty of each real and imaginary part. shared: (sources, acquisitions, legs, 2):
    what one standard uncertainty of an error changes that several values have in common.
    supply_a: amperes by the name of the state. trials: what is known of the supply's limit, in order.
    edges: readings of changes of state. cycles: lines operated again and again. unweighed: how many readings
    of quantities that no circuit of linear parts foretells did not pass.
    """

    acquisitions: tuple[Acquisition, ...]
    values: Complex
    there: NDArray[np.bool_]
    noise: Floats
    shared: Complex
    supply_a: Mapping[str, float]
    trials: tuple[SupplyTrial, ...] = ()
    notes: tuple[str, ...] = ()
    edges: tuple[EdgeSeen, ...] = ()
    cycles: tuple[CycleSeen, ...] = ()
    unweighed: Mapping[str, int] = field(default_factory=dict)

    @property
    def over_current(self) -> str:
        """The state where the supply went to its limit, or ""."""
        return next((trial.state.name for trial in self.trials if trial.limited), "")


def gather(
    acquisitions: Sequence[Acquisition],
    transfers: Sequence[Transfer],
    *,
    lost: Sequence[Collection[int]] = (),
    supply_a: Mapping[str, float],
    trials: Sequence[SupplyTrial] = (),
    notes: Sequence[str] = (),
    edges: Sequence[EdgeSeen] = (),
    cycles: Sequence[CycleSeen] = (),
    unweighed: Mapping[str, int] | None = None,
) -> Evidence:
    """Stack transfers; components of the same source in several of them become one.

    lost: for each acquisition, rows that don't count; () where every row does.
    """
    widest = max((len(transfer.values) for transfer in transfers), default=0)
    shape = (len(acquisitions), widest, 2)
    values, noise = np.zeros(shape, dtype=complex), np.zeros(shape)
    there = np.zeros(shape[:2], dtype=bool)
    sources: dict[str, int] = {}
    entries: list[tuple[int, int, Complex]] = []
    for place, transfer in enumerate(transfers):
        rows = len(transfer.values)
        values[place, :rows], there[place, :rows] = transfer.values, True
        for component in transfer.components:
            if component.origin == "noise":  # real and imaginary part are two components of equal size
                noise[place, :rows] += np.abs(component.delta) ** 2 / 2
            else:
                source = sources.setdefault(component.source, len(sources))
                entries.append((source, place, component.delta))
    shared = np.zeros((len(sources), *shape), dtype=complex)
    for place, rows_lost in enumerate(lost):
        there[place, list(rows_lost)] = False
    for source, place, delta in entries:
        shared[source, place, : len(delta)] += delta
    return Evidence(
        acquisitions=tuple(acquisitions),
        values=values,
        there=there,
        noise=np.sqrt(noise),
        shared=shared,
        supply_a=supply_a,
        trials=tuple(trials),
        notes=tuple(notes),
        edges=tuple(edges),
        cycles=tuple(cycles),
        unweighed=unweighed or {},
    )
