"""Which ports a scope may look at together, and the setups that follow for every input."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from harness.job.fixture import PortName, Setup
from harness.job.module import Module


@dataclass(frozen=True, kw_only=True)
class View:
    """What is looked at whichever input is driven: `nets` of the driven channel, on as many pairs.

    with_drive: the driven port comes before them. beside: the same net of each other channel comes after
    them, in a setup for each.
    """

    nets: tuple[str, ...]
    with_drive: bool = False
    beside: bool = False

    @property
    def words(self) -> str:
        """`view out and input`."""
        nets = " and ".join(("input", *self.nets) if self.with_drive else self.nets)
        return f"view {nets}"


def drives_of(module: Module, channels: Sequence[str]) -> tuple[PortName, ...]:
    """Every input port of these channels, channel by channel."""
    return tuple(
        PortName(channel=channel, net=port.net)
        for channel in channels
        for port in module.ports
        if port.role == "input" and port.is_in(channel)
    )


def driven_channels(module: Module) -> tuple[str, ...]:
    """The channels that have an input."""
    return tuple(channel for channel in module.channels if drives_of(module, [channel]))


@dataclass(frozen=True, kw_only=True)
class Views:
    """first: those that show every output; further: what is tried for the faults that these do not see."""

    first: tuple[View, ...]
    further: tuple[View, ...]


def views_of(module: Module, pairs: int, *, closed: Sequence[str]) -> Views:
    """The views that are tried. closed: nets that a loopback plug begins at.

    Where the unit may invert, polarity is read against the drive, so that this is in view.
    """
    outputs = [port.net for port in module.ports if port.role == "output"]
    outputs += [port.net for port in module.ports if port.role == "send" and port.net not in closed]
    sends = [net for net in closed if net not in outputs]
    single = [View(nets=chunk) for chunk in _chunks(outputs, pairs)]
    beside = [View(nets=(net,), beside=True) for net in outputs if _channels_with(module, net) > 1]
    with_drive: list[View] = []
    first = single
    if pairs == 1:
        beside = []
    elif module.may_invert:
        first = [View(nets=chunk, with_drive=True) for chunk in _chunks(outputs, pairs - 1)]
        with_drive = [View(nets=chunk, with_drive=True) for chunk in _chunks(sends, pairs - 1)]
    elif len(module.channels) == 2:
        lone = [View(nets=(net,)) for net in outputs if _channels_with(module, net) < 2]
        first = [*beside, *lone]
    further = (*beside, *(View(nets=chunk) for chunk in _chunks(sends, pairs)), *with_drive)
    return Views(first=tuple(first), further=tuple(view for view in further if view not in first))


def _channels_with(module: Module, net: str) -> int:
    return sum(module.has_port(channel, net) for channel in module.channels)


def _chunks(nets: Sequence[str], size: int) -> Iterator[tuple[str, ...]]:
    for start in range(0, len(nets), size):
        yield tuple(nets[start : start + size])


def setups_of(
    module: Module, view: View, drives: Sequence[PortName], loopbacks: Sequence[str]
) -> tuple[Setup, ...]:
    """A setup for each input whose channel has one of the view's ports; made by hand until channels are given
    to it.
    """
    several = len({drive.net for drive in drives}) > 1
    made: list[Setup] = []
    for drive in drives:
        own = [net for net in view.nets if module.has_port(drive.channel, net)]
        ports = [PortName(channel=drive.channel, net=net) for net in own]
        if not ports:
            continue
        driven = f"drive {drive.channel} {drive.net}" if several else f"drive {drive.channel}"
        others = [
            PortName(channel=channel, net=own[0])
            for channel in module.channels
            if channel != drive.channel and module.has_port(channel, own[0])
        ]
        nets = " and ".join(("input", *own) if view.with_drive else own)
        for other in others if view.beside else [None]:
            after = [] if other is None else [other]
            before = [drive] if view.with_drive else []
            words = f"{driven}, view {nets}" + ("" if other is None else f" and {other}")
            made.append(
                Setup(
                    name=words,
                    drive=drive,
                    view=(*before, *ports, *after),
                    loopbacks=tuple(loopbacks),
                )
            )
    return tuple(made)
