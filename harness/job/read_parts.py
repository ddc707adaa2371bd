"""Relays, resistors, capacitors and amplifiers of module.toml, resolved to single legs."""

from collections.abc import Iterator, Mapping
from typing import Literal

from harness.job.located import Key
from harness.job.mistakes import Source, unknown
from harness.job.module import GROUND, LEGS, Amplifier, Leg, Part, Pole, Relay, RelayType
from harness.job.names import Names, nearest
from harness.job.schema import (
    RawAmplifier,
    RawCapacitor,
    RawContact,
    RawPart,
    RawRelay,
    RawResistor,
)
from harness.job.soldered import Soldered

RESISTOR_TOLERANCE = 0.01
CAPACITOR_TOLERANCE = 0.10


def _owners(
    soldered: Soldered, raw: RawRelay | RawPart | RawAmplifier, key: Key
) -> Iterator[tuple[str | None, str, Key]]:
    """Give (channel, name, key) of each part that one entry stands for; channel None serves every one."""
    source, channels = soldered.source, soldered.names.channels
    if (raw.name is None) == (raw.names is None):
        source.wrong(key, "expected either name, or names with one part for each channel")
    elif raw.name is not None:
        soldered.take_name(raw.name, (*key, "name"))
        yield None, raw.name, (*key, "name")
    elif raw.names is not None:
        meant = {nearest(channel, channels) for channel in raw.names if channel not in channels}
        for channel, name in raw.names.items():
            if channel not in channels:
                source.wrong((*key, "names", channel), unknown("channel", channel, channels, where="module"))
            else:
                soldered.take_name(name, (*key, "names", channel))
                yield channel, name, (*key, "names", channel)
        if absent := [channel for channel in channels if channel not in {*raw.names, *meant}]:
            source.wrong((*key, "names"), f"no part for channel {', '.join(absent)}")


def _channel(soldered: Soldered, of_names: str | None, own: str | None, key: Key) -> str | None:
    """Settle a part's channel: from `names`, or its own `channel`; the only one where a module has one."""
    source, channels = soldered.source, soldered.names.channels
    if of_names is not None:
        if own is not None:
            source.wrong(
                (*key, "channel"), "names already gives the channel; expected channel only beside name"
            )
        return of_names
    if own is None and len(channels) == 1:
        return channels[0]
    if own is None:
        source.wrong((*key, "channel"), f"missing; expected one of {', '.join(channels)}", missing=True)
    elif own not in channels:
        source.wrong((*key, "channel"), unknown("channel", own, channels, where="module"))
    return own


def read_relays(soldered: Soldered, types: Mapping[str, RelayType]) -> tuple[Relay, ...]:
    """Read every [[relay]]; one whose type is not known is noted and left out."""
    relays = []
    source = soldered.source
    all_types = tuple(source.table("relay_types"))
    for index, value in enumerate(source.entries("relay")):
        key: Key = ("relay", index)
        raw = source.read(RawRelay, value, key)
        if raw is None:
            continue
        if raw.type not in all_types:
            source.wrong((*key, "type"), unknown("relay type", raw.type, all_types, where=source.name))
        _check_relay_lines(source, raw, key, soldered.names)
        for channel, name, _ in _owners(soldered, raw, key):
            poles = tuple(_poles(soldered, raw, name, channel, key))
            if raw.type in types:
                relays.append(
                    Relay(
                        name=name,
                        type=types[raw.type],
                        line=raw.line,
                        set_line=raw.set_line,
                        reset_line=raw.reset_line,
                        poles=poles,
                    )
                )
    return tuple(relays)


def _check_relay_lines(source: Source, raw: RawRelay, key: Key, names: Names) -> None:
    latching = raw.set_line is not None and raw.reset_line is not None
    given = [raw.line, raw.set_line, raw.reset_line]
    if not (latching and raw.line is None) and not (raw.line is not None and given.count(None) == 2):
        source.wrong(key, "expected line, or set_line and reset_line of a latching relay")
    if latching and raw.set_line == raw.reset_line:
        source.wrong((*key, "reset_line"), "the same line sets and resets; expected two lines")
    for which, line in zip(("line", "set_line", "reset_line"), given, strict=True):
        if line is not None and line not in names.lines:
            source.wrong((*key, which), unknown("line", line, names.lines, where="[lines]"))


def _poles(soldered: Soldered, raw: RawRelay, relay: str, channel: str | None, key: Key) -> Iterator[Pole]:
    for index, contact in enumerate(raw.contacts):
        place: Key = (*key, "contacts", index)
        _check_contact(soldered.source, contact, place)
        owner = _channel(soldered, channel, contact.channel, place)
        if owner is None:
            continue
        for leg in LEGS if contact.leg is None else (contact.leg,):
            throws = {
                throw: soldered.attach(owner, *_throw(net, leg), (*place, throw))
                for throw, net in (("rest", contact.rest), ("operated", contact.operated))
                if net is not None
            }
            common = soldered.attach(owner, contact.common, leg, (*place, "common"))
            for node in throws.values():
                soldered.join(common, node)
            yield Pole(
                relay=relay,
                contact=index + 1,
                channel=owner,
                leg=leg,
                common=common,
                rest=throws.get("rest"),
                operated=throws.get("operated"),
            )


