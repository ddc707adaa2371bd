"""Common-mode rejection against the closed form, and two scope inputs swapped."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike
from scipy.integrate import quad
from scipy.stats import norm

from harness.errors import ReadingError
from harness.measure.budget import Component
from harness.measure.transfer import Transfer, combine_swapped
from harness.quantities.common_mode import bias_of_lesser
from harness.quantities.forms import converted
from tests.measure.measured import View, common_mode_rejection, gain, measured


def transfer(entries: ArrayLike, parts: Sequence[Any] = ()) -> Transfer:
    values = np.asarray(entries, dtype=np.complex128)
    components = tuple(
        Component(name=name, source=source, delta=np.asarray(delta, dtype=np.complex128))
        for name, source, delta in parts
    )
    return Transfer(values=values, components=components, phase_known=True, polarity_known=True)


def view(values: ArrayLike, parts: Sequence[Any] = ()) -> View:
    return View(transfer=transfer(values, parts), hot=0, cold=1)


def divider(source_ohm: float, ground_ohm: float) -> float:
    return ground_ohm / (source_ohm + ground_ohm)


@pytest.mark.parametrize(
    ("ground_ohm", "added_ohm", "rejection_db"),
    [(10e3, 1.0, 80.51), (10e3, 10.0, 60.52), (20e3, 10.0, 66.28), (50e3, 10.0, 74.09), (1e6, 10.0, 100.01)],
)
def test_rejection_of_an_unbalanced_source_into_equal_impedances(
    ground_ohm: float, added_ohm: float, rejection_db: float
) -> None:
    """20 lg[(Zc + Rs)(Zc + Rs + dR)/(Zc dR)], Rs 300 ohm: closed form, about 20 lg(Zc/dR).

    The closed form's differential gain is 1; a divider's is Zc/(Zc + Rs) in the mean of both legs.
    """
    hot, cold = divider(300 + added_ohm, ground_ohm), divider(300, ground_ohm)
    result = common_mode_rejection(view([[hot, 0], [0, cold]]))
    assert result.value - 20 * math.log10((hot + cold) / 2) == pytest.approx(rejection_db, abs=0.006)


def test_ten_ohm_in_each_leg_in_turn_and_the_worst_of_both() -> None:
    """A load whose own legs differ by 0.1 %: one position of the 10 ohm adds to it, the other takes off."""
    looks = []
    for leg, added_hot, added_cold in (("hot", 10, 0), ("cold", 0, 10)):
        hot, cold = divider(50 + added_hot, 5000), divider(50 + added_cold, 5050)
        look = view([[hot, 0], [0, cold]]).look()
        looks.append(replace(look, view=replace(look.view, source_leg=leg)))
    rejections = [measured("common_mode_rejection", [look]) for look in looks]
    worst = measured("common_mode_rejection", looks)
    assert worst.value == min(each.value for each in rejections)
    assert measured("common_mode_rejection", looks[::-1]) == worst


def test_a_common_drive_is_one_volt_on_both_legs() -> None:
    """Legs of 1.000 and 0.999: 0.001 V of difference, 60 dB; by the sum convention 6.02 dB other."""
    assert abs(converted(np.diag([1.0, 0.999]), (0, 1))) == pytest.approx(0.001, rel=1e-9)


def test_what_is_lost_in_uncertainty_is_a_least_rejection() -> None:
    noise = [
        ("noise", f"noise {row} {part}", np.eye(2)[row][:, None] * np.eye(2)[row] * 1e-4 * unit)
        for row in (0, 1)
        for part, unit in (("re", 1), ("im", 1j))
    ]
    result = common_mode_rejection(view([[1.0, 0], [0, 1.00001]], noise))
    assert result.floor
    assert result.high == math.inf
    assert result.low == result.value
    assert 66 < result.value < 80  # 1.4e-4 of noise, k 2 and what was seen


def test_a_silent_port_has_no_rejection() -> None:
    with pytest.raises(ReadingError, match="no signal"):
        common_mode_rejection(view([[0, 0], [0, 0]]))


LEGS = np.array([[0.95, 0.002], [0.001, 0.9499]])
GAIN = {1: 1.02, 2: 0.985}  # 3.6 % apart: 29 dB, where the legs' own conversion is 60 dB down


def seen_through(hot_input: int, cold_input: int, name: str) -> Transfer:
    """The legs through two inputs whose gains are known to 2 %, with noise."""
    gains = np.array([GAIN[hot_input], GAIN[cold_input]])
    values = gains[:, None] * LEGS
    parts = []
    for row, number in enumerate((hot_input, cold_input)):
        delta = np.zeros((2, 2))
        delta[row] = 0.02 * values[row]
        parts.append(("input gain", f"gain of input {number}", delta))
        parts.append(("noise", f"{name} noise {row}", np.eye(2)[row][:, None] * np.ones(2) * 1e-6))
    return transfer(values, parts)


def test_a_swap_of_inputs_cancels_their_gains() -> None:
    """(g1 h - g2 c) + (g2 h - g1 c) = (g1 + g2)(h - c): closed form."""
    first, second = seen_through(1, 2, "first"), seen_through(2, 1, "second")
    alone = common_mode_rejection(View(transfer=first, hot=0, cold=1))
    both = View(transfer=combine_swapped(first, second), hot=0, cold=1)
    result = common_mode_rejection(both)
    true = common_mode_rejection(view(LEGS)).value
    assert result.value == pytest.approx(true, abs=1e-9)
    shares = {line.name: line.standard for line in result.budget}
    assert shares.get("input gain", 0.0) < 0.03  # dB: of second order, by the 3.6 % between them
    assert alone.floor  # and said so: two gains of 2 % each hide it
    # what both gains have in common stays, as it must
    assert next(line.standard for line in gain(both).budget if line.name == "input gain") > 0.1


def test_transfers_of_other_legs_make_no_swap() -> None:
    with pytest.raises(ReadingError, match="same legs"):
        combine_swapped(transfer(LEGS), transfer(np.ones((4, 2))))


@pytest.mark.parametrize("apart", [0.0, 0.5, 1.0, 3.0])
def test_the_mean_of_the_lesser_of_two_readings_is_that_of_the_integral(apart: float) -> None:
    """E[min(a, b)] of two independent normal variables, integrated by scipy."""

    def density(x: float) -> float:
        one, other = norm(0.0, 1.0), norm(apart, 1.0)
        return float(x * (one.pdf(x) * other.sf(x) + other.pdf(x) * one.sf(x)))

    mean, _ = quad(density, -10.0, 10.0)
    assert bias_of_lesser(apart, math.sqrt(2)) == pytest.approx(-mean, abs=1e-9)


@pytest.mark.parametrize("apart_db", [0.0, 1.0, 3.0])
def test_the_worst_of_two_noisy_sources_is_right_in_the_mean(apart_db: float) -> None:
    """Conversions of 60 dB and a little less, each within a decibel by noise of its own."""
    rng = np.random.default_rng(7)
    true = (1e-3, 1e-3 * 10 ** (-apart_db / 20))
    standard = 1e-3 * math.log(10) / 20
    errors = []
    for _ in range(600):
        looks = []
        for leg, conversion in zip(("hot", "cold"), true, strict=True):
            half = (conversion + standard * rng.standard_normal()) / 2
            noise = [("noise", leg, [[standard / 2, 0], [0, -standard / 2]])]
            look = view([[1 + half, 0], [0, 1 - half]], noise).look()
            looks.append(replace(look, view=replace(look.view, source_leg=leg)))
        result = measured("common_mode_rejection", looks)
        assert result.standard
        errors.append((result.value - 60.0) / result.standard)
    assert abs(np.mean(errors)) < 0.3
