"""What a run measured, and how well a prediction meets it, all errors counted with what they share.

A residual's covariance is noise and what the circuit doesn't know (diagonal), the measurement's shared errors
and the spread of parts under the fault set. One phase per acquisition and tone, of the instant at which it
began, is unknown: residuals are projected off that direction. The diagonal scales residuals to one; shared
errors and spreads are a few columns, and enter by the identities of Woodbury and Sylvester:
r'(I + G'G)⁻¹r = r'r - (Gr)'(I + GG')⁻¹(Gr), |I + G'G| = |I + GG'|.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.faults.effects import FaultSet, supply_current_a
from harness.job.module import Module
from harness.job.state import State
from harness.measure.errors import stray_standard
from harness.measure.transfer import Transfer
from harness.plan.model import Acquisition, Planned
from harness.plan.states import LIMIT_REACHED
from harness.quantities.cycle import OfOperations
from harness.quantities.quantity import PlannedReading
from harness.quantities.supply import SUPPLY_METER
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
class JudgedChange:
    """A judged reading of a change of state, as the plan has it, and what it says of the relays."""

    reading: Planned
    moved: Moved


Missed = frozenset[tuple[Step, Shown]]
"""After which step what showed another level than it should."""


@dataclass(frozen=True, kw_only=True)
class JudgedCycle:
    """A line operated again and again: the share of operations that failed, and where.

    judged: whether that share is judged fail.
    """

    cycle: PlannedReading[OfOperations]
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
    changes: readings of changes of state. cycles: lines operated again and again. unweighed: how many
    readings of quantities that no circuit of linear parts predicts did not pass.
    """

    acquisitions: tuple[Acquisition, ...]
    values: Complex
    there: NDArray[np.bool_]
    noise: Floats
    shared: Complex
    supply_a: Mapping[str, float]
    trials: tuple[SupplyTrial, ...] = ()
    notes: tuple[str, ...] = ()
    changes: tuple[JudgedChange, ...] = ()
    cycles: tuple[JudgedCycle, ...] = ()
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
    changes: Sequence[JudgedChange] = (),
    cycles: Sequence[JudgedCycle] = (),
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
            if component.is_noise:  # real and imaginary part are two components of equal size
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
        changes=tuple(changes),
        cycles=tuple(cycles),
        unweighed=unweighed or {},
    )


ROBUST_RELATIVE, ROBUST_ABSOLUTE = 0.02, 3e-3  # where a leg is "about as predicted"


@dataclass(frozen=True, kw_only=True)
class Fit:
    """How one fault set fits: logarithm of its likelihood, and the chi-squared of its residuals alone."""

    log_likelihood: float
    chi_squared: float


