"""How often the true value lies inside the expanded interval, and how often it should."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from harness.reading import Estimate

COVERAGE = 0.9545  # of k = 2 and a normal distribution (JCGM 100, table G.1)
LEAST, MOST = 0.93, 0.975  # what a thousand draws are held to
RARE = 1e-3  # how seldom a test of fewer draws fails by chance, on either side


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """One reading of one draw of every error: what was true, and what was claimed."""

    truth: float
    value: float
    low: float
    high: float
    floor: bool

    @property
    def inside(self) -> bool:
        return self.low <= self.truth <= self.high


Draw = Callable[[int], Mapping[str, Iterable[Drawn]]]  # from a seed to readings by quantity


def drawn(estimate: Estimate, truth: float) -> Drawn:
    return Drawn(
        truth=truth, value=estimate.value, low=estimate.low, high=estimate.high, floor=estimate.floor
    )


def draw_all(draw: Draw, seeds: Iterable[int]) -> dict[str, list[Drawn]]:
    """Readings of every seed, by quantity."""
    result: dict[str, list[Drawn]] = defaultdict(list)
    for seed in seeds:
        for quantity, readings in draw(seed).items():
            result[quantity] += readings
    return dict(result)


def share(readings: Iterable[Drawn]) -> float:
    """Share of the intervals that hold the true value; floors claim no interval and are left out."""
    messages = [reading.inside for reading in readings if not reading.floor]
    return sum(messages) / len(messages)


def limits(count: int) -> tuple[float, float]:
    """Shares that so many draws of a right interval stay between, but for twice one in a thousand."""
    from scipy.stats import binom

    low, high = (float(binom.ppf(share, count, COVERAGE)) for share in (RARE, 1 - RARE))
    return low / count, high / count
