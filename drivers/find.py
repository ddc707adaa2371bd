"""What is on the wires: ports and buses that can be listed, addresses that were named, announcements.

Nothing is asked on a wire that was not named: serial boards reset or switch on a stray byte, and a network is
not this program's to search. Announcements by multicast DNS are what instruments say of themselves.
"""

import re
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from drivers.session import Session
from harness.errors import BenchError, LinkLost, UsageError

HOST = re.compile(r"[A-Za-z0-9.-]+")
HOST_AND_PORT = re.compile(r"(?P<host>[A-Za-z0-9.-]+):(?P<port>\d{1,5})")
VISA_NAME = re.compile(r"TCPIP\d*::[A-Za-z0-9.,-]+(::[A-Za-z0-9,]+)?::(INSTR|SOCKET)", re.IGNORECASE)
ANNOUNCED_WITHIN_S = 3.0  # RFC 6762, 5.2: the second question comes a second after the first
DETAILS_WITHIN_MS = 1000
# Names of services and their addresses: IVI-6.1 (HiSLIP) 3.1.1 and LXI's device specification, from memory.
SERVICES = {
    "_hislip._tcp.local.": "TCPIP::{host}::hislip0,{port}::INSTR",
    "_vxi-11._tcp.local.": "TCPIP::{host}::inst0::INSTR",
    "_scpi-raw._tcp.local.": "TCPIP::{host}::{port}::SOCKET",
}


@dataclass(frozen=True, kw_only=True)
class WireEntry:
    """A port or an instrument. address: as in bench.toml. what: its identity; trouble: why it has none.

    identity: a pattern for bench.toml, "" if nobody answered. usable: whether bench.toml takes the address.
    """

    wire: str
    address: str
    what: str
    trouble: str = ""
    identity: str = ""
    usable: bool = True


def serial_ports() -> Iterator[WireEntry]:
    """Serial ports by name; by the name that stays the same over a restart, if there is one."""
    from serial.tools.list_ports import comports

    lasting = {link.resolve(): str(link) for link in sorted(Path("/dev/serial/by-id").glob("*"))}
    for port in sorted(comports()):
        what = ", ".join(
            text for text in (port.manufacturer, port.product or port.description) if text and text != "n/a"
        )
        address = lasting.get(Path(port.device), port.device)
        yield WireEntry(wire="serial port", address=address, what=what or "no description")


def usb_and_gpib(notes: list[str]) -> Iterator[WireEntry]:
    """Instruments on buses that can be listed without a question to anybody.

    Not by the resource manager's own list: that broadcasts on the network as well.
    """
    from pyvisa import constants  # both together take 0.2 s
    from pyvisa_py.sessions import Session as Interface

    buses = {constants.InterfaceType.usb: "USB", constants.InterfaceType.gpib: "GPIB"}
    able: set[str] = set()
    for (interface, kind), session in Interface.iter_valid_session_classes():
        if interface not in buses or kind != "INSTR":
            continue
        try:
            names = session.list_resources()
        except Exception as error:  # whatever a bus's backend raises; the other buses are still to be listed
            notes.append(f"{buses[interface]} cannot be listed: {error}")
            continue
        able.add(buses[interface])
        for name in names:
            yield WireEntry(
                wire=buses[interface], address=name, what="an instrument; ask it with `switchwalk bench`"
            )
    for device in sorted(Path("/dev").glob("usbtmc*")):
        if "USB" not in able:
            yield WireEntry(
                wire="USB",
                address=str(device),
                what="an instrument's device file; install pyusb and run this again for its address",
                usable=False,
            )
    if "USB" not in able:
        notes.append("USB instruments are not listed: that needs pyusb (pip install 'switchwalk[usb]')")


