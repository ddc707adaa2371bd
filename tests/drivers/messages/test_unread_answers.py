"""What another program asked and never read is taken for nothing, at VXI-11 and HiSLIP."""

import logging
import subprocess
import sys
import time
from pathlib import Path

import pytest

from drivers.session import Session
from drivers.transcript import Transcript
from harness.errors import BadReply
from tests.drivers.messages.message_peers import (
    DATA_END,
    MESSAGE,
    Clear,
    Instrument,
    hislip_address,
    supply,
    vxi11_address,
)
from tests.drivers.peers import IDENTITY, Connection, peer

STALE = b"9.5\n"
NO_ERROR = b'0,"No error"\n'
HIS_IDENTITY = IDENTITY + b"\n"

KILLED = """
import os, signal, sys, pyvisa
resource = pyvisa.ResourceManager("@py").open_resource(sys.argv[1])
resource.write_raw(b"MEASure:VOLTage?\\n")
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_an_answer_that_a_killed_program_left_unread_is_not_ours() -> None:
    volts = iter([b"9.5", b"7.5", b"7.5"])
    instrument = Instrument(lambda heard: next(volts) if heard == b"MEASure:VOLTage?" else supply(heard))
    with peer(instrument.by_vxi11) as served:
        killed = subprocess.run([sys.executable, "-c", KILLED, vxi11_address(served)], check=False)
        assert (killed.returncode, instrument.output) == (-9, [STALE])
        session = Session(vxi11_address(served), instrument="supply", timeout_s=0.4)
        assert instrument.output == []
        session.start()
        assert session.query_number("MEASure:VOLTage?") == 7.5
        session.close()


@pytest.mark.parametrize("keeps", [False, True], ids=["one answer", "all answers"])
@pytest.mark.parametrize("tells", [True, False], ids=["tells", "does not tell"])
@pytest.mark.parametrize("clear", ["obeyed", "refused", "ignored"])
@pytest.mark.parametrize(
    "waiting",
    [
        [STALE],
        [b"#15\x00\xff\n\x01\x02\n"],  # a record of a scope
        [HIS_IDENTITY],
        [NO_ERROR],
        [HIS_IDENTITY, NO_ERROR],  # in step with our own questions, and two too many
        [HIS_IDENTITY, NO_ERROR, NO_ERROR, STALE],
    ],
    ids=["volts", "record", "identity", "error", "identity and error", "four"],
)
def test_no_answer_is_anothers_whatever_waits_and_whatever_becomes_of_the_clear(
    waiting: list[bytes], clear: Clear, tells: bool, keeps: bool
) -> None:
    instrument = Instrument(supply, clear=clear, tells=tells, keeps=keeps)
    instrument.output = list(waiting)
    with peer(instrument.by_vxi11) as served:
        session = Session(vxi11_address(served), instrument="supply", timeout_s=0.4)
        assert session.start() == IDENTITY.decode()
        assert session.query_number("MEASure:VOLTage?") == 7.5
        assert session.drain_errors() == ()
        instrument.output = list(waiting)
        session.resync()
        assert session.query_number("MEASure:VOLTage?") == 7.5
        assert instrument.clears >= 2
        session.close()


def test_an_instrument_that_refuses_a_device_clear_is_said_once_and_used(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    transcript = Transcript(tmp_path / "wire.jsonl")
    instrument = Instrument(supply, clear="refused")
    with peer(instrument.by_vxi11) as served, caplog.at_level(logging.WARNING):
        session = Session(vxi11_address(served), instrument="supply", timeout_s=0.4, transcript=transcript)
        session.start()
        session.resync()
        session.close()
    transcript.close()
    said = [record.getMessage() for record in caplog.records]
    assert len(said) == 1
    assert said[0].startswith(f"supply at {vxi11_address(served)}: takes no device clear (")
    assert (tmp_path / "wire.jsonl").read_text(encoding="utf-8").count("takes no device clear") == 2


@pytest.mark.parametrize("interface", ["vxi11", "hislip"])
def test_an_instrument_that_never_answers_a_device_clear_is_used_all_the_same(interface: str) -> None:
    instrument = Instrument(supply, clear="unanswered")
    script = instrument.by_vxi11 if interface == "vxi11" else instrument.by_hislip
    with peer(script) as served:
        address = (vxi11_address if interface == "vxi11" else hislip_address)(served)
        begun = time.monotonic()
        session = Session(address, instrument="supply", timeout_s=0.4)
        assert session.start() == IDENTITY.decode()
        assert session.query_number("MEASure:VOLTage?") == 7.5
        assert time.monotonic() - begun < 6.0
        session.close()


def test_a_hislip_session_begins_with_a_device_clear() -> None:
    instrument = Instrument(supply)
    with peer(instrument.by_hislip) as served:
        session = Session(hislip_address(served), instrument="supply", timeout_s=0.4)
        assert session.start() == IDENTITY.decode()
        session.resync()
        assert session.query_number("MEASure:VOLTage?") == 7.5
        assert instrument.clears == 2
        session.close()


def test_a_hislip_instrument_that_sends_an_old_answer_before_it_is_cleared_is_cleared_again() -> None:
    """Which breaks the clearing of pyvisa-py 0.8.1: `expected DeviceClearAcknowledge, received DataEnd`."""
    instrument = Instrument(supply)
    synchronous: list[Connection] = []

    def script(connection: Connection) -> None:
        synchronous.append(connection)
        instrument.by_hislip(connection)

    def first() -> None:
        synchronous[0].send(MESSAGE.pack(b"HS", DATA_END, 0, 4, len(STALE)) + STALE)

    instrument.before_clear = [first]
    with peer(script) as served:
        session = Session(hislip_address(served), instrument="supply", timeout_s=0.4)
        assert session.start() == IDENTITY.decode()
        assert session.query_number("MEASure:VOLTage?") == 7.5
        assert instrument.clears == 2
        session.close()


def test_an_instrument_that_never_identifies_itself_is_not_asked_for_ever() -> None:
    instrument = Instrument(lambda heard: b"hello")
    with peer(instrument.by_vxi11) as served:
        session = Session(vxi11_address(served), instrument="supply", timeout_s=0.4)
        with pytest.raises(BadReply, match=r"expected four fields: maker.*found 'hello'"):
            session.start()
        session.close()
