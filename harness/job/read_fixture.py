"""From fixture.toml to a Fixture, checked against the module's names."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Annotated

from pydantic import BeforeValidator

from harness.errors import nearest
from harness.job.fixture import (
    Connector,
    Fixture,
    LegsOfChannels,
    Loopback,
    MeasuredPlug,
    PortName,
    Setup,
    Termination,
    TerminationOrText,
)
from harness.job.module import Names
from harness.toml_files.located import Key
from harness.toml_files.messages import shown_value, unknown
from harness.toml_files.source import Source
from harness.toml_files.values import NAME, UNREAD, StandIn, Table, Text

MOST_PORTS = {"aes59": 8, "xlr": 1}
MODULE_FILE = "module.toml"


def _channel_number(value: object) -> object:
    if value is not UNREAD and (isinstance(value, bool) or not isinstance(value, int) or value < 1):
        raise ValueError(f"found {shown_value(value)}; expected a switchboard channel, 1 or more")
    return value


@dataclass(frozen=True, kw_only=True)
class FixtureHead(Table):
    """[fixture]."""

    name: Text
    undriven_inputs: TerminationOrText | None = None


@dataclass(frozen=True, kw_only=True)
class FixtureFile(Table):
    """fixture.toml."""

    fixture: FixtureHead
    controls: Mapping[str, Annotated[int, BeforeValidator(_channel_number), StandIn(0)]] = field(
        default_factory=dict
    )
    loads: Mapping[str, TerminationOrText] = field(default_factory=dict)
    loopbacks: Mapping[str, Loopback] = field(default_factory=dict)
    measured: Mapping[str, MeasuredPlug] = field(default_factory=dict)
    setup: tuple[Setup, ...] = ()
    connectors: Mapping[str, Connector] = field(default_factory=dict)


def read_fixture(source: Source, names: Names) -> Fixture:
    """Read fixture.toml; notes its mistakes."""
    file = source.read(FixtureFile)
    _check_controls(source, file.controls, names)
    if (undriven := file.fixture.undriven_inputs) is not None:
        _check_termination(source, undriven, ("fixture", "undriven_inputs"))
    for net, load in file.loads.items():
        _is_port(source, net, ("loads", net), names)
        _check_termination(source, load, ("loads", net))
    _check_loopbacks(source, file, names)
    _check_plugs(source, file, names)
    _check_setups(source, file, names)
    _check_connectors(source, file.connectors, names)
    return Fixture(
        name=file.fixture.name,
        controls=file.controls,
        loads=file.loads,
        undriven_inputs=undriven,
        loopbacks={
            name: _loopback(name, loopback, file.measured.get(loopback.plug or ""))
            for name, loopback in file.loopbacks.items()
        },
        setups=tuple(
            replace(setup, line=source.located.line(("setup", index)) or 0)
            for index, setup in enumerate(file.setup)
        ),
        connectors=tuple(_connector(name, connector) for name, connector in file.connectors.items()),
    )


def has_every_view(source: Source) -> bool:
    """Whether it is known what every setup drives and views; if not, none can be called missing."""
    return all(
        source.without_mistake("setup", None, key) for key in ("through", "drive", "view", "source_added")
    )


def _loopback(name: str, loopback: Loopback, plug: MeasuredPlug | None) -> Loopback:
    """A plug that has been measured replaces the nominal resistors."""
    if plug is None:
        return replace(loopback, name=name)
    return replace(
        loopback, name=name, legs=plug.legs, pad_db=None, pad_impedance_ohm=None, tolerance=plug.tolerance
    )


def _connector(name: str, connector: Connector) -> Connector:
    ports = connector.ports
    if connector.kind == "pins":
        ports = tuple(PortName.of(text) for text in connector.pins)
    return replace(connector, name=name, ports=ports)


def _check_controls(source: Source, controls: Mapping[str, int], names: Names) -> None:
    energised: dict[int, str] = {}
    misspelt = []
    for control, channel in controls.items():
        key: Key = ("controls", control)
        if names.controls and control not in names.controls:
            source.wrong(key, unknown("control line", control, names.controls, where=MODULE_FILE))
            misspelt.append(control)
        if channel in energised:
            source.wrong(key, f"switchboard channel {channel} already energises {energised[channel]}")
        energised.setdefault(channel, control)
    meant = {nearest(control, names.controls) for control in misspelt}
    for control in names.controls:
        if control not in controls and control not in meant:
            source.wrong(
                ("controls", control),
                "missing; expected the switchboard channel of this control line",
                missing=True,
            )


def _check_termination(source: Source, termination: Termination, key: Key) -> None:
    if (termination.across_ohm is None) == (termination.leg_ohm is None):
        source.wrong(key, 'expected a resistance across the pair such as "10 kohm", or { legs = "5 kohm" }')


def _is_port(source: Source, net: str, key: Key, names: Names) -> bool:
    """Whether a net is a port; notes one that is not, if the ports are known."""
    if names.ports and net not in names.ports:
        source.wrong(key, unknown("port", net, names.ports, where=MODULE_FILE))
    return net in names.ports


def _check_loopbacks(source: Source, file: FixtureFile, names: Names) -> None:
    for name, loopback in file.loopbacks.items():
        key: Key = ("loopbacks", name)
        if not NAME.fullmatch(name) or name in names.ports:
            source.wrong(key, "expected a name in lower case with underscores that is no port's name")
        for net, which, roles in (
            (loopback.from_net, "from", ("send", "output")),
            (loopback.to_net, "to", ("return", "input")),
        ):
            if not _is_port(source, net, (*key, which), names):
                continue
            if names.ports[net] not in ("", *roles):
                fitting = ", ".join(names.with_role(*roles))
                source.wrong(
                    (*key, which), f"{net} is a port of role {names.ports[net]}; expected one of {fitting}"
                )
        if (loopback.legs is None) == (loopback.pad_db is None):
            source.wrong(key, 'expected either legs, or loss such as "0 dB" for a straight plug')
        elif loopback.legs is not None and loopback.pad_impedance_ohm is not None:
            source.wrong((*key, "impedance"), "belongs to loss; the legs' resistors say it already")
        elif loopback.pad_db and loopback.pad_impedance_ohm is None:
            source.wrong(key, 'a pad with a loss needs its impedance; expected impedance = "600 ohm" or so')
        if loopback.legs is not None:
            ends = (loopback.from_net, loopback.to_net)
            _check_legs(source, loopback.legs, (*key, "legs"), names, ends)


def _check_plugs(source: Source, file: FixtureFile, names: Names) -> None:
    used = [loopback.plug for loopback in file.loopbacks.values() if loopback.plug is not None]
    for name, plug in file.measured.items():
        _check_legs(source, plug.legs, ("measured", name, "legs"), names)
        if name not in used and "" not in used:
            source.wrong(
                ("measured", name),
                f"no loopback says that this is its plug; those used are {', '.join(used) or 'none'}",
            )


def _check_legs(
    source: Source, legs: LegsOfChannels, key: Key, names: Names, ends: tuple[str, ...] = ()
) -> None:
    """ends: the nets that the plug is between; it is needed in the channels that have both."""
    misspelt = [channel for channel in legs if names.channels and channel not in names.channels]
    for channel in misspelt:
        source.wrong((*key, channel), unknown("channel", channel, names.channels, where=MODULE_FILE))
    meant = {nearest(channel, names.channels) for channel in misspelt}
    needed = [channel for channel in names.channels if all(names.has_port(channel, net) for net in ends)]
    if absent := [channel for channel in needed if channel not in {*legs, *meant}]:
        source.wrong(key, f"no legs for channel {', '.join(absent)}")


def _check_setups(source: Source, file: FixtureFile, names: Names) -> None:
    for index, setup in enumerate(file.setup):
        key: Key = ("setup", index)
        for position, loopback in enumerate(setup.loopbacks):
            if loopback not in file.loopbacks:
                source.wrong(
                    (*key, "loopbacks", position),
                    unknown("loopback", loopback, file.loopbacks, where=source.name),
                )
        _check_select(source, setup, key, file.controls)
        _check_leads(source, setup, key)
        _check_controls_viewed(source, setup, key, names)
        if setup.drive is not None:
            _check_port(source, setup.drive, (*key, "drive"), names, is_input=True)
        for position, port in enumerate(setup.view):
            _check_port(source, port, (*key, "view", position), names)
    _check_apart(source, file.setup)
    _check_swapped(source, file.setup)
    _check_driven(source, file.setup, names)


def _check_port(source: Source, port: PortName, key: Key, names: Names, *, is_input: bool = False) -> None:
    if not names.known:
        return
    known = names.port_names("input") if is_input else names.port_names()
    if str(port) not in names.port_names():
        source.wrong(key, f'found "{port}": ' + unknown("port", str(port), known, where=MODULE_FILE))
    elif is_input and names.ports[port.net] not in ("", "input"):
        role = names.ports[port.net]
        source.wrong(key, f"{port} is a port of role {role}; expected an input: {', '.join(known)}")


def _check_leads(source: Source, setup: Setup, key: Key) -> None:
    if setup.through:
        for name in ("drive", "source_added", "loopbacks"):
            if getattr(setup, name):
                source.wrong((*key, name), f"a through setup bypasses the unit; expected no {name}")
    if not setup.through and setup.drive is None:
        source.wrong((*key, "drive"), 'missing; expected an input port such as "left.in"', missing=True)
    if not setup.through and not setup.view:
        source.wrong((*key, "view"), 'missing; expected ports such as ["left.out"]', missing=True)
    _check_once(source, setup.view, (*key, "view"))
    _check_once(source, setup.loopbacks, (*key, "loopbacks"))


def _check_select(source: Source, setup: Setup, key: Key, controls: Mapping[str, int]) -> None:
    key = (*key, "select")
    for channel in setup.select or ():
        if channel < 1:
            source.wrong(key, f"found {channel}; expected switchboard channels, 1 or more")
        for control, used in controls.items():
            if used == channel:
                source.wrong(key, f"switchboard channel {channel} already energises control line {control}")
    _check_once(source, setup.select or (), key)


def _check_controls_viewed(source: Source, setup: Setup, key: Key, names: Names) -> None:
    """Note unknown control lines, and inputs that view a leg; how many inputs a scope has, the bench says."""
    if setup.through and setup.controls_viewed:
        source.wrong(
            (*key, "controls_viewed"),
            "a through setup is used with no control line on; expected no controls_viewed",
        )
    taken = 2 * len(setup.view)
    for control, number in setup.controls_viewed.items():
        control_key: Key = (*key, "controls_viewed", control)
        if names.controls and control not in names.controls:
            source.wrong(control_key, unknown("control line", control, names.controls, where=MODULE_FILE))
        if number < 1 or (number <= taken and not setup.through):
            source.wrong(
                control_key,
                f"found input {number}; inputs 1 to {taken} view the legs of "
                f"{', '.join(map(str, setup.view))}: expected a spare one, {taken + 1} or more",
            )


def _check_apart(source: Source, setups: Sequence[Setup]) -> None:
    """Note two setups of one name, or of the same switchboard channels."""
    names: set[str] = set()
    selects: dict[frozenset[int], str] = {}
    for index, setup in enumerate(setups):
        key: Key = ("setup", index)
        if setup.name in names:
            source.wrong((*key, "name"), f'setup "{setup.name}" is listed twice; expected another name')
        names.add(setup.name)
        if setup.select is not None and source.reads(*key, "select"):
            chosen = frozenset(setup.select)
            if chosen in selects:
                source.wrong((*key, "select"), f'the same channels make setup "{selects[chosen]}"')
            selects[chosen] = setup.name


def _check_swapped(source: Source, setups: Sequence[Setup]) -> None:
    """Note a setup with swapped inputs that is no other's partner; setups with mistakes are not compared."""
    keys = ("through", "drive", "view", "loopbacks", "inputs_swapped", "source_added")
    if not all(source.without_mistake("setup", None, key) for key in keys):
        return
    for index, setup in enumerate(setups):
        if setup.inputs_swapped and not any(setup.is_swap_of(other) for other in setups):
            source.wrong(
                ("setup", index, "inputs_swapped"),
                "no other setup is the same with unswapped inputs; expected one with the same "
                + ("through and view" if setup.through else "drive, view, loopbacks and source_added"),
            )


