"""From module.toml to a Module: every relay and part resolved to single legs and checked against the rest,
and the nets, ports and lines that are left without a part.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Literal

from harness.errors import nearest
from harness.job.module import (
    LEGS,
    ContactEntry,
    Module,
    ModuleFile,
    Names,
    Pole,
    Port,
    Relay,
    RelayEntry,
    RelayType,
    SwitchEntry,
    read_tables,
)
from harness.job.nets import End, Nets, channel_of, check_nets, owners
from harness.job.part_entries import SwitchType
from harness.job.read_parts import amplifiers_of, inductors_of, links_of, parts_of, transformers_of
from harness.toml_files.located import Key
from harness.toml_files.messages import unknown
from harness.toml_files.source import Source


def _check_controls_used(source: Source, file: ModuleFile) -> None:
    """Note every control line that is no relay's; one that is misspelt elsewhere is reported there alone."""
    used: set[str | None] = {switch.control for switch in file.switch}
    for relay in file.relay:
        if {relay.control, relay.set_control, relay.reset_control} == {None}:
            return  # that relay is a mistake already, and its control line may be any
        used |= {relay.control, relay.set_control, relay.reset_control}
    if not (file.relay or file.switch) or "" in used:
        return
    meant = {
        nearest(control, file.controls)
        for control in used
        if control is not None and control not in file.controls
    }
    for control in file.controls:
        if control not in used and control not in meant:
            source.wrong(
                ("controls", control),
                "no relay uses this control line; expected it as the control of a [[relay]]",
            )


def read_module(source: Source) -> tuple[Module, Names]:
    """Read module.toml; notes its mistakes. Returns as well the names that the other files may use."""
    file = read_tables(source)
    names = Names(
        channels=file.module.channels if source.reads("module", "channels") else (),
        controls=tuple(file.controls),
        sets=_of_relays(file, "set_control"),
        resets=_of_relays(file, "reset_control"),
        ports={net: port.role for net, port in file.ports.items()},
        only_in={net: port.channels for net, port in file.ports.items() if port.channels is not None},
        unbalanced=frozenset(net for net, port in file.ports.items() if port.unbalanced),
    )
    nets = Nets(source=source, names=names)
    module = Module(
        name=file.module.name,
        part=file.module.part or file.module.name,
        revision=file.module.revision,
        channels=file.module.channels,
        supply=file.supply,
        control_names=tuple(file.controls),
        ports=tuple(
            Port(net=net, role=port.role, unbalanced=port.unbalanced, channels=port.channels)
            for net, port in file.ports.items()
        ),
        relays=(*_relays(nets, file), *_switches(nets, file)),
        resistors=tuple(parts_of(nets, "resistor", file.resistor)),
        capacitors=tuple(parts_of(nets, "capacitor", file.capacitor)),
        amplifiers=tuple(amplifiers_of(nets, file)),
        links=tuple(links_of(nets, file)),
        inductors=tuple(inductors_of(nets, file)),
        transformers=tuple(transformers_of(nets, file)),
        suspects=file.module.suspects,
    )
    _check_controls_used(source, file)
    _check_one_role(source, file)
    check_nets(nets)
    return module, names


def _of_relays(file: ModuleFile, which: Literal["set_control", "reset_control"]) -> tuple[str, ...]:
    """The control lines that set latching relays, or that reset them, in the order of the file."""
    used = {getattr(relay, which) for relay in file.relay}
    return tuple(control for control in file.controls if control in used)


_ROLES = {"control": "energises", "set_control": "sets", "reset_control": "resets"}


def _check_one_role(source: Source, file: ModuleFile) -> None:
    """Note a control line that does something else to another relay: no pulse of it would do one alone."""
    first: dict[str, tuple[str, Key]] = {}  # by control line: what it does, and to which entry
    entries: list[tuple[Key, RelayEntry | SwitchEntry]] = [
        *((("relay", index), each) for index, each in enumerate(file.relay)),
        *((("switch", index), each) for index, each in enumerate(file.switch)),
    ]
    for key, entry in entries:
        for role, does in _ROLES.items():
            control = getattr(entry, role, None)
            if not control:
                continue
            before, at = first.setdefault(control, (role, key))
            if before != role and at != key:
                line = source.located.line(at)
                source.wrong(
                    (*key, role),
                    f"{control} {does} this {key[0]} and {_ROLES[before]} the one at line {line}; expected a "
                    "control line that does the same to all its relays",
                )


def _relays(nets: Nets, file: ModuleFile) -> Iterator[Relay]:
    types = {name: replace(type_, name=name) for name, type_ in file.relay_types.items()}
    for index, entry in enumerate(file.relay):
        key: Key = ("relay", index)
        if entry.type not in types:
            message = unknown("relay type", entry.type, types, where=nets.source.name)
            nets.source.wrong((*key, "type"), message)
        _check_relay_controls(nets.source, entry, key, nets.names)
        for channel, name in owners(nets, entry, key, _nets(entry.contacts)):
            poles = tuple(_poles(nets, entry.contacts, name, channel, key))
            if entry.type in types:
                yield Relay(
                    name=name,
                    type=types[entry.type],
                    control=entry.control,
                    set_control=entry.set_control,
                    reset_control=entry.reset_control,
                    poles=poles,
                    single_coil=entry.single_coil,
                )


