"""Two setups with each pair's inputs swapped: the ratio of the gains must go, whatever it is."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from harness.measure.budget import Component
from harness.measure.transfer import Transfer, without_gain_ratios
from tests.measure.measured import View, common_mode_rejection, leg_gain_difference

LEGS = np.array([[0.95, 0.30], [0.28, 0.9499], [1e-9, 0], [0, 1e-9]], dtype=np.complex128)
NOISE = 1e-5
LIMIT = 0.02 * np.sqrt(2 / 3)


def seen(ratio: float, rng: np.random.Generator, *, swapped: bool) -> Transfer:
    """The legs as a through reference corrects them: the ratio of the gains is where `make_transfer` puts it.

    As taken the entries that cross carry it, swapped those that don't.
    """
    values = LEGS.copy()
    share = np.zeros(LEGS.shape)
    if swapped:
        values[0, 0], values[1, 1] = values[0, 0] / ratio, values[1, 1] * ratio
        share[0, 0], share[1, 1] = LIMIT, -LIMIT
    else:
        values[0, 1], values[1, 0] = values[0, 1] * ratio, values[1, 0] / ratio
        share[0, 1], share[1, 0] = -LIMIT, LIMIT
    parts = [Component(name="input gain", source="gain ratio of inputs 1 and 2", delta=share * values)]
    for row in range(4):
        for column in (0, 1):
            for unit in (1, 1j):
                delta = np.zeros(LEGS.shape, dtype=np.complex128)
                delta[row, column] = NOISE * unit
                source = f"noise {row} {column} {unit} {swapped}"
                parts.append(Component(name="noise", origin="noise", source=source, delta=delta))
                values = values + delta * rng.standard_normal()
    return Transfer(values=values, components=tuple(parts), phase_known=True, polarity_known=True)


def both(ratio: float, seed: int) -> View:
    rng = np.random.default_rng(seed)
    pair = without_gain_ratios(seen(ratio, rng, swapped=False), seen(ratio, rng, swapped=True))
    return View(transfer=pair, hot=0, cold=1)


def truth() -> View:
    return View(
        transfer=Transfer(values=LEGS, components=(), phase_known=True, polarity_known=True), hot=0, cold=1
    )


@pytest.mark.parametrize("ratio", [0.96, 1.0, 1.04])
@pytest.mark.parametrize("quantity", [leg_gain_difference, common_mode_rejection])
def test_the_intervals_hold_the_truth_as_often_as_they_say(
    quantity: Callable[..., Any], ratio: float
) -> None:
    """JCGM 100, k = 2: 95.4 % of normal errors; in 200 draws 188 to 200 (three standard deviations)."""
    true = quantity(truth()).value
    inside = 0
    for seed in range(200):
        result = quantity(both(ratio, seed))
        inside += result.low <= true <= result.high
    assert 182 <= inside <= 199


def test_what_the_ratio_left_in_doubt_is_gone() -> None:
    rng = np.random.default_rng(1)
    alone = leg_gain_difference(View(transfer=seen(1.03, rng, swapped=False), hot=0, cold=1))
    together = leg_gain_difference(both(1.03, 1))
    assert together.standard is not None
    assert alone.standard is not None
    assert together.standard < alone.standard / 20


def test_a_silent_pair_is_left_as_it_was_taken() -> None:
    rng = np.random.default_rng(2)
    plain, swapped = seen(1.03, rng, swapped=False), seen(1.03, rng, swapped=True)
    assert np.array_equal(without_gain_ratios(plain, swapped).values[2:], plain.values[2:])