def _check_driven(source: Source, setups: Sequence[Setup], names: Names) -> None:
    """Note every input that no setup feeds."""
    driven = {setup.drive.net for setup in setups if setup.drive is not None}
    if not driven:
        source.wrong(
            ("setup",), "missing; expected at least one [[setup]] that drives an input", missing=True
        )
        return
    inputs = names.with_role("input")
    if driven <= set(inputs):  # else an input may be meant by a misspelt drive, which is noted already
        channel = next(iter(names.channels), "left")
        for net in inputs:
            if net not in driven:
                source.wrong(
                    ("setup",),
                    f'nothing drives {net}, an input; expected a [[setup]] with drive = "{channel}.{net}"',
                    missing=True,
                )


def _check_connectors(source: Source, connectors: Mapping[str, Connector], names: Names) -> None:
    """Note unknown ports, and ports and pins that are listed twice."""
    seen: set[str] = set()
    for name, connector in connectors.items():
        key: Key = ("connectors", name)
        _check_shape(source, connector, key)
        ports = list(connector.pins) if connector.kind == "pins" else list(map(str, connector.ports))
        for position, text in enumerate(ports):
            if not source.reads(*key, "ports", position):
                continue
            if names.known and text not in names.port_names():
                source.wrong(key, unknown("port", text, names.port_names(), where=MODULE_FILE))
            elif text in seen:
                source.wrong(key, f"{text} stands on another pin already; expected every port once")
            seen.add(text)


def _check_shape(source: Source, connector: Connector, key: Key) -> None:
    if not source.reads(*key, "kind"):
        return
    if connector.kind == "pins":
        if connector.ports or not connector.pins:
            source.wrong(
                key, 'expected pins."left.in" = { hot = "2", cold = "3", ground = "1" } and so on, no ports'
            )
        legs = [pin for port in connector.pins.values() for pin in (port.hot, port.cold) if pin]
        grounds = {port.ground for port in connector.pins.values()}
        if twice := sorted({pin for pin in legs if legs.count(pin) > 1 or pin in grounds}):
            source.wrong((*key, "pins"), f"pin {', '.join(twice)} is listed twice; expected one leg on each")
        return
    most = MOST_PORTS[connector.kind]
    if connector.pins or not 1 <= len(connector.ports) <= most:
        source.wrong(key, f"expected ports, 1 to {most} with kind {connector.kind}, and no pins")


def _check_once(source: Source, values: Iterable[object], key: Key) -> None:
    for value, times in Counter(values).items():
        if times > 1:
            source.wrong(key, f"{value} is listed {times} times; expected once")
