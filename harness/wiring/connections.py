"""What is soldered: which leg of which port is on which pin of the fixture's connectors, and the loopback
plugs.

Of a plug each resistor, the value to buy, and the error that brings. Values to buy are of the E24 and E96
series of IEC 60063.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import count
from types import MappingProxyType
from typing import Literal

from harness.circuit.expand import pad_resistors
from harness.job.fixture import Connector, Fixture, Loopback, LoopbackLeg, PortName, channels_of
from harness.job.module import LEGS, Module
from harness.units import E24

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
Series = Literal["E24", "E96"]
SERIES: Mapping[Series, tuple[float, ...]] = MappingProxyType(
    {
        "E24": tuple(value / 10 for value in E24),
        "E96": tuple(round(10 ** (n / 96), 2) for n in range(96)),
    }
)
USUAL_TOLERANCE = 0.01  # what is bought; a plug's measured resistors are known far better


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
    """The connectors that fixture.toml names; if it names none, D connectors for all ports.

    Those have what goes into the unit (inputs, returns) first, then what comes out, eight ports on each.
    """
    connectors = fixture.connectors or tuple(_usual(module))
    return tuple(_fit(connector, module, assumed=not fixture.connectors) for connector in connectors)


def pin_of(connectors: tuple[Fitted, ...]) -> Mapping[tuple[str, str], Pin]:
    """Find a pin by (`channel.net`, signal)."""
    return {(str(pin.port), pin.signal): pin for each in connectors for pin in each.pins}


def _usual(module: Module) -> Iterator[Connector]:
    numbers = count(1)
    for inward in (True, False):
        ports = [
            PortName(channel=channel, net=port.net)
            for port in module.ports
            if (port.role in INTO) is inward
            for channel in module.channels
            if port.is_in(channel)
        ]
        for first in range(0, len(ports), len(AES59)):
            group = tuple(ports[first : first + len(AES59)])
            yield Connector(name=f"J{next(numbers)}", kind="aes59", ports=group)


def _fit(connector: Connector, module: Module, *, assumed: bool) -> Fitted:
    named = tuple((each.hot, each.cold, each.ground) for each in connector.pins.values())
    of_ports = {"aes59": AES59, "xlr": (XLR,)}.get(connector.kind, named)
    pins = tuple(
        Pin(connector=connector.name, pin=pin, port=port, signal=signal)
        for port, three in zip(connector.ports, of_ports, strict=False)
        for signal, pin in zip((*LEGS, "ground"), three, strict=True)
    )
    sex = ""
    if connector.kind == "xlr":
        role = next(port.role for port in module.ports if port.net == connector.ports[0].net)
        sex = "male" if role in INTO else "female"
    return Fitted(name=connector.name, kind=connector.kind, pins=pins, sex=sex, assumed=assumed)


def nearest_value(wanted_ohm: float, series: Series) -> float:
    """The series' value that is nearest by ratio, in ohm. Raises ValueError for zero or less."""
    if not 0 < wanted_ohm < math.inf:
        raise ValueError(f"no preferred value is near {wanted_ohm} ohm; expected more than zero")
    decade = math.floor(math.log10(wanted_ohm))
    values = (
        round(step * 10.0**power, 12) for power in (decade - 1, decade, decade + 1) for step in SERIES[series]
    )
    return min(values, key=lambda value: abs(math.log(value / wanted_ohm)))


@dataclass(frozen=True, kw_only=True)
class Chosen:
    """A resistor: where it sits, what is wanted, and the nearest of E24 and E96, in ohm.

    place: such as `hot series`. series: the one to buy from: E24 if that is within the tolerance.
    """

    place: str
    wanted_ohm: float
    e24_ohm: float
    e96_ohm: float
    series: Series

    @property
    def bought_ohm(self) -> float:
        """The value to buy."""
        return self.e24_ohm if self.series == "E24" else self.e96_ohm

    @property
    def error(self) -> float:
        """By how much the value to buy is off, as a fraction."""
        return self.bought_ohm / self.wanted_ohm - 1


@dataclass(frozen=True, kw_only=True)
class PlugLoss:
    """One leg of a plug, or its pad: the loss as wanted and with the values to buy, in decibels."""

    name: str
    wanted_db: float
    bought_db: float


