"""The relay supply's current: how sure its readings are, where it stops a run, and which faults fit it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.faults.effects import Control, Suspect, control_of, drawn_a, shorts, supply_current_a
from harness.faults.observed import Evidence, SupplyTrial
from harness.job.module import Module
from harness.job.state import State
from harness.plan.states import LIMIT_REACHED, limit_of
from harness.quantities.supply import SUPPLY_METER, current_standard

Floats = NDArray[np.float64]

SURE = 1.0  # expanded uncertainties past its limit: from there on a reading is surely judged fail

METER = SUPPLY_METER / 3**0.5  # of a supply's current reading, shared by all states
COIL_LOT = 0.1 / 3**0.5  # of the coils of one lot: data sheets give 10 %
COIL = 0.02  # of one coil from its lot
QUIESCENT = 0.05
SUPPLY_NOISE_A = 0.1e-3
SHORTED = 0.2  # of the supply's voltage: less than this is left at a short
DIVIDED = 0.15  # how far from the voltage that coils divide it may be, by their tolerance
IMPOSSIBLE = 60.0  # nats: a short that did not show, or showed where there is none


def over_currents(
    module: Module, suspects: Sequence[Suspect], *, coverage_factor: float
) -> list[tuple[float, str]]:
    """What the check of each control line alone, before the plan, finds of each unit.

    Margin, in expanded uncertainties past the limit, and state in which the supply first reaches it. A run
    stops there with the verdict fail, and nothing else is measured. The margin is infinite at a short; the
    state is "" where no line alone surely draws too much.
    """
    states = (State(on=()), *(State(on=(line,)) for line in module.line_names))
    limits_a = [limit_of(module, state) for state in states]

    def checked(control: Control) -> tuple[float, str]:
        worst = -math.inf
        for state, limit_a in zip(states, limits_a, strict=True):
            if shorts(module, state, control):
                return math.inf, state.name
            wanted_a = drawn_a(module, state, control)
            doubt_a = coverage_factor * float(current_standard(wanted_a, wanted_a))
            if doubt_a:
                worst = max(worst, (wanted_a - LIMIT_REACHED * limit_a) / doubt_a)
            if worst >= SURE:
                return worst, state.name
        return worst, ""

    good = checked(Control())
    controls = (control_of(suspect) for suspect in suspects)
    return [checked(control) if control.draws_otherwise else good for control in controls]


@dataclass(frozen=True, kw_only=True, eq=False)
class SupplyFits:
    """How the supply's readings agree with each suspect: (suspects,) each."""

    log_likelihood: Floats
    chi_squared: Floats


def fit_supply(evidence: Evidence, module: Module, states: Sequence[State], currents_a: Floats) -> SupplyFits:
    """Hold the supply's readings against predicted currents of shape (suspects, states)."""
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
    by_name = {state.name: place for place, state in enumerate(states)}
    names = [name for name in evidence.supply_a if name in by_name]
    measured = np.array([evidence.supply_a[name] for name in names])
    return measured, currents_a[:, [by_name[name] for name in names]]


def fit_trials(
    evidence: Evidence, module: Module, states: Sequence[State], pool: Sequence[Suspect], currents_a: Floats
) -> Floats:
    """What the supply's going to its limit, or not, takes from each suspect's log-likelihood."""
    wrong = np.zeros(len(pool))
    for trial in evidence.trials:
        if trial.state in states:
            found = currents_a[:, list(states).index(trial.state)]
        else:
            found = np.array([supply_current_a(module, trial.state, suspect) for suspect in pool])
        wrong += (found >= LIMIT_REACHED * trial.limit_a) != trial.limited
        if trial.limited and trial.voltage_v is not None:
            wrong += [not _voltage_fits(module, trial, float(current_a)) for current_a in found]
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
    """Of currents, (suspects, states, states).

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
