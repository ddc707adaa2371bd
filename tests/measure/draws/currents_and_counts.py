"""Draws of offsets, supply currents and failure rates."""

import math
from dataclasses import replace
from statistics import mean, stdev

import numpy as np

from harness.measure.reference import InputOffset
from harness.measure.tone import ToneFit, fit_tones
from harness.quantities.cycle import failure_rate
from harness.quantities.residual import direct_voltage
from harness.quantities.supply import current
from harness.roles import SupplyReading
from tests.measure.draws.shares import Drawn, drawn

GAIN_ACCURACY, OFFSET_ACCURACY_V = 0.03, 5e-3
SAMPLES, INTERVAL_S, STEP_V, NOISE_V = 2000, 5e-5, 1.5e-3, 2e-3
TRUE_V = (4.1e-3, -1.7e-3)
METER, READINGS, CURRENT_A = 0.01, 5, 46.7e-3
FINE = SupplyReading(voltage_v=12.0, current_a=0.0, accuracy=METER)
COARSE = replace(FINE, zero_a=2e-3, digit_a=1e-3)
OPERATIONS = 1000
PAIR, LEG = {0: 1.0, 1: -1.0}, {0: 1.0}  # signs of the rows


def offsets(seed: int) -> dict[str, list[Drawn]]:
    """Mean of a leg and of a pair, with the inputs' zeros from a through setup and without."""
    random = np.random.default_rng(seed)
    gains = 1 + random.uniform(-GAIN_ACCURACY, GAIN_ACCURACY, 2)
    own_v = random.uniform(-OFFSET_ACCURACY_V, OFFSET_ACCURACY_V, 2)

    def fit(true_v: tuple[float, float]) -> ToneFit:
        volts = (gains * true_v + own_v)[:, None] + NOISE_V * random.normal(size=(2, SAMPLES))
        volts = np.round(volts / STEP_V) * STEP_V
        return fit_tones(volts, INTERVAL_S, [1000.0, 1010.0], step_v=[STEP_V] * 2)

    nothing, seen = fit((0.0, 0.0)), fit(TRUE_V)
    zeros = [
        InputOffset(
            input=row + 1,
            volts_per_division=0.05,
            offset_v=float(nothing.offset_v[row]),
            standard_v=float(nothing.offset_standard_v[row]),
        )
        for row in (0, 1)
    ]
    known = {"gain_accuracy": GAIN_ACCURACY, "offset_accuracy_v": OFFSET_ACCURACY_V}
    pair_v = TRUE_V[0] - TRUE_V[1]
    return {
        "dc_offset": [drawn(direct_voltage(seen, PAIR, dict(enumerate(zeros)), **known), pair_v)],
        "offset of a leg": [drawn(direct_voltage(seen, LEG, {0: zeros[0]}, **known), TRUE_V[0])],
        "offset, no zero": [drawn(direct_voltage(seen, PAIR, {0: None, 1: None}, **known), pair_v)],
        "offset of a leg, no zero": [drawn(direct_voltage(seen, LEG, {0: None}, **known), TRUE_V[0])],
    }


def currents(seed: int) -> dict[str, list[Drawn]]:
    """A relay supply's current, by a meter of 1 % read five times; JCGM 101, 6.4.9, for so few.

    And by one that shows the same digits each time, and is off by some of them.
    """
    random = np.random.default_rng(seed)
    meter = 1 + random.uniform(-METER, METER)
    result = {}
    for name, scatter_a in (("supply_current", 2e-5), ("supply_current, noisy meter", 1e-3)):
        read = (CURRENT_A * meter + scatter_a * random.normal(size=READINGS)).tolist()
        left = (READINGS - 1) / (READINGS - 3) / READINGS
        seen = replace(FINE, current_a=mean(read), current_standard_a=stdev(read) * math.sqrt(left))
        result[name] = [drawn(current(seen), CURRENT_A)]
    zero_a = random.uniform(-COARSE.zero_a, COARSE.zero_a)
    shown_a = round((CURRENT_A * meter + zero_a) / COARSE.digit_a) * COARSE.digit_a
    result["supply_current, coarse meter"] = [drawn(current(replace(COARSE, current_a=shown_a)), CURRENT_A)]
    return result


def failures(seed: int) -> dict[str, list[Drawn]]:
    """Operations that fail at a rate drawn anew: whether the rate is under its 95 % upper bound."""
    random = np.random.default_rng(seed)
    rate = float(10 ** random.uniform(-2, -0.5))
    failed = int(random.binomial(OPERATIONS, rate))
    bound = failure_rate(failed, OPERATIONS)
    reading = Drawn(truth=rate, value=failed / OPERATIONS, low=0.0, high=bound.upper, floor=False)
    return {"intermittency, upper bound": [reading]}
