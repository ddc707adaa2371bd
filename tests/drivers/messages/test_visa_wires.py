"""Wires beside raw sockets of pyvisa-py: an interface with END (HiSLIP), and sockets by VISA reads alone."""

import socket
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pyvisa

import drivers.visa_wire as wire_module
from drivers.bench import open_alone
from drivers.models.dialect import Dialect
from drivers.session import Session
from drivers.visa_wire import VisaWire, Wire, open_visa
from drivers.wire import SocketWire
from harness.bench_file import GeneratorFile, OscilloscopeFile, WireFile
from harness.errors import BadReply, BenchError, BenchTimeout, LinkLost
from tests.drivers.messages.message_peers import Instrument, hislip_address
from tests.drivers.peers import IDENTITY, Connection, Peer, peer

BLOCK = bytes(range(256)) * 40


def answer(command: bytes) -> bytes | None:
    """What the instrument answers, without any ending; None where it says nothing."""
    if command == b"*IDN?":
        return IDENTITY
    if command == b"SYSTem:ERRor?":
        return b'0,"No error"'
    if command == b"DATA?":
        return b"#5%05d" % len(BLOCK) + BLOCK
    if command == b"INDEFINITE?":
        return b"#0" + BLOCK
    if command == b"BLOCKS?":
        return b"#15hello;#15world"
    if command == b"SHORT?":
        return b"#3100abc"
    if command == b"TEXT?":
        return b"no block"
    return b"answer to " + command if command.endswith(b"?") and command != b"NEVER?" else None


def by_socket(connection: Connection) -> None:
    while True:
        message = answer(connection.line())
        if message is not None:
            connection.send(message + b"\n")


def visa_socket(address: str) -> Wire:
    """A socket by PyVISA's reads alone, as with a system VISA, where the socket cannot be reached."""
    resource = pyvisa.ResourceManager("@py").open_resource(address)
    return VisaWire(resource, marks_ends=False)


@contextmanager
def hislip() -> Iterator[tuple[Session, Peer]]:
    with peer(Instrument(answer).by_hislip) as served:
        session = Session(hislip_address(served), instrument="scope", timeout_s=0.4)
        yield session, served
        session.close()


@contextmanager
def socket_by_visa() -> Iterator[tuple[Session, Peer]]:
    with peer(by_socket) as served:
        session = Session(
            served.address, instrument="scope", timeout_s=0.4, connect=lambda: visa_socket(served.address)
        )
        yield session, served
        session.close()


Opened = Callable[[], AbstractContextManager[tuple[Session, Peer]]]


@pytest.mark.parametrize("opened", [hislip, socket_by_visa])
def test_questions_answers_and_blocks_with_every_byte(opened: Opened) -> None:
    with opened() as (session, _):
        session.start()
        assert session.query("FIRST?") == "answer to FIRST?"
        data = session.query_block("DATA?", expected=len(BLOCK))
        assert np.frombuffer(data, dtype=np.uint8).tobytes() == BLOCK
        assert session.query("NEXT?") == "answer to NEXT?"
        with session.group():
            session.write("SET 1")


@pytest.mark.parametrize("opened", [hislip, socket_by_visa])
@pytest.mark.parametrize(("command", "expected"), [("NEVER?", BenchTimeout), ("TEXT?", BadReply)])
def test_after_a_failure_the_next_answer_is_right(
    opened: Opened, command: str, expected: type[BenchError]
) -> None:
    with opened() as (session, _):
        session.start()
        begun = time.monotonic()
        with pytest.raises(expected):
            session.query_block(command)
        assert time.monotonic() - begun < 1.5
        session.resync()
        assert session.query("NEXT?") == "answer to NEXT?"


def test_a_block_that_ends_early_is_seen_by_the_end_of_its_message() -> None:
    with hislip() as (session, _):
        session.start()
        with pytest.raises(BadReply, match="expected a block of 100 bytes, and the message ends after"):
            session.query_block("SHORT?")


def test_a_block_of_indefinite_length_ends_with_its_message() -> None:
    with hislip() as (session, _):
        assert session.query_block("INDEFINITE?") == BLOCK


def test_blocks_in_one_message_come_one_after_the_other() -> None:
    with hislip() as (session, _):
        assert session.query_block("BLOCKS?", expected=5, blocks=2) == b"helloworld"
        with pytest.raises(BadReply, match="expected the end of a message behind a block of 5 bytes"):
            session.query_block("BLOCKS?", expected=5)


