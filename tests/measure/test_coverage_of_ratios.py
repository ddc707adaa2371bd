"""Whether response, rejection, resistance, capacitance and gain ratio lie inside their intervals.

A thousand draws each: gains of every input, levels, clocks, instants, noise, codes, tolerances of load and
circuit. JCGM 100: k = 2 covers 95.45 % of a normal distribution.
"""

import math

import numpy as np
import pytest

from harness.measure.budget import Component
from harness.measure.capacitance import Quiet, coupling_capacitance
from harness.measure.common_mode import common_mode_rejection, exchanged, pair_ratio
from harness.measure.contact import Loading, series_resistance
from harness.measure.quantities import View
from harness.measure.response import response
from harness.measure.through import Shot, tone_reference
from harness.measure.tones import TonePair
from harness.measure.transfer import Transfer, make_transfer
from tests.measure.synthetic import SyntheticBench, fit_of, through

DRAWS = 1000
TONES = TonePair(hot_hz=980.0, cold_hz=1010.0, duration_s=0.1, samples=1000)
HIGH_TONES = TonePair(hot_hz=3100.0, cold_hz=3130.0, duration_s=0.05, samples=1000)
DRIVE, RANGE = (0.6138, 0.6138), {1: 0.5, 2: 0.5}
AT_1_KHZ = np.array([[0.853, 0.004], [0.003, 0.831]])
HIGHER = np.array([[0.841, 0.004], [0.003, 0.822]])


def coverage(pairs):
    assert not any(estimate.floor for estimate, _ in pairs)
    return np.mean([estimate.low <= true <= estimate.high for estimate, true in pairs])


def decibels(ratio):
    return 20 * math.log10(abs(ratio))


def differential(h):
    return ((h[0, 0] - h[1, 0]) - (h[0, 1] - h[1, 1])) / 2


def measured(bench, tones, true, name):
    """A through reference and a capture of the unit, with the same inputs on the same ranges."""
    through_capture = bench.capture(through(2), tones, DRIVE, RANGE)
    shot = Shot(capture=through_capture, fit=fit_of(through_capture, tones), emf_vrms=DRIVE)
    reference = tone_reference([shot], [], through_prediction=through(2), identity=f"reference {name}")
    capture = bench.capture(true, tones, DRIVE, RANGE)
    transfer = make_transfer(
        capture, fit_of(capture, tones), emf_vrms=DRIVE, reference=reference, prediction=np.diag([0.8, 0.8]),
        drive_rows=None, gain_accuracy=bench.gain_accuracy, generator_accuracy=0.01, acquisition=name,
    )  # fmt: skip
    return View(transfer=transfer, hot=0, cold=1)


@pytest.fixture(scope="module")
def readings():
    found = {"response": [], "rejection": [], "resistance": []}
    true_db = decibels(differential(HIGHER) / differential(AT_1_KHZ))
    converted = AT_1_KHZ[0].sum() - AT_1_KHZ[1].sum()
    for seed in range(DRAWS):
        bench = SyntheticBench(seed, inputs=(1, 2), gain_accuracy=1e-3)
        one = measured(bench, TONES, AT_1_KHZ, "one")
        two = measured(bench, HIGH_TONES, HIGHER, "two")
        found["response"].append((response(two, one), true_db))
        found["rejection"].append((common_mode_rejection(one), decibels(differential(AT_1_KHZ) / converted)))
        # the resistance behind this gain, had the load just its nominal value but for its tolerance
        load_ohm = 600 + bench.random.normal(scale=0.3)
        loading = Loading(source_ohm=100, source_standard_ohm=0, load_ohm=600, load_standard_ohm=0.3)
        true_ohm = load_ohm * (1 / differential(AT_1_KHZ) - 1) - 100
        found["resistance"].append((series_resistance(one, loading, wanted_ohm=1.0).estimate, true_ohm))
    return found


@pytest.mark.parametrize("quantity", ["response", "rejection", "resistance"])
def test_what_is_read_from_transfers_lies_inside_its_interval(readings, quantity):
    assert 0.93 <= coverage(readings[quantity]) <= 0.975


def noisy_view(true, noise, name, random, gains=(1.0, 1.0), inputs=(1, 2)):
    """A transfer with complex noise on every entry and each leg through an input of its own gain."""
    values = np.asarray(gains)[:, None] * true
    parts = []
    for row, number in enumerate(inputs):
        delta = np.zeros((2, 2))
        delta[row] = 0.02
        parts.append(Component(name="input gain", source=f"gain of input {number}", delta=delta * values))
        for k in (0, 1):
            for part in (1, 1j):
                delta = np.zeros((2, 2), dtype=np.complex128)
                delta[row, k] = noise * part
                parts.append(Component(name="noise", source=f"{name} {row} {k} {part}", delta=delta))
    values = values + noise * (random.normal(size=(2, 2)) + 1j * random.normal(size=(2, 2)))
    transfer = Transfer(values=values, components=tuple(parts), phase_known=True, polarity_known=True)
    return View(transfer=transfer, hot=0, cold=1)


def test_an_exchanged_rejection_and_the_pairs_ratio_lie_inside_their_intervals():
    """Two inputs 2 % uncertain each, exchanged: what is left is the noise."""
    true = np.array([[0.95, 0.002], [0.001, 0.93]])
    rejections, ratios = [], []
    for seed in range(DRAWS):
        random = np.random.default_rng(seed)
        gains = 1 + random.normal(scale=0.02, size=2)
        first = noisy_view(true, 3e-4, "first", random, gains, (1, 2))
        second = noisy_view(true, 3e-4, "second", random, gains[::-1], (2, 1))
        both = View(transfer=exchanged(first.transfer, second.transfer), hot=0, cold=1)
        converted = true[0].sum() - true[1].sum()
        rejections.append((common_mode_rejection(both), decibels(differential(true) / converted)))
        ratio = pair_ratio(first, second)
        ratios.append(abs(ratio.ratio.real - gains[0] / gains[1]) <= 2 * ratio.standard)
    assert 0.93 <= coverage(rejections) <= 0.975
    assert 0.93 <= np.mean(ratios) <= 0.975


def test_a_capacitance_lies_inside_its_interval():
    pairs = []
    for seed in range(DRAWS):
        random = np.random.default_rng(seed)
        ohm = 10e3 * (1 + random.normal(scale=0.005))
        points = []
        for hz in (1e3, 4e3, 1.6e4):
            reactive = 2j * np.pi * hz * 2e-12 * ohm
            level = reactive / (1 + reactive)
            view = noisy_view(np.diag([level, level]), 1e-6, f"{hz}", random)
            clean = tuple(part for part in view.transfer.components if part.name == "noise")
            transfer = Transfer(
                values=view.transfer.values, components=clean, phase_known=True, polarity_known=True
            )
            points.append(Quiet(frequency_hz=hz, view=View(transfer=transfer, hot=0, cold=1)))
        found = coupling_capacitance(points, resistance_ohm=10e3, resistance_standard_ohm=50.0)
        pairs.append((found.capacitance_f, 2e-12))
    assert 0.93 <= coverage(pairs) <= 0.975
