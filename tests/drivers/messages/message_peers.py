"""Instruments at message-based interfaces, as servers on loopback: VXI-11 and HiSLIP.

Sources: VXIbus Consortium, VXI-11 TCP/IP Instrument Protocol, revision 1.0 (1995), with RFC 5531 (remote
procedure calls) and RFC 4506 (their numbers); IVI Foundation, IVI-6.1 HiSLIP, revision 1.1; IEEE 488.2 for
output queue, status byte and device clear.
"""

import struct
from collections.abc import Callable
from typing import Literal

from tests.drivers.peers import IDENTITY, Connection, Peer

MESSAGE = struct.Struct("!2sBBIQ")  # IVI-6.1: prologue, type, control code, parameter, payload length
INITIALIZE, INITIALIZE_RESPONSE, DATA, DATA_END = 0, 1, 6, 7
DEVICE_CLEAR_COMPLETE, DEVICE_CLEAR_ACKNOWLEDGE = 8, 9
ASYNC_MAX, ASYNC_MAX_RESPONSE, ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE = 15, 16, 17, 18
ASYNC_DEVICE_CLEAR, ASYNC_STATUS, ASYNC_STATUS_RESPONSE, ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 19, 21, 22, 23

# VXI-11, B.6: procedures and errors of the core channel.
CREATE_LINK, DEVICE_WRITE, DEVICE_READ, DEVICE_READSTB, DEVICE_CLEAR, DESTROY_LINK = 10, 11, 12, 13, 15, 23
NOT_SUPPORTED, IO_TIMEOUT = 8, 15
RX_END = 4
MESSAGE_AVAILABLE = 0x10

Clear = Literal["obeyed", "refused", "ignored", "unanswered"]


def one_line(command: bytes, reply: bytes | None) -> list[bytes]:
    """A message of a line, if there is an answer."""
    return [] if reply is None else [reply + b"\n"]


class Instrument:
    """One device behind all its links: what one of them asked and did not read, any other reads.

    answer: what it says to a command, without any ending; None where it says nothing. clear: what it makes of
    a device clear. tells: whether its status byte tells of a waiting answer. keeps: whether an unread answer
    survives the next question, which IEEE 488.2 (6.3.2.3) forbids. says: the messages by which it answers a
    command, of that and the answer.
    """

    def __init__(
        self,
        answer: Callable[[bytes], bytes | None],
        *,
        clear: Clear = "obeyed",
        tells: bool = True,
        keeps: bool = False,
        says: Callable[[bytes, bytes | None], list[bytes]] = one_line,
    ) -> None:
        self._answer = answer
        self._clear: Clear = clear
        self._tells, self._keeps, self._says = tells, keeps, says
        self.output: list[bytes] = []
        self.before_clear: list[Callable[[], None]] = []  # each is done once
        self.clears = 0
        self.linked: list[bytes] = []  # the names of devices that links were made to

    def hear(self, command: bytes) -> int:
        """Take a command; how many messages it answers."""
        line = command.rstrip(b"\n")
        messages = self._says(line, self._answer(line))
        if not self._keeps:
            self.output.clear()
        self.output += messages
        return len(messages)

    def clear(self) -> Clear:
        self.clears += 1
        if self.before_clear:
            self.before_clear.pop(0)()
        if self._clear == "obeyed":
            self.output.clear()
        return self._clear

    @property
    def status(self) -> int:
        return MESSAGE_AVAILABLE if self._tells and self.output else 0

    def by_vxi11(self, connection: Connection) -> None:
        """The core channel, answers in one piece each."""
        while True:
            (mark,) = struct.unpack("!I", connection.exactly(4))
            call = connection.exactly(mark & 0x7FFFFFFF)
            xid, _, _, _, _, procedure = struct.unpack_from("!6I", call)
            result = self._vxi11(procedure, call[40:])  # credentials and verifier are empty: 16 bytes
            if result is None:
                continue
            record = struct.pack("!6I", xid, 1, 0, 0, 0, 0) + result
            connection.send(struct.pack("!I", 0x80000000 | len(record)) + record)

    def _vxi11(self, procedure: int, arguments: bytes) -> bytes | None:
        if procedure == CREATE_LINK:
            (length,) = struct.unpack_from("!I", arguments, 12)
            self.linked.append(arguments[16 : 16 + length])
            return struct.pack("!iiII", 0, 1, 0, 1 << 16)
        if procedure == DEVICE_WRITE:
            (length,) = struct.unpack_from("!I", arguments, 16)
            self.hear(arguments[20 : 20 + length])
            return struct.pack("!iI", 0, length)
        if procedure == DEVICE_READ:
            if not self.output:
                return struct.pack("!iiI", IO_TIMEOUT, 0, 0)
            data = self.output.pop(0)
            return struct.pack("!iiI", 0, RX_END, len(data)) + data + b"\0" * (-len(data) % 4)
        if procedure == DEVICE_READSTB:
            return struct.pack("!iI", 0 if self._tells else NOT_SUPPORTED, self.status)
        if procedure == DEVICE_CLEAR:
            done = self.clear()
            return None if done == "unanswered" else struct.pack("!i", NOT_SUPPORTED * (done == "refused"))
        return struct.pack("!i", 0)

    def by_hislip(self, connection: Connection) -> None:
        """HiSLIP 1.0, synchronised mode: either channel of a session."""

        def send(kind: int, parameter: int = 0, payload: bytes = b"", *, control: int = 0) -> None:
            connection.send(MESSAGE.pack(b"HS", kind, control, parameter, len(payload)) + payload)

        message = b""
        while True:
            _, kind, _, parameter, length = MESSAGE.unpack(connection.exactly(MESSAGE.size))
            payload = connection.exactly(length)
            if kind == INITIALIZE:
                send(INITIALIZE_RESPONSE, 0x0100 << 16 | 1)
            elif kind == ASYNC_INITIALIZE:
                send(ASYNC_INITIALIZE_RESPONSE)
            elif kind == ASYNC_MAX:
                send(ASYNC_MAX_RESPONSE, 0, struct.pack("!Q", 1 << 20))
            elif kind == ASYNC_STATUS:
                send(ASYNC_STATUS_RESPONSE, control=self.status)
            elif kind == ASYNC_DEVICE_CLEAR:
                if self.clear() != "unanswered":
                    send(ASYNC_DEVICE_CLEAR_ACKNOWLEDGE)
            elif kind == DEVICE_CLEAR_COMPLETE:
                message = b""
                send(DEVICE_CLEAR_ACKNOWLEDGE)
            elif kind == DATA:
                message += payload
            elif kind == DATA_END:
                message, command = b"", message + payload
                if command == b"DIE\n":
                    return
                for _ in range(max(1, self.hear(command))):
                    if self.output:
                        send(DATA_END, parameter, self.output.pop(0))


def vxi11_address(peer: Peer) -> str:
    return f"TCPIP::127.0.0.1,{peer.port}::inst0::INSTR"


def hislip_address(peer: Peer) -> str:
    return f"TCPIP::127.0.0.1::hislip0,{peer.port}::INSTR"


def supply(command: bytes) -> bytes | None:
    """A supply that measures 7.5 V."""
    answers = {b"*IDN?": IDENTITY, b"SYSTem:ERRor?": b'0,"No error"', b"MEASure:VOLTage?": b"7.5"}
    return answers.get(command)
