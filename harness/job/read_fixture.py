"""From fixture.toml to a Fixture, held against the module's names."""

from collections import Counter
from collections.abc import Mapping
from typing import Any

from harness.job.fixture import Fixture, Hookup, Link, LinkLeg, PortName, SourceAdded, Termination
from harness.job.located import Key
from harness.job.mistakes import Source, shown_value, unknown
from harness.job.module import Leg
from harness.job.names import Names, nearest
from harness.job.read_connectors import read_connectors
from harness.job.read_lines_on import check_lines_on
from harness.job.schema import (
    RawFixture,
    RawHookup,
    RawLink,
    RawLinkLeg,
    RawLinkLegs,
    RawPlug,
    RawTermination,
)
from harness.job.values import NAME

TABLES = ("fixture", "lines", "loads", "links", "plugs", "hookup", "connectors")


def read_fixture(source: Source, names: Names) -> tuple[Fixture | None, tuple[Hookup, ...]]:
    """Read fixture.toml; notes its mistakes. Gives None for the fixture where there is one, and every hookup
    that could be read.
    """
    before = len(source.mistakes)
    source.only_tables(TABLES)
    head = source.required(RawFixture, "fixture")
    lines = _lines(source, names)
    loads = _loads(source, names)
    undriven = _termination(source, head.undriven_inputs, ("fixture", "undriven_inputs")) if head else None
    links = _links(source, names)
    hookups = _hookups(source, names, lines)
    connectors = read_connectors(source, names)
    if len(source.mistakes) > before or head is None:
        return None, hookups
    fixture = Fixture(
        name=head.name,
        lines=lines,
        loads=loads,
        undriven_inputs=undriven,
        links=links,
        hookups=hookups,
        connectors=connectors,
    )
    return fixture, hookups


def _lines(source: Source, names: Names) -> Mapping[str, int]:
    lines: dict[str, int] = {}
    unknown_lines = []
    for line, channel in source.table("lines").items():
        key: Key = ("lines", line)
        if names.known and line not in names.lines:
            source.wrong(key, unknown("line", line, names.lines, where="module.toml"))
            unknown_lines.append(line)
        if isinstance(channel, bool) or not isinstance(channel, int) or channel < 1:
            source.wrong(key, f"found {shown_value(channel)}; expected a switchboard channel, 1 or more")
            continue
        if channel in lines.values():
            other = next(name for name, used in lines.items() if used == channel)
            source.wrong(key, f"switchboard channel {channel} already energises {other}")
        lines[line] = channel
    given = source.table("lines")
    meant = {nearest(line, names.lines) for line in unknown_lines}
    for line in names.lines:
        if line not in given and line not in meant:
            source.wrong(
                ("lines", line), "missing; expected the switchboard channel of this line", missing=True
            )
    return lines


def _termination(source: Source, raw: RawTermination | None, key: Key) -> Termination | None:
    if raw is None:
        return None
    if (raw.across is None) == (raw.legs is None):
        source.wrong(key, 'expected a resistance across the pair such as "10 kohm", or { legs = "5 kohm" }')
        return None
    return Termination(across_ohm=raw.across, leg_ohm=raw.legs, tolerance=raw.tolerance)


def _loads(source: Source, names: Names) -> Mapping[str, Termination]:
    loads = {}
    for net, value in source.table("loads").items():
        key: Key = ("loads", net)
        _known_port(source, net, key, names)
        table = value if isinstance(value, dict) else {"across": value}
        load = _termination(source, source.read(RawTermination, table, key), key)
        if load:
            loads[net] = load
    return loads


def _known_port(source: Source, net: str, key: Key, names: Names) -> bool:
    if names.known and net not in names.ports:
        source.wrong(key, unknown("port", net, names.ports, where="module.toml"))
        return False
    return True


def _links(source: Source, names: Names) -> Mapping[str, Link]:
    links = {}
    plugs = {
        name: plug
        for name, value in source.table("plugs").items()
        if (plug := source.read(RawPlug, value, ("plugs", name)))
    }
    for name, measured in plugs.items():
        _legs(source, measured.legs, ("plugs", name, "legs"), names)
    wanted = []
    for name, value in source.table("links").items():
        key: Key = ("links", name)
        raw = source.read(RawLink, value, key)
        wanted.append(value.get("plug") if isinstance(value, dict) else None)
        if raw is None:
            continue
        if not NAME.fullmatch(name) or name in names.ports:
            source.wrong(key, "expected a name in lower case with underscores that is no port's name")
        _check_link_ends(source, raw, key, names)
        _check_link_shape(source, raw, key)
        legs = _legs(source, raw.legs, (*key, "legs"), names) if raw.legs is not None else None
        links[name] = _link(name, raw, legs, plugs.get(raw.plug or ""), names)
    for name in source.table("plugs"):
        if name not in wanted:
            used = ", ".join(plug for plug in wanted if isinstance(plug, str)) or "none"
            source.wrong(("plugs", name), f"no link says that it uses this plug; those used are {used}")
    return links


