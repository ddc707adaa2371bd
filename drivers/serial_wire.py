"""Serial lines, by pyserial and not by VISA: exact reads, exclusive use, and DTR and RTS left alone.

Addresses: `/dev/ttyUSB0`, `COM3`, `ASRL/dev/ttyUSB0::INSTR`, `ASRL3::INSTR` (COM3),
`TCPIP::host::port::SOCKET` and any pyserial URL. `socket://host:port` is a plain TCP connection here, which
knows a closed peer from a silent one.
"""

import contextlib
import re
import socket
import sys
import time
import urllib.parse
from dataclasses import dataclass
from typing import Any

from drivers.visa_wire import Wire
from drivers.wire import CONNECT_WITHIN_S, SocketWire, State, StreamWire, left_s
from harness.bench_file import FlowControl, Parity

if sys.platform == "win32":
    REFUSALS: tuple[type[Exception], ...] = ()
else:
    import termios

    REFUSALS = (termios.error,)  # of settings that the port can't do; no OSError, and pyserial lets it pass

REFUSED = "the serial port refuses its settings ({error}): look at data_bits, parity, stop_bits and baud_rate"
BYTES_AT_ONCE = 4096
LEAVES_S = 0.001  # about a byte at 9600 baud


@dataclass(frozen=True, kw_only=True)
class Line:
    """The settings of a serial port. dtr, rts: their levels while it is open; many boards reset on DTR."""

    baud_rate: int = 9600
    data_bits: int = 8
    parity: Parity = "none"
    stop_bits: int = 1
    flow_control: FlowControl = "none"
    dtr: bool = False
    rts: bool = False


PLAIN_LINE = Line()
PARITIES: dict[Parity, str] = {"none": "N", "even": "E", "odd": "O", "mark": "M", "space": "S"}  # pyserial's


def is_serial(address: str) -> bool:
    """Whether an address names a serial line (or its stand-in) and no VISA resource of another kind."""
    return "://" in address or address.upper().startswith("ASRL") or "::" not in address


def serial_port(address: str) -> str:
    """The port that an address names, as pyserial has it."""
    asrl = re.fullmatch(r"ASRL(?P<port>.+?)(::INSTR)?", address, re.IGNORECASE)
    if asrl:
        port = asrl["port"]
        if port.isdigit():
            return f"COM{port}" if sys.platform == "win32" else f"/dev/ttyS{int(port) - 1}"
        return port
    tcp = re.fullmatch(r"TCPIP\d*::(?P<host>[^:]+)::(?P<port>\d+)::SOCKET", address, re.IGNORECASE)
    return f"socket://{tcp['host']}:{tcp['port']}" if tcp else address


def tcp_port(name: str) -> tuple[str, int] | None:
    """Host and port of a `socket://` URL, None for any other port."""
    parts = urllib.parse.urlsplit(name)
    if parts.scheme != "socket" or parts.hostname is None or parts.port is None:
        return None
    return parts.hostname, parts.port


def open_serial(address: str, line: Line = PLAIN_LINE) -> Wire:
    """Open a serial line or its stand-in. Raises OSError."""
    name = serial_port(address)
    tcp = tcp_port(name)
    if tcp is None:
        return SerialWire(open_port(name, line))
    return SocketWire(socket.create_connection(tcp, timeout=CONNECT_WITHIN_S))


def open_port(name: str, line: Line = PLAIN_LINE) -> Any:
    """Open a pyserial port for this process alone, with DTR and RTS as they are to stay.

    Raises OSError; ConnectionError if the port can't be set so.
    """
    import serial  # as every library of a wire: when one is opened

    try:
        port = serial.serial_for_url(name, do_not_open=True)
        port.baudrate, port.bytesize, port.stopbits = line.baud_rate, line.data_bits, line.stop_bits
        port.parity = PARITIES[line.parity]
        port.xonxoff = line.flow_control == "XON/XOFF"
        port.rtscts = line.flow_control == "RTS/CTS"
        port.dsrdtr = line.flow_control == "DTR/DSR"
        port.timeout = port.write_timeout = 1.0
        with contextlib.suppress(AttributeError, ValueError, NotImplementedError):
            port.exclusive = True
        port.dtr = line.dtr
        port.rts = line.rts
        port.open()
        port.reset_input_buffer()
    except ValueError as error:
        raise ConnectionError(f"cannot be opened ({error})") from error
    except REFUSALS as error:
        raise ConnectionError(REFUSED.format(error=error)) from error
    return port


class SerialWire(StreamWire):
    """A pyserial port."""

    def __init__(self, port: Any) -> None:
        super().__init__()
        self._port = port

    def send(self, data: bytes, deadline: float) -> None:
        """Send all of it, and see it leave; TimeoutError if the line doesn't take it in time.

        At 9600 baud a board's sixteen frames take 70 ms, and what is timed from here must not begin before.
        """
        import serial  # loaded by now

        try:
            self._port.write_timeout = left_s(deadline)
            self._port.write(data)
            while getattr(self._port, "out_waiting", 0):  # not every pyserial URL can say
                left_s(deadline)
                time.sleep(LEAVES_S)
        except serial.SerialTimeoutException:
            raise TimeoutError("the serial line does not accept what is sent to it") from None
        except REFUSALS as error:
            raise ConnectionError(REFUSED.format(error=error)) from error

    def _receive(self, deadline: float) -> bytes:
        try:
            self._port.timeout = left_s(deadline)
            waiting = self._port.in_waiting
            data = bytes(self._port.read(min(BYTES_AT_ONCE, max(1, waiting))))
        except TypeError as error:  # what pyserial raises where the port was closed under its feet
            raise ConnectionError("the port was closed") from error
        except REFUSALS as error:
            raise ConnectionError(REFUSED.format(error=error)) from error
        if not data:
            raise TimeoutError("nothing arrived")
        return data

    def state(self) -> State:
        """Look at the receive buffer."""
        try:
            return "data" if self._buffer or self._port.in_waiting else "idle"
        except (OSError, TypeError):
            return "closed"

    def close(self) -> None:
        """Close the port."""
        with contextlib.suppress(Exception):
            self._port.close()
