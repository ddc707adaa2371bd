"""A generator and a scope of the zoos, joined by cables: output 1 at input 1, output 2 at input 2.

Levels are what an open output shows: the scope's megohm takes 50 ppm of 50 ohm, which is left out.
"""

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.drivers.board_zoo.generators import RmsGenerator
from tests.drivers.peers import Peer, peer
from tests.drivers.zoo.scope import Scope


class CabledGenerator(RmsGenerator):
    """As its dialect; it keeps phases, has a function DC, and its load may halve what an output shows.

    loud: the largest amplitude that was ever switched on, peak to peak.
    """

    def __init__(self) -> None:
        super().__init__()
        self.degrees, self.direct = {1: 0.0, 2: 0.0}, {1: False, 2: False}
        self.times = 1.0  # of what is set
        self.averaged = False  # by the scope, on input 1: another frequency then fades
        self.aligned = True  # whether a phase is taken
        self.loud = 0.0
        self.when_on: Callable[[], None] = lambda: None  # called whenever an output is switched on
        self.on = {1: False, 2: False}

    def obey(self, line: str) -> str | None:
        if match := re.fullmatch(r"C([12]):(PHAS|WAVE) (\S+)", line):
            n, what, value = int(match[1]), match[2], match[3]
            if what == "WAVE":
                self.direct[n] = value == "DC"
            elif self.aligned:
                self.degrees[n] = float(value)
            return None
        answer = super().obey(line)
        if line.endswith("OUTP ON"):
            self.when_on()
        self.loud = max([self.loud, *(self.open_vpp[n] for n in (1, 2) if self.on[n])])
        return answer

    def shown(self, n: int, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Volts at input n."""
        gone = self.averaged and n == 2 and self.on[1] and self.hertz[1] != self.hertz[2]
        if n > 2 or not self.on[n] or self.direct[n] or gone:
            return np.zeros_like(time_s)
        phase = 2.0 * np.pi * self.hertz[n] * time_s + np.deg2rad(self.degrees[n])
        return np.asarray(self.times * self.open_vpp[n] / 2.0 * np.sin(phase))


@dataclass(frozen=True, kw_only=True)
class Cabled:
    """Both, with the addresses at which they listen."""

    generator: CabledGenerator
    scope: Scope
    of_generator: Peer
    of_scope: Peer


@contextmanager
def cabled(scope: Scope) -> Iterator[Cabled]:
    """Both on sockets, until the block is left."""
    generator = CabledGenerator()
    scope.signal = generator.shown
    with peer(generator.script) as of_generator, peer(scope.script) as of_scope:
        yield Cabled(generator=generator, scope=scope, of_generator=of_generator, of_scope=of_scope)
