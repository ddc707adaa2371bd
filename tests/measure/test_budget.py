"""Propagation of uncertainty against the worked examples of JCGM 100:2008 (GUM)."""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.budget import Component, factor_for, propagate
from harness.reading import Estimate


def components_of(standards: list[float] | NDArray[np.float64]) -> list[Component]:
    return [
        Component(name=str(index), source=str(index), delta=np.eye(len(standards))[index] * standard)
        for index, standard in enumerate(standards)
    ]


def test_gum_h1_end_gauge() -> None:
    """JCGM 100:2008, H.1: l = ls + d - ls (da theta + as dt). Printed: 50 000 838 nm, u 32 nm.

    Contributions 25, 9.7, 2.9 and 16.6 nm (31.66 nm together; the second-order terms of H.1.7, which linear
    propagation leaves out, would bring 34 nm).
    """
    value = np.array([50_000_623.0, 215.0, 0.0, 0.0, -0.1, 0.0, 11.5e-6, 0.0, 0.0])
    standards = [25, 5.8, 3.9, 6.7, 0.2, 0.5 / math.sqrt(2), 2e-6 / math.sqrt(3), 1e-6 / math.sqrt(3)]
    standards.append(0.05 / math.sqrt(3))

    def length(x: NDArray[np.float64]) -> NDArray[np.float64]:
        ls, difference, theta = x[:, 0], x[:, 1] + x[:, 2] + x[:, 3], x[:, 4] + x[:, 5]
        return ls + difference - ls * (x[:, 7] * theta + x[:, 6] * x[:, 8])

    estimate = propagate(length, value, components_of(standards))
    shares = {line.name: line.standard for line in estimate.budget}
    assert estimate.value == pytest.approx(50_000_838, abs=0.5)
    assert estimate.standard == pytest.approx(31.66, abs=0.01)
    assert shares["0"] == pytest.approx(25, abs=0.01)
    assert math.hypot(shares["1"], shares["2"], shares["3"]) == pytest.approx(9.682, abs=0.001)
    assert shares["7"] == pytest.approx(2.88679, abs=0.001)
    assert shares["8"] == pytest.approx(16.599, abs=0.001)


# JCGM 100:2008, table H.2: volts, milliamperes, radians
H2 = np.array(
    [
        [5.007, 19.663, 1.0456],
        [4.994, 19.639, 1.0438],
        [5.005, 19.640, 1.0468],
        [4.990, 19.685, 1.0428],
        [4.999, 19.678, 1.0433],
    ]
)