def test_a_hislip_instrument_that_goes_away_is_lost() -> None:
    with hislip() as (session, _):
        session.start()
        session.write("DIE")
        with pytest.raises(LinkLost):
            session.query("NEXT?")


def test_pyvisa_py_still_lets_its_socket_be_reached() -> None:
    """No documented API: where a version hides it, sessions fall back to VISA reads, ten times slower."""
    with peer(by_socket) as served:
        wire = open_visa(served.address, "python")
        assert isinstance(wire, SocketWire)
        wire.close()


def prompting(connection: Connection) -> None:
    """A prompt behind every line, whether it is answered or not, with a space at its end."""
    while True:
        message = answer(connection.line())
        connection.send((b"" if message is None else message + b"\r\n") + b"> ")


@pytest.mark.parametrize("connect", [open_visa, visa_socket], ids=["socket", "VISA reads alone"])
def test_a_prompt_is_waited_for_behind_every_line(connect: Callable[..., Wire]) -> None:
    with peer(prompting) as served:
        library = ("python",) if connect is open_visa else ()
        session = Session(
            served.address,
            instrument="supply",
            timeout_s=0.4,
            connect=lambda: connect(served.address, *library),
            dialect=Dialect(prompt="> "),
        )
        session.start()
        for n in range(3):
            session.write(f"SET {n}")
            assert session.query("FIRST?") == "answer to FIRST?"
        with pytest.raises(BenchTimeout):  # of the answer; its prompt came alone
            session.query("NEVER?")
        session.resync()
        assert session.query("NEXT?") == "answer to NEXT?"
        session.close()


def test_a_gpib_instrument_behind_a_network_adapter_is_a_device_of_vxi11() -> None:
    """VXI-11.2: the device `gpib0,7` is primary address 7 of the adapter's interface (from memory)."""
    instrument = Instrument(answer)
    with peer(instrument.by_vxi11) as served:
        session = Session(
            f"TCPIP::127.0.0.1,{served.port}::gpib0,7::INSTR", instrument="scope", timeout_s=0.4
        )
        session.start()
        assert session.query("FIRST?") == "answer to FIRST?"
        assert session.query_block("DATA?", expected=len(BLOCK)) == BLOCK
        session.close()
    assert set(instrument.linked) == {b"gpib0,7"}


def test_one_instrument_may_have_a_visa_library_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`wire` of one instrument in bench.toml; the bench has PyVISA's own for all others."""
    wanted: dict[str, str] = {}
    made = pyvisa.ResourceManager

    class Manager:
        def __init__(self, library: str) -> None:
            self._library, self._made = library, made("@py")
            self.visalib = self._made.visalib

        def open_resource(self, address: str, **options: Any) -> object:
            wanted[address] = self._library
            return self._made.open_resource(address, **options)

    monkeypatch.setattr(pyvisa, "ResourceManager", Manager)
    with peer(by_socket) as one, peer(by_socket) as other:
        files = {
            "generator": GeneratorFile(address=one.address, profile="rms-generator"),
            "oscilloscope": OscilloscopeFile(
                address=other.address,
                profile="preamble-oscilloscope",
                gain_accuracy=0.02,
                wire=WireFile(visa="system"),
            ),
        }
        with open_alone(files, folder=tmp_path, marked=False) as opening:
            for name in files:
                opening.reports_unknown(name)
    assert wanted == {one.address: "@py", other.address: "@ivi"}


def test_a_visa_library_that_is_not_installed_is_told_with_what_to_write(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(wire_module.LIBRARIES, "system", "no-such-library.so@ivi")
    with pytest.raises(LinkLost, match=r'no VISA library is found on this computer .* write visa = "python"'):
        Session("TCPIP::127.0.0.1::9::SOCKET", instrument="scope", visa="system", timeout_s=0.4)


def test_an_address_where_nothing_answers_is_said_in_words() -> None:
    """A listener whose queue is full drops what else comes, as a switched-off instrument's address does."""
    with ExitStack() as open_things:
        listener = open_things.enter_context(socket.socket())
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        port = listener.getsockname()[1]
        for _ in range(3):
            waiting = open_things.enter_context(socket.socket())
            waiting.setblocking(False)
            waiting.connect_ex(("127.0.0.1", port))
        with pytest.raises(ConnectionError, match=r"nothing answered within 2 s"):
            open_visa(f"TCPIP::127.0.0.1::{port}::SOCKET", "python")
