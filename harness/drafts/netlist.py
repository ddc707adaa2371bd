"""A netlist as parts with named pins on nodes, whichever file it was read from."""

from dataclasses import dataclass

_RELAYS = ("K", "RL", "RY")


@dataclass(frozen=True, kw_only=True)
class NetPart:
    """A part: its reference (`K1`), value or type, and the node on each pin, in the file's order.

    A relay's pins are named after EN 50005: A1 and A2 the coil, 11 12 14 a contact's common, break and make,
    21 22 24 the next; whatever else the file calls them.
    """

    reference: str
    value: str
    pins: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class Netlist:
    """Parts, and what the reader could not make out."""

    title: str
    parts: tuple[NetPart, ...]
    doubts: tuple[str, ...]


def is_relay(reference: str) -> bool:
    """Whether a part is a relay by its reference: K1, RL1, RY1."""
    return reference.startswith(_RELAYS)
