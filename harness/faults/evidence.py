"""What a run measured, and how well a prediction meets it, all errors counted with what they share.

A residual's covariance is noise and what the circuit doesn't know (diagonal), the measurement's shared errors
and the spread of parts and strays under the fault set. One phase per acquisition and tone, of the instant at
which it began, is unknown: residuals are projected off that direction. The diagonal scales residuals to one;
shared errors and spreads are some columns, and enter by the identities of Woodbury and Sylvester:
r'(I + G'G)⁻¹r = r'r - (Gr)'(I + GG')⁻¹(Gr), |I + G'G| = |I + GG'|. The former is also the least of
|r - G's|² + |s|² over all s: what is left if the columns are fitted.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from harness.arrays import Complex, Flags, Floats
from harness.bench_file import SUPPLY_METER
from harness.faults.effects import FaultSet, supply_currents_a
from harness.job.module import Module
from harness.job.state import State
from harness.measure.errors import stray_standard
from harness.measure.transfer import Transfer
from harness.plan.model import Acquisition, Planned
from harness.plan.states import LIMIT_REACHED
from harness.quantities.cycle import OfOperations
from harness.quantities.quantity import PlannedReading
from harness.reading import Shown, Step


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
    rows beyond an acquisition's own legs are zero. counted: bool, (acquisitions, legs), the legs that count.
    noise: standard uncertainty of each real and imaginary part. shared: (sources, acquisitions, legs, 2):
    what one standard uncertainty of an error changes that several values have in common.
    supply_a: amperes by the name of the state. trials: what is known of the supply's limit, in order.
    changes: readings of changes of state. cycles: lines operated again and again. unweighed: how many
    readings of quantities that no circuit of linear parts predicts did not pass.
    """

    acquisitions: tuple[Acquisition, ...]
    values: Complex
    counted: Flags
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
) -> Evidence:
    """Stack transfers; components of the same source in several of them become one.

    lost: for each acquisition, rows that don't count; () if every row does.
    """
    widest = max((len(transfer.values) for transfer in transfers), default=0)
    shape = (len(acquisitions), widest, 2)
    values, noise = np.zeros(shape, dtype=complex), np.zeros(shape)
    counted = np.zeros(shape[:2], dtype=bool)
    sources: dict[str, int] = {}
    entries: list[tuple[int, int, Complex]] = []
    for index, transfer in enumerate(transfers):
        rows = len(transfer.values)
        values[index, :rows], counted[index, :rows] = transfer.values, True
        for component in transfer.components:
            if component.is_noise:  # real and imaginary part are two components of equal size
                noise[index, :rows] += np.abs(component.delta) ** 2 / 2
            else:
                source = sources.setdefault(component.source, len(sources))
                entries.append((source, index, component.delta))
    shared = np.zeros((len(sources), *shape), dtype=complex)
    for index, rows_lost in enumerate(lost):
        counted[index, list(rows_lost)] = False
    for source, index, delta in entries:
        shared[source, index, : len(delta)] += delta
    return Evidence(
        acquisitions=tuple(acquisitions),
        values=values,
        counted=counted,
        noise=np.sqrt(noise),
        shared=shared,
        supply_a=supply_a,
    )


ROBUST_RELATIVE, ROBUST_ABSOLUTE = 0.02, 3e-3  # where a leg is "about as predicted"


@dataclass(frozen=True, kw_only=True, eq=False)
class Fit:
    """How fault sets fit: logarithms of their likelihoods, and chi-squared of their residuals, (…)."""

    log_likelihood: Floats
    chi_squared: Floats


