"""Standard uncertainties found from few values: degrees of freedom, and the factor that makes up for them.

Source: JCGM 100:2008, annex G.
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FEWEST = 1.0  # degrees of freedom; the table has none below
MANY = 1e4
MOST_COVERED = 1 - 1e-13  # beyond, doubles tell no tail
STEPS, CLOSE = 50, 1e-10  # of Newton's method for an angle, from a start that is near
_PLACES, _WEIGHTS = np.polynomial.legendre.leggauss(48)


@dataclass(frozen=True, kw_only=True)
class Sampled:
    """That a standard uncertainty was found from the scatter of few values.

    series: tells which values; what was found from the same ones is too small, or too large, together.
    """

    freedom: float
    series: str


def effective_freedom(standard: float, shares: Iterable[tuple[Sampled, float]]) -> float:
    """Degrees of freedom of a combined standard uncertainty, by Welch and Satterthwaite (G.4.1).

    shares: those of its parts that were found from few values, each with how. The formula adds up what the
    parts' variances are unsure by, u⁴/ν, by squares, as of independent estimates; what is of one series is
    too small or too large together, and is added up as it is.
    """
    unsure: dict[str, float] = {}
    for sampled, share in shares:
        unsure[sampled.series] = unsure.get(sampled.series, 0.0) + share**2 / math.sqrt(sampled.freedom)
    together = sum(each**2 for each in unsure.values())
    return max(standard**4 / together, FEWEST) if together > 0 else math.inf


def student_factor(k: float, freedom: float) -> float:
    """Factor that covers as much of Student's distribution as `k` does of a normal one (G.3.2): t_p(ν).

    freedom: of any size, also between whole numbers. With t = √ν tan a, the part that is covered is the
    integral of cos^(ν-1) from 0 to a over that to a right angle.
    """
    if freedom > MANY:
        return k * (1 + (k**2 + 1) / (4 * freedom))  # the first term of its expansion
    covered = min(math.erf(k / math.sqrt(2)), MOST_COVERED)
    height = 2 / math.sqrt(math.pi) * math.exp(math.lgamma((freedom + 1) / 2) - math.lgamma(freedom / 2))
    angle = math.atan(k / math.sqrt(freedom))  # covers less than is wanted, so that no step goes too far
    for _ in range(STEPS):
        missing = covered - height * _cosines(freedom - 1, angle)
        step = missing / (height * math.cos(angle) ** (freedom - 1))
        angle = min(angle + step, (angle + math.pi / 2) / 2)
        if abs(step) < CLOSE * angle:
            break
    return max(math.sqrt(freedom) * math.tan(angle), k)


def _cosines(power: float, angle: float) -> float:
    """Integral of cos^power from 0 to an angle of at most a right one.

    By that of a power four higher, twice by parts: near a right angle a small power is not smooth.
    """
    cosine, sine = math.cos(angle), math.sin(angle)
    found = integral(lambda a: np.cos(a) ** (power + 4), 0.0, angle)
    for higher in (power + 4, power + 2):
        found = (higher * found - cosine ** (higher - 1) * sine) / (higher - 1)
    return found


def integral(function: Callable[[Floats], Floats], low: float, high: float) -> float:
    """Integral of a smooth function, by Gauss and Legendre."""
    half = (high - low) / 2
    return half * float(_WEIGHTS @ function(low + half * (_PLACES + 1)))
