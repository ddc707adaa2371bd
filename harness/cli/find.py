"""`switchwalk find` lists instruments with their addresses; `switchwalk simulate` starts a simulated bench.

Nothing is asked that was not named: serial boards reset or switch on a stray byte, and a network is not this
program's to search.
"""

import json
import re
import subprocess
from collections.abc import Iterator
from contextlib import closing
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated

import typer

from drivers.session import Session
from harness.cli.options import AsJson, Clumsy, Faults, Hasten, JobFolder
from harness.cli.wrapping import say
from harness.errors import BenchError, UsageError
from harness.workbench.simulated import simulator_command

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
    as_json: AsJson = False,
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
    from pyvisa import constants  # both together take 0.2 s
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
    address = f"TCPIP::{host}::{port}::SOCKET"
    what = trouble = ""
    try:
        with closing(Session(address, instrument="what is there")) as session:
            what = session.query("*IDN?")
    except BenchError as error:
        trouble = str(error)
    return Seen(wire="network", address=address, what=what, trouble=trouble)


def simulate(
    job: JobFolder,
    serial: Annotated[str, typer.Option(help="The unit's serial number: draws its values.")] = "SIM-1",
    fault: Faults = None,
    trouble: Annotated[
        list[str] | None,
        typer.Option(metavar="TEXT", help="A trouble of the bench; may be repeated.", show_default=False),
    ] = None,
    hasten: Hasten = 1.0,
    clumsy: Clumsy = 0.0,
    switchboard: Annotated[str, typer.Option(help="frame, text, route or modbus.")] = "frame",
    bench_seed: Annotated[int, typer.Option(help="Draws the bench's own errors.")] = 1,
    bench_file: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write a bench.toml that reaches it.", show_default=False),
    ] = None,
) -> None:
    """Start a simulated bench with a unit on it; prints its addresses and runs until Ctrl-C."""
    arguments = simulator_command(job, serial=serial, faults=fault or [], hasten=hasten, clumsy=clumsy)
    arguments += ["--switchboard", switchboard, "--bench-seed", str(bench_seed)]
    for text in trouble or []:
        arguments += ["--trouble", text]
    if bench_file is not None:
        arguments += ["--bench-file", str(bench_file)]
    process = subprocess.Popen(arguments)
    try:
        raise typer.Exit(process.wait())
    except KeyboardInterrupt:
        process.wait()
