"""What goes wrong on a wire: each trap gives the error that belongs to it, in time, and never a wrong answer.

The traps are those that were reproduced with pyvisa-py 0.8.1 on raw sockets before the project began. After
each, the session refuses to go on until it is reopened, and the next answer belongs to its question.
"""

import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from drivers.models.dialect import Dialect
from drivers.session import Session
from harness.errors import (
    BadReply,
    BenchError,
    BenchTimeout,
    Desynchronised,
    InstrumentError,
    LinkLost,
    SettingRefused,
    UnknownCommand,
)
from tests.drivers.peers import IDENTITY, Connection, closed_port, peer

TIMEOUT_S = 0.3
SLACK_S = 0.7  # two cores, many tests

Trap = Callable[[Connection], None]


def instrument(trap: Trap, *, on: bytes = b"TRAP?") -> Callable[[Connection], None]:
    """A good instrument whose first connection does something else when it hears the fatal word."""

    def script(connection: Connection) -> None:
        while True:
            heard = connection.line()
            if heard == on and connection.number == 1:
                trap(connection)
            elif heard == b"*IDN?":
                connection.send(IDENTITY + b"\n")
            elif heard == b"SYSTem:ERRor?":
                connection.send(b'0,"No error"\n')
            elif heard.endswith(b"?"):
                connection.send(b"answer to " + heard + b"\n")

    return script


def late(connection: Connection) -> None:
    connection.peer.released.wait(10.0)
    connection.send(b"LATE\n")
    connection.peer.message.set()


def half(connection: Connection) -> None:
    connection.send(b"AAAA")
    connection.peer.released.wait(10.0)
    connection.send(b"BBBB\n")
    connection.peer.message.set()


def never(connection: Connection) -> None:
    pass


def close_before(connection: Connection) -> None:
    connection.link.close()


def close_inside(connection: Connection) -> None:
    connection.send(b"half an ans")
    connection.link.close()


def reset(connection: Connection) -> None:
    connection.reset()


def garbage(connection: Connection) -> None:
    connection.send(b"\xffanswer\n")


def steering(connection: Connection) -> None:
    connection.send(b"\x1b]0;owned\x07\n")


def endless(connection: Connection) -> None:
    connection.send(b"x" * 2_000_000)


