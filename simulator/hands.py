"""A pair of hands at the bench: they make hookups, and where they are clumsy a lead may end up elsewhere.

One slip a hookup at most: two leads exchanged, one left off, or one on the neighbouring pin. Told which leads
to look at they put these right; told to look at all, they put all right.
"""

from collections.abc import Mapping, Sequence

from harness.errors import UsageError
from harness.job.fixture import Hookup, PortName
from harness.job.job import Job
from harness.job.module import GROUND, LEGS
from simulator.seeds import generator_for
from simulator.unit import pin
from simulator.wiring import Places, proper_places


class Hands:
    """clumsy: the share of hookups with a slip. The same seed slips the same way in the same order."""

    def __init__(self, job: Job, *, inputs: int, clumsy: float, seed: object) -> None:
        self._job, self._inputs, self._clumsy = job, inputs, clumsy
        self._rng = generator_for("hands", seed)
        self.elsewhere: dict[str, str | None] = {}

    def make(self, name: str) -> Places:
        """Make a hookup; gives the leads that are elsewhere than they should be. Raises UsageError."""
        places = proper_places(self._hookup(name), self._inputs)
        slips = places and self._rng.random() < self._clumsy
        self.elsewhere = self._slip(places) if slips else {}
        return self.elsewhere

    def look_at(self, name: str, leads: Sequence[str]) -> Places:
        """Put these leads right, all where none is named; gives those that still are elsewhere."""
        known = proper_places(self._hookup(name), self._inputs)
        unknown = [lead for lead in leads if lead not in known]
        if unknown:
            raise UsageError(f"no lead {unknown[0]!r} in {name!r}; it has {', '.join(known)}")
        seen_to = leads or list(known)
        self.elsewhere = {lead: place for lead, place in self.elsewhere.items() if lead not in seen_to}
        return self.elsewhere

    def _hookup(self, name: str) -> Hookup:
        hookups = {hookup.name: hookup for hookup in self._job.fixture.hookups}
        if name not in hookups:
            raise UsageError(f"no hookup {name!r}; the fixture has: {', '.join(hookups)}")
        return hookups[name]

    def _slip(self, places: Mapping[str, str]) -> dict[str, str | None]:
        leads = list(places)
        lead = leads[int(self._rng.integers(len(leads)))]
        kind = int(self._rng.integers(3))
        if kind == 0:
            first = leads.index(lead) // 2 * 2
            if first + 1 < len(leads):
                one, other = leads[first], leads[first + 1]
                return {one: places[other], other: places[one]}
        if kind == 1:
            return {lead: None}
        nearby = self._neighbours(places[lead])
        return {lead: nearby[int(self._rng.integers(len(nearby)))]}

    def _neighbours(self, place: str) -> list[str]:
        """The pins beside one: the other leg, pin 1, and the same pin of the other channels' connectors."""
        for leg, other in zip(LEGS, LEGS[::-1], strict=True):
            if place == f"generator {leg}":
                return [f"generator {other}"]
        channels = self._job.module.channels
        for channel in channels:
            for port in self._job.module.ports:
                for leg, other in zip(LEGS, LEGS[::-1], strict=True):
                    here = PortName(channel=channel, net=port.net)
                    if place == pin(f"{here}.{leg}"):
                        beside = [pin(f"{c}.{port.net}.{leg}") for c in channels if c != channel]
                        return [pin(f"{here}.{other}"), GROUND, *beside]
        return [GROUND]
