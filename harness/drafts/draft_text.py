"""A drafted module.toml as text."""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from textwrap import shorten

from harness.drafts.coils import USUAL_W
from harness.drafts.entries import Entry, written
from harness.drafts.netlist import NetPart
from harness.drafts.node_names import plain_name

CONTACT_OHM = 0.05


@dataclass(frozen=True, kw_only=True)
class DraftTables:
    """Everything that the text has. types: each relay's type, by its name."""

    title: str
    channels: Sequence[str]
    voltage_v: float
    voltage_from: str
    controls: Mapping[str, str]
    ports: Mapping[str, str]
    relays: Sequence[NetPart]
    connectors: Sequence[NetPart]
    entries: Sequence[Entry]


def module_text(tables: DraftTables, unclear: Sequence[str]) -> str:
    """Write module.toml: the doubts first, as comments, then its tables."""
    listed = ", ".join(f'"{name}"' for name in tables.channels)
    title = shorten(re.sub(r'["\\]|[^ -~]', " ", tables.title), 60, placeholder="") or "Drafted module"
    doubts = "".join(f"#  - {comment(sentence)}\n" for sentence in unclear) or "#  - nothing\n"
    pins = "".join(
        f"# {comment(each.reference)}: {comment(', '.join(f'{pin} {node}' for pin, node in each.pins))}\n"
        for each in tables.connectors
    )
    blocks = [
        "# A draft from a netlist: compare it with the circuit diagram.\n"
        f"# What could not be derived:\n{doubts}"
        + (f"# Connectors, by pin (fixture.toml may have them as [connectors]):\n{pins}" if pins else ""),
        f'[module]\nname = "{title}"\nchannels = [{listed}]\n',
        _supply(tables),
        "[controls]\n" + "".join(f'{name} = "{quoted(node)}"\n' for name, node in tables.controls.items()),
        "[ports]\n" + "".join(f"{net} = {value}\n" for net, value in tables.ports.items()),
        *_types(tables),
        *(entry.text(one_channel=len(tables.channels) == 1) for entry in tables.entries),
    ]
    return "\n".join(blocks)


def type_name(relay: NetPart) -> str:
    """The name of a relay's type."""
    return plain_name(relay.value or "relay")


def _coil_ohm(relay: NetPart, voltage_v: float) -> float:
    return relay.coil_ohm or voltage_v**2 / USUAL_W


def _supply(tables: DraftTables) -> str:
    voltage_v = tables.voltage_v
    coils = sum(voltage_v / _coil_ohm(relay, voltage_v) for relay in tables.relays)
    limit_ma = 10 * math.ceil((1.25e3 * coils + 50) / 10)
    return (
        f'[supply]\nvoltage = "{voltage_v:g} V"       # {comment(tables.voltage_from)}\n'
        f'limit = "{limit_ma} mA"       # all coils at once, and a margin\n'
    )


def _types(tables: DraftTables) -> list[str]:
    result: dict[str, str] = {}
    for relay in tables.relays:
        coil = f'coil = "{written(round(_coil_ohm(relay, tables.voltage_v)), "ohm")}"'
        contact_ohm = relay.contact_ohm or CONTACT_OHM
        known = (
            (" the coil" if relay.coil_ohm else "")
            + (" and" if relay.coil_ohm and relay.contact_ohm else "")
            + (" the contact" if relay.contact_ohm else "")
        )
        of = f"from the netlist{known}, the rest" if known else "all"
        result.setdefault(
            type_name(relay),
            f"[relay_types.{type_name(relay)}]  # {comment(relay.value)}: {of} from its data sheet\n"
            f'{coil}\ncontact = "{written(contact_ohm, "ohm")}"\n'
            f'contact_max = "{written(2 * contact_ohm, "ohm")}"\n',
        )
    return list(result.values())


def quoted(text: str) -> str:
    """A text that cannot end a string."""
    return comment(re.sub(r'["\\]', "?", text))


def comment(text: str) -> str:
    """A text that cannot end a comment: printable, not endless."""
    return re.sub(r"[^ -~]", "?", text)[:300]
