"""Instruments on USB by PyVISA-py and pyusb, at a backend of pyusb's own kind in place of a bus."""

import numpy as np
import pytest

pytest.importorskip("usb", reason="pyusb is not installed")

import usb.backend.libusb1

from drivers.find import usb_and_gpib
from drivers.session import Session
from harness.errors import BenchTimeout
from tests.drivers.messages.message_peers import Instrument
from tests.drivers.messages.test_visa_wires import BLOCK, answer
from tests.drivers.messages.usb_peer import ADDRESS, UsbBench


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> UsbBench:
    made = UsbBench(Instrument(answer))
    monkeypatch.setattr(usb.backend.libusb1, "get_backend", lambda *_, **__: made)
    return made


def test_questions_answers_and_blocks_with_every_byte(bench: UsbBench) -> None:
    session = Session(ADDRESS, instrument="scope", timeout_s=0.4)
    session.start()
    assert session.query("FIRST?") == "answer to FIRST?"
    data = session.query_block("DATA?", expected=len(BLOCK))
    assert np.frombuffer(data, dtype=np.uint8).tobytes() == BLOCK
    with session.group():
        session.write("SET " + "1" * 200)  # of several transfers
    assert session.query("NEXT?") == "answer to NEXT?"
    session.close()


def test_after_silence_the_next_answer_is_right(bench: UsbBench) -> None:
    session = Session(ADDRESS, instrument="scope", timeout_s=0.4)
    session.start()
    with pytest.raises(BenchTimeout):
        session.query("NEVER?")
    session.resync()
    assert session.query("NEXT?") == "answer to NEXT?"
    session.close()


def test_it_is_listed_by_the_address_that_opens_it(bench: UsbBench) -> None:
    notes: list[str] = []
    found = [entry.address for entry in usb_and_gpib(notes) if entry.wire == "USB"]
    assert len(found) == 1, notes
    session = Session(found[0], instrument="scope", timeout_s=0.4)
    session.start()
    assert session.query("FIRST?") == "answer to FIRST?"
    session.close()