class ResidualModel:
    """Measures residuals of one run. Vectors are complex, over the entries that count, cell by cell.

    A cell is one column of one acquisition: the entries that share an unknown phase.
    """

    def __init__(self, evidence: Evidence) -> None:
        self._there = np.repeat(evidence.there[:, None, :], 2, axis=1)
        self.measured = self.entries(evidence.values)
        cell = np.broadcast_to(np.arange(self._there.shape[0] * 2).reshape(-1, 2, 1), self._there.shape)[
            self._there
        ]
        self.acquisition = cell // 2  # of each entry, its place among the evidence's
        self._first = np.flatnonzero(np.diff(cell, prepend=-1))
        self._cell = np.cumsum(np.diff(cell, prepend=-1) > 0) - 1
        size = np.abs(self.measured)
        noise = self.entries(evidence.noise.astype(complex)).real
        self._variance = noise**2 + stray_standard(self.measured) ** 2
        self._robust = self._variance + (ROBUST_RELATIVE * size + ROBUST_ABSOLUTE) ** 2
        self._unphased = 1j * self.measured / np.sqrt(self._variance)
        power = np.abs(self._unphased) ** 2
        self._power = np.add.reduceat(power, self._first) if len(self._first) else np.zeros(0)
        self.shared = self.white(self.entries(evidence.shared))

    @property
    def cells(self) -> int:
        """How many unknown phases there are."""
        return len(self._first)

    @property
    def degrees(self) -> int:
        """Degrees of freedom of the residuals."""
        return max(1, 2 * len(self.measured) - self.cells)

    def entries(self, values: Complex) -> Complex:
        """From (…, acquisitions, legs, 2) to (…, entries)."""
        return np.asarray(np.swapaxes(values, -1, -2)[..., self._there])

    def turns(self, predicted: Complex) -> Complex:
        """Factors of modulus 1 that turn predictions, (…, entries), onto the measured phases."""
        agree = (
            np.add.reduceat(predicted.conj() * self.measured / self._variance, self._first, axis=-1)
            if len(self._first)
            else np.ones((*predicted.shape[:-1], 0), dtype=complex)
        )
        size = np.abs(agree)
        turn = np.where(size > 0, agree / np.where(size > 0, size, 1), 1)
        return np.asarray(turn[..., self._cell])

    def distances(self, predicted: Complex, leader: Complex) -> Floats:
        """Squared distance of predictions from a leader's, (entries,), by noise alone; phases matched."""
        turned = predicted * self.turns(predicted)
        return np.asarray((np.abs(turned - leader) ** 2 / self._variance).sum(axis=-1))

    def white(self, values: Complex) -> Floats:
        """Scale a residual to noise of one, without its unknown phases: (…, entries) to (…, 2·entries)."""
        scaled = values / np.sqrt(self._variance)
        if len(self._first):
            along = np.add.reduceat((self._unphased.conj() * scaled).real, self._first, axis=-1)
            scaled = scaled - (along / self._power)[..., self._cell] * self._unphased
        return np.asarray(np.concatenate([scaled.real, scaled.imag], axis=-1))

    def by_acquisition(self, turned: Complex) -> Floats:
        """The robust misfit of one turned prediction in each acquisition."""
        share = np.log1p(np.abs(self.measured - turned) ** 2 / self._robust)
        return self._summed(share)

    def apart(self, one: Complex, other: Complex) -> Floats:
        """Squared distance of two turned predictions in each acquisition, by noise alone."""
        return self._summed(np.abs(one - other) ** 2 / self._variance)

    def _summed(self, entries: Floats) -> Floats:
        """Sums of one unit's entries in each acquisition; 0 where none counts."""
        return np.bincount(self.acquisition, weights=entries, minlength=len(self._there)).astype(np.float64)

    def misfit(self, turned: Complex) -> Floats:
        """Robust misfit of turned predictions in each cell, (…, cells): a gross error counts by its log."""
        share = np.log1p(np.abs(self.measured - turned) ** 2 / self._robust)
        if not len(self._first):
            return np.zeros((*turned.shape[:-1], 0))
        return np.asarray(np.add.reduceat(share, self._first, axis=-1))


class Spread:
    """Errors that entries share, and parts' spread under one fault set: (sources, 2·entries), white."""

    def __init__(self, white: Floats) -> None:
        keep = np.einsum("pe,pe->p", white, white) > 1e-6
        self._white = white[keep]
        gram = self._white @ self._white.T
        gram[np.arange(len(gram)), np.arange(len(gram))] += 1
        self._root = np.linalg.inv(np.linalg.cholesky(gram)) if len(gram) else gram
        self.log_determinant = float(-2 * np.log(np.diagonal(self._root)).sum()) if len(gram) else 0.0

    def shadow(self, white: Floats) -> Floats:
        """What of whitened residuals, (…, 2·entries), the parts' spread can take up."""
        return np.asarray(white @ self._white.T @ self._root.T)

    def squared(self, white: Floats) -> Floats:
        """Squared Mahalanobis length of whitened residuals."""
        shadow = self.shadow(white)
        return np.asarray((white**2).sum(axis=-1) - (shadow**2).sum(axis=-1))

    def product(self, one: Floats, other: Floats) -> float:
        """Inner product of two whitened residuals under this spread."""
        return float(one @ other - self.shadow(one) @ self.shadow(other))

    def fit(self, white: Floats) -> Fit:
        """How well a residual agrees with noise and spread."""
        chi_squared = float(self.squared(white))
        return Fit(log_likelihood=-0.5 * (chi_squared + self.log_determinant), chi_squared=chi_squared)


