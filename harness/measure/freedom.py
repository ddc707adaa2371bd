"""Standard uncertainties found from few values: degrees of freedom, and the factor that makes up for them.

Source: JCGM 100:2008, annex G.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

FEWEST = 1.0  # degrees of freedom; the table has none below


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

    freedom: of any size, also between whole numbers.
    """
    from scipy.special import ndtr, stdtrit

    return max(-float(stdtrit(freedom, float(ndtr(-k)))), k) if math.isfinite(freedom) else k
