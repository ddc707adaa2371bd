"""A generator with a sync output, and a scope of the zoo that triggers on it, for the foreign bench."""

import math
from collections.abc import Callable

import numpy as np

from tests.drivers.zoo.scope import Action as ScopeAction
from tests.drivers.zoo.scope import Answer as ScopeAnswer
from tests.drivers.zoo.scope_dialects import TenFields
from tests.foreign.instruments import Generator
from tests.foreign.scpi import Action, Refused, word
from tests.foreign.world import World

EDGE_RAD = -math.pi / 2  # of a cosine: where its sine begins


class SyncedGenerator(Generator):
    """Each sine starts at some phase; the sync has an edge where the sine of one output begins."""

    delay_s = 80e-9

    def __init__(self, world: World) -> None:
        self.direct = [False, False]
        self.source = 1
        super().__init__(world)
        world.sync_edge = self.edge  # type: ignore[attr-defined]

    def commands(self) -> dict[str, Action]:
        return super().commands() | {
            "SOURce#:FUNCtion": lambda n, p: self._kind(self._which(n), p[0]),
            "OUTPut:SYNC:SOURce": lambda n, p: self._follow(p[0]),
        }

    def _kind(self, n: int, text: str) -> None:
        self.direct[n] = text.upper() == "DC"
        if not self.direct[n]:
            word(text, "SINusoid", "SQUare")
        self._apply(n)

    def _follow(self, text: str) -> None:
        if text.upper() not in ("CH1", "CH2"):
            raise Refused(-224)
        self.source = int(text[-1])

    def _apply(self, n: int) -> None:
        super()._apply(n)
        if self.direct[n]:
            self.world.drive(n + 1, peak_v=0.0)

    def edge(self, after_s: float) -> float | None:
        """The first edge of the sync after an instant, by the scope's clock."""
        output, clock = self.world.output(self.source), self.world.clocks[self.source - 1]
        if not output.on or output.peak_v == 0.0:
            return None
        per_s = 2 * math.pi * output.frequency_hz * clock
        turns = math.ceil((per_s * after_s + output.phase_rad - EDGE_RAD) / (2 * math.pi))
        return (2 * math.pi * turns + EDGE_RAD - output.phase_rad) / per_s + self.delay_s


class OneOutputsSync(SyncedGenerator):
    """The sync is that of the first output, whatever it is told, and goes on while that gives 0 V."""

    def edge(self, after_s: float) -> float | None:
        period_s = 1 / (990.0 * self.world.clocks[0])
        return period_s * math.ceil(after_s / period_s)


class SyncedScope(TenFields):
    """Two inputs and an external trigger input; it counts from the sample at or after the edge.

    unplugged: the cable is in no socket.
    """

    inputs = 2
    memory = 40_000
    unplugged = False

    def __init__(self) -> None:
        self.external = False
        self.counted_late_s: list[float] = []
        super().__init__()

    def commands(self) -> dict[str, ScopeAction]:
        own = super().commands()
        return own | {
            ":TRIGger:EDGE:SOURce CHANnel#": lambda n: self.have("external", False),
            ":TRIGger:EDGE:SOURce EXTernal": lambda: self.have("external", True),
            ":TRIGger:SWEep NORMal": lambda: None,
            ":TRIGger:FORCe": self.force,
        }

    def single(self) -> None:
        """At the sync, of which the sampling clock knows nothing: an edge is between two samples."""
        if not self.external:
            super().single()
            return
        world_now, length_s = self.clock, self.s_per_div * self.time_divisions
        edge_s = None if self.unplugged else self.sync_edge(world_now() + length_s / 2)
        if edge_s is None:
            self.done_at = math.inf
            return
        late_s = float(self._random.uniform(0.0, length_s / self.points))
        self.counted_late_s.append(late_s)
        self.clock = lambda: edge_s + late_s - length_s / 2
        try:
            super().single()
        finally:
            self.clock = world_now

    def wait(self) -> ScopeAnswer:  # type: ignore[override]
        """Nothing, ever, of a record that nothing starts."""
        return None if math.isinf(self.done_at) else super().wait()

    def sync_edge(self, after_s: float) -> float | None:
        """Set by the bench that it stands on."""
        raise NotImplementedError


def synced_at_bench(scope: SyncedScope, at: Callable[[World], object]) -> Callable[[World], object]:
    """What puts the scope on a bench whose generator has a sync."""

    def made(world: World) -> object:
        scope.sync_edge = lambda after_s: world.sync_edge(after_s)  # type: ignore[attr-defined, method-assign]
        return at(world)

    return made


def phase_deg(legs: np.ndarray, drive: np.ndarray) -> float:
    """Of the difference of two legs against that of the driven port's."""
    return float(np.degrees(np.angle((legs[0] - legs[1]) / (drive[0] - drive[1]))))
