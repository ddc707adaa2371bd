"""Whether a bench has moved: a golden unit's run against the runs that it is known by.

Moved is what both statistics and sense say: beyond what single values scatter about their mean, corrected for
how many readings there are, and beyond the expanded uncertainty that the reading claims for itself. With few
earlier runs there is no scatter to go by, and what the reading claims stands for it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.reading import ReadingKey
from harness.records.history import Series
from harness.statistics.compare import correct_p

FEWEST_FOR_SCATTER = 3
LEVEL = 0.01  # the chance to stop a bench that has not moved, over all readings together
COVERAGE = 2.0  # of a reading's expanded uncertainty


@dataclass(frozen=True, kw_only=True)
class Shift:
    """One reading of the golden unit now against its history; numbers in the reading's unit.

    n: values in the history. value: None where there is none now. expanded: what the reading claims. p: of a
    single value so far out by chance, corrected for all readings; None where there is no value now.
    """

    key: ReadingKey
    unit: str
    n: int
    value: float | None
    mean: float
    sigma: float | None
    expanded: float
    p: float | None
    moved: bool

    @property
    def shift(self) -> float | None:
        """Now less the mean of the history."""
        return None if self.value is None else self.value - self.mean

    @property
    def times(self) -> float:
        """How many expanded uncertainties it has moved by."""
        if self.shift is None:
            return math.inf
        return abs(self.shift) / self.expanded if self.expanded > 0 else math.inf * bool(self.shift)


def golden_shifts(series: Sequence[Series], run_id: int) -> list[Shift]:
    """Compare one run with the others of the golden unit, the furthest out first.

    series: through the history and the run. Readings without a value in the history are left out; one that
    had values and has none now has moved. A single future value of a normal population lies within
    t s sqrt(1 + 1/n) of the mean of n: NIST/SEMATECH e-Handbook 7.2.1 with the variance of a difference. Of
    a short history the claimed standard uncertainty is taken for s, and t for normal.
    """
    found = [shift for one in series if (shift := _shift(one, run_id)) is not None]
    tested = [index for index, shift in enumerate(found) if shift.p is not None]
    corrected = correct_p([found[index].p or 0.0 for index in tested], "holm")
    by_index = dict(zip(tested, map(float, corrected), strict=True))
    judged = [_judged(shift, by_index.get(index)) for index, shift in enumerate(found)]
    return sorted(judged, key=lambda one: (not one.moved, 1.0 if one.p is None else one.p, -one.times))


def _shift(one: Series, run_id: int) -> Shift | None:
    from scipy.special import ndtr, stdtr

    now = one.run_ids == run_id
    before = one.values[one.measured & ~now]
    if not before.size:
        return None
    value = one.values[one.measured & now]
    known = one.standard[now & np.isfinite(one.standard)]
    mean = float(np.mean(before))
    several = before.size >= FEWEST_FOR_SCATTER
    sigma = float(np.std(before, ddof=1)) if several else None
    claimed = float(known[0]) if known.size else 0.0
    p: float | None = None
    if value.size:
        away = abs(float(value[0]) - mean)
        reach = (claimed if sigma is None else sigma) * math.sqrt(1.0 + 1.0 / before.size)
        if reach == 0:
            p = float(away == 0)
        else:
            p = 2.0 * float(ndtr(-away / reach) if sigma is None else stdtr(before.size - 1, -away / reach))
    return Shift(
        key=one.key,
        unit=one.unit,
        n=int(before.size),
        value=float(value[0]) if value.size else None,
        mean=mean,
        sigma=sigma,
        expanded=COVERAGE * claimed,
        p=p,
        moved=False,
    )


def _judged(shift: Shift, p: float | None) -> Shift:
    moved = shift.shift is None or p is None or (p <= LEVEL and abs(shift.shift) > shift.expanded)
    return replace(shift, p=p, moved=moved)
