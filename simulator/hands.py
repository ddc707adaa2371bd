"""What hands do at a bench: make hookups, sometimes with a slip; and the control port that tells them to.

A slip is one a hookup at most: two leads exchanged, one left off, or one on the neighbouring pin. Told which
leads to look at the hands put these right; told to look at all, they put all right.

The control port takes lines of JSON, each answered by one:
`{"unit": "S1", "faults": ["K3 never operates"]}` puts another unit into the fixture, `{"empty": true}` takes
it out, `{"hookup": "name"}` moves the leads, and with `"look_at": ["input 1"]` besides sees to these leads of
it (`[]`: to all), `{"trouble": "oscilloscope late 800 ms"}` lets an instrument misbehave (`"none"` ends it),
`{"quit": true}` ends the simulator. The answer is `{"ok": true}`, or `{"ok": false, "error": "…"}`. Nothing
can be asked here: what a bench shows, its instruments show.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from harness.errors import UsageError
from harness.job.fixture import Hookup, PortName
from harness.job.job import Job
from harness.job.module import GROUND, LEGS
from simulator.seeds import generator_for
from simulator.unit import pin
from simulator.wire import Gone, Stream
from simulator.wiring import Places, proper_places

LINE_MAX = 65_536


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


class ControlPort:
    """Reads requests from connections and hands them over to what carries them out."""

    def __init__(
        self, hands: Mapping[str, Callable[[Mapping[str, Any]], None]], end: Callable[[], None]
    ) -> None:
        self._hands = hands
        self._end = end

    def serve(self, stream: Stream) -> None:
        """Serve one connection until it ends."""
        held = bytearray()
        try:
            while (data := stream.read()) and len(held) < LINE_MAX:
                held += data
                while (end := held.find(b"\n")) >= 0:
                    line = bytes(held[:end])
                    del held[: end + 1]
                    answer, ending = self._answer(line)
                    stream.write(json.dumps(answer).encode() + b"\n")
                    if ending:
                        self._end()
        except Gone:
            return

    def _answer(self, line: bytes) -> tuple[dict[str, object], bool]:
        try:
            request = json.loads(line)
        except (ValueError, RecursionError):
            return {"ok": False, "error": "no line of JSON"}, False
        known = (*self._hands, "quit")
        names = [name for name in known if isinstance(request, dict) and name in request]
        if len(names) != 1:
            return {"ok": False, "error": f"expected one of {', '.join(known)}"}, False
        if names == ["quit"]:
            return {"ok": True}, True
        try:
            self._hands[names[0]](request)
        except UsageError as error:
            return {"ok": False, "error": str(error)}, False
        return {"ok": True}, False