def _link(
    name: str,
    raw: RawLink,
    legs: Mapping[str, Mapping[Leg, LinkLeg]] | None,
    plug: RawPlug | None,
    names: Names,
) -> Link:
    """Build a link; a plug that has been measured replaces the nominal resistors."""
    if plug is not None:
        legs = {channel: _two_legs(both) for channel, both in plug.legs.items()}
    return Link(
        name=name,
        from_net=raw.from_,
        to_net=raw.to,
        legs=legs,
        pad_db=None if legs is not None else raw.loss,
        pad_impedance_ohm=None if legs is not None else raw.impedance,
        tolerance=plug.tolerance if plug is not None else raw.tolerance,
        plug=raw.plug,
    )


def _check_link_ends(source: Source, raw: RawLink, key: Key, names: Names) -> None:
    ends = ((raw.from_, "from", ("send", "output")), (raw.to, "to", ("return", "input")))
    for net, which, roles in ends:
        if not _known_port(source, net, (*key, which), names) or not names.known:
            continue
        if names.ports[net] not in roles:
            fitting = ", ".join(names.with_role(*roles))
            source.wrong(
                (*key, which), f"{net} is a port of role {names.ports[net]}; expected one of {fitting}"
            )


def _check_link_shape(source: Source, raw: RawLink, key: Key) -> None:
    if (raw.legs is None) == (raw.loss is None):
        source.wrong(key, 'expected either legs, or loss such as "0 dB" for a straight plug')
    elif raw.legs is not None and raw.impedance is not None:
        source.wrong((*key, "impedance"), "belongs to loss; the legs' resistors say it already")
    elif raw.loss and raw.impedance is None:
        source.wrong(key, 'a pad with a loss needs its impedance; expected impedance = "600 ohm" or so')


def _legs(
    source: Source, raw: Mapping[str, RawLinkLegs], key: Key, names: Names
) -> Mapping[str, Mapping[Leg, LinkLeg]]:
    for channel in raw:
        if names.known and channel not in names.channels:
            source.wrong((*key, channel), unknown("channel", channel, names.channels, where="module.toml"))
    if absent := [channel for channel in names.channels if channel not in raw]:
        source.wrong(key, f"no legs for channel {', '.join(absent)}")
    return {channel: _two_legs(both) for channel, both in raw.items()}


def _two_legs(both: RawLinkLegs) -> Mapping[Leg, LinkLeg]:
    return {"hot": _leg(both.hot), "cold": _leg(both.cold)}


def _leg(raw: RawLinkLeg) -> LinkLeg:
    return LinkLeg(series_ohm=raw.series, shunt_ohm=raw.shunt)


def _hookups(source: Source, names: Names, lines: Mapping[str, int]) -> tuple[Hookup, ...]:
    before = len(source.mistakes)
    hookups: dict[Key, Hookup] = {}
    links = tuple(source.table("links"))
    for index, value in enumerate(source.entries("hookup")):
        key: Key = ("hookup", index)
        raw = source.read(RawHookup, value, key)
        if raw is None:
            continue
        for position, link in enumerate(raw.links):
            if link not in links:
                source.wrong((*key, "links", position), unknown("link", link, links, where=source.name))
        _check_select(source, raw, key, lines)
        _check_leads(source, raw, key)
        check_lines_on(source, raw, key, names)
        drive = _port(source, raw.drive, (*key, "drive"), names, names.with_role("input"))
        views = [_port(source, view, (*key, "view", i), names, None) for i, view in enumerate(raw.view)]
        if (drive is None and not raw.through) or None in views:
            continue
        hookups[key] = Hookup(
            name=raw.name,
            through=raw.through,
            drive=drive,
            view=tuple(view for view in views if view),
            links=tuple(raw.links),
            select=None if raw.select is None else tuple(raw.select),
            line=source.located.line(key) or 0,
            exchanged=raw.exchanged,
            lines_on=dict(raw.lines_on),
            source_added=None
            if raw.source_added is None
            else SourceAdded(
                leg=raw.source_added.leg,
                series_ohm=raw.source_added.series,
                tolerance=raw.source_added.tolerance,
            ),
        )
    _check_apart(source, hookups)
    if len(source.mistakes) == before:
        _check_exchanged(source, hookups)  # of a hookup that is wrong its partner is not told apart
    _check_driven(source, names)
    return tuple(hookups.values())


