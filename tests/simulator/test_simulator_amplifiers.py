"""What a simulated amplifier adds of its own, against sums over samples, scipy's spectra and a divider."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import welch

from simulator.circuit import GROUND, Balanced, Element, Network, Parts, Source
from simulator.imperfections import USUAL, parse_imperfections
from simulator.parts.amplifiers import Noise, OwnSignals, own_signals, products

OWN = OwnSignals(
    offset_v=1e-3,
    square_per_v=3e-3,
    cube_per_v2=-2e-3,
    white_v=1e-7,
    corner_hz=100.0,
    hum_v=(0.0, 0.0, 0.0),
)


def test_the_distortion_of_two_tones_is_that_of_the_polynomial_sample_by_sample() -> None:
    """Source: numpy's Fourier transform of gain (a2 x² + a3 x³) over a second of whole cycles."""
    at_s = np.arange(20_000) / 20_000
    tones = {1000.0: 0.8 * np.exp(0.4j), 1030.0: 0.6 * np.exp(-1.1j)}
    x = sum((phasor * np.exp(2j * np.pi * hz * at_s)).real for hz, phasor in tones.items())
    spectrum = 2 * np.fft.rfft(-2.0 * (3e-3 * x**2 - 2e-3 * x**3)) / len(at_s)
    spectrum[0] /= 2
    made = products(OWN, -2.0, tones)
    assert set(made) == {0, 30, 970, 1060, 2000, 2030, 2060, 3000, 3030, 3060, 3090}
    for hz, phasor in made.items():
        assert phasor == pytest.approx(spectrum[int(hz)], abs=1e-12)


def test_its_noise_is_white_and_below_the_corner_1_over_f() -> None:
    """Source: scipy's Welch estimate; w sqrt(1 + fc/f) at 2 kHz, 100 Hz and 20 Hz."""
    interval_s = 2e-6
    noise = Noise(OWN, interval_s=interval_s, rng=np.random.default_rng(5))
    volts = np.concatenate([noise.next(400_000) for _ in range(5)])
    hz, density = welch(volts, 1 / interval_s, nperseg=200_000)
    for low, high in ((1500.0, 2500.0), (90.0, 110.0), (15.0, 25.0)):
        band = (hz >= low) & (hz <= high)
        expected = np.mean(1 + OWN.corner_hz / hz[band])
        assert np.mean(density[band]) / OWN.white_v**2 == pytest.approx(expected, rel=0.25)


def test_an_amplifiers_own_signal_is_divided_by_its_output_and_the_load() -> None:
    """1 V between the legs behind 100 ohm, into 300 ohm: 3/4, half on each leg."""
    network = Network(
        Parts(
            wires=(),
            resistors=(Element(a="x", b="y", value=300.0),),
            capacitors=(),
            contacts=(),
            amplifiers=(
                Balanced(inputs=("a", "b"), outputs=("x", "y"), gain=2.0, output_ohm=100.0, conversion=0.0),
            ),
            sources=(Source(node="a", ohm=0.0), Source(node="b", ohm=0.0)),
            probes=("x", "y", GROUND),
        )
    )
    seen = network.solve_at(np.zeros(0, dtype=np.bool_), (True, True), (1000.0,))[0]
    assert seen[:2, 2] == pytest.approx([0.375, -0.375])
    assert seen[3, :2] == pytest.approx([1.0, -1.0])  # between its inputs


def test_every_unit_has_amplifiers_of_its_own_and_an_exact_one_adds_nothing() -> None:
    first, other = (own_signals("P", serial, "A1 left", USUAL) for serial in ("S1", "S2"))
    assert first.offset_v != other.offset_v
    assert abs(first.offset_v) <= 5e-3
    exact = own_signals("P", "S1", "A1 left", parse_imperfections(["all=0"]))
    assert replace(exact, corner_hz=OWN.corner_hz) == replace(
        OWN, offset_v=0.0, square_per_v=0.0, cube_per_v2=0.0, white_v=0.0
    )
