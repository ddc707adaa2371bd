"""Draws of what is read from transfer matrices: each another bench, its through reference, then a unit.

Drawn anew: the gain of every input and range, levels, clocks, instants, noise, codes, tolerances of the load
and of the circuit.
"""

import math

import numpy as np
from numpy.typing import NDArray

from harness.measure.budget import Component
from harness.measure.reference import ToneReference
from harness.measure.swapped_through import swapped_in_pairs, with_swapped
from harness.measure.through import Shot, tone_reference
from harness.measure.tones import TonePair
from harness.measure.transfer import Transfer, combine_swapped, make_transfer
from harness.quantities.contacts import coupling_capacitance, series_resistance
from harness.quantities.need import KnownOhm
from harness.session.recorder import in_order
from tests.measure.draws.shares import Drawn, drawn
from tests.measure.measured import (
    View,
    channel_gain_difference,
    channel_phase_difference,
    common_mode_rejection,
    crosstalk,
    gain,
    leg_gain,
    leg_gain_difference,
    leg_phase_error,
    phase,
    response,
)
from tests.measure.synthetic import SyntheticBench, fit_of, through

Complex = NDArray[np.complex128]

TONES = TonePair(hot_hz=980.0, cold_hz=1010.0, duration_s=0.1, samples=500)
DRIVE = (0.6138, 0.6138)  # +4 dBu, half of it on each leg
DRIVE_RANGE, FINER = 0.5, 0.01  # volts per division: a ladder of one rung
GENERATOR_ACCURACY = 0.01
TRUE = np.array(
    [[0.951, 0.012], [0.008, 0.933], [2.4e-4j, 0.6e-4j], [0.4e-4j, 1.4e-4j]]
)  # left.out driven, right.out hearing it by stray capacitance
OTHER = np.array([[0.1e-4j, 0], [0, 0.2e-4j], [0.944, 0.004], [0.006, 0.949]])  # right.out driven
PREDICTION = np.array([[0.94, 0], [0, 0.94], [1e-4j, 0], [0, 1e-4j]])
TURNED = np.exp(-1j * np.radians([3.2, 3.6]))  # what the unit does to the phase of each leg
IN_VIEW = np.array([[0.999, 0.001], [0.001, 0.999], [0.951, 0.012], [0.008, 0.933]])  # left.in, left.out
IN_VIEW = IN_VIEW * np.concatenate([np.ones(2), TURNED])[:, None]


def decibels(ratio: complex) -> float:
    return 20 * math.log10(abs(ratio))


def degrees(ratio: complex) -> float:
    return math.degrees(math.atan2(ratio.imag, ratio.real))


def differential(h: Complex, hot: int) -> complex:
    return complex((h[hot, 0] - h[hot + 1, 0]) - (h[hot, 1] - h[hot + 1, 1])) / 2


def leg(h: Complex, row: int) -> complex:
    return complex(h[row, 0] - h[row, 1]) / 2


TRUTH = {
    "gain": decibels(differential(TRUE, 0)),
    "gain of a leg": decibels(TRUE[0, 0] - TRUE[0, 1]),
    "leg_gain_difference": decibels(leg(TRUE, 0) / leg(TRUE, 1)),
    "crosstalk": decibels(differential(TRUE, 2) / differential(TRUE, 0)),
    "isolation": decibels(differential(TRUE, 2)),
    "channel_gain_difference": decibels(differential(OTHER, 2) / differential(TRUE, 0)),
}


def take_reference(bench: SyntheticBench, tones: TonePair = TONES, name: str = "reference") -> ToneReference:
    """A through reference, and a ladder of one rung to the finer range."""
    legs = len(bench.inputs)

    def shot(emf_vrms: float, volts_per_division: float) -> Shot:
        ranges = dict.fromkeys(bench.inputs, volts_per_division)
        capture = bench.capture(through(legs), tones, (emf_vrms, emf_vrms), ranges)
        return Shot(capture=capture, fit=fit_of(capture, tones), emf_vrms=(emf_vrms, emf_vrms))

    level = 0.7 * 4 * FINER / math.sqrt(2)
    return tone_reference(
        [shot(DRIVE[0], DRIVE_RANGE)],
        [shot(level, DRIVE_RANGE), shot(level, FINER)],
        through_prediction=through(legs),
        identity=name,
    )


def shots_swapped(bench: SyntheticBench, records: int, tones: TonePair = TONES) -> list[Shot]:
    """Records of the through setup with the inputs of each pair swapped, at the reference's level."""
    by_leg = swapped_in_pairs(bench.inputs)
    transfer = through(len(bench.inputs))[[bench.inputs.index(number) for number in by_leg]]
    shots = []
    for _ in range(records):
        made = bench.capture(transfer, tones, DRIVE, dict.fromkeys(bench.inputs, DRIVE_RANGE))
        capture = in_order(made, by_leg)
        shots.append(Shot(capture=capture, fit=fit_of(capture, tones), emf_vrms=DRIVE))
    return shots