def _check_driven(source: Source, names: Names) -> None:
    """Note every input that no hookup feeds, by what stands in the file whatever else is wrong with it."""
    drives = [value.get("drive") for value in source.entries("hookup") if isinstance(value, dict)]
    driven = {drive.partition(".")[2] for drive in drives if isinstance(drive, str)}
    if not driven:
        source.wrong(
            ("hookup",), "missing; expected at least one [[hookup]] that drives an input", missing=True
        )
        return
    inputs = names.with_role("input")
    if driven <= set(inputs):  # else an input may be meant by a drive that is misspelt, which is told there
        channel = next(iter(names.channels), "left")
        for net in inputs:
            if net not in driven:
                source.wrong(
                    ("hookup",),
                    f'nothing drives {net}, an input; expected a [[hookup]] with drive = "{channel}.{net}"',
                    missing=True,
                )


def _port(
    source: Source, text: str | None, key: Key, names: Names, inputs: tuple[str, ...] | None
) -> PortName | None:
    """Read `channel.net`; where `inputs` is given the port must be one of those nets."""
    if text is None:
        return None
    channel, _, net = text.partition(".")
    if names.known:
        known = names.port_names() if inputs is None else names.port_names("input")
        if channel not in names.channels or net not in names.ports:
            source.wrong(key, f'found "{text}": ' + unknown("port", text, known, where="module.toml"))
            return None
        if inputs is not None and net not in inputs:
            role = names.ports[net]
            source.wrong(key, f"{text} is a port of role {role}; expected an input: {', '.join(known)}")
            return None
    return PortName(channel=channel, net=net)


def _check_leads(source: Source, raw: RawHookup, key: Key) -> None:
    if raw.through and raw.drive is not None:
        source.wrong((*key, "drive"), "a through hookup bypasses the unit; expected no drive")
    for name in ("exchanged", "source_added"):
        if raw.through and getattr(raw, name):
            source.wrong((*key, name), f"a through hookup bypasses the unit; expected no {name}")
    if raw.through and raw.links:
        source.wrong((*key, "links"), "a through hookup bypasses the unit; expected no links")
    if not raw.through and raw.drive is None:
        source.wrong((*key, "drive"), 'missing; expected an input port such as "left.in"', missing=True)
    if not raw.through and not raw.view:
        source.wrong((*key, "view"), 'missing; expected ports such as ["left.out"]', missing=True)
    _once(source, raw.view, (*key, "view"))
    _once(source, raw.links, (*key, "links"))


def _check_select(source: Source, raw: RawHookup, key: Key, lines: Mapping[str, int]) -> None:
    place: Key = (*key, "select")
    for channel in raw.select or []:
        if channel < 1:
            source.wrong(place, f"found {channel}; expected switchboard channels, 1 or more")
        for line, used in lines.items():
            if used == channel:
                source.wrong(place, f"switchboard channel {channel} already energises line {line}")
    _once(source, raw.select or [], place)


def _check_apart(source: Source, hookups: Mapping[Key, Hookup]) -> None:
    """Note two hookups of one name, or that the same switchboard channels would make."""
    names: set[str] = set()
    selects: dict[frozenset[int], str] = {}
    for key, hookup in hookups.items():
        if hookup.name in names:
            source.wrong((*key, "name"), f'hookup "{hookup.name}" stands here twice; expected another name')
        names.add(hookup.name)
        if hookup.select is not None:
            chosen = frozenset(hookup.select)
            if chosen in selects:
                source.wrong((*key, "select"), f'the same channels make hookup "{selects[chosen]}"')
            selects[chosen] = hookup.name


def _check_exchanged(source: Source, hookups: Mapping[Key, Hookup]) -> None:
    """Note an exchanged hookup that is nothing's partner."""
    for key, hookup in hookups.items():
        if hookup.exchanged and not any(hookup.is_exchange_of(other) for other in hookups.values()):
            source.wrong(
                (*key, "exchanged"),
                "no hookup is the partner of this one; expected another with the same drive, view, links and "
                "source_added, its scope inputs the plain way round",
            )


def _once(source: Source, values: list[Any], key: Key) -> None:
    for value, times in Counter(values).items():
        if times > 1:
            source.wrong(key, f"{value} stands here {times} times; expected once")
