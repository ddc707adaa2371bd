"""A USB chip with eight pins in bit-bang mode, as a backend of pyusb: what that library itself asks of a bus.

Requests: from memory, as the maker's drivers and pyftdi use them; descriptors: USB 2.0 specification, 9.6.
Named in pyftdi's list of backends, this module stands in for libusb.
"""

from array import array
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

from usb.backend import IBackend
from usb.core import USBError

SET_BITMODE, READ_PINS, GET_LATENCY, POLL_MODEM = 11, 12, 10, 5
GET_DESCRIPTOR, STRING = 6, 3
STRINGS = {1: "Shed Works", 2: "Eight Pins", 3: "ZOO1"}
DEVICE = SimpleNamespace(
    bLength=18, bDescriptorType=1, bcdUSB=0x0200, bDeviceClass=0, bDeviceSubClass=0, bDeviceProtocol=0,
    bMaxPacketSize0=8, idVendor=0x0403, idProduct=0x6001, bcdDevice=0x0600, iManufacturer=1, iProduct=2,
    iSerialNumber=3, bNumConfigurations=1, address=4, bus=1, port_number=1, port_numbers=(1,), speed=2,
)  # fmt: skip
CONFIGURATION = SimpleNamespace(
    bLength=9, bDescriptorType=2, wTotalLength=32, bNumInterfaces=1, bConfigurationValue=1, iConfiguration=0,
    bmAttributes=0x80, bMaxPower=45, extra_descriptors=[],
)  # fmt: skip
INTERFACE = SimpleNamespace(
    bLength=9, bDescriptorType=4, bInterfaceNumber=0, bAlternateSetting=0, bNumEndpoints=2,
    bInterfaceClass=255, bInterfaceSubClass=255, bInterfaceProtocol=255, iInterface=2, extra_descriptors=[],
)  # fmt: skip


def _endpoint(address: int) -> SimpleNamespace:
    return SimpleNamespace(
        bLength=7, bDescriptorType=5, bEndpointAddress=address, bmAttributes=2, wMaxPacketSize=64,
        bInterval=0, bRefresh=0, bSynchAddress=0, extra_descriptors=[],
    )  # fmt: skip


class Chip(IBackend):  # type: ignore[misc]  # pyusb has no types
    """The chip on its bus. levels: of the pins; one that is held low stays so. gone: unplugged.

    moved: is called when its pins may have changed.
    """

    def __init__(self, moved: Callable[[], None] = lambda: None) -> None:
        self._moved = moved
        self.direction, self.mode, self.latch = 0, 0, 0xFF
        self.held_low = 0
        self.gone = False

    @property
    def levels(self) -> int:
        """Outputs give the latch; inputs are pulled up."""
        return (self.latch & self.direction | ~self.direction & 0xFF) & ~self.held_low

    def enumerate_devices(self) -> Any:
        return iter([] if self.gone else [self])

    def get_device_descriptor(self, dev: Any) -> Any:
        return DEVICE

    def get_configuration_descriptor(self, dev: Any, config: int) -> Any:
        if config:
            raise IndexError(config)
        return CONFIGURATION

    def get_interface_descriptor(self, dev: Any, intf: int, alt: int, config: int) -> Any:
        if intf or alt:
            raise IndexError(intf)
        return INTERFACE

    def get_endpoint_descriptor(self, dev: Any, ep: int, intf: int, alt: int, config: int) -> Any:
        return _endpoint((0x81, 0x02)[ep])

    def open_device(self, dev: Any) -> Any:
        self._there()
        return self

    def close_device(self, dev_handle: Any) -> None: ...

    def set_configuration(self, dev_handle: Any, config_value: int) -> None: ...

    def get_configuration(self, dev_handle: Any) -> int:
        return 1

    def set_interface_altsetting(self, dev_handle: Any, intf: int, altsetting: int) -> None: ...

    def claim_interface(self, dev_handle: Any, intf: int) -> None: ...

    def release_interface(self, dev_handle: Any, intf: int) -> None: ...

    def is_kernel_driver_active(self, dev_handle: Any, intf: int) -> bool:
        return False

    def attach_kernel_driver(self, dev_handle: Any, intf: int) -> None: ...

    def bulk_write(self, dev_handle: Any, ep: int, intf: int, data: Any, timeout: int) -> int:
        self._there()
        if self.mode == 1 and len(data):
            self.latch = data[-1]
            self._moved()
        return len(data)

    def bulk_read(self, dev_handle: Any, ep: int, intf: int, buff: Any, timeout: int) -> int:
        self._there()
        return 0

    def ctrl_transfer(
        self,
        dev_handle: Any,
        bmRequestType: int,
        bRequest: int,
        wValue: int,
        wIndex: int,
        data: Any,
        timeout: int,
    ) -> int:
        self._there()
        if not bmRequestType & 0x80:
            if bRequest == SET_BITMODE:
                self.direction, self.mode = wValue & 0xFF, wValue >> 8
                if not self.mode:
                    self.direction = 0  # as a serial port, which holds no pin of relays
                self._moved()
            return len(data)
        answer = {READ_PINS: bytes([self.levels]), GET_LATENCY: b"\x10", POLL_MODEM: b"\x01\x60"}.get(
            bRequest
        )
        if bmRequestType == 0x80 and bRequest == GET_DESCRIPTOR and wValue >> 8 == STRING:
            text = STRINGS[wValue & 0xFF].encode("utf-16-le") if wValue & 0xFF else b"\x09\x04"
            answer = bytes([2 + len(text), STRING]) + text
        if answer is None:
            raise USBError("stalled")
        data[: len(answer)] = array("B", answer[: len(data)])
        return min(len(answer), len(data))

    def _there(self) -> None:
        if self.gone:
            raise USBError("No such device", errno=19)


THE_CHIP: list[Chip] = []


def get_backend() -> Chip:
    """The chip of the test that runs; pyftdi asks for it by this name."""
    return THE_CHIP[-1]