def asked(text: str) -> list[WireEntry]:
    """What answers *IDN? at a place: HOST:PORT, a VISA name, or HOST, which is asked by HiSLIP and VXI-11.

    Raises UsageError for a text that is none.
    """
    entries = [_asked(address) for address in addresses(text)]
    answered = [entry for entry in entries if not entry.trouble]
    if answered or len(entries) == 1:
        return answered or entries
    why = "; ".join(f"{entry.address}: {entry.trouble}" for entry in entries)
    return [WireEntry(wire="network", address=text, what="", trouble=why)]


def addresses(text: str) -> list[str]:
    """The addresses that a place may have. Raises UsageError for a text that is none."""
    both = HOST_AND_PORT.fullmatch(text)
    if both is not None and 0 < int(both["port"]) < 65536:
        return [f"TCPIP::{both['host']}::{both['port']}::SOCKET"]
    if VISA_NAME.fullmatch(text):
        return [text]
    if HOST.fullmatch(text):
        return [f"TCPIP::{text}::hislip0::INSTR", f"TCPIP::{text}::inst0::INSTR"]
    raise UsageError(
        f"--host {text!r}: expected HOST, HOST:PORT such as 192.0.2.17:5025, or a VISA name such as "
        "TCPIP::192.0.2.17::inst0::INSTR"
    )


def _asked(address: str) -> WireEntry:
    what = trouble = ""
    try:
        with closing(Session(address, instrument="what is there")) as session:
            what = session.query("*IDN?")
    except LinkLost as error:
        behind = (each for each in causes(error) if not isinstance(each, LinkLost))
        why = next((f": {each}" for each in behind if str(each)), "")
        trouble = f"no connection{why}. Check that it is switched on, and that host and port are right"
    except BenchError as error:
        trouble = str(error)
    return WireEntry(
        wire="network", address=address, what=what, trouble=trouble, identity=identity_pattern(what)
    )


def causes(error: BaseException | None) -> Iterator[BaseException]:
    """An error, then what it was raised from, and so on."""
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__


def identity_pattern(identity: str) -> str:
    """A pattern of maker and model in an answer to *IDN?, "" for one without both."""
    fields = identity.split(",")
    return "^" + re.escape(",".join(fields[:2])) if len(fields) > 1 else ""


def announced(
    notes: list[str], *, within_s: float = ANNOUNCED_WITHIN_S, interfaces: Sequence[str] | None = None
) -> list[WireEntry]:
    """Instruments that announce themselves by multicast DNS (RFC 6762, 6763); nothing else is asked of them.

    interfaces: addresses of this computer's own, None for all.
    """
    try:
        from zeroconf import InterfaceChoice, IPVersion, ServiceBrowser, Zeroconf
    except ImportError:
        notes.append("announcements are not heard: that needs zeroconf (pip install 'switchwalk[mdns]')")
        return []
    names: dict[str, str] = {}

    def heard(zeroconf: object, service_type: str, name: str, **_: object) -> None:
        names[name] = service_type

    result: list[WireEntry] = []
    try:
        network = Zeroconf(interfaces=list(interfaces) if interfaces else InterfaceChoice.All)
    except OSError as error:
        notes.append(f"announcements are not heard: {error}")
        return []
    with closing(network):
        ServiceBrowser(network, list(SERVICES), handlers=[heard])
        time.sleep(within_s)
        for name, service in sorted(names.items()):
            details = network.get_service_info(service, name, timeout=DETAILS_WITHIN_MS)
            if details is None:
                notes.append(f"{name} announced itself and did not say where it is")
                continue
            texts = {(key or b"").lower(): (value or b"") for key, value in details.properties.items()}
            what = [texts.get(key, b"").decode("utf-8", "replace") for key in (b"manufacturer", b"model")]
            shown = ", ".join(part for part in (*what, name.removesuffix(f".{service}")) if part)
            for host in details.parsed_addresses(IPVersion.V4Only):
                address = SERVICES[service].format(host=host, port=details.port)
                result.append(WireEntry(wire="announced", address=address, what=shown))
    return result
