"""The fixture's connectors: [connectors.NAME] of fixture.toml, which may be left out."""

from typing import Annotated, Literal

from pydantic import Field

from harness.job.fixture import Connector, PortName
from harness.job.located import Key
from harness.job.mistakes import Source, unknown
from harness.job.names import Names
from harness.job.schema import Table

MOST_PORTS = {"aes59": 8, "xlr": 1}
PinName = Annotated[str, Field(min_length=1, max_length=12, description='a pin in quotes such as "2"')]


class RawPins(Table):
    """The pins of one port."""

    hot: PinName
    cold: PinName
    ground: PinName


class RawConnector(Table):
    """[connectors.NAME]: `ports` in the order of the standard's channels, or `pins` of each port."""

    kind: Literal["aes59", "xlr", "pins"]
    ports: Annotated[list[str], Field(default_factory=list)]
    pins: Annotated[dict[str, RawPins], Field(default_factory=dict)]


def read_connectors(source: Source, names: Names) -> tuple[Connector, ...]:
    """Read every connector; notes unknown ports, ports that stand twice, and pins that do."""
    connectors = []
    seen: set[str] = set()
    for name, value in source.table("connectors").items():
        key: Key = ("connectors", name)
        raw = source.read(RawConnector, value, key)
        if raw is None:
            continue
        _check_shape(source, raw, key)
        ports = list(raw.pins) if raw.kind == "pins" else raw.ports
        for text in ports:
            if names.known and text not in names.port_names():
                source.wrong(key, unknown("port", text, names.port_names(), where="module.toml"))
            elif text in seen:
                source.wrong(key, f"{text} stands on another pin already; expected every port once")
            seen.add(text)
        connectors.append(
            Connector(
                name=name,
                kind=raw.kind,
                ports=tuple(
                    PortName(channel=c, net=n) for c, _, n in (text.partition(".") for text in ports)
                ),
                pins=tuple((each.hot, each.cold, each.ground) for each in raw.pins.values()),
            )
        )
    return tuple(connectors)


def _check_shape(source: Source, raw: RawConnector, key: Key) -> None:
    if raw.kind == "pins":
        if raw.ports or not raw.pins:
            source.wrong(
                key, 'expected pins."left.in" = { hot = "2", cold = "3", ground = "1" } and so on, no ports'
            )
        legs = [pin for each in raw.pins.values() for pin in (each.hot, each.cold)]
        grounds = {each.ground for each in raw.pins.values()}
        if twice := sorted({pin for pin in legs if legs.count(pin) > 1 or pin in grounds}):
            source.wrong(
                (*key, "pins"), f"pin {', '.join(twice)} stands here twice; expected one leg on each"
            )
        return
    most = MOST_PORTS[raw.kind]
    if raw.pins or not 1 <= len(raw.ports) <= most:
        source.wrong(key, f"expected ports, 1 to {most} with kind {raw.kind}, and no pins")
