"""The control port: what hands do at a bench, as lines of JSON, each answered by one.

`{"unit": "S1", "faults": ["K3 never operates"]}` puts another unit into the fixture, `{"empty": true}` takes
it out, `{"hookup": "name"}` moves the leads, and with `"look_at": ["input 1"]` besides sees to these leads of
it (`[]`: to all), `{"trouble": "oscilloscope late 800 ms"}` lets an instrument misbehave (`"none"` ends it),
`{"quit": true}` ends the simulator. The answer is `{"ok": true}`, or `{"ok": false, "error": "…"}`. Nothing
can be asked here: what a bench shows, its instruments show.
"""

import json
from collections.abc import Callable, Mapping
from typing import Any

from harness.errors import UsageError
from simulator.wire import Gone, Stream

LINE_MAX = 65_536


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