@dataclass(frozen=True, kw_only=True)
class Plug:
    """A loopback plug in one channel."""

    loopback: str
    start: PortName
    end: PortName
    kind: str  # `straight`, `pad` or `coded`
    label: str  # what is written on it, or ""
    resistors: tuple[Chosen, ...]
    paths: tuple[PlugLoss, ...]


def choose(place: str, wanted_ohm: float, tolerance: float) -> Chosen:
    """Choose the value to buy for one resistor. Raises ValueError for zero or less."""
    e24, e96 = (nearest_value(wanted_ohm, series) for series in ("E24", "E96"))
    near = abs(e24 / wanted_ohm - 1) <= max(tolerance, USUAL_TOLERANCE) + 1e-12
    closer = abs(e96 / wanted_ohm - 1) < abs(e24 / wanted_ohm - 1)
    series: Series = "E24" if near or not closer else "E96"
    return Chosen(place=place, wanted_ohm=wanted_ohm, e24_ohm=e24, e96_ohm=e96, series=series)


def plugs(module: Module, fixture: Fixture) -> tuple[Plug, ...]:
    """Every plug of every channel."""
    return tuple(
        _plug(loopback, channel)
        for loopback in fixture.loopbacks.values()
        for channel in channels_of(loopback, module)
    )


def pad_loss_db(arm_ohm: float, shunt_ohm: float, impedance_ohm: float) -> float:
    """Insertion loss of an H pad of four arms and a shunt, between two of the impedance.

    V_load/e by the ladder, over the e/2 that the load has without the pad.
    """
    far = 2 * arm_ohm + impedance_ohm
    middle = shunt_ohm * far / (shunt_ohm + far)
    ratio = middle / (impedance_ohm + 2 * arm_ohm + middle) * impedance_ohm / far
    return -20 * math.log10(2 * ratio)


def _plug(loopback: Loopback, channel: str) -> Plug:
    kind = "straight"
    resistors: tuple[Chosen, ...] = ()
    paths: tuple[PlugLoss, ...] = ()
    if loopback.legs is not None:
        chosen = tuple(_coded(loopback, channel))
        kind = "coded"
        resistors = tuple(each for of_leg, _ in chosen for each in of_leg)
        paths = tuple(path for _, path in chosen if path is not None)
    elif loopback.pad_db:
        kind = "pad"
        resistors, paths = _pad(loopback, loopback.pad_db, loopback.pad_impedance_ohm or 600.0)
    return Plug(
        loopback=loopback.name,
        start=PortName(channel=channel, net=loopback.from_net),
        end=PortName(channel=channel, net=loopback.to_net),
        kind=kind,
        label=loopback.plug or "",
        resistors=resistors,
        paths=paths,
    )


def _coded(loopback: Loopback, channel: str) -> Iterator[tuple[tuple[Chosen, ...], PlugLoss | None]]:
    legs = loopback.legs[channel] if loopback.legs is not None else {}
    for leg in LEGS:
        parts: LoopbackLeg = legs[leg]
        wanted = (("series", parts.series_ohm or None), ("shunt", parts.shunt_ohm))
        chosen = tuple(
            choose(f"{leg} {name}", ohm, loopback.tolerance) for name, ohm in wanted if ohm is not None
        )
        path = None
        if len(chosen) == 2:
            path = PlugLoss(
                name=f"{leg}, unloaded",
                wanted_db=_divider_db(*(resistor.wanted_ohm for resistor in chosen)),
                bought_db=_divider_db(*(resistor.bought_ohm for resistor in chosen)),
            )
        yield chosen, path


def _divider_db(series_ohm: float, shunt_ohm: float) -> float:
    return 20 * math.log10((series_ohm + shunt_ohm) / shunt_ohm)


def _pad(
    loopback: Loopback, loss_db: float, impedance_ohm: float
) -> tuple[tuple[Chosen, ...], tuple[PlugLoss, ...]]:
    arm_ohm, shunt_ohm = pad_resistors(loss_db, impedance_ohm)
    arms = tuple(choose(f"{leg} {end}", arm_ohm, loopback.tolerance) for leg in LEGS for end in ("in", "out"))
    shunt = choose("shunt", shunt_ohm, loopback.tolerance)
    bought_db = pad_loss_db(arms[0].bought_ohm, shunt.bought_ohm, impedance_ohm)
    path = PlugLoss(name=f"pad at {impedance_ohm:g} ohm", wanted_db=loss_db, bought_db=bought_db)
    return (*arms, shunt), (path,)
