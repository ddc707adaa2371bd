"""`switchwalk find`: what can be seen on this computer's wires, and the address to write into bench.toml.

Nothing is asked that was not named: serial boards reset or switch on a stray byte, and a network is not this
program's to search.
"""

import json
import re
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated

import typer

from harness.cli.wrapping import say
from harness.errors import BenchError, UsageError

HOST = re.compile(r"(?P<host>[A-Za-z0-9.-]+):(?P<port>\d{1,5})")


@dataclass(frozen=True, kw_only=True)
class Seen:
    """Something on a wire. address: as bench.toml has it. what: what it says it is; trouble: why not."""

    wire: str
    address: str
    what: str
    trouble: str = ""


def find(
    host: Annotated[
        list[str] | None,
        typer.Option(
            metavar="HOST:PORT",
            help="Ask *IDN? at this address as well; may be repeated. Nothing else is asked.",
            show_default=False,
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for another program.")] = False,
) -> None:
    """List serial ports, USB and GPIB instruments, and what answers at the addresses given."""
    places = [_place(text) for text in host or []]
    notes: list[str] = []
    seen = [*_serial_ports(), *_usb_and_gpib(notes), *(_asked(*place) for place in places)]
    if as_json:
        found = {"seen": [asdict(each) for each in seen], "notes": notes}
        typer.echo(json.dumps(found, indent=2, ensure_ascii=False))
        return
    for each in seen:
        typer.echo(f'address = "{each.address}"')
        say(f"{each.wire}: {each.trouble or each.what}", indent=4)
    if not seen:
        typer.echo("nothing is seen: no serial port, no USB or GPIB instrument, and no --host was given")
    for note in notes:
        typer.echo(note, err=True)


def _place(text: str) -> tuple[str, int]:
    found = HOST.fullmatch(text)
    if found is None or not 0 < int(found["port"]) < 65536:
        raise UsageError(f"--host {text!r}: expected HOST:PORT, such as 192.0.2.17:5025")
    return found["host"], int(found["port"])


def _serial_ports() -> Iterator[Seen]:
    """Serial ports by name; by the name that stays the same over a restart where there is one."""
    from serial.tools.list_ports import comports

    lasting = {link.resolve(): str(link) for link in sorted(Path("/dev/serial/by-id").glob("*"))}
    for port in sorted(comports()):
        what = ", ".join(
            text for text in (port.manufacturer, port.product or port.description) if text and text != "n/a"
        )
        address = lasting.get(Path(port.device), port.device)
        yield Seen(wire="serial port", address=address, what=what or "says nothing of itself")


def _usb_and_gpib(notes: list[str]) -> Iterator[Seen]:
    """Instruments on buses that can be listed without a question to anybody.

    Not by the resource manager's own list: that broadcasts on the network as well.
    """
    from pyvisa import constants
    from pyvisa_py.sessions import Session

    buses = {constants.InterfaceType.usb: "USB", constants.InterfaceType.gpib: "GPIB"}
    able: set[str] = set()
    for (interface, kind), session in Session.iter_valid_session_classes():
        if interface not in buses or kind != "INSTR":
            continue
        try:
            names = session.list_resources()
        except Exception as error:  # whatever a bus's backend raises; the other buses are still to be listed
            notes.append(f"{buses[interface]} cannot be listed: {error}")
            continue
        able.add(buses[interface])
        for name in names:
            yield Seen(
                wire=buses[interface], address=name, what="an instrument; ask it with `switchwalk bench`"
            )
    for device in sorted(Path("/dev").glob("usbtmc*")):
        if "USB" not in able:
            yield Seen(
                wire="USB",
                address=str(device),
                what="an instrument's device file; install pyusb and run this again for its address",
            )
    if "USB" not in able:
        notes.append("USB instruments are not listed: that needs pyusb (pip install pyusb)")


def _asked(host: str, port: int) -> Seen:
    """What answers *IDN? at an address that was given."""
    from contextlib import closing

    from drivers.session import Session

    address = f"TCPIP::{host}::{port}::SOCKET"
    what = trouble = ""
    try:
        with closing(Session(address, instrument="what is there")) as session:
            what = session.query("*IDN?")
    except BenchError as error:
        trouble = str(error)
    return Seen(wire="network", address=address, what=what, trouble=trouble)