class ResidualModel:
    """Measures residuals of one run. Vectors are complex, over the entries that count, cell by cell.

    A cell is one column of one acquisition: the entries that share an unknown phase.
    """

    def __init__(self, evidence: Evidence) -> None:
        self._counted = np.repeat(evidence.counted[:, None, :], 2, axis=1)
        self.measured = self.entries(evidence.values)
        acquisition, column, _ = np.nonzero(self._counted)
        self.acquisition = acquisition  # of each entry, its index among the evidence's
        begins = np.diff(2 * acquisition + column, prepend=-1) > 0
        self._first = np.flatnonzero(begins)
        self._cell = np.cumsum(begins) - 1
        size = np.abs(self.measured)
        noise = self.entries(evidence.noise.astype(complex)).real
        self._variance = noise**2 + stray_standard(self.measured) ** 2
        self._robust = self._variance + (ROBUST_RELATIVE * size + ROBUST_ABSOLUTE) ** 2
        self._unphased = 1j * self.measured / np.sqrt(self._variance)
        self._power = np.add.reduceat(np.abs(self._unphased) ** 2, self._first)
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
        return np.asarray(np.swapaxes(values, -1, -2)[..., self._counted])

    def turns(self, predicted: Complex) -> Complex:
        """Factors of modulus 1 that turn predictions, (…, entries), onto the measured phases."""
        agree = np.add.reduceat(predicted.conj() * self.measured / self._variance, self._first, axis=-1)
        size = np.abs(agree)
        turn = np.where(size > 0, agree / np.where(size > 0, size, 1), 1)
        return np.asarray(turn[..., self._cell])

    def turned(self, predicted: Complex) -> Complex:
        """Predictions, (…, entries), at the measured phases."""
        return np.asarray(predicted * self.turns(predicted))

    def white(self, values: Complex) -> Floats:
        """Scale a residual to noise of one, without its unknown phases: (…, entries) to (…, 2·entries)."""
        scaled = values / np.sqrt(self._variance)
        along = np.add.reduceat((self._unphased.conj() * scaled).real, self._first, axis=-1)
        scaled = scaled - (along / self._power)[..., self._cell] * self._unphased
        return np.asarray(np.concatenate([scaled.real, scaled.imag], axis=-1))

    def residual(self, turned: Complex) -> Floats:
        """What turned predictions, (…, entries), leave over, white: (…, 2·entries)."""
        return self.white(self.measured - turned)

    def by_acquisition(self, turned: Complex) -> Floats:
        """The robust misfit of one turned prediction in each acquisition; 0 if no entry counts."""
        return self._summed(self._share(turned))

    def apart(self, turned: Complex, other: Complex) -> Floats:
        """Squared distance of two turned predictions in each acquisition, by noise alone."""
        return self._summed(self._squares(turned, other))

    def distances(self, turned: Complex, leader: Complex) -> Floats:
        """Squared distance of turned predictions, (…, entries), from a leader's, by noise alone."""
        return np.asarray(self._squares(turned, leader).sum(axis=-1))

    def misfit(self, turned: Complex) -> Floats:
        """Robust misfit of turned predictions in each cell, (…, cells): a gross error counts by its log."""
        return np.asarray(np.add.reduceat(self._share(turned), self._first, axis=-1))

    def _share(self, turned: Complex) -> Floats:
        return np.asarray(np.log1p(np.abs(self.measured - turned) ** 2 / self._robust))

    def _squares(self, turned: Complex, other: Complex) -> Floats:
        return np.asarray(np.abs(turned - other) ** 2 / self._variance)

    def _summed(self, entries: Floats) -> Floats:
        return np.bincount(self.acquisition, weights=entries, minlength=len(self._counted)).astype(np.float64)


NEGLIGIBLE = 0.05  # squared, in standard uncertainties: what a source changes in all entries together


class Spread:
    """Errors that entries share, and parts' and strays' spread under one fault set.

    known: errors of the bench and parts within their tolerance, white, (sources, 2·entries). fitted: strays
    likewise; of them only the order of size is known. blur: (2·entries,), the variance that each entry has
    for itself, of what the strays leave out.

    The likelihood is averaged over what is known and taken at the strays that suit best: else a fault set
    under which strays might have shown, and did not, would lose as much as if a reading spoke against it.
    """

    def __init__(self, known: Floats, fitted: Floats, blur: Floats) -> None:
        self._weight = 1 / np.sqrt(1 + blur)
        known, fitted = (_felt(white * self._weight) for white in (known, fitted))
        self._white = np.concatenate([known, fitted])
        gram = self._white @ self._white.T
        gram[np.arange(len(gram)), np.arange(len(gram))] += 1
        self._root = np.linalg.inv(np.linalg.cholesky(gram)) if len(gram) else gram
        # The leading block of a Cholesky factor is the factor of the leading block.
        self.log_determinant = float(-2 * np.log(np.diagonal(self._root)[: len(known)]).sum())

    def squared(self, white: Floats) -> Floats:
        """Squared Mahalanobis length of whitened residuals."""
        own = white * self._weight
        shadow = self._shadow(own)
        return np.asarray((own**2).sum(axis=-1) - (shadow**2).sum(axis=-1))

    def product(self, white: Floats, other: Floats) -> Floats:
        """Inner products of whitened residuals, (…, 2·entries), with another, under this spread."""
        own, its = white * self._weight, other * self._weight
        return np.asarray(own @ its - self._shadow(own) @ self._shadow(its))

    def fit(self, white: Floats) -> Fit:
        """How well a residual agrees with noise and spread."""
        chi_squared = self.squared(white)
        return Fit(log_likelihood=-0.5 * (chi_squared + self.log_determinant), chi_squared=chi_squared)

    def _shadow(self, own: Floats) -> Floats:
        """What of weighted residuals, (…, 2·entries), the spread can take up."""
        return np.asarray(own @ self._white.T @ self._root.T)