def measure(
    bench: SyntheticBench,
    reference: ToneReference | None,
    true: Complex,
    prediction: Complex,
    name: str,
    *,
    tones: TonePair = TONES,
    drive_rows: tuple[int, int] | None = None,
) -> Transfer:
    """Capture a unit, each input on the range that its level needs, and make its transfer."""
    ranges = {
        number: DRIVE_RANGE if np.abs(true[row]).max() > 0.01 else FINER
        for row, number in enumerate(bench.inputs)
    }
    capture = bench.capture(true, tones, DRIVE, ranges)
    return make_transfer(
        capture,
        fit_of(capture, tones),
        emf_vrms=DRIVE,
        reference=reference,
        prediction=prediction,
        drive_rows=drive_rows,
        gain_accuracy=bench.gain_accuracy,
        generator_accuracy=GENERATOR_ACCURACY,
        acquisition=name,
    )


def levels(seed: int) -> dict[str, list[Drawn]]:
    """Gain and its kin, by a through reference; and a gain without one."""
    bench = SyntheticBench(seed)
    reference = take_reference(bench)
    one = measure(bench, reference, TRUE, PREDICTION, "one")
    two = measure(bench, reference, OTHER, PREDICTION[[2, 3, 0, 1]], "two")
    left, quiet = View(transfer=one, hot=0, cold=1), View(transfer=one, hot=2, cold=3)
    right = View(transfer=two, hot=2, cold=3)
    bare = View(transfer=measure(bench, None, TRUE, PREDICTION, "bare"), hot=0, cold=1)
    result = {
        "gain": gain(left),
        "gain of a leg": leg_gain(one, 0),
        "leg_gain_difference": leg_gain_difference(left),
        "crosstalk": crosstalk(quiet, left),
        "isolation": gain(quiet),
        "channel_gain_difference": channel_gain_difference(right, left),
    }
    readings = {quantity: [drawn(estimate, TRUTH[quantity])] for quantity, estimate in result.items()}
    readings["gain, no reference"] = [drawn(gain(bare), TRUTH["gain"])]
    readings["balance, no reference"] = [drawn(leg_gain_difference(bare), TRUTH["leg_gain_difference"])]
    return readings


def phases(seed: int) -> dict[str, list[Drawn]]:
    """Phases against the drive, which two of the four inputs view."""
    bench = SyntheticBench(seed)
    reference = take_reference(bench)
    prediction = np.abs(IN_VIEW) * (np.abs(IN_VIEW) > 0.5) + 0j
    one = measure(bench, reference, IN_VIEW, prediction, "one", drive_rows=(0, 1))
    other = IN_VIEW.copy()
    other[2:] *= np.exp(1j * np.radians(0.4))  # the other channel's unit turns less
    two = measure(bench, reference, other, prediction, "two", drive_rows=(0, 1))
    out, right = (View(transfer=each, hot=2, cold=3, drive=(0, 1)) for each in (one, two))
    return {
        "phase": [drawn(phase(out), degrees(differential(IN_VIEW, 2) / differential(IN_VIEW, 0)))],
        "channel_phase_difference": [
            drawn(
                channel_phase_difference(right, out),
                degrees(differential(other, 2) / differential(IN_VIEW, 2)),
            )
        ],
        "leg_phase_error": [drawn(leg_phase_error(out), degrees(-leg(IN_VIEW, 2) / leg(IN_VIEW, 3)))],
    }


# a load that joins the legs: each shows much of both outputs
JOINED: Complex = np.array([[0.80, 0.15], [0.14, 0.79]], dtype=np.complex128)
CROSSED: Complex = JOINED[::-1]
FAR_OFF_JOINED: Complex = 0.012 * JOINED  # a unit behind a pad, with the inputs on the finer range
WARMED_UP = 1.003  # the generator's level between the two through setups, both outputs alike


def joined_legs(seed: int) -> dict[str, list[Drawn]]:
    """What needs the ratio of two inputs' gains, which may differ by 6 %, by a swapped through reference."""
    bench = SyntheticBench(seed, inputs=(1, 2))
    straight = take_reference(bench)
    bench.levels *= WARMED_UP
    reference = with_swapped(straight, shots_swapped(bench, 3))
    bench.levels /= WARMED_UP
    readings = {}
    for name, true in (("", JOINED), (", crossed", CROSSED), (", far off", FAR_OFF_JOINED)):
        transfer = measure(
            bench, reference, true, true * (np.abs(true) > 0.5 * np.abs(true).max()), name or "joined"
        )
        view = View(transfer=transfer, hot=0, cold=1)
        difference = decibels(leg(true, 0) / leg(true, 1))
        readings[f"leg_gain_difference, joined{name}"] = [drawn(leg_gain_difference(view), difference)]
        if true is FAR_OFF_JOINED:
            continue  # what is left of its legs' sum is a floor
        rejection = decibels(differential(true, 0) / (true[0].sum() - true[1].sum()))
        readings[f"common_mode_rejection, joined{name}"] = [drawn(common_mode_rejection(view), rejection)]
    return readings