@pytest.mark.parametrize(
    ("trap", "expected", "message"),
    [
        (late, BenchTimeout, "no complete answer within 0.3 s: nothing arrived"),
        (half, BenchTimeout, "only b'AAAA' arrived, without a line feed"),
        (never, BenchTimeout, "nothing arrived"),
        (close_before, LinkLost, "the instrument closed the connection"),
        (close_inside, LinkLost, "the instrument closed the connection"),
        (reset, LinkLost, "reset"),
        (garbage, BadReply, r"expected plain ASCII text, found b'\xffanswer'"),
        (steering, BadReply, r"expected text that shows as it is, found '\x1b]0;owned\x07'"),
        (endless, BadReply, "without a line feed"),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_a_question_that_goes_wrong_raises_its_error_in_time_and_the_next_answer_is_right(
    trap: Trap, expected: type[BenchError], message: str
) -> None:
    with peer(instrument(trap)) as served:
        session = Session(served.address, instrument="scope", timeout_s=TIMEOUT_S)
        session.start()
        begun = time.monotonic()
        with pytest.raises(expected) as caught:
            session.query("TRAP?")
        assert time.monotonic() - begun < TIMEOUT_S + SLACK_S
        assert message in str(caught.value)
        assert str(caught.value).startswith(f"scope at {served.address}: ")
        assert caught.value.command == "TRAP?"
        served.released.set()
        if trap in (late, half):
            assert served.message.wait(5.0)
        with pytest.raises(Desynchronised, match="reopen first"):
            session.query("AFTER?")
        session.resync()
        assert session.query("NEXT?") == "answer to NEXT?"
        session.close()


def test_a_second_answer_to_one_question_is_never_taken_for_the_next() -> None:
    def twice(connection: Connection) -> None:
        connection.send(b"one\ntwo\n")

    with peer(instrument(twice)) as served:
        session = Session(served.address, instrument="scope")
        session.start()
        assert session.query("TRAP?") == "one"
        with pytest.raises(Desynchronised, match="an unexpected answer"):
            session.query("NEXT?")
        assert b"NEXT?" not in served.heard
        session.resync()
        assert session.query("NEXT?") == "answer to NEXT?"
        session.close()


@pytest.mark.parametrize("first", ["what it says", "the next question"])
def test_what_it_says_to_a_command_names_the_keys_whichever_comes_first(first: str) -> None:
    """On a busy machine, or a slow wire, the next question is sent before it has come."""

    def talkative(connection: Connection) -> None:
        while True:
            heard = connection.line()
            if heard == b"SET 1":
                if first == "the next question":
                    assert connection.line() == b"NEXT?"
                connection.send(b"\r\n> ")
                connection.peer.message.set()
            elif heard == b"*IDN?":
                connection.send(IDENTITY + b"\n")

    with peer(talkative) as served:
        session = Session(
            served.address, instrument="supply", timeout_s=TIMEOUT_S, dialect=Dialect(error_query="")
        )
        session.start()
        session.write("SET 1")
        if first == "what it says":
            assert served.message.wait(10.0)
        with pytest.raises((Desynchronised, BadReply), match="see `answer` and `prompt` of its profile"):
            session.query("NEXT?")
        session.close()


def test_a_peer_that_closed_after_its_answer_is_noticed_before_anything_is_sent() -> None:
    def last_word(connection: Connection) -> None:
        connection.send(b"goodbye\n")
        connection.link.shutdown(socket.SHUT_WR)
        connection.peer.message.set()
        connection.line()

    with peer(instrument(last_word)) as served:
        session = Session(served.address, instrument="scope")
        session.start()
        assert session.query("TRAP?") == "goodbye"
        assert served.message.wait(5.0)
        begun = time.monotonic()
        with pytest.raises(LinkLost, match="closed the connection, or was unplugged"):
            session.write("OUTPut1 ON")
        assert time.monotonic() - begun < SLACK_S
        session.resync()
        assert session.query("NEXT?") == "answer to NEXT?"
        session.close()


def test_a_closed_port_says_what_to_check() -> None:
    begun = time.monotonic()
    with pytest.raises(LinkLost, match=r"Connection refused.*switched on and that the bench file"):
        Session(closed_port(), instrument="supply")
    assert time.monotonic() - begun < SLACK_S


def test_a_host_that_does_not_exist_says_so() -> None:
    with pytest.raises(LinkLost, match="no connection"):
        Session("TCPIP::no-such-host.invalid::5025::SOCKET", instrument="supply")


def write_for_ever(session: Session) -> None:
    while True:
        session.write("DATA " + "0" * 1_000_000)


def test_a_peer_that_does_not_read_cannot_hang_a_write() -> None:
    def deaf(connection: Connection) -> None:
        connection.link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        connection.peer.released.wait(20.0)

    with peer(deaf) as served:
        session = Session(served.address, instrument="generator", timeout_s=TIMEOUT_S)
        begun = time.monotonic()
        with pytest.raises(BenchTimeout, match="does not accept what is sent"):
            write_for_ever(session)
        assert session.dirty
        assert time.monotonic() - begun < 60 * SLACK_S
        session.close()


@pytest.mark.parametrize("answer", [b"1.5\r\n", b"1.5\n\0\0", b"1.5\0\n", b"\x001.5\r\n"])
def test_carriage_returns_and_padding_are_not_part_of_an_answer(answer: bytes) -> None:
    with peer(instrument(lambda connection: connection.send(answer))) as served:
        session = Session(served.address, instrument="supply")
        session.start()
        assert session.query_number("TRAP?") == 1.5
        assert session.query("NEXT?") == "answer to NEXT?"
        session.close()


@pytest.mark.parametrize("answer", [b"one volt", b"9.91E37", b"9.9E37", b"-9.9E37", b"nan"])
def test_what_is_no_number_is_refused(answer: bytes) -> None:
    # 9.9E37, -9.9E37 and 9.91E37 are SCPI-1999's infinities and not-a-number (from memory).
    with peer(instrument(lambda connection: connection.send(answer + b"\n"))) as served:
        session = Session(served.address, instrument="supply")
        session.start()
        with pytest.raises(BadReply, match="expected a number, found"):
            session.query_number("TRAP?")
        session.close()


def test_an_empty_line_is_no_answer() -> None:
    with peer(instrument(lambda connection: connection.send(b" \r\n"))) as served:
        session = Session(served.address, instrument="supply")
        session.start()
        with pytest.raises(BadReply, match=r"not an empty line .*`answer` and `prompt` of its profile"):
            session.query("TRAP?")
        session.close()


def write_group(session: Session, *commands: str) -> None:
    with session.group():
        for command in commands:
            session.write(command)


def errors_in_queue(count: int) -> Callable[[Connection], None]:
    queue = [f'-{222 if n % 2 else 113},"Error {n}"'.encode() for n in range(count)]

    def script(connection: Connection) -> None:
        while True:
            heard = connection.line()
            if heard == b"SYSTem:ERRor?":
                connection.send((queue.pop(0) if queue else b'+0,"No error"') + b"\n")
            elif heard == b"*CLS":
                queue.clear()
            elif heard.endswith(b"?"):
                connection.send(b"answer to " + heard + b"\n")

    return script


def test_an_empty_error_queue_is_silence() -> None:
    with peer(errors_in_queue(0)) as served:
        session = Session(served.address, instrument="scope")
        write_group(session, "A 1", "B 2")
        assert served.heard == [b"A 1", b"B 2", b"SYSTem:ERRor?"]
        session.close()


def test_an_instruments_error_carries_the_commands_of_its_group() -> None:
    with peer(errors_in_queue(1)) as served:
        session = Session(served.address, instrument="scope")
        with pytest.raises(InstrumentError) as caught:
            write_group(session, "A 1", "B 2")
        assert str(caught.value) == (
            f"scope at {served.address}: reports -113,\"Error 0\" (command 'A 1 | B 2')"
        )
        assert session.query("NEXT?") == "answer to NEXT?"
        session.close()


@pytest.mark.parametrize(
    ("queue", "kind"),
    [
        ([b'-222,"Data out of range"'], SettingRefused),
        ([b'-221,"Settings conflict"', b'-222,"Data out of range"'], SettingRefused),
        ([b'-310,"System error"'], InstrumentError),
        ([b'-222,"Data out of range"', b'-310,"System error"'], InstrumentError),
        ([b'-2220,"Of the maker\'s own"'], InstrumentError),
        ([b'-113,"Undefined header"'], UnknownCommand),
    ],
)
def test_a_refused_setting_is_told_from_an_instrument_that_fails(
    queue: list[bytes], kind: type[InstrumentError]
) -> None:
    """Execution errors are -299 to -200, SCPI-1999 volume 2, 21.8.10; device-specific ones -399 to -300."""
    left = list(queue)

    def script(connection: Connection) -> None:
        while connection.line() == b"SYSTem:ERRor?":
            connection.send((left.pop(0) if left else b'0,"No error"') + b"\n")

    with peer(script) as served:
        session = Session(served.address, instrument="generator")
        with pytest.raises(InstrumentError) as caught:
            session.check_errors(("SET 1",))
        assert type(caught.value) is kind
        session.close()


def test_a_queue_that_does_not_end_is_read_so_far_and_cleared() -> None:
    with peer(errors_in_queue(40)) as served:
        session = Session(served.address, instrument="scope")
        with pytest.raises(InstrumentError, match="and more"):
            session.check_errors()
        assert served.heard.count(b"SYSTem:ERRor?") == 32
        assert session.drain_errors() == ()
        session.close()


def test_an_interrupted_query_is_reported_as_the_instrument_reports_it() -> None:
    """-410 (SCPI-1999 21.8.5): an answer was left unread; here it was another program that left it."""

    def script(connection: Connection) -> None:
        errors = [b'-410,"Query INTERRUPTED"'] if connection.number == 1 else []
        while True:
            heard = connection.line()
            if heard == b"SYSTem:ERRor?":
                connection.send((errors.pop() if errors else b'0,"No error"') + b"\n")
            elif heard == b"*IDN?":
                connection.send(IDENTITY + b"\n")

    with peer(script) as served:
        session = Session(served.address, instrument="scope")
        with pytest.raises(InstrumentError, match="-410"):
            session.check_errors(("SET 1",))
        session.close()


def test_an_error_query_that_does_not_answer_with_a_number_is_a_bad_reply() -> None:
    with peer(instrument(never)) as served:
        session = Session(served.address, instrument="scope", dialect=Dialect(error_query="WHAT?"))
        with pytest.raises(BadReply, match="expected an error number"):
            session.drain_errors()
        session.close()


@pytest.fixture
def ctrl_c() -> Iterator[None]:
    """Have Ctrl-C interrupt: what a shell starts in the background ignores it."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("ctrl_c")
def test_ctrl_c_in_the_middle_of_a_read_leaves_the_session_to_be_reopened() -> None:
    def interrupt(connection: Connection) -> None:
        signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
        connection.peer.released.wait(10.0)
        connection.send(b"LATE\n")
        connection.peer.message.set()

    with peer(instrument(interrupt)) as served:
        session = Session(served.address, instrument="scope", timeout_s=5.0)
        session.start()
        begun = time.monotonic()
        with pytest.raises(KeyboardInterrupt):
            session.query("TRAP?")
        assert time.monotonic() - begun < 2.0
        served.released.set()
        assert served.message.wait(5.0)
        with pytest.raises(Desynchronised):
            session.query("NEXT?")
        session.resync()
        assert session.query("NEXT?") == "answer to NEXT?"
        session.close()


def test_two_threads_get_their_own_answers() -> None:
    wrong: list[str] = []

    def ask(session: Session, name: str) -> None:
        for n in range(1000):
            if session.query(f"{name}{n}?") != f"answer to {name}{n}?":
                wrong.append(f"{name}{n}")

    with peer(instrument(never)) as served:
        session = Session(served.address, instrument="scope")
        threads = [threading.Thread(target=ask, args=(session, name)) for name in "AB"]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert wrong == []
        session.close()


def test_another_instrument_behind_the_address_after_reopening_is_refused() -> None:
    def script(connection: Connection) -> None:
        while True:
            heard = connection.line()
            if heard == b"*IDN?":
                connection.send(b"Shed Works,Peer %d,1,1\n" % connection.number)
            elif heard.endswith(b"?"):
                connection.send(b"0\n")

    with peer(script) as served:
        session = Session(served.address, instrument="scope")
        session.start()
        with pytest.raises(
            BenchError, match=r"answered as 'Shed Works,Peer 1,1,1'.*now as 'Shed Works,Peer 2"
        ):
            session.resync()
        with pytest.raises(Desynchronised):
            session.query("NEXT?")
        session.close()


@pytest.mark.parametrize("answer", [b"HTTP/1.1 400 Bad Request", b"maker,model", b"a,b,c,d,e"])
def test_an_identity_without_four_fields_is_refused(answer: bytes) -> None:
    # IEEE 488.2: maker, model, serial number or 0, firmware.
    with peer(instrument(lambda connection: connection.send(answer + b"\n"), on=b"*IDN?")) as served:
        session = Session(served.address, instrument="scope")
        with pytest.raises(BadReply, match="expected four fields"):
            session.start()
        session.close()


def test_a_model_name_with_a_degree_sign_is_read() -> None:
    def script(connection: Connection) -> None:
        while True:
            heard = connection.line()
            connection.send(b"Shed Works,Phase\xb0 2,7,1\n" if heard == b"*IDN?" else b"0\n")

    with peer(script) as served:
        session = Session(served.address, instrument="scope")
        assert session.start() == "Shed Works,Phase° 2,7,1"
        session.close()
