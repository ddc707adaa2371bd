"""The response over frequency."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from harness.measure.budget import Component
from harness.measure.transfer import Transfer
from tests.measure.measured import View, response


def view(gain: complex, *, parts: Sequence[Any] = ()) -> View:
    values = np.array([[gain, 0], [0, gain]], dtype=np.complex128)
    components = tuple(
        Component(name=name, source=source, delta=values * relative) for name, source, relative in parts
    )
    transfer = Transfer(values=values, components=components, phase_known=True, polarity_known=True)
    return View(transfer=transfer, hot=0, cold=1)


@pytest.mark.parametrize("hz", [20.0, 1000.0, 3150.0, 20_000.0])
def test_one_pole_droops_as_it_must(hz: float) -> None:
    """-10 log10(1 + (f/fc)²), less that at 1 kHz: 100 ohm and 1 nF droop 0.0007 dB at 20 kHz."""
    corner_hz = 1 / (2 * math.pi * 100 * 1e-9)
    result = response(view(1 / (1 + 1j * hz / corner_hz)), view(1 / (1 + 1j * 1000 / corner_hz)))
    expected = -10 * math.log10((1 + (hz / corner_hz) ** 2) / (1 + (1000 / corner_hz) ** 2))
    assert result.value == pytest.approx(expected, abs=1e-9)


def test_what_is_wrong_at_every_frequency_alike_cancels() -> None:
    wrong = ("input gain", "gain of input 1", 0.02)
    result = response(view(0.9, parts=[wrong]), view(1.0, parts=[wrong]))
    assert result.standard == pytest.approx(0.0, abs=1e-9)


def test_what_is_wrong_at_each_frequency_anew_adds() -> None:
    """JCGM 100:2008, 5.1.2: independent relative parts of 1 % and 2 % make 2.236 %, 0.1942 dB."""
    result = response(view(0.9, parts=[("noise", "one", 0.01)]), view(1.0, parts=[("noise", "two", 0.02)]))
    assert result.standard == pytest.approx(20 / math.log(10) * math.hypot(0.01, 0.02), rel=1e-3)
