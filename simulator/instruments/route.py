"""A switch with the ROUTe subsystem of SCPI-1999, as the commands of `route-switchboard` see it."""

from collections.abc import Sequence

from simulator.clock import Clock
from simulator.device import Device
from simulator.instruments.boards import Coils
from simulator.parameters import channel_list
from simulator.scpi import Command


class RouteSwitchboard(Device):
    """Channels closed and opened by channel lists."""

    def __init__(self, clock: Clock, coils: Coils, *, serial: str) -> None:
        self._coils = coils
        super().__init__(clock, model="RS16", serial=serial)

    def reset(self) -> None:
        """Open every channel."""
        self._coils.replace(frozenset())

    def commands(self) -> Sequence[Command]:
        """The commands of a switch."""
        channels = channel_list(self._coils.count)
        return [
            Command(
                pattern="ROUTe:CLOSe",
                do=lambda named: self._coils.replace(self._coils.closed.union(named)),
                takes=channels,
                ask=lambda named: ",".join(str(int(c in self._coils.closed)) for c in named),
                asks_with=channels,
            ),
            Command(
                pattern="ROUTe:OPEN",
                do=lambda named: self._coils.replace(self._coils.closed.difference(named)),
                takes=channels,
            ),
            Command(pattern="ROUTe:OPEN:ALL", do=lambda: self._coils.replace(frozenset())),
        ]
