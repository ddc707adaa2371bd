"""Switchboards of Modbus, through pymodbus: relays as coils or in holding registers, by RTU or TCP frames.

Functions, of the Modbus Application Protocol V1.1b3: coils are read by 1 (6.1) and written by 5 (6.5) or 15
(6.11), holding registers are read by 3 (6.3) and written by 6 (6.6) or 16 (6.12). pymodbus frames and checks;
the port is opened here, so that it is exclusive and DTR and RTS are as they are to be. pymodbus is told to
try nothing twice: what switches is never repeated behind anybody's back.
"""

import threading
from typing import Any

from drivers.boards.switchboard import Channels
from drivers.models.switchboards import ModbusProfile
from drivers.serial_wire import open_port, serial_port, tcp_port
from drivers.session import REOPEN_AFTER_S
from drivers.transcript import Listener
from drivers.wire import connected
from harness.bench_file import SwitchboardFile
from harness.errors import BadReply, BenchError, BenchTimeout, Desynchronised, LinkLost

WRITE_COIL, WRITE_REGISTER, WRITE_COILS, WRITE_REGISTERS = 5, 6, 15, 16


class ModbusSwitchboard(Channels):
    """The state is read back after every change, if the board can tell it. After a failed exchange only
    reopening helps.
    """

    def __init__(
        self,
        profile: ModbusProfile,
        file: SwitchboardFile,
        *,
        instrument: str = "switchboard",
        transcript: Listener | None = None,
        look: bool = False,
    ) -> None:
        self._address, self._profile, self._transcript = file.address, profile, transcript
        self._instrument, self._line = instrument, profile.line(file.wire)
        self._timeout_s = profile.timeout(file.wire)
        self._lock = threading.RLock()
        self._client: Any = None
        self._dirty = True
        self._relays = _Coils(self) if profile.first_coil is not None else _Registers(self)
        super().__init__(
            profile,
            file,
            instrument=instrument,
            text=f"{profile.description}, device {profile.device}",
            reads_back=profile.reads_back,
            look=look,
        )

    @property
    def profile(self) -> ModbusProfile:
        """Its profile."""
        return self._profile

    def close(self) -> None:
        """Close the connection; never raises."""
        if self._client is not None:
            self._client.close()
        self._client = None

    def _look(self) -> frozenset[int] | None:
        self._reopen_link()
        return super()._look()

    def _insist_all_open(self) -> None:
        """Twice if need be: what is left of an answer to whoever was here before spoils one exchange."""
        with self._lock:
            if self._dirty:
                self._reopen_link()
            try:
                return self._all_open()
            except (BenchTimeout, LinkLost, BadReply, Desynchronised):
                self._reopen_link()
                return self._all_open()

    def _reopen_link(self) -> None:
        self._dirty = True  # also if it stays closed
        self.close()
        try:
            self._client = connected(self._connected, REOPEN_AFTER_S)
        except OSError as error:
            raise self._named(LinkLost, f"no connection: {error}", "") from error
        self._dirty = False

    def _connected(self) -> Any:
        # Together they take 0.1 s, and most benches have no such board.
        from pymodbus.client import ModbusSerialClient, ModbusTcpClient
        from pymodbus.framer import FramerType

        name = serial_port(self._address)
        tcp = tcp_port(name)
        options: dict[str, Any] = {"timeout": self._timeout_s, "retries": 0, "trace_packet": self._trace}
        client: Any
        if tcp is None:
            if self._profile.framing == "TCP":
                raise ConnectionError(
                    "frames of Modbus TCP (`framing` in its profile) need an address such as "
                    "socket://192.0.2.13:502"
                )
            client = ModbusSerialClient(name, baudrate=self._line.baud_rate, **options)
            client.socket = open_port(name, self._line)
            client.socket.timeout = client.socket.write_timeout = self._timeout_s
            return client
        framer = FramerType.RTU if self._profile.framing == "RTU" else FramerType.SOCKET
        client = ModbusTcpClient(tcp[0], port=tcp[1], framer=framer, **options)
        if not client.connect():
            raise ConnectionError("cannot be reached")
        return client

    def _trace(self, sending: bool, data: bytes) -> bytes:
        if self._transcript:
            self._transcript.message(self._instrument, "out" if sending else "in", data, 0.0)
        return data

    def ask(self, what: str, function: str, *values: Any, **options: Any) -> Any:
        """One exchange, by a function of the client; what pymodbus or the port raises becomes one of ours."""
        from pymodbus.exceptions import ModbusException, ModbusIOException

        with self._lock:
            if self._dirty:
                raise self._named(Desynchronised, "an earlier exchange failed; reopen first", what)
            done = False
            try:
                answer = getattr(self._client, function)(*values, device_id=self._profile.device, **options)
                if answer.isError():
                    # A complete and right frame, by which the board refuses: the link is in step.
                    done = True
                    raise self._named(BenchError, f"refuses: {answer}", what)
                done = True
                return answer
            except ModbusIOException as error:
                raise self._named(
                    BenchTimeout, f"no right answer within {self._timeout_s:g} s: {error}", what
                ) from error
            except (ModbusException, OSError) as error:
                raise self._named(LinkLost, str(error), what) from error
            finally:
                if not done:
                    self._dirty = True

    def bad_reply(self, wanted: str, found: object, command: str) -> BenchError:
        """The error for an answer that doesn't read; the link is unusable from here on."""
        self._dirty = True
        return self._named(BadReply, f"expected {wanted}, found {found}", command)

    def _named(self, kind: type[BenchError], what: str, command: str) -> BenchError:
        return kind(what, instrument=self._instrument, address=self._address, command=command)

    def _open_all(self) -> None:
        self._relays.open_all()

    def _move(self, channels: list[int], *, closed: bool) -> None:
        self._relays.move(channels, closed=closed)

    def _read_back(self, wanted: frozenset[int]) -> frozenset[int] | None:
        return self._relays.closed() if self._profile.reads_back else None


