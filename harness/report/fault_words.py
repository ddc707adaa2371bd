"""Faults in words for whoever holds the soldering iron: what is wrong, and what to look at."""

from harness.faults.effects import Suspect
from harness.job.faults import Fault
from harness.job.fixture import Fixture
from harness.job.module import Module, Relay
from harness.units import format_value


def explain(suspect: Suspect, module: Module, fixture: Fixture) -> str:
    """One sentence for each of a suspect's faults."""
    if not suspect:
        return "nothing is wrong with the unit"
    return "; and ".join(_sentence(fault, module, fixture) for fault in suspect)


def _sentence(fault: Fault, module: Module, fixture: Fixture) -> str:
    kind = fault.kind
    if kind.startswith(("relay", "coil")):
        return _of_relay(fault, module)
    if kind.startswith(("pole", "throw")):
        return _of_contact(fault, module)
    if kind.startswith("line"):
        return _of_line(fault, module)
    if kind.startswith("link"):
        return _of_plug(fault, fixture)
    if kind.startswith("part"):
        return _of_part(fault, module)
    return _of_port(fault)


def _relay(name: str, module: Module) -> str:
    """`relay K3, left`, where all its poles are in one channel."""
    relay = next((each for each in module.relays if each.name == name), None)
    channels = sorted({pole.channel for pole in relay.poles}) if relay else []
    return f"relay {name}, {channels[0]}" if len(channels) == 1 else f"relay {name}"


def _of_relay(fault: Fault, module: Module) -> str:
    relay = _relay(fault.subject, module)
    match fault.kind:
        case "relay never operates":
            return (
                f"{relay}: never operates though its coil draws current: look for an armature that sticks, "
                "or a bridge over its rest contacts; else change the relay"
            )
        case "relay always operated":
            return (
                f"{relay}: stays operated in every state: look for welded contacts or an armature that "
                "sticks; else change the relay"
            )
        case "coil open":
            return (
                f"{relay}: its coil draws no current: look at the coil pins' joints and their wires, then "
                "measure the coil"
            )
        case "relay slow to operate":
            return (
                f"{relay}: operates too late: look for a joint of some ohms at its coil, or a supply that "
                "sags; else change the relay"
            )
        case "relay slow to release":
            return (
                f"{relay}: releases too late: look at what is across its coil (a plain diode holds it "
                "longest); else change the relay"
            )
        case "relay long bounce":
            return f"{relay}: its contacts bounce too long: change the relay"
        case _:
            return (
                f"{relay}: its coil, or the diode across it, is a short: look for a reversed diode, then "
                "measure the coil with the relay out"
            )


def _of_contact(fault: Fault, module: Module) -> str:
    name, contact, leg = fault.subject.split(".")
    pole = next((each for relay in module.relays for each in relay.poles if each.name == fault.subject), None)
    where = f"{_relay(name, module)}, contact {contact}, {leg} leg"
    between = ""
    if pole is not None and fault.throw is not None:
        far = pole.rest if fault.throw == "rest" else pole.operated
        between = f" between {pole.common} and {far}"
    match fault.kind:
        case "pole stuck at rest":
            return f"{where}: stays at rest while the relay's other contacts move: change the relay"
        case "pole stuck operated":
            return f"{where}: stays operated while the relay's other contacts move: change the relay"
        case "throw stuck open":
            return (
                f"{where}: the {fault.throw} throw{between} never conducts: look at its pins' joints and "
                "wires, then at the contact"
            )
        case "throw stuck closed":
            return (
                f"{where}: the {fault.throw} throw{between} always conducts: look for a bridge over its "
                "pins, then for a welded contact"
            )
        case "throw intermittent":
            return (
                f"{where}: the {fault.throw} throw{between} conducts after some operations and not after "
                "others: resolder its pins; if that is no help, change the relay"
            )
        case _:
            ohm = format_value(fault.resistance_ohm or 0.0, "ohm")
            return (
                f"{where}: about {ohm} in the {fault.throw} throw{between}: resolder its pins; if that is "
                "no help, the contact is worn or dirty"
            )


def _of_line(fault: Fault, module: Module) -> str:
    relays = [each.name for each in module.relays if fault.subject in _lines_of(each)]
    moved = f" ({', '.join(relays)})" if relays else ""
    if fault.kind == "line dead":
        return (
            f"line {fault.subject}{moved}: energising it does nothing: look at its connector pin and the "
            "wire to the coils"
        )
    return f"lines {fault.subject} and {fault.other}: exchanged: look at the two wires at the connector"


def _lines_of(relay: Relay) -> tuple[str | None, ...]:
    return relay.line, relay.set_line, relay.reset_line


def _of_plug(fault: Fault, fixture: Fixture) -> str:
    link = fixture.links[fault.subject]
    whose = f"{fault.channel} plug" if fault.channel else "plugs"
    where = f"{whose} {fault.subject}, {link.from_net} to {link.to_net}"
    match fault.kind:
        case "link missing":
            return f"{where}: not in, or not seated: look at the fixture, not the unit"
        case "link straight":
            return f"{where}: a straight plug stands in its place: look at the fixture, not the unit"
        case "link legs swapped":
            return f"{where}: hot and cold are exchanged in it: look at the plug, then at the return's pins"
        case _:
            return f"{where}: left and right are exchanged: look at the fixture, not the unit"


def _of_part(fault: Fault, module: Module) -> str:
    part = next(each for each in (*module.resistors, *module.capacitors) if each.name == fault.subject)
    unit = "ohm" if part in module.resistors else "F"
    value = format_value(part.value, unit)
    what = {
        "part open": "open: look at its joints, then measure it",
        "part shorted": "shorted: look for a bridge over it, then measure it",
        "part tenfold": "ten times what it should be: read its marking, then measure it",
        "part a tenth": "a tenth of what it should be: read its marking, then measure it",
    }[fault.kind]
    return f"part {fault.subject} ({value}): {what}"


def _of_port(fault: Fault) -> str:
    port = f"{fault.channel}.{fault.subject}" if fault.channel else fault.subject
    match fault.kind:
        case "leg open":
            return (
                f"port {port}, {fault.leg} leg: open at the connector: look at the pin's joint or crimp and "
                "its wire"
            )
        case "leg grounded":
            return (
                f"port {port}, {fault.leg} leg: at 0 V: look for a bridge or a whisker to pin 1 or the screen"
            )
        case "legs swapped":
            return f"port {port}: hot and cold are exchanged: look at the two wires at the connector"
        case "legs shorted":
            return f"port {port}: hot and cold are shorted to each other: look for a bridge at the connector"
        case "channels bridged":
            return f"port {port}, {fault.leg} leg: left and right are joined: look for a bridge between them"
        case _:
            return f"port {port}: left and right are exchanged: look at the wires or the connectors"
