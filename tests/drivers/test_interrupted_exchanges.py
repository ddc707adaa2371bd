"""Ctrl-C in each phase of an exchange, and what an instrument says of the exchange that was cut off.

Wherever it comes, the session refuses to go on until it is reopened, and the next answer is to its question.
"""

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress

import pytest

from drivers.session import Session
from harness.errors import BenchTimeout, Desynchronised
from tests.drivers.peers import IDENTITY, Connection, peer

Phase = Callable[[Session], object]


def interrupt() -> None:
    signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)


@pytest.fixture(autouse=True)
def ctrl_c() -> Iterator[None]:
    """Have Ctrl-C interrupt: what a shell starts in the background ignores it."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


def instrument(connection: Connection) -> None:
    """Interrupts whoever asks, once, before the answer, within it, within a block, or by taking nothing."""
    first = connection.number == 1
    while True:
        heard = connection.line()
        if heard == b"*IDN?":
            connection.send(IDENTITY + b"\n")
        elif heard == b"SYSTem:ERRor?":
            connection.send(b'0,"No error"\n')
        elif heard in (b"HALF?", b"BLOCK?", b"BEHIND?", b"DEAF") and first:
            connection.send(
                {b"HALF?": b"ha", b"BLOCK?": b"#3100" + bytes(40), b"BEHIND?": b"#15hello"}.get(heard, b"")
            )
            if heard == b"DEAF":  # its buffers, and those before them, fill up
                time.sleep(0.2)
            interrupt()
            connection.peer.released.wait(10.0)
            with suppress(OSError):
                connection.send(b"lf\n" + bytes(60) + b"\n")
            connection.peer.message.set()
        elif heard.endswith(b"?"):
            connection.send(b"answer to " + heard + b"\n")


def write_until_nobody_takes_it(session: Session) -> None:
    session.write("DEAF")
    while True:
        session.write("DATA " + "0" * 1_000_000)


def set_a_group(session: Session) -> None:
    with session.group():
        session.write("SET 1")
        session.query("HALF?")


@pytest.mark.parametrize(
    "phase",
    [
        lambda session: session.query("HALF?"),
        lambda session: session.query_block("BLOCK?"),
        lambda session: session.query_block("BEHIND?"),
        write_until_nobody_takes_it,
        set_a_group,
    ],
    ids=["in an answer", "in a block", "before its line feed", "in a write", "in a group"],
)
def test_ctrl_c_in_each_phase_is_passed_on_at_once_and_leaves_the_session_to_be_reopened(
    phase: Phase,
) -> None:
    with peer(instrument) as served:
        session = Session(served.address, instrument="scope", timeout_s=5.0)
        session.start()
        begun = time.monotonic()
        with pytest.raises(KeyboardInterrupt):
            phase(session)
        assert time.monotonic() - begun < 3.0
        served.released.set()
        assert served.message.wait(5.0)
        with pytest.raises(Desynchronised, match="reopen first"):
            session.query("NEXT?")
        with pytest.raises(Desynchronised, match="reopen first"):
            session.write("OUTPut1 ON")
        assert b"OUTPut1 ON" not in served.heard
        session.resync()
        assert session.query("NEXT?") == "answer to NEXT?"
        session.close()


def test_ctrl_c_while_it_is_reopened_leaves_the_session_unusable_and_it_can_be_reopened_again() -> None:
    def script(connection: Connection) -> None:
        while True:
            heard = connection.line()
            if heard == b"*IDN?" and connection.number == 2:
                interrupt()
                connection.peer.released.wait(10.0)
            if heard == b"*IDN?":
                connection.send(IDENTITY + b"\n")
            elif heard == b"SYSTem:ERRor?":
                connection.send(b'0,"No error"\n')
            elif heard.endswith(b"?"):
                connection.send(b"answer to " + heard + b"\n")

    with peer(script) as served:
        session = Session(served.address, instrument="scope", timeout_s=5.0)
        session.start()
        with pytest.raises(KeyboardInterrupt):
            session.resync()
        served.released.set()
        with pytest.raises(Desynchronised, match="reopen first"):
            session.query("NEXT?")
        session.resync()
        assert session.query("NEXT?") == "answer to NEXT?"
        assert served.connections == 3
        session.close()


def test_a_query_that_was_cut_off_is_not_held_against_the_settings_after_it() -> None:
    """-410 (SCPI-1999 21.8.5) comes with the exchange that was given up, and is read while reopening."""
    errors: list[bytes] = []

    def script(connection: Connection) -> None:
        while True:
            heard = connection.line()
            if heard == b"TRAP?":
                errors.append(b'-410,"Query INTERRUPTED"')
            elif heard == b"*IDN?":
                connection.send(IDENTITY + b"\n")
            elif heard == b"SYSTem:ERRor?":
                connection.send((errors.pop() if errors else b'0,"No error"') + b"\n")

    with peer(script) as served:
        session = Session(served.address, instrument="scope", timeout_s=0.3)
        session.start()
        with pytest.raises(BenchTimeout):
            session.query("TRAP?")
        session.resync()
        assert errors == []
        with session.group():
            session.write("SET 1")
        session.close()


def test_after_a_peer_that_did_not_read_the_next_answer_is_right() -> None:
    def deaf_once(connection: Connection) -> None:
        if connection.number == 1:
            connection.peer.released.wait(10.0)
            return
        while True:
            connection.send(b"answer to " + connection.line() + b"\n")

    with peer(deaf_once) as served:
        session = Session(served.address, instrument="generator", timeout_s=0.3)
        with pytest.raises(BenchTimeout, match="does not accept what is sent"):
            write_until_nobody_takes_it(session)
        with pytest.raises(Desynchronised, match="reopen first"):
            session.query("NEXT?")
        session.resync()
        assert session.query("NEXT?") == "answer to NEXT?"
        session.close()