class _Coils:
    """A coil for each relay."""

    def __init__(self, board: ModbusSwitchboard) -> None:
        profile = board.profile
        self._board, self._first, self._count = board, profile.first_coil or 0, profile.channels
        self._functions, self._inverted = profile.functions, profile.active_low

    def open_all(self) -> None:
        if WRITE_COILS in self._functions:
            what = f"all coils {'on' if self._inverted else 'off'}"
            self._board.ask(what, "write_coils", self._first, [self._inverted] * self._count)
        else:
            self.move(list(range(1, self._count + 1)), closed=False)

    def move(self, channels: list[int], *, closed: bool) -> None:
        for n in channels:
            coil = self._first + n - 1
            value = closed is not self._inverted
            what = f"coil {coil} {'on' if value else 'off'}"
            if WRITE_COIL in self._functions:
                self._board.ask(what, "write_coil", coil, value)
            else:
                self._board.ask(what, "write_coils", coil, [value])

    def closed(self) -> frozenset[int]:
        answer = self._board.ask("read coils", "read_coils", self._first, count=self._count)
        if len(answer.bits) < self._count:
            raise self._board.bad_reply(f"{self._count} coils", len(answer.bits), "read coils")
        channels = range(1, self._count + 1)
        return frozenset(n for n in channels if answer.bits[n - 1] != self._inverted)


class _Registers:
    """A holding register for each relay, or a bit of one, the lowest first."""

    def __init__(self, board: ModbusSwitchboard) -> None:
        profile = board.profile
        self._board, self._profile, self._first = board, profile, profile.first_register or 0
        self._per = profile.relays_per_register
        self._count = -(-profile.channels // self._per)
        self._closed: frozenset[int] = frozenset()

    def open_all(self) -> None:
        self._closed = frozenset()
        values = [self._value(index) for index in range(self._count)]
        if WRITE_REGISTERS in self._profile.functions:
            self._board.ask("all relays off", "write_registers", self._first, values)
            return
        for index in range(self._count):
            self._write(index)

    def move(self, channels: list[int], *, closed: bool) -> None:
        self._closed = self._closed | set(channels) if closed else self._closed - set(channels)
        for index in sorted({(n - 1) // self._per for n in channels}):
            self._write(index)

    def _write(self, index: int) -> None:
        register, value = self._first + index, self._value(index)
        what = f"register {register} = {value}"
        if WRITE_REGISTER in self._profile.functions:
            self._board.ask(what, "write_register", register, value)
        else:
            self._board.ask(what, "write_registers", register, [value])

    def _value(self, index: int) -> int:
        if self._per == 1:
            return self._profile.energised if index + 1 in self._closed else self._profile.released
        bits = sum(1 << bit for bit in range(self._per) if index * self._per + bit + 1 in self._closed)
        return bits ^ (1 << self._per) - 1 if self._profile.active_low else bits

    def closed(self) -> frozenset[int]:
        what = "read registers"
        answer = self._board.ask(what, "read_holding_registers", self._first, count=self._count)
        if len(answer.registers) < self._count:
            raise self._board.bad_reply(f"{self._count} registers", len(answer.registers), what)
        channels = range(1, self._profile.channels + 1)
        if self._per > 1:
            bits = [answer.registers[(n - 1) // self._per] >> (n - 1) % self._per & 1 for n in channels]
            closed = 0 if self._profile.active_low else 1
            return frozenset(n for n, bit in zip(channels, bits, strict=True) if bit == closed)
        reads = self._profile.reads
        for n in channels:
            value = answer.registers[n - 1]
            if value not in reads.values():
                raise self._board.bad_reply(
                    f"{reads[True]} or {reads[False]} in register {self._first + n - 1} (energised_reads and "
                    "released_reads of its profile)",
                    value,
                    what,
                )
        return frozenset(n for n in channels if answer.registers[n - 1] == reads[True])