def resistance(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return 1e3 * x[:, 0] / x[:, 1] * np.cos(x[:, 2])


def reactance(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return 1e3 * x[:, 0] / x[:, 1] * np.sin(x[:, 2])


def impedance(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return 1e3 * x[:, 0] / x[:, 1]


def correlated() -> list[Component]:
    """Each observation is one source that acts on all three means: their correlation is in that."""
    count = len(H2)
    return [
        Component(name="observations", source=f"row {index}", delta=delta / math.sqrt(count * (count - 1)))
        for index, delta in enumerate(H2 - H2.mean(axis=0))
    ]


@pytest.mark.parametrize(
    ("function", "value", "standard"),
    [  # full precision; the GUM prints u(X) as 0.295 and R 127.732, X 219.847, Z 254.260
        (resistance, 127.732170, 0.0710714),
        (reactance, 219.846512, 0.2955817),
        (impedance, 254.259702, 0.2363361),
    ],
)
def test_gum_h2_correlated_inputs(function: Callable[..., Any], value: float, standard: float) -> None:
    estimate = propagate(function, H2.mean(axis=0), correlated())
    assert estimate.value == pytest.approx(value, abs=1e-5)
    assert estimate.standard == pytest.approx(standard, rel=1e-4)


@pytest.mark.parametrize(
    ("one", "two", "correlation"),
    [
        (resistance, reactance, -0.588430),
        (resistance, impedance, -0.485259),
        (reactance, impedance, 0.992512),
    ],
)
def test_gum_h2_correlation_of_the_results(
    one: Callable[..., Any], two: Callable[..., Any], correlation: float
) -> None:
    mean, components = H2.mean(axis=0), correlated()
    u_one, u_two, u_sum = (
        propagate(f, mean, components).standard for f in (one, two, lambda x: one(x) + two(x))
    )
    assert u_one is not None
    assert u_two is not None
    assert u_sum is not None
    assert (u_sum**2 - u_one**2 - u_two**2) / (2 * u_one * u_two) == pytest.approx(correlation, abs=1e-4)


def rounded(covariances: NDArray[np.float64]) -> list[Component]:
    """Components of the GUM's rounded inputs, by the square root of their covariance."""
    standards = np.array([0.0032, 0.0095, 0.00075])
    covariance = covariances * np.outer(standards, standards)
    return [
        Component(name="input", source=str(index), delta=column)
        for index, column in enumerate(np.linalg.cholesky(covariance).T)
    ]


@pytest.mark.parametrize(
    ("function", "standard"),
    [(resistance, 0.0699787279884), (reactance, 0.295716826846), (impedance, 0.236602971835)],
)
def test_gum_h2_from_its_rounded_inputs(function: Callable[..., Any], standard: float) -> None:
    """Not the printed 0.071: the rounded inputs give 0.06998 (computed independently to 1e-10)."""
    correlation = np.array([[1, -0.36, 0.86], [-0.36, 1, -0.65], [0.86, -0.65, 1]])
    estimate = propagate(function, np.array([4.9990, 19.6610, 1.04446]), rounded(correlation))
    assert estimate.standard == pytest.approx(standard, rel=1e-5)


def test_gum_h2_without_the_correlation_gives_other_numbers() -> None:
    """Negative control: 0.1945, 0.2009, 0.2041 ohm where the correlation is forgotten."""
    standards = H2.std(axis=0, ddof=1) / math.sqrt(5)
    result = [
        propagate(f, H2.mean(axis=0), components_of(standards)).standard
        for f in (resistance, reactance, impedance)
    ]
    assert result == pytest.approx([0.1945, 0.2009, 0.2041], abs=1e-4)


def one_component(value: float, delta: float) -> Estimate:
    return propagate(
        lambda x: x[:, 0],
        np.array([value], dtype=complex),
        [
            Component(name="noise", origin="noise", source=str(unit), delta=np.array([delta * unit]))
            for unit in (1, 1j)
        ],
        scale="db",
    )


def test_a_level_has_its_interval_from_the_magnitude() -> None:
    estimate = one_component(0.1, 0.01)
    assert estimate.value == pytest.approx(-20)
    assert estimate.low == pytest.approx(20 * math.log10(0.08))
    assert estimate.high == pytest.approx(20 * math.log10(0.12))
    assert estimate.standard == pytest.approx(20 / math.log(10) * 0.1)


@pytest.mark.parametrize("level", [0.0, 1e-6, 1.9e-3])
def test_what_noise_hides_is_a_floor_and_no_number(level: float) -> None:
    estimate = one_component(level, 1e-3)
    assert estimate.floor
    assert estimate.standard is None
    assert estimate.low == -math.inf
    assert estimate.value == estimate.high == pytest.approx(20 * math.log10(level + 2e-3))


def test_an_angle_does_not_care_where_the_turn_ends() -> None:
    estimate = propagate(
        lambda x: np.degrees(np.angle(np.exp(1j * x[:, 0]))),
        np.array([math.pi]),
        [Component(name="phase", source="phase", delta=np.array([0.01]))],
        scale="deg",
    )
    assert estimate.standard == pytest.approx(math.degrees(0.01))


def test_no_number_is_an_error() -> None:
    with pytest.raises(ReadingError, match="not a finite number"), np.errstate(divide="ignore"):
        propagate(lambda x: 1 / x[:, 0], np.array([0.0]), [])


@pytest.mark.parametrize(
    ("even", "normal", "factor"),
    [
        ([1.0], 0.0, 1.653),  # a rectangle: 95.45 % of its half-width, root of 3 standard uncertainties
        ([1.0, 1.0], 0.0, 1.952),  # a triangle needs 1.927: 1 - root of 4.55 % of its half-width
        ([1.0], 10.0, 2.0),  # a small rectangle in a normal sum
        ([], 1.0, 2.0),
    ],
)
def test_the_factor_of_a_sum_that_is_not_normal(even: list[float], normal: float, factor: float) -> None:
    """Closed forms of the rectangle and the triangle; EA-4/02 S9.14 has 1.65 for a dominant rectangle."""
    standard = math.hypot(normal, *even)
    assert factor_for(2.0, standard, even) == pytest.approx(factor, abs=3e-3)


@pytest.mark.parametrize("even", [[1.0], [1.0, 1.0], [1.0, 0.33], [1.0, 0.5, 0.5]])
@pytest.mark.parametrize("normal", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("k", [1.0, 2.0, 3.0])
def test_the_factor_covers_what_k_covers_of_a_normal_distribution(
    even: list[float], normal: float, k: float
) -> None:
    """By drawing the sum: 68.27, 95.45 and 99.73 %, hardly less and, at k = 2, hardly more."""
    random = np.random.default_rng(1)
    summed = normal * random.normal(size=100_000)
    for standard in even:
        summed += standard * math.sqrt(3) * random.uniform(-1, 1, 100_000)
    total = math.hypot(normal, *even)
    inside = np.mean(np.abs(summed) <= factor_for(k, total, even) * total)
    covered = math.erf(k / math.sqrt(2))
    assert inside >= covered - (0.02 if k == 1 else 0.006)
    if k == 2:
        assert inside <= 0.97