METER = SUPPLY_METER / 3**0.5  # of a supply's current reading, shared by all states
COIL_LOT = 0.1 / 3**0.5  # of the coils of one lot: data sheets give 10 % (from memory)
COIL = 0.02  # of one coil from its lot
QUIESCENT = 0.05
SUPPLY_NOISE_A = 0.1e-3
SHORTED = 0.2  # of the supply's voltage: less than this is left at a short
DIVIDED = 0.15  # how far from the voltage that coils divide it may be, by their tolerance
IMPOSSIBLE = 60.0  # nats: a short that did not show, or showed where there is none


@dataclass(frozen=True, kw_only=True, eq=False)
class SupplyFits:
    """How the supply's readings agree with each fault set: (fault sets,) each."""

    log_likelihood: Floats
    chi_squared: Floats


def fit_supply(evidence: Evidence, module: Module, states: Sequence[State], currents_a: Floats) -> SupplyFits:
    """Hold the supply's readings against predicted currents of shape (fault sets, states)."""
    return _fit_currents(module, *_read_states(evidence, states, currents_a))


def supply_distances(
    evidence: Evidence, module: Module, states: Sequence[State], currents_a: Floats, leader_a: Floats
) -> Floats:
    """Squared distance of predicted currents from a leader's, (states,), in the states that were read."""
    _, leader = _read_states(evidence, states, leader_a[None])
    _, others = _read_states(evidence, states, currents_a)
    inverse = np.linalg.inv(_current_covariances(module, leader)[0])
    change = others - leader
    return np.asarray(np.einsum("hs,st,ht->h", change, inverse, change))


def _read_states(evidence: Evidence, states: Sequence[State], currents_a: Floats) -> tuple[Floats, Floats]:
    """What was read, and what is predicted where it was read."""
    by_name = {state.name: index for index, state in enumerate(states)}
    names = [name for name in evidence.supply_a if name in by_name]
    measured = np.array([evidence.supply_a[name] for name in names])
    return measured, currents_a[:, [by_name[name] for name in names]]


def fit_trials(
    evidence: Evidence, module: Module, states: Sequence[State], pool: Sequence[FaultSet], currents_a: Floats
) -> Floats:
    """What the supply's going to its limit, or not, takes from each fault set's log-likelihood."""
    wrong = np.zeros(len(pool))
    for trial in evidence.trials:
        if trial.state in states:
            result = currents_a[:, list(states).index(trial.state)]
        else:
            result = np.array([supply_current_a(module, trial.state, fault_set) for fault_set in pool])
        wrong += (result >= LIMIT_REACHED * trial.limit_a) != trial.limited
        if trial.limited and trial.voltage_v is not None:
            wrong += [not _voltage_fits(module, trial, float(current_a)) for current_a in result]
    return -IMPOSSIBLE * wrong


def _voltage_fits(module: Module, trial: SupplyTrial, current_a: float) -> bool:
    """A short leaves next to no volts; coils too many leave what the limit drives through them."""
    share = (trial.voltage_v or 0.0) / module.supply.voltage_v
    if current_a >= module.supply.limit_a:
        return share < SHORTED
    return current_a > 0 and abs(share - trial.limit_a / current_a) < DIVIDED


def _fit_currents(module: Module, measured: Floats, predicted: Floats) -> SupplyFits:
    covariances = _current_covariances(module, predicted)
    residual = (measured - predicted)[..., None]
    squared = (residual * np.linalg.solve(covariances, residual)).sum(axis=(1, 2))
    return SupplyFits(
        log_likelihood=-0.5 * (squared + np.linalg.slogdet(covariances)[1]), chi_squared=squared
    )


def _current_covariances(module: Module, predicted: Floats) -> Floats:
    """Of currents, (fault sets, states, states).

    Meter, coils' lot and the lamp are the same in all states; each coil differs a little from its lot.
    """
    one_a = max((module.supply.voltage_v / relay.type.coil_ohm for relay in module.relays), default=0.0)
    quiescent = np.minimum(module.supply.quiescent_a, predicted)
    coils = predicted - quiescent
    columns = np.stack([METER * predicted, COIL_LOT * coils, QUIESCENT * quiescent], axis=1)
    covariances = columns.transpose(0, 2, 1) @ columns
    places = np.arange(predicted.shape[1])
    covariances[:, places, places] += SUPPLY_NOISE_A**2 + COIL**2 * one_a * coils
    return np.asarray(covariances)
