"""Switchboards that need a library of their own and have no wire: GPIO lines, USB pins, USB reports.

Reports, through hidapi (the extra `switchwalk[hid]`): to a board that is a human interface device.

Pins, through pyftdi (the extra `switchwalk[ftdi]`): eight of a USB chip in bit-bang mode.

Lines, through gpiod (the extra `switchwalk[gpio]`): the kernel lets go of them when the process ends, and
they fall back to what the hardware makes of them: wire the relays so that this is "released". A line in use
elsewhere is refused by the kernel, which is the lock here.
"""

import contextlib
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from drivers.boards.switchboard import Channels
from drivers.models.switchboards import FtdiProfile, GpioProfile, HidProfile
from harness.bench_file import SwitchboardFile
from harness.errors import BenchError, LinkLost


class OnThisComputer(Channels):
    """Relays that a library of this computer drives."""

    _address: str
    _instrument: str

    @contextmanager
    def _lost(self, what: str) -> Iterator[None]:
        try:
            yield
        except (OSError, ValueError) as error:
            raise LinkLost(f"{what}: {error}", instrument=self._instrument, address=self._address) from error


class GpioSwitchboard(OnThisComputer):
    """What is read back is the chip's latch. The file's address is the chip's device.

    module: gpiod, or what stands in for it. Raises BenchError if gpiod isn't installed.
    """

    def __init__(
        self,
        profile: GpioProfile,
        file: SwitchboardFile,
        *,
        instrument: str = "switchboard",
        module: Any = None,
    ) -> None:
        self._address, self._offsets, self._instrument = file.address, profile.lines, instrument
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
        super().__init__(profile, file, instrument=instrument)

    def _gpiod(self) -> Any:
        try:
            import gpiod
        except ImportError:
            raise BenchError(
                "GPIO lines need the gpiod package: pip install 'switchwalk[gpio]'",
                instrument=self._instrument,
                address=self._address,
            ) from None
        return gpiod

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


class OnUsb(OnThisComputer):
    """Relays behind a handle of a USB library, which may be lost and is then opened again."""

    _handle: Any = None

    def _open(self) -> None:
        """Open the device and keep its handle. Raises BenchError."""
        raise NotImplementedError

    def _opened(self) -> Any:
        if self._handle is None:
            raise ConnectionError("it is not open")
        return self._handle

    def close(self) -> None:
        """Let go of the device; never raises."""
        handle, self._handle = self._handle, None
        if handle is not None:
            with contextlib.suppress(OSError, ValueError):
                handle.close()

    def _reopen_link(self) -> None:
        self.close()
        self._open()

    def _insist_all_open(self) -> None:
        try:
            return self._all_open()
        except LinkLost:
            self._reopen_link()
            return self._all_open()


class FtdiSwitchboard(OnUsb):
    """Relays on the pins of a USB chip in bit-bang mode. What is read back is the level of the pins.

    The file's address is pyftdi's, such as ftdi://ftdi:232r/1. While the chip is opened its pins may give any
    level for some milliseconds; when it is closed they are inputs. Raises BenchError if pyftdi isn't
    installed.
    """

    def __init__(
        self,
        profile: FtdiProfile,
        file: SwitchboardFile,
        *,
        instrument: str = "switchboard",
    ) -> None:
        self._address, self._profile, self._instrument = file.address, profile, instrument
        self._all_pins = sum(1 << pin for pin in profile.pins)
        self._released = 0 if not profile.active_low else self._all_pins
        self._level = self._released
        self._open()
        super().__init__(profile, file, instrument=instrument)

    def _open(self) -> None:
        try:
            from pyftdi.gpio import GpioAsyncController  # loads pyusb and a library of the system
            from pyftdi.usbtools import UsbToolsError
        except ImportError:
            raise BenchError(
                "pins of a USB chip need the pyftdi package: pip install 'switchwalk[ftdi]'",
                instrument=self._instrument,
                address=self._address,
            ) from None
        controller = GpioAsyncController()
        with self._lost("cannot be opened"):
            try:
                controller.configure(self._address, direction=self._all_pins, initial=self._released)
            except UsbToolsError as error:  # which is no OSError
                raise ConnectionError(str(error)) from error
        self._level, self._handle = self._released, controller

    def _open_all(self) -> None:
        self._write(self._released)

    def _move(self, channels: list[int], *, closed: bool) -> None:
        bits = sum(1 << self._profile.pins[n - 1] for n in channels)
        high = closed != self._profile.active_low
        self._write(self._level | bits if high else self._level & ~bits)

    def _write(self, level: int) -> None:
        with self._lost("the pins are gone"):
            self._opened().write(level)
        self._level = level

    def _read_back(self, wanted: frozenset[int]) -> frozenset[int]:
        with self._lost("the pins are gone"):
            level = self._opened().read()
        return frozenset(
            n
            for n, pin in enumerate(self._profile.pins, start=1)
            if bool(level >> pin & 1) != self._profile.active_low
        )


