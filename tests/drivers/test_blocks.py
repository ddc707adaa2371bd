"""Definite-length blocks (IEEE 488.2-1992, 8.7.9) over a real socket, whole or not at all.

The clause numbers are from memory.
"""

import time
from typing import Any

import pytest

from drivers.scope.oscilloscope_profile import TEN_FIELDS
from drivers.scope.scaling import Answers, record_scale
from drivers.session import Session
from harness.errors import BadReply, BenchError, BenchTimeout, Desynchronised, LinkLost
from tests.drivers.peers import Connection, peer
from tests.drivers.test_session_traps import instrument

TIMEOUT_S = 0.3


def read(
    answer: bytes, *, close: bool = False, expected: int | None = None, terminated: bool = True, **form: Any
) -> bytes:
    """What `query_block` makes of an answer; the next question must get its own answer either way."""

    def give(connection: Connection) -> None:
        connection.send(answer)
        if close:
            connection.link.close()

    with peer(instrument(give)) as served:
        session = Session(served.address, instrument="scope", timeout_s=TIMEOUT_S)
        session.start()
        begun = time.monotonic()
        try:
            return bytes(session.query_block("TRAP?", expected=expected, terminated=terminated, **form))
        finally:
            assert time.monotonic() - begun < TIMEOUT_S + 0.7
            if session.dirty:
                with pytest.raises(Desynchronised):
                    session.query("NEXT?")
                session.resync()
            assert session.query("NEXT?") == "answer to NEXT?"
            session.close()


@pytest.mark.parametrize(
    ("answer", "data", "source"),
    [
        (b"#15hello\n", b"hello", "IEEE 488.2-1992, 8.7.9"),
        (b"#3005a\nb;c\n", b"a\nb;c", "8.7.9: a line feed inside"),
        (b"#10\n", b"", "8.7.9: an empty block"),
        (b"#9000000005\x00\x01\x02\x03\x04\n", bytes(range(5)), "8.7.9: nine digits, zero padded"),
        (b"#41024" + bytes(1024) + b"\n", bytes(1024), "8.7.9: four digits"),
        (b"#210" + b"\n" * 10 + b"\n", b"\n" * 10, "nothing but line feeds"),
        (b"#3256" + bytes(range(256)) + b"\n", bytes(range(256)), "every byte there is"),
        (b"#15hello\r\n", b"hello", "CR LF behind the block"),
        (b"#15hello\n\0\0", b"hello", "NULs behind the line feed"),
    ],
)
def test_a_block_is_its_bytes(answer: bytes, data: bytes, source: str) -> None:
    assert read(answer) == data


@pytest.mark.parametrize(
    ("answer", "expected", "message", "source"),
    [
        (b"#9000000004\x00\x01\x02", BenchTimeout, "3 of 4 bytes of the block arrived", "8.7.9"),
        (b"#A1x\n", BadReply, "expected a block of data", "8.7.9"),
        (b"#0abc\n", BadReply, "indefinite length", "8.7.10: no interface END on a socket"),
        (b"#15hello", BenchTimeout, "the block is complete", "no line feed"),
        (b"#15hello there\n", BadReply, "expected a line feed behind a block of 5 bytes", "a byte too many"),
        (b"#1", BenchTimeout, "0 of 1 bytes of the length", "header cut off"),
        (b"#2x5hello\n", BadReply, "expected the length of a block in digits", "a wrong digit"),
        (b"1,2,3\n", BadReply, "expected a block of data", "text in place of a block"),
        (b"\xff#15hello\n", BadReply, "expected a block of data", "a garbage byte before it"),
    ],
)
def test_what_is_no_whole_block_is_refused(
    answer: bytes, expected: type[BenchError], message: str, source: str
) -> None:
    with pytest.raises(expected, match=message):
        read(answer)


def test_a_peer_that_closes_inside_a_block_is_told_from_a_slow_one() -> None:
    with pytest.raises(LinkLost, match="3 of 9 bytes of the block had arrived"):
        read(b"#19abc", close=True)


def test_a_block_of_another_length_than_asked_for_is_refused_by_its_header() -> None:
    with pytest.raises(BadReply, match="expected a block of 6 bytes, and the instrument announces 5"):
        read(b"#15hello\n", expected=6)


def test_an_instrument_may_be_said_to_send_no_line_feed() -> None:
    assert read(b"#15hello", terminated=False) == b"hello"


@pytest.mark.parametrize("separator", [b",", b";"])
def test_blocks_in_one_answer_come_one_after_the_other(separator: bytes) -> None:
    answer = b"DAT2,#15hello" + separator + b"dat2,#15world\n"
    assert read(answer, expected=5, prefix="DAT2,", blocks=2) == b"helloworld"


@pytest.mark.parametrize(
    ("answer", "message"),
    [
        (b"DAT1,#15hello,DAT2,#15world\n", "expected b'DAT2,' before a block of data, found b'DAT1,'"),
        (b"DAT2,#15hello DAT2,#15world\n", "expected a comma or a semicolon before the next block"),
        (b"DAT2,#15hello,DAT2,#14worl\n\n", "expected a block of 5 bytes, and the instrument announces 4"),
    ],
)
def test_blocks_with_something_else_around_them_are_refused(answer: bytes, message: str) -> None:
    with pytest.raises(BadReply, match=message):
        read(answer, expected=5, prefix="DAT2,", blocks=2)


def test_a_block_that_drips_is_read_to_its_end() -> None:
    def drip(connection: Connection) -> None:
        for byte in b"#3100" + bytes(range(100)) + b"\n":
            connection.send(bytes([byte]))

    with peer(instrument(drip)) as served:
        session = Session(served.address, instrument="scope")
        session.start()
        assert session.query_block("TRAP?") == bytes(range(100))
        session.close()


@pytest.mark.parametrize(
    "text",
    [
        "0,0,100,1,1e-6,0,0,0.01,0",  # nine fields
        "0,0,100,1,1e-6,0,0,0.01,0,128,7",  # eleven
        "0,0,100.5,1,1e-6,0,0,0.01,0,128",  # half a point
        "0,0,100,1,0,0,0,0.01,0,128",  # no time
        "0,0,100,1,1e-6,0,0,0,0,128",  # no volts
        "0,0,100,1,1e-6,0,0,nan,0,128",
        "0,0,many,1,1e-6,0,0,0.01,0,128",
    ],
)
def test_a_preamble_that_cannot_be_right_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"fields|whole number|above zero|finite|a number in"):
        record_scale(TEN_FIELDS, Answers(text, lambda source: "", fields=10), in_volts=False, factor=1.0)