def _throw(net: str, leg: Leg) -> tuple[str, Leg]:
    """Split `bus.cold` into net and leg; a net alone is the contact's own leg of it."""
    for named in LEGS:
        if net.endswith(f".{named}"):
            return net.removesuffix(f".{named}"), named
    return net, leg


def _check_contact(source: Source, contact: RawContact, key: Key) -> None:
    nodes = [
        _throw(net, contact.leg or "hot")
        for net in (contact.common, contact.rest, contact.operated)
        if net is not None
    ]
    for which, net in (("rest", contact.rest), ("operated", contact.operated)):
        if contact.leg is None and net is not None and "." in net:
            source.wrong((*key, which), f'found "{net}", one leg; expected leg beside it in this contact')
    if len(nodes) == 1:
        source.wrong(key, "a contact with no throw; expected rest, operated, or both")
    elif len(set(nodes)) < len(nodes):
        source.wrong(key, "a contact with the same net twice; expected common, rest and operated to differ")


def read_parts(soldered: Soldered, kind: Literal["resistor", "capacitor"]) -> tuple[Part, ...]:
    """Read every [[resistor]] or [[capacitor]] as single parts between two nodes."""
    parts: list[Part] = []
    for index, value in enumerate(soldered.source.entries(kind)):
        key: Key = (kind, index)
        raw: RawResistor | RawCapacitor | None
        if kind == "resistor":
            raw = soldered.source.read(RawResistor, value, key)
            tolerance = RESISTOR_TOLERANCE
        else:
            raw = soldered.source.read(RawCapacitor, value, key)
            tolerance = CAPACITOR_TOLERANCE
        if raw is None or not _one_shape(soldered.source, raw, key):
            continue
        for of_names, name, _ in _owners(soldered, raw, key):
            channel = _channel(soldered, of_names, raw.channel, key)
            if channel is None:
                continue
            for part_name, a, b in _ends(soldered, raw, name, channel, key):
                parts.append(
                    Part(
                        name=part_name,
                        a=a,
                        b=b,
                        value=raw.value,
                        tolerance=tolerance if raw.tolerance is None else raw.tolerance,
                    )
                )
    return tuple(parts)


def _one_shape(source: Source, raw: RawPart, key: Key) -> bool:
    given = [raw.series, raw.across, raw.to_ground]
    if given.count(None) != 2:
        source.wrong(key, 'expected one of series = ["x", "y"], across = "y", to_ground = "y"')
        return False
    if raw.series is not None and (len(raw.series) != 2 or raw.series[0] == raw.series[1]):
        source.wrong((*key, "series"), 'expected two different nets such as ["x", "y"]')
        return False
    if raw.across is not None and (raw.leg is not None or raw.across == GROUND):
        source.wrong((*key, "across"), "a part across a pair has no leg, and ground is no pair")
        return False
    return True


def _ends(
    soldered: Soldered, raw: RawPart, name: str, channel: str, key: Key
) -> Iterator[tuple[str, str, str]]:
    """Give (name, node, node) of each single part that one entry stands for in one channel."""
    if raw.across is not None:
        hot, cold = (soldered.attach(channel, raw.across, leg, (*key, "across")) for leg in LEGS)
        yield name, hot, cold
        return
    for leg in LEGS if raw.leg is None else (raw.leg,):
        part_name = name if raw.leg is not None else f"{name}.{leg}"
        if raw.series is not None:
            a, b = (
                soldered.attach(channel, net, leg, (*key, "series", i)) for i, net in enumerate(raw.series)
            )
            soldered.join(a, b)
            yield part_name, a, b
        elif raw.to_ground is not None:
            yield part_name, soldered.attach(channel, raw.to_ground, leg, (*key, "to_ground")), GROUND


def read_amplifiers(soldered: Soldered) -> tuple[Amplifier, ...]:
    """Read every [[amplifier]]."""
    amplifiers = []
    for index, value in enumerate(soldered.source.entries("amplifier")):
        key: Key = ("amplifier", index)
        raw = soldered.source.read(RawAmplifier, value, key)
        if raw is None:
            continue
        if raw.from_ == raw.to or GROUND in (raw.from_, raw.to):
            soldered.source.wrong(key, "expected from and to to be two different nets, neither ground")
        for of_names, name, _ in _owners(soldered, raw, key):
            channel = _channel(soldered, of_names, raw.channel, key)
            if channel is None:
                continue
            for leg in LEGS:
                a = soldered.attach(channel, raw.from_, leg, (*key, "from"))
                b = soldered.attach(channel, raw.to, leg, (*key, "to"))
                soldered.join(a, b)
            ratio: float = 10 ** (raw.gain / 20)
            amplifiers.append(
                Amplifier(
                    name=name,
                    channel=channel,
                    from_net=raw.from_,
                    to_net=raw.to,
                    gain=-ratio if raw.inverting else ratio,
                    input_ohm=raw.input_impedance,
                    output_ohm=raw.output_impedance,
                    common_mode_rejection_db=raw.common_mode_rejection,
                )
            )
    return tuple(amplifiers)
