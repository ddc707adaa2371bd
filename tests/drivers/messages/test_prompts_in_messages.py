"""Prompts, echoes and acknowledgements where messages have ends: in the answer's message or in their own.

The peers are real servers of VXI-11 and HiSLIP (message_peers.py). Where instruments that have a command line
put a prompt in such messages is common practice, no source: no standard has prompts.
"""

from collections.abc import Callable

import pytest

from drivers.models.dialect import Dialect
from drivers.session import Session
from harness.errors import BadReply, BenchTimeout, Desynchronised
from tests.drivers.messages.message_peers import Instrument, hislip_address, vxi11_address
from tests.drivers.messages.test_visa_wires import BLOCK, answer
from tests.drivers.peers import Peer, peer

Says = Callable[[bytes, bytes | None], list[bytes]]


def behind(command: bytes, reply: bytes | None) -> list[bytes]:
    return [(b"" if reply is None else reply + b"\n") + b"> "]


def before(command: bytes, reply: bytes | None) -> list[bytes]:
    return [] if reply is None else [b"> " + reply + b"\n"]


def alone(command: bytes, reply: bytes | None) -> list[bytes]:
    return [b"> "] if reply is None else [reply + b"\n", b"> "]


def with_an_echo(command: bytes, reply: bytes | None) -> list[bytes]:
    return [command + b"\r\n" + (b"" if reply is None else reply + b"\n") + b"> "]


def acknowledged(command: bytes, reply: bytes | None) -> list[bytes]:
    return [(b"" if reply is None else reply + b"\n") + b"OK\n> "]


PROMPT = Dialect(prompt="> ")
WAYS: dict[str, tuple[Says, Dialect]] = {
    "behind": (behind, PROMPT),
    "before": (before, PROMPT),
    "alone": (alone, PROMPT),
    "echo": (with_an_echo, Dialect(prompt="> ", echoes=True)),
    "acknowledged": (acknowledged, Dialect(prompt="> ", answer="OK", answer_after_questions=True)),
}
WIRES = pytest.mark.parametrize("wire", ["vxi11", "hislip"])


def listening(instrument: Instrument, wire: str) -> tuple[Callable[..., None], Callable[[Peer], str]]:
    if wire == "vxi11":
        return instrument.by_vxi11, vxi11_address
    return instrument.by_hislip, hislip_address


@WIRES
@pytest.mark.parametrize("way", WAYS)
def test_the_answer_is_told_from_what_stands_around_it(wire: str, way: str) -> None:
    says, dialect = WAYS[way]
    script, address = listening(Instrument(answer, says=says), wire)
    with peer(script) as served:
        session = Session(address(served), instrument="scope", timeout_s=0.4, dialect=dialect)
        session.start()
        for n in range(3):
            session.write(f"SET {n}")
            assert session.query("FIRST?") == "answer to FIRST?"
        if way != "acknowledged":  # nothing is said behind a block but a prompt
            assert session.query_block("DATA?", expected=len(BLOCK)) == BLOCK
            assert session.query_block("INDEFINITE?") == BLOCK
        assert session.query("NEXT?") == "answer to NEXT?"
        with pytest.raises((BenchTimeout, BadReply)):  # of the answer; its prompt came alone
            session.query("NEVER?")
        session.resync()
        assert session.query("NEXT?") == "answer to NEXT?"
        session.close()


@WIRES
def test_a_second_line_that_the_profile_does_not_know_is_no_answer_to_the_next_question(wire: str) -> None:
    script, address = listening(Instrument(answer, says=acknowledged), wire)
    with peer(script) as served:
        session = Session(
            address(served), instrument="scope", timeout_s=0.4, dialect=Dialect(prompt="> ", error_query="")
        )
        with pytest.raises(BadReply, match=r"expected its prompt '> ' alone .*found 'OK"):
            session.query("FIRST?")
        session.close()
        plain = Session(address(served), instrument="scope", timeout_s=0.4)
        plain.query("FIRST?")
        with pytest.raises(Desynchronised, match="an unexpected answer is waiting"):
            plain.query("NEXT?")
        plain.close()
