"""Faults done to a unit and its plugs, as the physical thing that each one is."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf

from harness.job.faults import Fault
from harness.job.module import GROUND, LEGS, WINDINGS, Module, node_name
from simulator.circuit import Element
from simulator.dynamics import OPERATED, RELEASED
from simulator.unit import Damage, Slowed, coils_of, pin
from simulator.wiring import Plugs

SHORT_OHM = 0.02  # a blob of solder
COIL_SHORT_OHM = 1.0
SLOW = 3.5  # times a good relay's operate or release time
LONG_BOUNCE = 12.0
GONE_F = 0.0  # a capacitor that is missing


@dataclass(frozen=True, kw_only=True)
class Wrong:
    """All that is wrong with the unit and with the plugs in it."""

    damage: Damage
    plugs: Plugs


def apply(faults: Sequence[Fault], module: Module) -> Wrong:
    """Turn named faults into damage; several add up."""
    damage, plugs = Damage(), Plugs()
    for fault in faults:
        if fault.kind.startswith(("relay", "coil", "set coil", "reset coil", "switch", "pole", "throw")):
            _relay(damage, fault, module)
        elif fault.kind.startswith("control"):
            _control(damage, fault)
        elif fault.kind.startswith("loopback"):
            _loopback(plugs, fault, module)
        elif fault.kind.startswith("part"):
            _part(damage, fault, module)
        elif fault.kind.startswith("winding"):
            _winding(damage, fault, module)
        elif fault.kind == "amplifier dead":
            damage.amplifier_dead.add(fault.subject)
        elif fault.kind == "transformer left out":
            damage.winding_open.update(f"{fault.subject}.{winding}" for winding in WINDINGS)
        elif fault.kind == "nets bridged":
            damage.bridges.append(Element(a=fault.subject, b=fault.other or GROUND, value=SHORT_OHM))
        else:
            _connector(damage, fault, module)
    return Wrong(damage=damage, plugs=plugs)


def taken_out(module: Module) -> Wrong:
    """What is left where no unit is in the fixture: no coil, and every lead to it ends in the air."""
    coils = (coil for relay in module.relays for coil in coils_of(relay).values())
    damage = Damage(coil_ohm=dict.fromkeys(coils, inf), supplied=False)
    damage.pins_open.update(
        node_name(channel, port.net, leg)
        for port in module.ports
        for channel in module.channels
        if port.is_in(channel)
        for leg in LEGS
    )
    return Wrong(damage=damage, plugs=Plugs())


def _relay(damage: Damage, fault: Fault, module: Module) -> None:
    subject = fault.subject
    if fault.kind == "relay left out":
        for relay in (each for each in module.relays if each.name == subject):
            damage.coil_ohm.update(dict.fromkeys(coils_of(relay).values(), inf))
            damage.always_open.update((pole.name, throw) for pole in relay.poles for throw in pole.throws)
        return
    slowed = damage.slowed.get(subject, Slowed())
    throw = None if fault.throw is None else (subject, fault.throw)
    match fault.kind:
        case "relay never operates" | "switch stuck off":
            damage.held[subject] = RELEASED
        case "relay always operated" | "switch stuck on":
            damage.held[subject] = OPERATED
        case "coil open" | "coil open, set":
            damage.coil_ohm[subject] = inf
            if any(relay.name == subject and relay.latches for relay in module.relays):
                damage.held[subject] = RELEASED if fault.kind == "coil open" else OPERATED
        case "coil shorted":
            damage.coil_ohm[subject] = COIL_SHORT_OHM
        case "set coil open" | "reset coil open":
            damage.coil_ohm[f"{subject} {fault.kind.split()[0]}"] = inf
        case "set coil shorted" | "reset coil shorted":
            damage.coil_ohm[f"{subject} {fault.kind.split()[0]}"] = COIL_SHORT_OHM
        case "relay slow to operate":
            damage.slowed[subject] = replace(slowed, operate=SLOW)
        case "relay slow to release":
            damage.slowed[subject] = replace(slowed, release=SLOW)
        case "relay long bounce":
            damage.slowed[subject] = replace(slowed, bounce=LONG_BOUNCE)
        case "pole stuck released":
            damage.pole_held[subject] = RELEASED
        case "pole stuck operated":
            damage.pole_held[subject] = OPERATED
        case "throw stuck open" if throw:
            damage.always_open.add(throw)
        case "throw stuck closed" if throw:
            damage.always_closed.add(throw)
        case "throw resistance" if throw:
            damage.contact_ohm[throw] = fault.resistance_ohm or 0.0
        case "throw intermittent" if throw:
            damage.intermittent[throw] = fault.chance or 0.0


def _control(damage: Damage, fault: Fault) -> None:
    feeds = damage.control_feeds
    first = feeds.get(fault.subject, frozenset({fault.subject}))
    if fault.kind == "control line dead":
        feeds[fault.subject] = frozenset()
    elif fault.other is not None:
        feeds[fault.subject] = feeds.get(fault.other, frozenset({fault.other}))
        feeds[fault.other] = first


def _channels(fault: Fault, module: Module) -> tuple[str, ...]:
    return module.channels if fault.channel is None else tuple(filter(None, (fault.channel, fault.other)))


def _loopback(plugs: Plugs, fault: Fault, module: Module) -> None:
    channels = _channels(fault, module)
    if fault.kind == "loopback channels swapped":
        one, other = channels
        plugs.of_other_channel.update({(one, fault.subject): other, (other, fault.subject): one})
        return
    wrong = {
        "loopback missing": plugs.missing,
        "loopback straight": plugs.straight,
        "loopback legs swapped": plugs.crossed,
    }
    wrong[fault.kind].update((channel, fault.subject) for channel in channels)


def _part(damage: Damage, fault: Fault, module: Module) -> None:
    if fault.kind == "parts swapped" and fault.other is not None:
        damage.parts_swapped.append((fault.subject, fault.other))
        return
    for part in module.two_ended:
        if part.name != fault.subject:
            continue
        is_capacitor = part in module.capacitors
        if (is_capacitor or part in module.inductors) and fault.kind == "part shorted":
            damage.bridges.append(Element(a=part.a, b=part.b, value=SHORT_OHM))
            continue
        damage.part_value[part.name] = {
            "part open": GONE_F if is_capacitor else inf,
            "part left out": GONE_F if is_capacitor else inf,
            "part value": fault.value or 0.0,
            "part shorted": SHORT_OHM,
            "part tenfold": 10 * part.value,
            "part a tenth": part.value / 10,
        }[fault.kind]


def _winding(damage: Damage, fault: Fault, module: Module) -> None:
    if fault.kind == "winding open":
        damage.winding_open.add(fault.subject)
        return
    for transformer in module.transformers:
        for winding in WINDINGS:
            if fault.subject == f"{transformer.name}.{winding}":
                a, b = transformer.ends(winding)
                damage.bridges.append(Element(a=a, b=b, value=SHORT_OHM))


def _connector(damage: Damage, fault: Fault, module: Module) -> None:
    net, legs = fault.subject, LEGS if fault.leg is None else (fault.leg,)
    channels = _channels(fault, module)
    pins = [[node_name(channel, net, leg) for leg in legs] for channel in channels]
    match fault.kind:
        case "leg open":
            damage.pins_open.update(node for row in pins for node in row)
        case "leg grounded":
            damage.bridges.extend(
                Element(a=pin(node), b=GROUND, value=SHORT_OHM) for row in pins for node in row
            )
        case "legs swapped":
            for hot, cold in pins:
                _swap(damage, hot, cold)
        case "legs shorted":
            damage.bridges.extend(Element(a=pin(hot), b=pin(cold), value=SHORT_OHM) for hot, cold in pins)
        case "channels bridged":
            damage.bridges.append(Element(a=pin(pins[0][0]), b=pin(pins[1][0]), value=SHORT_OHM))
        case "channels swapped":
            for first, second in zip(*pins, strict=True):
                _swap(damage, first, second)


def _swap(damage: Damage, first: str, second: str) -> None:
    reached = damage.pins
    reached[first], reached[second] = reached.get(second, second), reached.get(first, first)
