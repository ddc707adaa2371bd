"""The routes that a live view shows: those of the hookup's ports, in every channel."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.errors import CircuitError

if TYPE_CHECKING:
    from harness.job.fixture import Hookup, PortName
    from harness.job.job import Job
    from harness.job.state import State

MOST_PORTS = 2  # of each channel: a view has twenty-odd lines


@dataclass(frozen=True, kw_only=True)
class ShownRoute:
    """One way through the unit. words: as the circuit has it. driven: whether the generator is there now."""

    channel: str
    words: str
    driven: bool


class Routes:
    """The ways to the ports of a hookup; each is computed when it is first asked for, and once."""

    def __init__(self, job: "Job") -> None:
        self._job = job
        self._known: dict[tuple[PortName, tuple[str, ...], State, PortName], str] = {}

    def of(self, hookup: "Hookup", state: "State") -> tuple[ShownRoute, ...]:
        """By channel: to the ports that the hookup views, as it is driven or would be."""
        if hookup.drive is None:
            return ()
        return tuple(
            ShownRoute(
                channel=channel,
                words=self._words(twin, state, port),
                driven=channel == hookup.drive.channel,
            )
            for channel in self._job.module.channels
            if (twin := self._twin(hookup, channel)) is not None
            for port in self._ports(hookup, channel)
        )

    def _twin(self, hookup: "Hookup", channel: str) -> "Hookup | None":
        """The hookup itself for the channel that it drives; for another one the first that is its like."""
        if hookup.drive is None or hookup.drive.channel == channel:
            return hookup
        net = hookup.drive.net
        return next(
            (
                other
                for other in self._job.fixture.hookups
                if other.drive is not None
                and (other.drive.channel, other.drive.net) == (channel, net)
                and other.links == hookup.links
            ),
            None,
        )

    def _ports(self, hookup: "Hookup", channel: str) -> "list[PortName]":
        """The viewed ports besides the driven one, by name, in this channel."""
        from harness.job.fixture import PortName

        driven = "" if hookup.drive is None else hookup.drive.net
        nets = list(dict.fromkeys(port.net for port in hookup.view if port.net != driven))
        if not nets:
            nets = [port.net for port in self._job.module.ports if port.role == "output"]
        return [PortName(channel=channel, net=net) for net in nets[:MOST_PORTS]]

    def _words(self, hookup: "Hookup", state: "State", port: "PortName") -> str:
        from harness.circuit.routes import SILENT, route

        if hookup.drive is None:
            return SILENT
        key = hookup.drive, hookup.links, state, port
        if key not in self._known:
            try:
                words = route(self._job.module, self._job.fixture, hookup, state, port)
            except CircuitError as error:
                words = str(error)
            self._known[key] = f"{words} at {port.net}" if words == SILENT else words
        return self._known[key]
