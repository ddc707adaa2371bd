"""Captures across a change of state, drawn in a few lines: two legs, two tones, a break, bounces, a click."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.measure.changes.contact_motion import LegChange

RATE_HZ = 200_000
SAMPLES = 40_000
INTERVAL_S = 1 / RATE_HZ
TONES_HZ = (980.0, 1010.0)
RANGE_V = 4.0
STEP_V = RANGE_V / 256
INSTANTS = np.arange(SAMPLES) * INTERVAL_S


@dataclass(frozen=True, kw_only=True)
class Change:
    """Instants, s. A leg shows its tone times `old` until `opens`, nothing until `closes`, then `new`."""

    edge: float = 0.0800
    opens: float = 0.0812
    closes: float = 0.0818
    bounces: Sequence[tuple[float, float]] = ()
    skew: float = 0.0
    old: float = 1.0
    new: float = 0.9
    copies: bool = False  # an open leg shows the other one, through a load across the pair


def kinds(leg: LegChange) -> tuple[str, ...]:
    """What a leg shows of drops and bounces."""
    shown = {"drop": leg.dropped, "bounce": leg.openings > 0}
    return tuple(kind for kind, is_shown in shown.items() if is_shown)


def draw(
    change: Change,
    seed: int,
    *,
    amplitude_v: float = 0.8,
    noise_v: float = 0.02,
    added: NDArray[np.float64] | float = 0.0,
    offset_v: float = 0.0,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The two legs' volts, quantised, and a control line's."""
    random = np.random.default_rng(seed)
    clock = 1 + random.uniform(-1e-4, 1e-4)
    tones, gates = [], []
    for leg, hz in enumerate(TONES_HZ):
        late = leg * change.skew
        tones.append(amplitude_v * np.sin(2 * np.pi * hz * clock * INSTANTS + random.uniform(0, 2 * np.pi)))
        gate = np.where(change.opens + late > INSTANTS, change.old, 0.0)
        gate = np.where(change.closes + late <= INSTANTS, change.new, gate)
        for opens, closes in change.bounces:
            gate[(opens + late <= INSTANTS) & (closes + late > INSTANTS)] = 0.0
        gates.append(gate)
    volts = np.stack([gate * tone for gate, tone in zip(gates, tones, strict=True)])
    if change.copies:
        for leg in (0, 1):
            floating = (gates[leg] == 0) & (gates[1 - leg] != 0)
            volts[leg, floating] = 0.99 * volts[1 - leg, floating]
    volts = volts + offset_v + added + noise_v * random.normal(size=volts.shape)
    line = np.where(change.edge <= INSTANTS, 5.0, 0.0) + 0.02 * random.normal(size=SAMPLES)
    return np.round(volts / STEP_V) * STEP_V, line
