"""The cheapest steps that see what all of them together see, by integer programming."""

from collections.abc import Collection, Hashable, Iterable, Mapping
from typing import TypeVar

import numpy as np

LONGEST_S = 60.0  # for the search; the best so far is taken after that

Step = TypeVar("Step", bound=Hashable)


def cheapest(
    costs: Mapping[Step, float],
    *,
    needs: Iterable[tuple[Step, Collection[Step]]],
    wanted: Iterable[Collection[Step]],
) -> tuple[set[Step], bool]:
    """Choose steps, and say whether the search ended, so that no choice costs less.

    needs: a step, and others of which one must be taken with it. wanted: of each, one must be taken.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp  # takes 0.2 s
    from scipy.sparse import lil_array

    column = {step: number for number, step in enumerate(costs)}
    rows = [({**dict.fromkeys(others, 1.0), step: -1.0}, 0.0) for step, others in needs]
    rows += [(dict.fromkeys(steps, 1.0), 1.0) for steps in wanted]
    matrix = lil_array((len(rows), len(column)))
    for row, (weights, _) in enumerate(rows):
        for step, weight in weights.items():
            matrix[row, column[step]] = weight
    result = milp(
        np.array(list(costs.values())),
        constraints=LinearConstraint(matrix.tocsr(), lb=np.array([least for _, least in rows])),
        integrality=np.ones(len(column), dtype=int),
        bounds=Bounds(0, 1),
        options={"time_limit": LONGEST_S},
    )
    if result.x is None:
        return set(column), False
    return {step for step, number in column.items() if result.x[number] > 0.5}, bool(result.status == 0)
