"""A relay board of Modbus RTU coils, through pymodbus: functions 1 (read), 5 (one coil) and 15 (many).

pymodbus frames and checks; the port is opened here, so that it is exclusive and DTR and RTS stay low.
pymodbus is told to try nothing twice: what switches is never repeated behind anybody's back.
"""

import threading
import time
from collections.abc import Callable
from functools import partial
from typing import Any

from drivers.profile import ModbusProfile
from drivers.serial_wire import open_port, serial_place, tcp_place
from drivers.session import REOPEN_AFTER_S, Transcript
from drivers.switchboard import Channels
from harness.errors import BadReply, BenchError, BenchTimeout, Desynchronised, LinkLost
from harness.roles import Identity

TIMEOUT_S = 1.0


class ModbusSwitchboard(Channels):
    """Coils are read back after every change. After a failed exchange only reopening helps."""

    def __init__(
        self,
        address: str,
        profile: ModbusProfile,
        *,
        profile_name: str,
        settle_s: float,
        transcript: Transcript | None = None,
        look: bool = False,
    ) -> None:
        self._address, self._profile, self._transcript = address, profile, transcript
        self._lock = threading.RLock()
        self._client: Any = None
        self._dirty = True
        identity = Identity(
            role="switchboard",
            address=address,
            profile=profile_name,
            text=f"{profile.description}, device {profile.device}",
        )
        super().__init__(identity=identity, channel_count=profile.channels, settle_s=settle_s)
        try:
            self._begin(look=look)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close the connection; never raises."""
        if self._client is not None:
            self._client.close()
        self._client = None

    def _look(self) -> frozenset[int] | None:
        self._reopen()
        return super()._look()

    def _insist_all_open(self) -> None:
        """Twice if need be: what is left of an answer to whoever was here before spoils one exchange."""
        with self._lock:
            if self._dirty:
                self._reopen()
            try:
                return self._all_open()
            except (BenchTimeout, LinkLost, BadReply, Desynchronised):
                self._reopen()
                return self._all_open()

    def _reopen_link(self) -> None:
        self._reopen()

    def _reopen(self) -> None:
        self.close()
        for wait_s in REOPEN_AFTER_S:
            time.sleep(wait_s)
            try:
                self._client = self._connected()
            except OSError as error:
                failure = error
            else:
                self._dirty = False
                return
        raise self._named(LinkLost, f"no connection: {failure}", "") from failure

    def _connected(self) -> Any:
        # Together they take 0.1 s, and most benches have no such board.
        from pymodbus.client import ModbusSerialClient, ModbusTcpClient
        from pymodbus.framer import FramerType

        place = serial_place(self._address)
        tcp = tcp_place(place)
        client: Any
        if tcp is None:
            client = ModbusSerialClient(
                place,
                baudrate=self._profile.baud_rate,
                timeout=TIMEOUT_S,
                retries=0,
                trace_packet=self._trace,
            )
            client.socket = open_port(place, self._profile.baud_rate)
            client.socket.timeout = client.socket.write_timeout = TIMEOUT_S
            return client
        client = ModbusTcpClient(
            tcp[0],
            port=tcp[1],
            framer=FramerType.RTU,
            timeout=TIMEOUT_S,
            retries=0,
            trace_packet=self._trace,
        )
        if not client.connect():
            raise ConnectionError("cannot be reached")
        return client

    def _trace(self, sending: bool, data: bytes) -> bytes:
        if self._transcript:
            self._transcript.message("switchboard", "out" if sending else "in", data, 0.0)
        return data

    def _ask(self, what: str, request: Callable[[Any], Any]) -> Any:
        """One exchange; whatever pymodbus or the port raises becomes one of ours."""
        from pymodbus.exceptions import ModbusException, ModbusIOException

        with self._lock:
            if self._dirty:
                raise self._named(Desynchronised, "an earlier exchange failed; reopen first", what)
            done = False
            try:
                answer = request(self._client)
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
        first, count, device = self._profile.first_coil, self.channel_count, self._profile.device
        self._ask(
            "all coils off", lambda client: client.write_coils(first, [False] * count, device_id=device)
        )

    def _open(self, channels: list[int]) -> None:
        self._write(channels, value=False)

    def _close(self, channels: list[int]) -> None:
        self._write(channels, value=True)

    def _write(self, channels: list[int], *, value: bool) -> None:
        device = self._profile.device
        for n in channels:
            coil = self._profile.first_coil + n - 1
            write = partial(_write_coil, coil=coil, value=value, device=device)
            self._ask(f"coil {coil} {'on' if value else 'off'}", write)

    def _read_back(self, wanted: frozenset[int]) -> frozenset[int]:
        first, count, device = self._profile.first_coil, self.channel_count, self._profile.device
        answer = self._ask(
            "read coils", lambda client: client.read_coils(first, count=count, device_id=device)
        )
        if len(answer.bits) < count:
            self._dirty = True
            raise self._named(BadReply, f"expected {count} coils, found {len(answer.bits)}", "read coils")
        return frozenset(n for n in range(1, count + 1) if answer.bits[n - 1])


def _write_coil(client: Any, *, coil: int, value: bool, device: int) -> Any:
    return client.write_coil(coil, value, device_id=device)
