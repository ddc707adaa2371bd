"""The response over frequency, and its list of frequencies."""

import math

import numpy as np
import pytest

from harness.errors import ReadingError
from harness.measure.budget import Component
from harness.measure.quantities import View
from harness.measure.response import NOMINAL_HZ, exact_hz, response, response_curve
from harness.measure.transfer import Transfer


def view(gain, *, parts=()):
    values = np.array([[gain, 0], [0, gain]], dtype=np.complex128)
    components = tuple(
        Component(name=name, source=source, delta=values * relative) for name, source, relative in parts
    )
    transfer = Transfer(values=values, components=components, phase_known=True, polarity_known=True)
    return View(transfer=transfer, hot=0, cold=1)


def test_the_frequencies_are_the_third_octaves_of_iec_61260():
    """IEC 61260-1, annex E: nominal frequencies are the exact ones within what their digits say."""
    assert len(NOMINAL_HZ) == 31
    assert exact_hz(1000.0) == 1000.0
    assert exact_hz(20_000.0) == pytest.approx(19_952.6, abs=0.05)
    assert exact_hz(31.5) == pytest.approx(31.623, abs=0.001)
    for nominal in NOMINAL_HZ:
        assert exact_hz(nominal) == pytest.approx(nominal, rel=0.02)
    with pytest.raises(ReadingError, match="no nominal"):
        exact_hz(440.0)


@pytest.mark.parametrize("hz", [20.0, 1000.0, 3150.0, 20_000.0])
def test_one_pole_droops_as_it_must(hz):
    """-10 log10(1 + (f/fc)²), less that at 1 kHz: 100 ohm and 1 nF droop 0.0007 dB at 20 kHz."""
    corner_hz = 1 / (2 * math.pi * 100 * 1e-9)
    found = response(view(1 / (1 + 1j * hz / corner_hz)), view(1 / (1 + 1j * 1000 / corner_hz)))
    expected = -10 * math.log10((1 + (hz / corner_hz) ** 2) / (1 + (1000 / corner_hz) ** 2))
    assert found.value == pytest.approx(expected, abs=1e-9)


def test_what_is_wrong_at_every_frequency_alike_cancels():
    wrong = ("input gain", "gain of input 1", 0.02)
    found = response(view(0.9, parts=[wrong]), view(1.0, parts=[wrong]))
    assert found.standard == pytest.approx(0.0, abs=1e-9)


def test_what_is_wrong_at_each_frequency_anew_adds():
    """JCGM 100:2008, 5.1.2: independent relative parts of 1 % and 2 % make 2.236 %, 0.1942 dB."""
    found = response(view(0.9, parts=[("noise", "one", 0.01)]), view(1.0, parts=[("noise", "two", 0.02)]))
    assert found.standard == pytest.approx(20 / math.log(10) * math.hypot(0.01, 0.02), rel=1e-3)


def test_a_curve_ascends_and_is_zero_at_1_khz():
    curve = response_curve({1000.0: view(1.0), 20_000.0: view(0.99), 20.0: view(0.98)})
    assert [hz for hz, _ in curve] == [20.0, 1000.0, 20_000.0]
    assert curve[1][1].value == pytest.approx(0.0, abs=1e-12)
    assert curve[0][1].value == pytest.approx(20 * math.log10(0.98))
    with pytest.raises(ReadingError, match="at 1 kHz"):
        response_curve({20.0: view(1.0)})
