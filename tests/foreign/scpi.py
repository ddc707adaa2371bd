"""A strict SCPI instrument behind one TCP connection, as IEEE 488.2 and SCPI-1999 ask.

Written from the standards' rules (SCPI-1999 volume 1, 6.2, and volume 2, 21.8), not from the project's own
simulator or drivers. It knows what it lists and nothing else.
A second connection is refused while one is open.
"""

import re
import select
import socket
import threading
import time
from collections.abc import Callable

TEXTS = {
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -120: "Numeric data error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -410: "Query INTERRUPTED",
}
Answer = str | bytes | None
Action = Callable[[int, list[str]], Answer]


class Refused(Exception):
    """What an instrument puts into its error queue."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


class Gone(Exception):
    """The instrument has died, or its client has left."""


def number(text: str, low: float, high: float) -> float:
    """Read a decimal number within what the instrument can do."""
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", text):
        raise Refused(-120)
    value = float(text)
    if not low <= value <= high:
        raise Refused(-222)
    return value


def word(text: str, *choices: str) -> str:
    """Read one of the words, in its long or its short form; give the short one."""
    for choice in choices:
        short = "".join(letter for letter in choice if not letter.islower())
        if text.upper() in (choice.upper(), short):
            return short
    raise Refused(-224)


def switched(text: str) -> bool:
    """Read a Boolean."""
    return word(text, "ON", "OFF", "1", "0") in ("ON", "1")


def _pattern(header: str) -> re.Pattern[str]:
    """Build what matches a header such as `:CHANnel#:SCALe`: long or short, any case, suffix 1 understood."""
    parts = []
    for mnemonic in header.strip(":").split(":"):
        stem = mnemonic.rstrip("#?")
        short = "".join(letter for letter in stem if not letter.islower())
        suffix = r"(\d*)" if "#" in mnemonic else ""
        parts.append(f"(?:{re.escape(stem)}|{re.escape(short)}){suffix}")
    return re.compile(":".join(parts) + (r"\?" if header.endswith("?") else ""), re.IGNORECASE)


class Instrument:
    """One instrument on a loopback port of its own; subclasses list their commands."""

    identity = "Unnamed,0,0,0"

    def __init__(self) -> None:
        self.errors: list[int] = []
        self.heard: list[str] = []
        self.all_errors: list[int] = []
        self.dies_at: Callable[[str], bool] = lambda message: False
        self._stop = threading.Event()
        self._peer: socket.socket | None = None
        self._listener = self._listen(0)
        self.port: int = self._listener.getsockname()[1]
        self._table = [(_pattern(header), action) for header, action in self.commands().items()]
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def commands(self) -> dict[str, Action]:
        """List the headers and what each does: suffix and parameters in, answer out."""
        raise NotImplementedError

    def reset(self) -> None:
        """Obey *RST."""

    def settle(self) -> None:
        """Wait until what was begun is complete, as *OPC? does; keeps an eye on `interrupted`."""

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def close(self) -> None:
        """Leave for good."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout=5)
        self._listener.close()

    def interrupted(self) -> bool:
        """Say whether the client has sent something more while its query is being worked on."""
        peer = self._peer
        return self._stop.is_set() or (peer is not None and bool(select.select([peer], [], [], 0)[0]))

    @property
    def address(self) -> str:
        """Where it is, as a VISA resource."""
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    def _listen(self, port: int) -> socket.socket:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", port))
        listener.listen(1)
        return listener

    def _serve(self) -> None:
        while not self._stop.is_set():
            if not select.select([self._listener], [], [], 0.05)[0]:
                continue
            peer, _ = self._listener.accept()
            self._listener.close()
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._peer = peer
            try:
                self._converse(peer)
            except (Gone, ConnectionError):
                pass
            finally:
                self._peer = None
                peer.close()
            if not self._stop.is_set():
                self._listener = self._listen(self.port)

    def _converse(self, peer: socket.socket) -> None:
        waiting = b""
        while not self._stop.is_set():
            if not select.select([peer], [], [], 0.05)[0]:
                continue
            piece = peer.recv(65536)
            if not piece:
                raise Gone
            waiting += piece
            while b"\n" in waiting:
                message, waiting = waiting.split(b"\n", 1)
                text = message.decode("ascii").rstrip("\r")
                self.heard.append(text)
                if self.dies_at(text):
                    self._stop.set()
                    raise Gone
                if answer := self._message(text):
                    peer.sendall(answer + b"\n")

    def _message(self, text: str) -> bytes:
        answers: list[bytes] = []
        path = ""
        for unit in filter(None, (unit.strip() for unit in text.split(";"))):
            header, _, rest = unit.partition(" ")
            parameters = [value.strip() for value in re.split(r",(?![^(]*\))", rest)] if rest.strip() else []
            if not header.startswith("*"):
                whole = header[1:] if header.startswith(":") else path + header
                path = whole.rpartition(":")[0] + ":" if ":" in whole else ""
                header = whole
            try:
                answer = self._do(header, parameters)
            except Refused as refused:
                self._note(refused.number)
                continue
            if answer is not None:
                answers.append(answer.encode("ascii") if isinstance(answer, str) else answer)
        return b";".join(answers)

    def _note(self, error: int) -> None:
        self.errors.append(error)
        self.all_errors.append(error)
        if len(self.errors) > 20:
            self.errors[-1] = -350

    def _do(self, header: str, parameters: list[str]) -> Answer:
        common = self._common(header.upper(), parameters)
        if common is not None:
            return common or None
        for pattern, action in self._table:
            if match := pattern.fullmatch(header):
                suffix = next((int(digits) for digits in match.groups() if digits), 1)
                try:
                    return action(suffix, parameters)
                except IndexError:
                    raise Refused(-109) from None
        raise Refused(-113)

    def _common(self, header: str, parameters: list[str]) -> str | None:
        """Give the answer, "" where there is none to give, None where the header is no common one."""
        if header == "*IDN?":
            return self.identity
        if header == "*OPC?":
            self.settle()
            if self.interrupted():
                raise Refused(-410)
            return "1"
        if header in ("SYSTEM:ERROR?", "SYST:ERR?", "SYSTEM:ERROR:NEXT?", "SYST:ERR:NEXT?"):
            if not self.errors:
                return '0,"No error"'
            error = self.errors.pop(0)
            return f'{error},"{TEXTS[error]}"'
        if header == "*CLS":
            self.errors.clear()
            return ""
        if header == "*RST":
            self.reset()
            return ""
        return None


def wait_until(moment: float, now: Callable[[], float], given_up: Callable[[], bool], speed: float) -> None:
    """Sleep until the bench's own clock has come to a moment, or somebody gives up."""
    while (left := moment - now()) > 0 and not given_up():
        time.sleep(min(left / speed, 0.005))
