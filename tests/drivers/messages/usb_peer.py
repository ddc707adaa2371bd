"""An instrument on USB, as pyusb's backends have devices: what its bulk endpoints carry, and its descriptors.

Sources: USB-IF, Universal Serial Bus Test and Measurement Class Specification (USBTMC), revision 1.0 (2003):
headers of bulk transfers 3.2 and 3.3, control requests 4.2.1; its USB488 subclass: capabilities 4.2.2. USB
2.0, 9.6: descriptors. From memory.
"""

import struct
from array import array
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

from usb.backend import IBackend
from usb.core import USBTimeoutError

from tests.drivers.messages.message_peers import Instrument

VENDOR, PRODUCT, SERIAL = 0x16C0, 0x0488, "OB42"
OUT, IN, PACKET = 0x02, 0x81, 64
DEV_DEP_MSG_OUT, REQUEST_DEV_DEP_MSG_IN, EOM = 1, 2, 1
GET_DESCRIPTOR, STRING = 6, 3
INITIATE_ABORT_BULK_IN, CHECK_ABORT_BULK_IN, GET_CAPABILITIES = 3, 4, 7
SUCCESS = 1
TEXTS = ("", "Shed Works", "Peer 1", SERIAL)
ADDRESS = f"USB0::0x{VENDOR:04x}::0x{PRODUCT:04x}::{SERIAL}::INSTR"


class UsbBench(IBackend):  # type: ignore[misc]  # pyusb has no types
    """A bus with one instrument. It is its own only device and handle."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self.aborted = 0
        self._command = b""
        self._waiting: list[bytes] = []  # what bulk IN carries next

    def enumerate_devices(self) -> Iterator["UsbBench"]:
        yield self

    def get_parent(self, dev: Any) -> None:
        return None

    def get_device_descriptor(self, dev: Any) -> SimpleNamespace:
        return SimpleNamespace(
            bLength=18, bDescriptorType=1, bcdUSB=0x200, bDeviceClass=0, bDeviceSubClass=0, bDeviceProtocol=0,
            bMaxPacketSize0=64, idVendor=VENDOR, idProduct=PRODUCT, bcdDevice=0x100, iManufacturer=1,
            iProduct=2, iSerialNumber=3, bNumConfigurations=1, address=1, bus=1, port_number=1,
            port_numbers=(1,), speed=3,
        )  # fmt: skip

    def get_configuration_descriptor(self, dev: Any, config: int) -> SimpleNamespace:
        if config:
            raise IndexError(config)
        return SimpleNamespace(
            bLength=9, bDescriptorType=2, wTotalLength=32, bNumInterfaces=1, bConfigurationValue=1,
            iConfiguration=0, bmAttributes=0x80, bMaxPower=50, extra_descriptors=[],
        )  # fmt: skip

    def get_interface_descriptor(self, dev: Any, intf: int, alt: int, config: int) -> SimpleNamespace:
        if intf or alt:
            raise IndexError(intf)
        return SimpleNamespace(
            bLength=9, bDescriptorType=4, bInterfaceNumber=0, bAlternateSetting=0, bNumEndpoints=2,
            bInterfaceClass=0xFE, bInterfaceSubClass=3, bInterfaceProtocol=1, iInterface=0,
            extra_descriptors=[],
        )  # fmt: skip

    def get_endpoint_descriptor(self, dev: Any, ep: int, intf: int, alt: int, config: int) -> SimpleNamespace:
        return SimpleNamespace(
            bLength=7, bDescriptorType=5, bEndpointAddress=(OUT, IN)[ep], bmAttributes=2,
            wMaxPacketSize=PACKET, bInterval=0, bRefresh=0, bSynchAddress=0, extra_descriptors=[],
        )  # fmt: skip

    def open_device(self, dev: Any) -> "UsbBench":
        return self

    def close_device(self, handle: Any) -> None:
        self._waiting.clear()

    def get_configuration(self, handle: Any) -> int:
        return 1

    def set_configuration(self, handle: Any, value: int) -> None:
        pass

    def claim_interface(self, handle: Any, intf: int) -> None:
        pass

    def release_interface(self, handle: Any, intf: int) -> None:
        pass

    def is_kernel_driver_active(self, handle: Any, intf: int) -> bool:
        return False

    def ctrl_transfer(
        self, handle: Any, kind: int, request: int, value: int, index: int, data: Any, timeout: int
    ) -> int:
        if request == GET_DESCRIPTOR and value >> 8 == STRING:
            text = struct.pack("<H", 0x0409) if not value & 0xFF else TEXTS[value & 0xFF].encode("utf-16-le")
            answer = bytes([2 + len(text), STRING]) + text
        elif request == GET_CAPABILITIES:
            answer = bytes([SUCCESS]) + bytes(0x17)
        else:
            self.aborted += request == INITIATE_ABORT_BULK_IN
            self._waiting = [b""] if request == INITIATE_ABORT_BULK_IN else []
            answer = bytes([SUCCESS]) + bytes(7)
        answer = answer[: len(data)]
        data[: len(answer)] = array("B", answer)
        return len(answer)

    def bulk_write(self, handle: Any, ep: int, intf: int, data: Any, timeout: int) -> int:
        message = data.tobytes()
        kind, tag, inverse, size, attributes = struct.unpack_from("<BBBxLB", message)
        assert (ep, tag ^ inverse) == (OUT, 0xFF)
        if kind == DEV_DEP_MSG_OUT:
            self._command += message[12 : 12 + size]
            if attributes & EOM:
                command, self._command = self._command, b""
                self.instrument.hear(command)
        elif kind == REQUEST_DEV_DEP_MSG_IN and self.instrument.output:
            whole = self.instrument.output.pop(0)
            part, rest = whole[:size], whole[size:]
            if rest:
                self.instrument.output.insert(0, rest)
            header = struct.pack("<BBBxLBxxx", kind, tag, inverse, len(part), 0 if rest else EOM)
            self._waiting.append(header + part + bytes(-len(part) % 4))
        return len(message)

    def bulk_read(self, handle: Any, ep: int, intf: int, data: Any, timeout: int) -> int:
        if not self._waiting:
            raise USBTimeoutError("Operation timed out", -7, 110)
        transfer, rest = self._waiting[0][: len(data)], self._waiting[0][len(data) :]
        self._waiting[:1] = [rest] if rest else []
        data[: len(transfer)] = array("B", transfer)
        return len(transfer)
