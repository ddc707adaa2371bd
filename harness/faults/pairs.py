"""Which two faults at once might explain what no single one does.

There are tens of thousands of pairs. A pair that is right agrees nearly everywhere with one of its two faults
or with the sum of their changes, so pairs are ranked by that, and only the best are solved exactly.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from harness.faults.effects import Suspect
from harness.faults.likelihood import Yardstick

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

MOST_SUMMED = 4000
MOST_SOLVED = 200


def propose_pairs(
    yardstick: Yardstick,
    suspects: Sequence[Suspect],
    predicted: Complex,
    healthy: Complex,
    aside: Floats,
) -> list[tuple[int, int]]:
    """The most promising pairs of single faults, as places in `suspects`.

    predicted: entries, (suspects, entries); healthy: (entries,). aside: (suspects,), the misfit of the supply
    current, in nats.
    """
    count = len(suspects)
    turned = predicted * yardstick.turns(predicted)
    misfit = yardstick.misfit(turned)
    firsts, seconds = np.triu_indices(count, 1)
    bound = np.concatenate(
        [np.minimum(misfit[first], misfit[first + 1 :]).sum(axis=1) for first in range(count - 1)]
    )
    bound += np.minimum(aside[firsts], aside[seconds])
    sensible = np.array(
        [
            _sensible(suspects[first], suspects[second])
            for first in range(count)
            for second in range(first + 1, count)
        ],
        dtype=bool,
    )
    bound[~sensible] = np.inf
    best = np.argsort(bound, kind="stable")[:MOST_SUMMED]
    summed = predicted[firsts[best]] + predicted[seconds[best]] - healthy
    together = yardstick.misfit(summed * yardstick.turns(summed))
    total = np.minimum(np.minimum(misfit[firsts[best]], misfit[seconds[best]]), together).sum(axis=1)
    total += np.minimum(aside[firsts[best]], aside[seconds[best]])
    chosen = best[np.argsort(total, kind="stable")[:MOST_SOLVED]]
    return [(int(firsts[place]), int(seconds[place])) for place in chosen]


def _sensible(one: Suspect, other: Suspect) -> bool:
    """Not two faults of the same relay, contact or line, of which one hides the other."""
    together = {fault.subject for fault in one} & {fault.subject for fault in other}
    return not together or not one[0].kind.startswith(("relay", "coil", "pole", "throw", "line"))