def _felt(white: Floats) -> Floats:
    return np.asarray(white[np.einsum("pe,pe->p", white, white) > NEGLIGIBLE])


METER = SUPPLY_METER / 3**0.5  # of a supply's current reading, shared by all states
COIL_LOT = 0.1 / 3**0.5  # of the coils of one lot: data sheets give 10 % (from memory)
COIL = 0.02  # of one coil from its lot
QUIESCENT = 0.05
SUPPLY_NOISE_A = 0.1e-3
SHORTED = 0.2  # of the supply's voltage: less than this is left at a short
DIVIDED = 0.15  # how far from the voltage that coils divide it may be, by their tolerance
IMPOSSIBLE = 60.0  # nats: a short that did not show, or one that showed and is not in the fault set


class SupplyModel:
    """Holds what the supply gave against what fault sets would draw: amperes, (fault sets, states)."""

    def __init__(self, evidence: Evidence, module: Module, states: Sequence[State]) -> None:
        self._trials, self._module, self._states = evidence.trials, module, list(states)
        names = [state.name for state in states]
        read = [name for name in evidence.supply_a if name in names]
        self._read = [names.index(name) for name in read]
        self._measured = np.array([evidence.supply_a[name] for name in read])

    def fit(self, currents_a: Floats) -> Fit:
        """How the supply's readings agree with each fault set."""
        predicted = currents_a[:, self._read]
        covariances = self._covariances(predicted)
        residual = (self._measured - predicted)[..., None]
        squared = (residual * np.linalg.solve(covariances, residual)).sum(axis=(1, 2))
        log_likelihood = -0.5 * (squared + np.linalg.slogdet(covariances)[1])
        return Fit(log_likelihood=log_likelihood, chi_squared=squared)

    def distances(self, currents_a: Floats, leader_a: Floats) -> Floats:
        """Squared distance from a leader's currents, (states,), in the states that were read."""
        leader = leader_a[None, self._read]
        inverse = np.linalg.inv(self._covariances(leader)[0])
        change = currents_a[:, self._read] - leader
        return np.asarray(np.einsum("hs,st,ht->h", change, inverse, change))

    def trials(self, fault_sets: Sequence[FaultSet], currents_a: Floats) -> Floats:
        """What the supply's going to its limit, or not, takes from each fault set's log-likelihood."""
        wrong = np.zeros(len(fault_sets))
        for trial in self._trials:
            if trial.state in self._states:
                result = currents_a[:, self._states.index(trial.state)]
            else:
                result = supply_currents_a(self._module, [trial.state], fault_sets)[:, 0]
            wrong += (result >= LIMIT_REACHED * trial.limit_a) != trial.limited
            if trial.limited and trial.voltage_v is not None:
                wrong += [not _voltage_fits(self._module, trial, float(current_a)) for current_a in result]
        return -IMPOSSIBLE * wrong

    def _covariances(self, predicted: Floats) -> Floats:
        """Of currents, (fault sets, states, states).

        Meter, coils' lot and the lamp are the same in all states; each coil differs a little from its lot.
        """
        supply = self._module.supply
        one_a = max((supply.voltage_v / relay.type.coil_ohm for relay in self._module.relays), default=0.0)
        quiescent = np.minimum(supply.quiescent_a, predicted)
        coils = predicted - quiescent
        columns = np.stack([METER * predicted, COIL_LOT * coils, QUIESCENT * quiescent], axis=1)
        covariances = columns.transpose(0, 2, 1) @ columns
        diagonal = np.arange(predicted.shape[1])
        covariances[:, diagonal, diagonal] += SUPPLY_NOISE_A**2 + COIL**2 * one_a * coils
        return np.asarray(covariances)


def _voltage_fits(module: Module, trial: SupplyTrial, current_a: float) -> bool:
    """A short leaves next to no volts; coils too many leave what the limit drives through them."""
    share = (trial.voltage_v or 0.0) / module.supply.voltage_v
    if current_a >= module.supply.limit_a:
        return share < SHORTED
    return current_a > 0 and abs(share - trial.limit_a / current_a) < DIVIDED
