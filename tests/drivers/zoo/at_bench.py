"""A scope of the zoo on the foreign bench, where it sees what the module's circuit makes of the generator."""

import re
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tests.drivers.peers import Peer
from tests.drivers.zoo.scope import Scope
from tests.foreign.world import World


class ScopeAtBench:
    """The scope behind a socket, in the place of the foreign bench's own."""

    def __init__(self, scope: Scope, world: World) -> None:
        self.scope, self._world = scope, world
        self._seen: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None
        scope.signal, scope.clock, scope.noise_v = self._signal, world.now, 2e-4
        self._peer = Peer(scope.script)
        self.address = self._peer.address

    def _signal(self, n: int, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Volts of input n; all inputs of one record are worked out at once."""
        if self._seen is None or self._seen[0] is not time_s:
            self._seen = time_s, self._world.seen(time_s)
        volts: NDArray[np.float64] = self._seen[1][n - 1]
        return volts

    def start(self) -> None:
        """It has been listening since it was made."""

    def close(self) -> None:
        """Leave."""
        self._peer.close()

    @property
    def heard(self) -> list[str]:
        """Every command that it got."""
        return self.scope.heard

    @property
    def all_errors(self) -> list[int]:
        """The errors that it still has to report."""
        return [int(found[0]) for error in self.scope.errors if (found := re.match(r"-?\d+", error))]


def at_bench(scope: Scope) -> Callable[[World], ScopeAtBench]:
    """What puts the scope on a bench."""
    return lambda world: ScopeAtBench(scope, world)
