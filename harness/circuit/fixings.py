"""What the fixture hangs on a port's pins: loads, loop plugs, scope inputs."""

from collections.abc import Iterator

from harness.circuit.elements import JOINT_OHM, BenchImpedances, Element, resistor, terminal
from harness.job.fixture import Fixture, Hookup, Link, PortName, Termination
from harness.job.module import GROUND, LEGS, Leg, Module


def scope_input(place: int, node: str, impedances: BenchImpedances) -> Element:
    """One scope input with its probe, from a leg to ground."""
    return Element(
        name=f"scope input {place}",
        part="scope",
        kind="scope",
        a=node,
        b=GROUND,
        resistance_ohm=impedances.input_ohm,
        capacitance_f=impedances.input_f,
    )


def load_elements(module: Module, fixture: Fixture, hookup: Hookup) -> Iterator[Element]:
    """What ends the ports: the fixture's loads, and its termination at inputs that nothing drives."""
    for channel in module.channels:
        for net, termination in fixture.loads.items():
            yield from _termination(module, "load", PortName(channel=channel, net=net), termination)
        for port in module.ports:
            place = PortName(channel=channel, net=port.net)
            if fixture.undriven_inputs is not None and port.role == "input" and place != hookup.drive:
                yield from _termination(module, "termination", place, fixture.undriven_inputs)


def _termination(module: Module, what: str, place: PortName, termination: Termination) -> Iterator[Element]:
    hot, cold = (terminal(module, place.channel, place.net, leg) for leg in LEGS)
    name, tolerance = f"{what} {place}", termination.tolerance
    if termination.across_ohm is not None:
        yield resistor(name, "load", hot, cold, termination.across_ohm, tolerance)
    if termination.leg_ohm is not None:
        yield resistor(f"{name}.hot", "load", hot, GROUND, termination.leg_ohm, tolerance)
        yield resistor(f"{name}.cold", "load", cold, GROUND, termination.leg_ohm, tolerance)


def source_node(module: Module, hookup: Hookup, drive: PortName, leg: Leg) -> str:
    """Where an output of the generator is joined: the driven pin, or before a resistor that leads there."""
    added = hookup.source_added
    if added is not None and added.leg == leg:
        return f"source.{leg}"
    return terminal(module, drive.channel, drive.net, leg)


def source_elements(module: Module, hookup: Hookup) -> Iterator[Element]:
    """The resistor in one leg of the source, in a hookup that has one."""
    drive, added = hookup.drive, hookup.source_added
    if drive is not None and added is not None:
        yield resistor(
            f"source {added.leg}",
            "load",
            source_node(module, hookup, drive, added.leg),
            terminal(module, drive.channel, drive.net, added.leg),
            added.series_ohm,
            added.tolerance,
        )


def link_elements(module: Module, link: Link) -> Iterator[Element]:
    """A loop plug in every channel that it is made for."""
    for channel in module.channels:
        if link.legs is not None and channel not in link.legs:
            continue
        ends = {
            leg: (
                terminal(module, channel, link.from_net, leg),
                terminal(module, channel, link.to_net, leg),
            )
            for leg in LEGS
        }
        place = f"{link.name} {channel}"
        if link.legs is not None:
            yield from _leg_link(link, channel, place, ends)
        elif link.pad_db:
            yield from _pad_link(link, channel, place, ends)
        else:
            for leg, (near, far) in ends.items():
                yield resistor(f"{place}.{leg}", "link", near, far, JOINT_OHM, 0.0, part=link.name)


def _leg_link(link: Link, channel: str, place: str, ends: dict[Leg, tuple[str, str]]) -> Iterator[Element]:
    """Series from the send, then the shunt at the return's end."""
    assembly = link.legs[channel] if link.legs is not None else {}
    for leg, resistors in assembly.items():
        near, far = ends[leg]
        yield resistor(
            f"{place}.{leg}.series", "link", near, far, resistors.series_ohm, link.tolerance, part=link.name
        )
        if resistors.shunt_ohm is not None:
            yield resistor(
                f"{place}.{leg}.shunt",
                "link",
                far,
                GROUND,
                resistors.shunt_ohm,
                link.tolerance,
                part=link.name,
            )


def pad_resistors(loss_db: float, impedance_ohm: float) -> tuple[float, float]:
    """Arm (one of four) and shunt in ohm of a balanced H pad.

    K = 10^(loss/20), T pad R1 = Z(K-1)/(K+1), R2 = 2ZK/(K²-1), H arm = R1/2: the classic image-matched pad.
    """
    ratio = 10 ** (loss_db / 20)
    series = impedance_ohm * (ratio - 1) / (ratio + 1)
    return series / 2, 2 * impedance_ohm * ratio / (ratio**2 - 1)


def _pad_link(link: Link, channel: str, place: str, ends: dict[Leg, tuple[str, str]]) -> Iterator[Element]:
    """A balanced H pad, floating: half of R1 in each of four arms, R2 across the middle."""
    arm, shunt = pad_resistors(link.pad_db or 0.0, link.pad_impedance_ohm or 600.0)
    middle = {leg: f"{channel}.{link.name} middle.{leg}" for leg in LEGS}
    for leg, (near, far) in ends.items():
        yield resistor(f"{place}.{leg}.in", "link", near, middle[leg], arm, link.tolerance, part=link.name)
        yield resistor(f"{place}.{leg}.out", "link", middle[leg], far, arm, link.tolerance, part=link.name)
    yield resistor(
        f"{place}.shunt", "link", middle["hot"], middle["cold"], shunt, link.tolerance, part=link.name
    )
