"""Draws of records across a change of state, drawn in a few lines: times, drops, bounces and clicks.

Every instant anywhere between samples, tones at any phase, clocks, noise, codes, gain. A difference of two
instants that are uniform between samples lies within k = 2 in 96.6 %.
"""

import math

import numpy as np
from numpy.typing import NDArray

from harness.measure.changes.leg_changes import (
    Excess,
    band_limited,
    bounce_time,
    drop,
    excess_of,
    find_leg_changes,
    measure_click,
    switching_time,
)
from harness.measure.sides import find_edge
from tests.measure.draws.shares import Drawn, drawn

Floats = NDArray[np.float64]

RATE_HZ, SAMPLES = 100_000, 8000
INTERVAL_S = 1 / RATE_HZ
INSTANTS = np.arange(SAMPLES) * INTERVAL_S
TONES_HZ = (900.0, 1100.0)
STEP_V, NOISE_V = 1 / 64, 0.01
GAIN_STANDARD = 0.01  # normal: as a through reference has it. A uniform part that outweighs all others
# would lie inside k = 2 always, which says nothing of the rest
CLICK_STEP_V, CLICK_NOISE_V = 1e-3, 1.5e-3


def moves(seed: int) -> dict[str, list[Drawn]]:
    """One leg: its tone, nothing, the new route's tone, nothing, that tone again; and the control line."""
    random = np.random.default_rng(seed)
    edge, opens = 0.0300 + random.uniform(0, 1e-4), 0.0312 + random.uniform(0, 1e-4)
    closes = opens + random.uniform(8e-4, 2e-3)
    opens_again = closes + random.uniform(6e-4, 1e-3)
    closes_again = opens_again + random.uniform(3e-4, 6e-4)
    clock = 1 + random.uniform(-1e-4, 1e-4)
    wave = np.zeros(SAMPLES)
    for hz in TONES_HZ:
        wave += 0.5 * np.sin(2 * np.pi * hz * clock * INSTANTS + random.uniform(0, 2 * np.pi))
    gate = np.select(
        [opens > INSTANTS, closes > INSTANTS, opens_again > INSTANTS, closes_again > INSTANTS],
        [1.0, 0.0, 0.8, 0.0],
        0.8,
    )
    volts = np.round((gate * wave + NOISE_V * random.normal(size=SAMPLES)) / STEP_V) * STEP_V
    line = np.where(edge <= INSTANTS, 5.0, 0.0) + 0.02 * random.normal(size=SAMPLES)
    seen = find_leg_changes(volts[None], INTERVAL_S, TONES_HZ, step_v=(STEP_V,), joined=False)
    operate = switching_time(seen.legs, find_edge(line, INTERVAL_S))
    return {
        "switching time": [drawn(operate, closes - edge)],
        "transfer_time": [drawn(drop(seen.legs[0]), closes - opens)],
        "bounce_time": [drawn(bounce_time(seen.legs[0]), closes_again - closes)],
    }


def clicks(seed: int) -> dict[str, list[Drawn]]:
    """Smooth pulses, as a filter leaves them, whose peaks and energies are known exactly."""
    random = np.random.default_rng(seed)
    peak_v, width_s = random.uniform(0.05, 0.2), random.uniform(1e-4, 3e-4)
    middle_s = 0.03 + random.uniform(0, 1e-4)
    click = peak_v * np.exp(-((INSTANTS - middle_s) ** 2) / (2 * width_s**2))
    excess = _show(click, random)
    measured = measure_click(excess, gain_standard=GAIN_STANDARD)
    narrow = measure_click(band_limited(excess), gain_standard=GAIN_STANDARD)
    true = float(np.abs(band_limited(_clean(click)).volts).max())
    energy_v2s = math.sqrt(math.pi) * peak_v**2 * width_s
    return {
        "transient, peak": [drawn(measured.peak_v, peak_v)],
        "transient, peak to 22 kHz": [drawn(narrow.peak_v, true)],
        "transient, energy": [drawn(measured.energy_v2s, energy_v2s)],
        "transient, duration": [drawn(measured.duration_s, 2 * width_s * math.sqrt(2 * math.log(10)))],
    }


def _show(click: Floats, random: np.random.Generator) -> Excess:
    """What the scope makes of a click on a silent leg, and its reading."""
    gain = 1 + random.normal(scale=GAIN_STANDARD)
    volts = gain * click + CLICK_NOISE_V * random.normal(size=SAMPLES)
    volts = np.round(volts / CLICK_STEP_V) * CLICK_STEP_V
    seen = find_leg_changes(volts[None], INTERVAL_S, (), step_v=(CLICK_STEP_V,), joined=False)
    return excess_of(seen, {0: 1.0}, step_v=CLICK_STEP_V)


def _clean(click: Floats) -> Excess:
    """The click itself, without noise, gain or codes, as an excess."""
    seen = find_leg_changes(np.zeros((1, SAMPLES)), INTERVAL_S, (), step_v=(1e-9,), joined=False)
    seen.sides.volts[0] = click
    return excess_of(seen, {0: 1.0}, step_v=1e-9)
