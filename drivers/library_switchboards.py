"""Switchboards that need a library of their own: coils of Modbus RTU, and lines of the GPIO character device.

Coils, through pymodbus: functions 1 (read), 5 (one coil) and 15 (many). pymodbus frames and checks; the port
is opened here, so that it is exclusive and DTR and RTS stay low. pymodbus is told to try nothing twice: what
switches is never repeated behind anybody's back.

Lines, through gpiod (the extra `switchwalk[gpio]`): the kernel lets go of them when the process ends, and
they fall back to what the hardware makes of them: wire the relays so that this is "released". A line in use
elsewhere is refused by the kernel, which is the lock here.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from drivers.profile import GpioProfile, ModbusProfile
from drivers.serial_wire import open_port, serial_port, tcp_port
from drivers.session import REOPEN_AFTER_S, Transcript, connected
from drivers.switchboard import Channels
from harness.bench_file import SwitchboardFile
from harness.errors import BadReply, BenchError, BenchTimeout, Desynchronised, LinkLost

TIMEOUT_S = 1.0


class ModbusSwitchboard(Channels):
    """Coils are read back after every change. After a failed exchange only reopening helps."""

    def __init__(
        self,
        profile: ModbusProfile,
        file: SwitchboardFile,
        *,
        transcript: Transcript | None = None,
        look: bool = False,
    ) -> None:
        self._address, self._profile, self._transcript = file.address, profile, transcript
        self._lock = threading.RLock()
        self._client: Any = None
        self._dirty = True
        super().__init__(profile, file, text=f"{profile.description}, device {profile.device}", look=look)

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
        options: dict[str, Any] = {"timeout": TIMEOUT_S, "retries": 0, "trace_packet": self._trace}
        client: Any
        if tcp is None:
            client = ModbusSerialClient(name, baudrate=self._profile.baud_rate, **options)
            client.socket = open_port(name, self._profile.baud_rate)
            client.socket.timeout = client.socket.write_timeout = TIMEOUT_S
            return client
        client = ModbusTcpClient(tcp[0], port=tcp[1], framer=FramerType.RTU, **options)
        if not client.connect():
            raise ConnectionError("cannot be reached")
        return client

    def _trace(self, sending: bool, data: bytes) -> bytes:
        if self._transcript:
            self._transcript.message("switchboard", "out" if sending else "in", data, 0.0)
        return data

    def _ask(self, what: str, function: str, *values: Any, **options: Any) -> Any:
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
                    BenchTimeout, f"no right answer within {TIMEOUT_S:g} s: {error}", what
                ) from error
            except (ModbusException, OSError) as error:
                raise self._named(LinkLost, str(error), what) from error
            finally:
                if not done:
                    self._dirty = True

    def _named(self, kind: type[BenchError], what: str, command: str) -> BenchError:
        return kind(what, instrument="switchboard", address=self._address, command=command)

    def _open_all(self) -> None:
        self._ask("all coils off", "write_coils", self._profile.first_coil, [False] * self.channel_count)

    def _move(self, channels: list[int], *, closed: bool) -> None:
        for n in channels:
            coil = self._profile.first_coil + n - 1
            self._ask(f"coil {coil} {'on' if closed else 'off'}", "write_coil", coil, closed)

    def _read_back(self, wanted: frozenset[int]) -> frozenset[int]:
        count = self.channel_count
        answer = self._ask("read coils", "read_coils", self._profile.first_coil, count=count)
        if len(answer.bits) < count:
            self._dirty = True
            raise self._named(BadReply, f"expected {count} coils, found {len(answer.bits)}", "read coils")
        return frozenset(n for n in range(1, count + 1) if answer.bits[n - 1])


class GpioSwitchboard(Channels):
    """What is read back is the chip's latch. The file's address is the chip's device.

    module: gpiod, or what stands in for it. Raises BenchError if gpiod isn't installed.
    """

    def __init__(self, profile: GpioProfile, file: SwitchboardFile, *, module: Any = None) -> None:
        self._address, self._offsets = file.address, profile.lines
        gpiod = self._gpiod() if module is None else module
        self._value = gpiod.line.Value
        settings = gpiod.LineSettings(
            direction=gpiod.line.Direction.OUTPUT,
            active_low=profile.active_low,
            output_value=self._value.INACTIVE,
        )
        with self._lost(f"the lines {list(profile.lines)} can't be used"):
            self._request = gpiod.request_lines(
                file.address, consumer="switchwalk", config={tuple(profile.lines): settings}
            )
        super().__init__(profile, file)

    def _gpiod(self) -> Any:
        try:
            import gpiod
        except ImportError:
            raise BenchError(
                "GPIO lines need the gpiod package: pip install 'switchwalk[gpio]'",
                instrument="switchboard",
                address=self._address,
            ) from None
        return gpiod

    @contextmanager
    def _lost(self, what: str) -> Iterator[None]:
        try:
            yield
        except (OSError, ValueError) as error:
            raise LinkLost(f"{what}: {error}", instrument="switchboard", address=self._address) from error

    def close(self) -> None:
        """Let go of the lines."""
        self._request.release()

    def _move(self, channels: list[int], *, closed: bool) -> None:
        value = self._value.ACTIVE if closed else self._value.INACTIVE
        with self._lost("the lines are gone"):
            self._request.set_values({self._offsets[n - 1]: value for n in channels})

    def _read_back(self, wanted: frozenset[int]) -> frozenset[int]:
        with self._lost("the lines are gone"):
            values = self._request.get_values(list(self._offsets))
        return frozenset(n for n, value in enumerate(values, start=1) if value == self._value.ACTIVE)
