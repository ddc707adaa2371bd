"""Small boards made by hand, for the tests of the circuit."""

from collections.abc import Mapping, Sequence
from typing import Literal

from harness.job.fixture import Fixture, Loopback, PortName, Setup, Termination
from harness.job.module import (
    LEGS,
    Amplifier,
    Module,
    ModuleSupply,
    Part,
    Pole,
    Port,
    Relay,
    RelayType,
    node_name,
)

SIGNAL = RelayType(
    name="signal",
    coil_ohm=1028.0,
    contact_ohm=0.05,
    contact_max_ohm=0.1,
    operate_max_s=4e-3,
    release_max_s=4e-3,
    bounce_max_s=3e-3,
    off_capacitance_f=1e-12,
)
ROLES: Mapping[str, Literal["input", "output", "send", "return"]] = {
    "in": "input",
    "aux": "input",
    "out": "output",
    "a_send": "send",
    "a_return": "return",
    "b_send": "send",
    "b_return": "return",
}


def module(
    *,
    ports: Sequence[str] = ("in", "out"),
    channels: Sequence[str] = ("left",),
    controls: Sequence[str] = (),
    relays: Sequence[Relay] = (),
    resistors: Sequence[Part] = (),
    capacitors: Sequence[Part] = (),
    amplifiers: Sequence[Amplifier] = (),
) -> Module:
    return Module(
        name="Board",
        part="B",
        revision="A",
        channels=tuple(channels),
        supply=ModuleSupply(voltage_v=12.0, limit_a=0.4, quiescent_a=0.0),
        control_names=tuple(controls),
        ports=tuple(Port(net=net, role=ROLES[net]) for net in ports),
        relays=tuple(relays),
        resistors=tuple(resistors),
        capacitors=tuple(capacitors),
        amplifiers=tuple(amplifiers),
    )


def fixture(
    setup: Setup,
    *,
    loads: Mapping[str, Termination] | None = None,
    undriven: Termination | None = None,
    loopbacks: Sequence[Loopback] = (),
) -> Fixture:
    return Fixture(
        name="Fixture",
        controls={},
        loads=loads or {},
        undriven_inputs=undriven,
        loopbacks={loopback.name: loopback for loopback in loopbacks},
        setups=(setup,),
    )


def setup(
    drive: str | None = "left.in", view: Sequence[str] = ("left.out",), *, loopbacks: Sequence[str] = ()
) -> Setup:
    return Setup(
        name="setup",
        through=drive is None,
        drive=None if drive is None else port(drive),
        view=tuple(port(name) for name in view),
        loopbacks=tuple(loopbacks),
        select=None,
    )


def port(name: str) -> PortName:
    channel, net = name.split(".")
    return PortName(channel=channel, net=net)


def across(ohm: float, tolerance: float = 0.0) -> Termination:
    return Termination(across_ohm=ohm, leg_ohm=None, tolerance=tolerance)


def each_leg(ohm: float, tolerance: float = 0.0) -> Termination:
    return Termination(across_ohm=None, leg_ohm=ohm, tolerance=tolerance)


def in_series(name: str, near: str, far: str, value: float, tolerance: float = 0.0) -> list[Part]:
    """One part in each leg, in the left channel."""
    return [
        Part(
            name=f"{name}.{leg}",
            a=node_name("left", near, leg),
            b=node_name("left", far, leg),
            value=value,
            tolerance=tolerance,
        )
        for leg in LEGS
    ]


def across_pair(name: str, net: str, value: float, tolerance: float = 0.0) -> Part:
    return Part(name=name, a=f"left.{net}.hot", b=f"left.{net}.cold", value=value, tolerance=tolerance)


def change_over(
    name: str, control: str, common: str, released: str | None, operated: str | None, channel: str = "left"
) -> Relay:
    """Both legs of a pair, switched by one relay."""
    return Relay(
        name=name,
        type=SIGNAL,
        control=control,
        set_control=None,
        reset_control=None,
        poles=tuple(
            Pole(
                relay=name,
                contact=1,
                channel=channel,
                leg=leg,
                common=node_name(channel, common, leg),
                released=None if released is None else node_name(channel, released, leg),
                operated=None if operated is None else node_name(channel, operated, leg),
            )
            for leg in LEGS
        ),
    )