HID_ADDRESS = re.compile(r"hid://(?P<vendor>[0-9a-f]{4}):(?P<product>[0-9a-f]{4})(/(?P<serial>.+))?", re.I)


class HidSwitchboard(OnUsb):
    """A USB board that takes reports. The file's address is such as hid://16c0:05df, or that and /SERIAL.

    module: hid of the package hidapi, or what stands in for it. Raises BenchError if hidapi isn't installed.
    """

    def __init__(
        self,
        profile: HidProfile,
        file: SwitchboardFile,
        *,
        instrument: str = "switchboard",
        module: Any = None,
    ) -> None:
        self._address, self._profile, self._instrument = file.address, profile, instrument
        self._hid = self._library() if module is None else module
        self._mask = 0
        self._open()
        super().__init__(profile, file, instrument=instrument, reads_back=profile.state_byte is not None)

    def _library(self) -> Any:
        try:
            import hid
        except ImportError:
            raise BenchError(
                "USB reports need the hidapi package: pip install 'switchwalk[hid]'",
                instrument=self._instrument,
                address=self._address,
            ) from None
        return hid

    def _open(self) -> None:
        with self._lost("cannot be opened"):
            match = HID_ADDRESS.fullmatch(self._address)
            if match is None:
                raise ValueError("expected an address such as hid://16c0:05df or hid://16c0:05df/SERIAL")
            device = self._hid.device()
            device.open(int(match["vendor"], 16), int(match["product"], 16), match["serial"])
        self._handle = device

    def _open_all(self) -> None:
        commands, self._mask = self._profile.commands, 0
        if commands.open_all is not None:
            self._write(commands.open_all)
        elif commands.set_all is not None:
            self._write(commands.set_all)
        else:
            super()._open_all()

    def _move(self, channels: list[int], *, closed: bool) -> None:
        commands = self._profile.commands
        bits = sum(1 << n - 1 for n in channels)
        mask = self._mask | bits if closed else self._mask & ~bits
        text = commands.close if closed else commands.open
        if commands.set_all is not None:
            self._write(commands.set_all, mask=mask)
        elif text is not None:
            for n in channels:
                self._write(text, n=n + self._profile.first_number - 1)
        self._mask = mask

    def _write(self, text: str, *, n: int = 0, mask: int = 0) -> None:
        profile = self._profile
        data = profile.filled(text, n=n, mask=self._bits(mask)).ljust(profile.report_length, b"\0")
        report = bytes([profile.report_id]) + data
        with self._lost("the board is gone"):
            device = self._opened()
            write = device.send_feature_report if profile.report == "feature" else device.write
            if write(report) < 0:  # hidapi tells some failures so, and raises at others
                raise OSError("it takes no report")

    def _bits(self, mask: int) -> int:
        """The relays' bits of a mask of closed channels, or the mask of such bits."""
        return mask ^ (1 << self._profile.channels) - 1 if self._profile.active_low else mask

    def _read_back(self, wanted: frozenset[int]) -> frozenset[int] | None:
        profile = self._profile
        if profile.state_byte is None:
            return None
        with self._lost("the board is gone"):
            report = bytes(
                self._opened().get_feature_report(profile.state_report_id, 1 + profile.report_length)
            )
            first = 1 + profile.state_byte  # behind the id
            state = report[first : first + profile.mask_bytes]
            if len(state) < profile.mask_bytes:
                raise OSError(f"its report has {len(report)} bytes, and its relays are at byte {first}")
        mask = self._bits(int.from_bytes(state, "little"))
        return frozenset(n for n in range(1, profile.channels + 1) if mask >> n - 1 & 1)
