"""The cheapest choice of columns that sees what all of them together see, by integer programming."""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

from harness.arrays import Flags

LONGEST_S = 30.0  # for the search; the best so far is taken after that


@dataclass(frozen=True, kw_only=True)
class Price:
    """What a column costs by itself, and what it shares with others: each is paid once."""

    own: float
    shared: tuple[tuple[Hashable, float], ...]


def cheapest(sees: Flags, prices: Sequence[Price]) -> list[int]:
    """Choose columns so that each fault that some column sees is seen; sees: (faults, columns)."""
    patterns = np.unique(sees[sees.any(axis=1)], axis=0)
    if not len(patterns):
        return []
    from scipy.optimize import Bounds, LinearConstraint, milp  # takes 0.2 s
    from scipy.sparse import lil_array

    columns = len(prices)
    shared = dict(part for price in prices for part in price.shared)
    place = {key: columns + index for index, key in enumerate(shared)}
    needs = [(column, place[key]) for column, price in enumerate(prices) for key, _ in price.shared]
    matrix = lil_array((len(patterns) + len(needs), columns + len(shared)))
    matrix[: len(patterns), :columns] = patterns
    for row, (column, key) in enumerate(needs, start=len(patterns)):
        matrix[row, key], matrix[row, column] = 1.0, -1.0
    least = np.concatenate([np.ones(len(patterns)), np.zeros(len(needs))])
    result = milp(
        np.array([*(price.own for price in prices), *shared.values()]),
        constraints=LinearConstraint(matrix.tocsr(), lb=least),
        integrality=np.ones(columns + len(shared), dtype=int),
        bounds=Bounds(0, 1),
        options={"time_limit": LONGEST_S},
    )
    if result.x is None:
        return list(range(columns))
    return [column for column in range(columns) if result.x[column] > 0.5]
