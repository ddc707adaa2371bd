"""From where on a reading is a number: Currie's detection limit (Analytical Chemistry 40, 1968; from memory).

2 times 1.645 standard uncertainties: a value that large is exceeded by nothing at all once in 2000 times, and
a signal that large is mistaken for nothing, at 1.645, once in 20. Distributions are scipy's.
"""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm, rayleigh

from harness.measure.budget import Component, propagate, root_of_power
from harness.reading import Contribution, Estimate

ONCE = norm.sf(2 * norm.ppf(0.95))  # 5 in 10 000


def level(value: complex, deltas: list[complex], k: float = 2.0) -> Estimate:
    components = [
        Component(name=str(n), source=str(n), delta=np.array([delta])) for n, delta in enumerate(deltas)
    ]
    return propagate(lambda x: x[:, 0], np.array([value]), components, coverage_factor=k, scale="db")


@pytest.mark.parametrize(("power", "number"), [(0.0, False), (3.0, False), (3.25, False), (3.35, True)])
def test_a_power_is_a_number_from_the_detection_limit_on(power: float, number: bool) -> None:
    result = root_of_power(power, [Contribution(name="noise", standard=1.0)])
    assert result.floor != number
    assert result.high == pytest.approx(math.sqrt(power + 2))


def test_noise_is_a_number_where_a_rayleigh_distribution_has_the_same_chance() -> None:
    threshold = float(rayleigh.isf(ONCE))
    assert threshold == pytest.approx(3.9, abs=0.01)
    assert level(0.995 * threshold, [1, 1j]).floor
    assert not level(1.005 * threshold, [1, 1j]).floor


def test_a_wide_coverage_asks_for_more() -> None:
    assert not level(4.1, [1, 1j]).floor
    assert level(4.1, [1, 1j], k=4.0).floor


@pytest.mark.parametrize("angle", [0.0, 0.7, math.pi / 2])
@pytest.mark.parametrize("across", [0.0, 0.5, 1.0])
def test_nothing_at_all_is_hardly_ever_a_number_and_a_bound_holds(angle: float, across: float) -> None:
    """By drawing: errors along a line, as of gains, or in all directions, as of noise."""
    random = np.random.default_rng(1)
    axis = complex(math.cos(angle), math.sin(angle))
    deltas = [axis, across * 1j * axis]

    def drawn(true: complex) -> NDArray[np.complex128]:
        return np.asarray(true + random.normal(size=(3000, 2)) @ np.array(deltas))

    numbers = [level(value, deltas) for value in drawn(0).tolist()]
    assert sum(not each.floor for each in numbers) <= 6  # 1.5 of them are expected where it is likeliest
    for true in (2 * axis, 2j * axis):
        bounds = [level(value, deltas) for value in drawn(true).tolist()]
        held = [10 ** (each.low / 20) <= abs(true) <= 10 ** (each.high / 20) for each in bounds]
        assert np.mean(held) >= 0.945
