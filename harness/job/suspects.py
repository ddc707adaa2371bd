"""Faults of a person's own: what no list of single faults has, as it is written in files and commands.

A bridge between two nets (`left.bus.hot bridged to right.send.cold`), a part that was left out (`K3 left
out`), one of a wrong value (`R1.hot 4.7 kohm`), two parts in each other's place (`R1.hot and R2.hot
swapped`).
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from harness.errors import UsageError
from harness.job.module import GROUND, LEGS, WINDINGS, Module, Part, node_name
from harness.toml_files.messages import did_you_mean
from harness.units import Dimension, format_value, parse_quantity

SuspectKind = Literal[
    "nets bridged",  # a leg of a net joined to one of another net, or to ground
    "part left out",
    "relay left out",  # or a switch: no contact conducts, no coil draws
    "transformer left out",
    "part value",  # another than its own
    "parts swapped",  # each in the other's place
]

_BRIDGED = re.compile(r"(\S+) bridged to (\S+)", re.IGNORECASE)
_LEFT_OUT = re.compile(r"(\S+) left out", re.IGNORECASE)
_SWAPPED = re.compile(r"(\S+) and (\S+) swapped", re.IGNORECASE)
_VALUE = re.compile(r"(\S+) ([\d.]+ ?[a-zA-Zµμ]+)")


@dataclass(frozen=True, kw_only=True)
class Suspect:
    """One fault of a person's own. other: the second net or part. value: of a wrong part, in `unit`."""

    kind: SuspectKind
    subject: str
    other: str | None = None
    value: float | None = None
    unit: str = ""


@dataclass(frozen=True, kw_only=True)
class _Sort:
    """Parts that can stand in each other's place."""

    parts: Sequence[Part]
    unit: str
    dimension: Dimension


def nodes_of(module: Module) -> tuple[str, ...]:
    """Every leg of every net, as `left.bus.hot`, in the order of module.toml; ground comes last."""
    nodes = [
        node_name(channel, port.net, leg)
        for channel in module.channels
        for port in module.ports
        if port.is_in(channel)
        for leg in port.legs
    ]
    nodes += [
        node
        for relay in module.relays
        for pole in relay.poles
        for node in (pole.common, *pole.throws.values())
    ]
    nodes += [node for part in module.two_ended for node in (part.a, part.b)]
    nodes += [node for each in module.transformers for name in WINDINGS for node in each.ends(name)]
    for amplifier in module.amplifiers:
        ends = (amplifier.from_net, amplifier.to_net)
        nodes += [node_name(amplifier.channel, net, leg) for net in ends for leg in LEGS]
    return (*dict.fromkeys(node for node in nodes if node != GROUND), GROUND)


def read_suspect(text: str, module: Module) -> Suspect | None:
    """A fault of one's own; None if it is written as none is.

    Raises UsageError for a net or a part that there is not, with the one that is probably meant.
    """
    if match := _BRIDGED.fullmatch(text):
        return _bridge(text, match[1], match[2], module)
    if match := _LEFT_OUT.fullmatch(text):
        return _left_out(text, match[1], module)
    if match := _SWAPPED.fullmatch(text):
        return _swap(text, match[1], match[2], module)
    if match := _VALUE.fullmatch(text):
        return _wrong_value(text, match[1], match[2], module)
    return None


def _bridge(text: str, one: str, other: str, module: Module) -> Suspect:
    nodes = nodes_of(module)
    a, b = (_named(text, "net", name, nodes) for name in (one, other))
    if a == b:
        raise UsageError(f'fault "{text}": {a} is bridged to itself; expected two nets')
    a, b = sorted((a, b), key=nodes.index)
    return Suspect(kind="nets bridged", subject=a, other=b)


def _left_out(text: str, name: str, module: Module) -> Suspect:
    kinds: dict[str, SuspectKind] = {part.name: "part left out" for part in module.two_ended}
    kinds |= {relay.name: "relay left out" for relay in module.relays}
    kinds |= {transformer.name: "transformer left out" for transformer in module.transformers}
    known = _named(text, "part", name, kinds)
    return Suspect(kind=kinds[known], subject=known)


def _swap(text: str, one: str, other: str, module: Module) -> Suspect:
    sorts = _sorts(module)
    names = [part.name for sort in sorts for part in sort.parts]
    a, b = (_named(text, "part", name, names) for name in (one, other))
    first, second = (_sort_of(name, sorts) for name in (a, b))
    if a == b:
        raise UsageError(f'fault "{text}": {a} is swapped with itself; expected two parts')
    if first is not second:
        raise UsageError(
            f'fault "{text}": {a} and {b} are not of one kind; expected two resistors, or the like'
        )
    a, b = sorted((a, b), key=names.index)
    return Suspect(kind="parts swapped", subject=a, other=b)


def _wrong_value(text: str, name: str, value_text: str, module: Module) -> Suspect:
    sorts = _sorts(module)
    known = _named(text, "part", name, [part.name for sort in sorts for part in sort.parts])
    sort = _sort_of(known, sorts)
    try:
        value = parse_quantity(value_text, sort.dimension, sign="positive")
        # as it is printed, so that its name reads back as the same fault
        value = parse_quantity(format_value(value, sort.unit), sort.dimension)
    except ValueError as error:
        raise UsageError(f'fault "{text}": {error}') from None
    return Suspect(kind="part value", subject=known, value=value, unit=sort.unit)


def _sorts(module: Module) -> list[_Sort]:
    return [
        _Sort(parts=module.resistors, unit="ohm", dimension="resistance"),
        _Sort(parts=module.capacitors, unit="F", dimension="capacitance"),
        _Sort(parts=module.inductors, unit="H", dimension="inductance"),
    ]


def _sort_of(name: str, sorts: Iterable[_Sort]) -> _Sort:
    return next(sort for sort in sorts if any(part.name == name for part in sort.parts))


def _named(text: str, what: str, name: str, known: Iterable[str]) -> str:
    """A net or a part as the module writes it."""
    names = {each.casefold(): each for each in known}
    if name.casefold() not in names:
        some = list(names.values())
        hint = did_you_mean(name, some) or (f"; expected one such as {some[0]}" if some else "; it has none")
        raise UsageError(f'fault "{text}": module.toml has no {what} {name}{hint}')
    return names[name.casefold()]
