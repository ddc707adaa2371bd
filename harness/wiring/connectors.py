"""Which leg of which port is on which pin of the fixture's connectors."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from harness.job.fixture import Connector, Fixture, PortName
from harness.job.module import LEGS, Module

# AES59: eight balanced channels on a 25-way D connector, (hot, cold, ground); pin 13 is not connected.
AES59: tuple[tuple[str, str, str], ...] = (
    *(("24", "12", "25"), ("10", "23", "11"), ("21", "9", "22"), ("7", "20", "8")),
    *(("18", "6", "19"), ("4", "17", "5"), ("15", "3", "16"), ("1", "14", "2")),
)
XLR = ("2", "3", "1")  # IEC 60268-12: hot, cold, shield
TITLES = MappingProxyType(
    {
        "aes59": "25-way D connector, AES59",
        "xlr": "XLR, IEC 60268-12",
        "pins": "pins as fixture.toml gives them",
    }
)
INTO = ("input", "return")


@dataclass(frozen=True, kw_only=True)
class Pin:
    """One pin of one connector. signal: `hot`, `cold` or `ground`."""

    connector: str
    pin: str
    port: PortName
    signal: str

    def __str__(self) -> str:
        return f"{self.connector}.{self.pin}"


@dataclass(frozen=True, kw_only=True)
class Fitted:
    """A connector of the fixture with its pins, in the order of its ports; three for each.

    sex: of an XLR, "male" or "female"; signals leave on pins and arrive in sockets, so that one into the unit
    is male. "" of other kinds.
    """

    name: str
    kind: str
    pins: tuple[Pin, ...]
    sex: str
    assumed: bool  # fixture.toml has no [connectors]: laid out here, by the standard

    @property
    def title(self) -> str:
        """What it is, in words."""
        return f"{TITLES[self.kind]}, {self.sex}" if self.sex else TITLES[self.kind]


def fitted(module: Module, fixture: Fixture) -> tuple[Fitted, ...]:
    """Give the connectors that fixture.toml names; where it names none, D connectors for all ports.

    Those have what goes into the unit (inputs, returns) first, then what comes out, eight ports on each.
    """
    if fixture.connectors:
        return tuple(_fit(connector, module, assumed=False) for connector in fixture.connectors)
    return tuple(_fit(connector, module, assumed=True) for connector in _usual(module))


def pin_of(connectors: tuple[Fitted, ...]) -> Mapping[tuple[str, str], Pin]:
    """Find a pin by (`channel.net`, signal)."""
    return {(str(pin.port), pin.signal): pin for each in connectors for pin in each.pins}


def _usual(module: Module) -> Iterator[Connector]:
    number = 0
    for inward in (True, False):
        ports = [
            PortName(channel=channel, net=port.net)
            for port in module.ports
            if (port.role in INTO) is inward
            for channel in module.channels
        ]
        for first in range(0, len(ports), len(AES59)):
            number += 1
            yield Connector(name=f"J{number}", kind="aes59", ports=tuple(ports[first : first + len(AES59)]))


def _fit(connector: Connector, module: Module, *, assumed: bool) -> Fitted:
    places: tuple[tuple[str, ...], ...]
    if connector.kind == "aes59":
        places = AES59
    elif connector.kind == "xlr":
        places = (XLR,)
    else:
        places = tuple((each.hot, each.cold, each.ground) for each in connector.pins.values())
    pins = tuple(
        Pin(connector=connector.name, pin=pin, port=port, signal=signal)
        for port, three in zip(connector.ports, places, strict=False)
        for signal, pin in zip((*LEGS, "ground"), three, strict=True)
    )
    sex = ""
    if connector.kind == "xlr":
        role = next(port.role for port in module.ports if port.net == connector.ports[0].net)
        sex = "male" if role in INTO else "female"
    return Fitted(name=connector.name, kind=connector.kind, pins=pins, sex=sex, assumed=assumed)