HIGH_TONES = TonePair(hot_hz=3100.0, cold_hz=3130.0, duration_s=0.05, samples=1000)
AT_1_KHZ = np.array([[0.853, 0.004], [0.003, 0.831]])
HIGHER = np.array([[0.841, 0.004], [0.003, 0.822]])
LOAD_OHM, LOAD_STANDARD_OHM, SOURCE_OHM = 600.0, 0.3, 100.0


def ratios(seed: int) -> dict[str, list[Drawn]]:
    """Response, rejection and resistance, on a bench whose inputs differ little, as swapped inputs leave
    it.
    """
    bench = SyntheticBench(seed, inputs=(1, 2), gain_accuracy=1e-3)
    prediction = np.diag([0.8, 0.8])
    references = {tones: take_reference(bench, tones, str(tones)) for tones in (TONES, HIGH_TONES)}

    def view(true: Complex, tones: TonePair, name: str) -> View:
        transfer = measure(bench, references[tones], true, prediction, name, tones=tones)
        return View(transfer=transfer, hot=0, cold=1)

    one, two = view(AT_1_KHZ, TONES, "one"), view(HIGHER, HIGH_TONES, "two")
    # the resistance behind this gain, had the load just its nominal value but for its tolerance
    load_ohm = LOAD_OHM + bench.random.normal(scale=LOAD_STANDARD_OHM)
    source = KnownOhm(ohm=SOURCE_OHM, standard_ohm=0)
    load = KnownOhm(ohm=LOAD_OHM, standard_ohm=LOAD_STANDARD_OHM)
    path_ohm = load_ohm * (1 / differential(AT_1_KHZ, 0).real - 1) - SOURCE_OHM
    converted = AT_1_KHZ[0].sum() - AT_1_KHZ[1].sum()
    return {
        "response": [
            drawn(response(two, one), decibels(differential(HIGHER, 0) / differential(AT_1_KHZ, 0)))
        ],
        "common_mode_rejection": [
            drawn(common_mode_rejection(one), decibels(differential(AT_1_KHZ, 0) / converted))
        ],
        "contact_resistance": [drawn(series_resistance(one.look(), source, load).estimate, path_ohm)],
    }


def noisy(
    true: Complex,
    noise: float,
    name: str,
    random: np.random.Generator,
    gains: tuple[float, float] | None = None,
    inputs: tuple[int, int] = (1, 2),
) -> View:
    """A transfer with complex noise on every entry, and each leg through an input of its own gain."""
    values = true if gains is None else np.asarray(gains)[:, None] * true
    parts = []
    for row, number in enumerate(inputs):
        delta = np.zeros((2, 2))
        delta[row] = 0.02
        if gains is not None:
            parts.append(Component(name="input gain", source=f"gain of input {number}", delta=delta * values))
        for k in (0, 1):
            for part in (1, 1j):
                delta = np.zeros((2, 2), dtype=np.complex128)
                delta[row, k] = noise * part
                parts.append(
                    Component(name="noise", origin="noise", source=f"{name} {row} {k} {part}", delta=delta)
                )
    values = values + noise * (random.normal(size=(2, 2)) + 1j * random.normal(size=(2, 2)))
    transfer = Transfer(values=values, components=tuple(parts), phase_known=True, polarity_known=True)
    return View(transfer=transfer, hot=0, cold=1)


def input_swap(seed: int) -> dict[str, list[Drawn]]:
    """Rejection by two inputs 2 % uncertain each, swapped: what is left is the noise."""
    true = np.array([[0.95, 0.002], [0.001, 0.93]])
    random = np.random.default_rng(seed)
    hot, cold = 1 + random.normal(scale=0.02, size=2)
    first = noisy(true, 3e-4, "first", random, (hot, cold), (1, 2))
    second = noisy(true, 3e-4, "second", random, (cold, hot), (2, 1))
    both = View(transfer=combine_swapped(first.transfer, second.transfer), hot=0, cold=1)
    converted = true[0].sum() - true[1].sum()
    rejection = decibels(differential(true, 0) / converted)
    return {"common_mode_rejection, swapped": [drawn(common_mode_rejection(both), rejection)]}


def capacitance(seed: int) -> dict[str, list[Drawn]]:
    """A stray capacitance by three frequencies, into a resistance that the circuit has within 0.5 %."""
    random = np.random.default_rng(seed)
    ohm = 10e3 * (1 + random.normal(scale=0.005))
    points = []
    for hz in (1e3, 4e3, 1.6e4):
        reactive = 2j * np.pi * hz * 2e-12 * ohm
        level = reactive / (1 + reactive)
        points.append(noisy(np.diag([level, level]), 1e-6, f"{hz}", random).look(hz))
    result = coupling_capacitance(points, KnownOhm(ohm=10e3, standard_ohm=50.0))
    return {"coupling_capacitance": [drawn(result.capacitance_f, 2e-12)]}