def _switches(nets: Nets, file: ModuleFile) -> Iterator[Relay]:
    """Electronic switches, as relays without a coil."""
    types = {name: _electronic(name, type_) for name, type_ in file.switch_types.items()}
    for name, kind in types.items():
        if kind.contact_max_ohm < kind.contact_ohm:
            nets.source.wrong(
                ("switch_types", name, "on_resistance_max"),
                "less than on_resistance; expected what a good switch may reach",
            )
        if kind.threshold_v > file.supply.voltage_v:
            nets.source.wrong(
                ("switch_types", name, "threshold"),
                f"{kind.threshold_v:g} V is more than the {file.supply.voltage_v:g} V of a control line: the "
                "switch would never turn on",
            )
    for index, entry in enumerate(file.switch):
        key: Key = ("switch", index)
        if entry.type not in types:
            nets.source.wrong(
                (*key, "type"), unknown("switch type", entry.type, types, where=nets.source.name)
            )
        if entry.control and nets.names.controls and entry.control not in nets.names.controls:
            message = unknown("control line", entry.control, nets.names.controls, where="[controls]")
            nets.source.wrong((*key, "control"), message)
        for channel, name in owners(nets, entry, key, _nets(entry.contacts)):
            poles = tuple(_poles(nets, entry.contacts, name, channel, key))
            if entry.type in types:
                yield Relay(
                    name=name,
                    type=types[entry.type],
                    control=entry.control,
                    set_control=None,
                    reset_control=None,
                    poles=poles,
                )


def _electronic(name: str, kind: SwitchType) -> RelayType:
    return RelayType(
        name=name,
        coil_ohm=math.inf,
        contact_ohm=kind.on_ohm,
        contact_max_ohm=2 * kind.on_ohm if kind.on_max_ohm is None else kind.on_max_ohm,
        operate_max_s=kind.turn_on_max_s,
        release_max_s=kind.turn_off_max_s,
        bounce_max_s=0.0,
        off_capacitance_f=kind.off_capacitance_f,
        is_electronic=True,
        threshold_v=kind.threshold_v,
    )


def _check_relay_controls(source: Source, relay: RelayEntry, key: Key, names: Names) -> None:
    given = {"control": relay.control, "set_control": relay.set_control, "reset_control": relay.reset_control}
    named = [which for which, control in given.items() if control is not None]
    if named not in (["control"], ["set_control", "reset_control"]):
        found = " and ".join(named) or "none of control, set_control and reset_control"
        source.wrong(
            key,
            f"found {found}; expected either control, or set_control and reset_control of a latching relay",
        )
    if relay.single_coil and relay.control is not None:
        source.wrong(
            (*key, "single_coil"),
            "is of a latching relay whose one coil is driven in either polarity; expected set_control and "
            "reset_control beside it, or no single_coil",
        )
    if relay.set_control and relay.set_control == relay.reset_control:
        source.wrong((*key, "reset_control"), "the same control line sets and resets; expected two")
    for which, control in given.items():
        if control is not None and names.controls and control not in names.controls:
            source.wrong((*key, which), unknown("control line", control, names.controls, where="[controls]"))


def _poles(
    nets: Nets, contacts: Sequence[ContactEntry], relay: str, channel: str | None, key: Key
) -> Iterator[Pole]:
    nets.complete = nets.complete and bool(contacts)
    for index, contact in enumerate(contacts):
        contact_key: Key = (*key, "contacts", index)
        _check_contact(nets.source, contact, contact_key)
        owner = channel_of(nets, channel, contact.channel, _written(contact), contact_key)
        throwless = contact.released is None and contact.operated is None
        if owner is None or throwless or not nets.source.reads(*contact_key):
            nets.complete = False
            continue
        for leg in LEGS if contact.leg is None else (contact.leg,):
            throws = {
                throw: nets.attach_end(net, owner, leg, (*contact_key, throw))
                for throw, net in (("released", contact.released), ("operated", contact.operated))
                if net is not None
            }
            common = nets.attach_end(contact.common, owner, leg, (*contact_key, "common"))
            for node in throws.values():
                nets.join(common, node)
            yield Pole(
                relay=relay,
                contact=index + 1,
                channel=owner,
                leg=leg,
                common=common,
                released=throws.get("released"),
                operated=throws.get("operated"),
            )


def _nets(contacts: Sequence[ContactEntry]) -> list[str]:
    return [net for contact in contacts for net in _written(contact)]


def _written(contact: ContactEntry) -> list[str]:
    return [net for net in (contact.common, contact.released, contact.operated) if net is not None]


def _check_contact(source: Source, contact: ContactEntry, key: Key) -> None:
    nets = _written(contact)
    if End.of(contact.common).leg is not None:
        source.wrong(
            (*key, "common"), f'found "{contact.common}", one leg; expected the net, and leg beside it'
        )
    for which, net in (("released", contact.released), ("operated", contact.operated)):
        if contact.leg is None and net is not None and End.of(net).leg is not None:
            source.wrong((*key, which), f'found "{net}", one leg; expected leg beside it in this contact')
    if len(nets) == 1:
        source.wrong(key, "a contact with no throw; expected released, operated, or both")
    elif "" not in nets and len({_node(net, contact) for net in nets}) < len(nets):
        source.wrong(
            key, "a contact with the same net twice; expected common, released and operated to differ"
        )


def _node(net: str, contact: ContactEntry) -> tuple[str | None, str, str]:
    """Channel, net and leg that a net of a contact stands for."""
    end = End.of(net)
    return end.channel or contact.channel, end.net, end.leg or contact.leg or "hot"
