"""One instrument's connection: whole transactions, one at a time, and never an answer to another question.

A raw socket serves a late answer to the next question, for ever, and clearing does not cure it. So a
transaction that failed or was interrupted marks the session unusable, and only `resync` (close, reopen,
same *IDN?, empty error queue) makes it usable again. Before anything is sent the input must be empty.
"""

import logging
import re
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

from drivers.models.dialect import SCPI, Dialect, comma_remedy, number_in
from drivers.models.expected_answer import ExpectedAnswer
from drivers.serial_wire import PLAIN_LINE, Line, is_serial, open_serial
from drivers.transcript import Listener
from drivers.visa_wire import Wire, open_visa
from drivers.wire import connected
from harness.errors import (
    BadReply,
    BenchError,
    BenchTimeout,
    Desynchronised,
    InstrumentError,
    LinkLost,
    SettingRefused,
    UnknownCommand,
    WrongInstrument,
)
from harness.roles import Identity
from harness.toml_files.located import UNSEEN

TIMEOUT_S = 2.0
MOST_ERRORS = 32
IN_STEP = 4  # questions of another kind behind *IDN?: they show up to four answers that belong to others
TRIES = 3
QUIET_S = 0.3
REOPEN_AFTER_S = (0.0, 0.1, 0.5)  # instruments with a single connection need a moment to let the old one go
ECHO_REMEDY = "switch its echo off, or write `echoes = true` into its profile"
EMPTY_REMEDY = "if it says something to commands as well, see `answer` and `prompt` of its profile"
# Classes of errors, SCPI-1999 volume 2, 21.8.
COMMAND_ERROR = re.compile(r"\s*-1\d\d\b")  # the command is not understood
EXECUTION_ERROR = re.compile(r"\s*-2\d\d\b")
QUERY_ERROR = re.compile(r"\s*-4\d\d\b")  # such as -420: an answer was read where there is none
log = logging.getLogger(__name__)


class Session:
    """One connection, its lock and its state.

    `instrument` is the role that error messages name. Everything sent or asked is bounded by `timeout_s`,
    or by the call's own. Raises BenchTimeout, LinkLost, Desynchronised, BadReply and InstrumentError of
    harness.errors.
    """

    def __init__(
        self,
        address: str,
        *,
        instrument: str,
        visa: str = "python",
        line: Line = PLAIN_LINE,
        timeout_s: float = TIMEOUT_S,
        transcript: Listener | None = None,
        dialect: Dialect = SCPI,
        connect: Callable[[], Wire] | None = None,
    ) -> None:
        self.address, self.instrument, self.timeout_s = address, instrument, timeout_s
        self.identity = ""
        self.dirty = False
        self._dialect, self._transcript = dialect, transcript
        self._ending, self._answers_end = dialect.ending, dialect.answers_end
        self._may_send_at = 0.0
        self._connect = connect or _connector(address, visa, line)
        self._lock = threading.RLock()
        self._group: list[str] | None = None
        self._wire: Wire | None = None
        self._has_said = False  # that it takes no device clear
        self._reopen((0.0,))

    # -- transactions --------------------------------------------------------------------------------------

    def write(self, command: str) -> None:
        """Send a command that is no question, and read what the dialect says that is answered to it.

        Inside `group` it is remembered for the errors it may cause. Raises BadReply for another answer.
        """
        with self._transaction(command) as (wire, deadline):
            if self._group is not None:
                self._group.append(command)
            self._send(wire, command, deadline)
            self._receive_answer(wire, command, deadline)
            self._receive_prompt(wire, command, deadline)

    def query(self, command: str, *, timeout_s: float | None = None) -> str:
        """Ask and return the answer, without its ending."""
        with self._transaction(command, timeout_s) as (wire, deadline):
            self._send(wire, command, deadline)
            line = self._received(wire, deadline)
            if self._dialect.answer_after_questions:
                self._receive_answer(wire, command, deadline)
            self._receive_prompt(wire, command, deadline)
            # Latin-1 only where makers are known to write more than ASCII: a degree sign in a model's name.
            answer = line.decode("latin-1" if command == "*IDN?" else "ascii")
        if command.endswith("?") and answer.strip() == command:
            raise self.bad_reply(f"an answer and not an echo ({ECHO_REMEDY})", answer, command)
        if not answer.strip():
            raise self.bad_reply(f"an answer and not an empty line ({EMPTY_REMEDY})", answer, command)
        if UNSEEN.search(answer):
            raise self.bad_reply("text that shows as it is", answer, command)
        if command in ("*IDN?", self._dialect.error_query):
            return answer
        return self.with_points(answer)

    def query_number(self, command: str) -> float:
        """Ask for one number, perhaps with its unit behind it.

        Raises BadReply if the answer is none, or is SCPI's 9.9E37 or 9.91E37.
        """
        return self.number_of(self.query(command), command)

    def number_of(self, answer: str, command: str) -> float:
        """The number that the answer to a command is; raises BadReply as `query_number` does."""
        value = number_in(answer)
        if value is None or not abs(value) < 9.8e37:
            raise self.bad_reply(f"a number{comma_remedy(answer)}", answer, command)
        return value

    def check_switched(self, query: str, *, on: bool, output: str = "") -> None:
        """Ask whether an output is on. Raises BenchError if it is not as it was switched."""
        answer = self.query(query)
        result = self.is_on(answer, query)
        if result is not on:
            states = ("on", "off") if on else ("off", "on")
            raise self.error(f"{output}was switched {states[0]} and reads {states[1]}", query)

    def is_on(self, answer: str, query: str) -> bool:
        """Whether an output is on, by the answer to `query`. Raises BadReply if that says neither."""
        result = self._dialect.is_on(answer)
        if result is None:
            wanted = "1 or 0 (another answer: `on_answer` and `off_answer` of its profile; a part of it: "
            wanted += "`output_state`)"
            if self._dialect.on_answer is not None:
                wanted = "`on_answer` or `off_answer` of its profile, or where `output_state` has it"
            raise self.bad_reply(wanted, answer, query)
        return result

    def take_on_and_off(
        self, on: ExpectedAnswer | None, off: ExpectedAnswer | None, *, output_state: str | None
    ) -> None:
        """From here on an output is on, and off, if it answers so; output_state: where in the answer."""
        self._dialect = replace(self._dialect, on_answer=on, off_answer=off, output_state=output_state)

    def with_points(self, answer: str) -> str:
        """An answer whose numbers have a decimal point, whatever the instrument writes."""
        return answer.replace(",", ".") if self._dialect.decimal_comma else answer

    def query_block(
        self,
        command: str,
        *,
        expected: int | None = None,
        timeout_s: float | None = None,
        terminated: bool = True,
        prefix: str = "",
        blocks: int = 1,
    ) -> bytearray:
        """Ask for definite-length blocks and return their bytes; `expected` is the length each must have.

        terminated: a line feed follows the last, as IEEE 488.2 has it. prefix: text that comes before each.
        """
        with self._transaction(command, timeout_s) as (wire, deadline):
            self._send(wire, command, deadline)
            begun = time.monotonic()
            data: bytearray = wire.block(
                deadline, terminated=terminated, expected=expected, prefix=prefix.encode(), blocks=blocks
            )
            if self._transcript:
                self._transcript.block(self.instrument, data, time.monotonic() - begun)
            self._receive_prompt(wire, command, deadline)
        return data

    def send_bytes(self, data: bytes, *, answer: bytes = b"") -> None:
        """Send a frame, and read the frame that a board answers, if any; what else came is thrown away.

        Raises BadReply for another answer.
        """
        with self._transaction(data.hex(" "), check=False) as (wire, deadline):
            self._pause()
            if wire.state() == "closed":
                raise ConnectionError("the connection is closed")
            if wire.state() == "data":
                self._log("in", wire.discard(0.002, deadline), time.monotonic())
            begun = time.monotonic()
            wire.send(data, deadline)
            self._log("out", data, begun)
            self._may_send_at = time.monotonic() + self._dialect.pause_s
            if answer:
                result = wire.exactly(len(answer), deadline)
                self._log("in", result, begun)
                if result != answer:
                    raise self.bad_reply(answer.hex(" "), result.hex(" "), data.hex(" "))

    def discard(self, *, quiet_s: float, timeout_s: float) -> None:
        """Throw away what comes in unasked (a boot banner) until nothing has come for `quiet_s`."""
        with self._transaction("", timeout_s, check=False) as (wire, deadline):
            begun = time.monotonic()
            gone = wire.discard(quiet_s, deadline)
            if gone:
                self._log("in", gone, begun)

    @contextmanager
    def group(self) -> Iterator[None]:
        """Settings that belong together: after the last one the error queue is read, once.

        Raises InstrumentError with the commands of the group where the instrument reports errors.
        """
        with self._lock:
            if self._group is not None:
                raise RuntimeError("groups of settings cannot be nested")
            self._group = []
            try:
                yield
                commands = tuple(self._group)
            finally:
                self._group = None
            if commands:
                self.check_errors(commands)

    # -- the instrument's own errors -----------------------------------------------------------------------

    def drain_errors(self) -> tuple[str, ...]:
        """Read the error queue, if any, until it is empty; what it held, oldest first, at most 32."""
        result: list[str] = []
        question = self._dialect.error_query
        if not question:
            return ()
        for _ in range(MOST_ERRORS):
            answer = self.query(question)
            number = re.match(r"\s*([+-]?\d+)", answer)
            if number is None:
                raise self.bad_reply('an error number, such as 0,"No error"', answer, question)
            if int(number[1]) == 0:
                return tuple(result)
            result.append(answer)
        self.write("*CLS")  # more than a queue holds: the rest must not be counted against the next group
        return (*result, f"(and more: the queue was not empty after {MOST_ERRORS}, and was cleared)")

    def check_errors(self, commands: Sequence[str] = ()) -> None:
        """Raise InstrumentError if the error queue isn't empty; `commands` are what may have caused it.

        SettingRefused if it holds execution errors alone, UnknownCommand if it holds a command error.
        """
        errors = self.drain_errors()
        if errors:
            kind: type[InstrumentError] = InstrumentError
            if any(COMMAND_ERROR.match(error) for error in errors):
                kind = UnknownCommand
            elif all(EXECUTION_ERROR.match(error) for error in errors):
                kind = SettingRefused
            raise self.error(f"reports {'; '.join(errors)}", " | ".join(commands), kind)

    # -- opening and reopening -----------------------------------------------------------------------------

    def start(self) -> str:
        """Start: *IDN? and the error queue, if it has them; what is in that is logged, and gone.

        No *CLS: who does not know it reports it behind the next command. Returns the identity, or "".
        """
        self.identity, errors = self._identity_and_errors()
        for error in errors:
            log.warning("%s", f"{self.instrument} at {self.address}: found in its error queue: {error}")
        return self.identity

    def resync(self) -> Sequence[str]:
        """Close, reopen, and make sure that the same instrument answers; returns what its error queue held.

        Raises WrongInstrument if another answers. Settings that matter must be sent again by the caller.
        """
        with self._lock:
            self._note("reopening")
            self._reopen(REOPEN_AFTER_S)
            if not self._dialect.identity_fields:
                self.discard(quiet_s=QUIET_S, timeout_s=TIMEOUT_S)
            if not self.identity:
                return ()
            result, errors = self._identity_and_errors()
            if result != self.identity:
                self.dirty = True
                what = (
                    f"answered as {self.identity!r} before the connection was reopened and now as {result!r}"
                )
                raise self.error(what, kind=WrongInstrument)
            for error in errors:
                self._note(f"error queue after reopening: {error}")
            return errors

    def _identity_and_errors(self, tries: int = TRIES) -> tuple[str, list[str]]:
        """What *IDN? and then the error queue answer, each to its own question.

        A program that was killed may have left an answer unread, which would come as the answer to *IDN?,
        and every later one a question late. If one of `IN_STEP` questions has another's answer, whatever
        still comes is thrown away and all are asked again. Raises BadReply if that does not help.
        """
        with self._lock:
            if not self._dialect.identity_fields:
                self.discard(quiet_s=QUIET_S, timeout_s=TIMEOUT_S)  # what whoever was here before left unread
                return "", list(self.drain_errors())
            try:
                identity = self._ask_identity()
                asked = IN_STEP if self._wire is not None and self._wire.keeps_answers else 1
                return identity, [error for _ in range(asked) for error in self.drain_errors()]
            except (BadReply, Desynchronised):
                if self._wire is None or not self._wire.keeps_answers or tries == 1:
                    raise
            self.dirty = False
            self._note("an answer to another question came; all that still comes is thrown away")
            self.discard(quiet_s=QUIET_S, timeout_s=TIMEOUT_S)
            return self._identity_and_errors(tries - 1)

    def insist(self, action: Callable[[], None]) -> None:
        """Carry out what makes the bench safe: reopen first if need be, and do it once more if it fails."""
        if not self.dirty:
            try:
                return action()
            except (BenchTimeout, LinkLost, Desynchronised, BadReply) as error:
                self._note(f"to be done again: {error}")
        self.resync()
        return action()

    def error(self, what: str, command: str = "", kind: type[BenchError] = BenchError) -> BenchError:
        """An error with this instrument's name and address; the transcript has it too."""
        self._note(f"{kind.__name__}: {what}")
        return kind(what, instrument=self.instrument, address=self.address, command=command)

    def close(self) -> None:
        """Close the connection; never raises."""
        with self._lock:
            if self._wire is not None:
                self._wire.close()
            self._wire = None

    def identity_of(self, profile: str, description: str = "", remark: str = "") -> Identity:
        """Who answered, or the profile's description of what says nothing; by which profile it is driven."""
        text = (self.identity or description or "it gives no identity") + remark
        return Identity(role=self.instrument, address=self.address, profile=profile, text=text)

    def bad_reply(self, wanted: str, answer: str, command: str) -> BenchError:
        """The error for an answer that doesn't read; the session is unusable from here on."""
        self.dirty = True
        return self.error(f"expected {wanted}, found {answer!r}", command, BadReply)

    # -- inside --------------------------------------------------------------------------------------------

    def _ask_identity(self) -> str:
        answer = self.query("*IDN?")
        count = self._dialect.identity_fields
        if len(answer.split(",")) != count or not answer.strip():
            wanted = "four fields: maker, model, serial number, firmware (others: see `identity_fields`)"
            if count != 4:
                wanted = f"{count} fields by `identity_fields` of its profile"
            raise self.bad_reply(wanted, answer, "*IDN?")
        return answer

    def _pause(self) -> None:
        wait_s = self._may_send_at - time.monotonic()
        if wait_s > 0.0:  # to sleep for no time takes the kernel as long as a short answer
            time.sleep(wait_s)

    def _send(self, wire: Wire, command: str, deadline: float) -> None:
        self._pause()
        begun = time.monotonic()
        data = command.encode("ascii") + self._ending
        wire.send(data, deadline)
        self._log("out", data, begun)
        if self._dialect.echoes:
            echo = self._received(wire, deadline).decode("latin-1")
            if echo.strip() != command:
                wanted = f"its echo of {command!r} (`echoes = true` in its profile)"
                raise self.bad_reply(wanted, echo, command)
        self._may_send_at = time.monotonic() + self._dialect.pause_s

    def _receive_answer(self, wire: Wire, command: str, deadline: float) -> None:
        """Read what the dialect says that a command is answered with. Raises BadReply for another answer."""
        wanted = self._dialect.answer
        if wanted is None:
            return
        answer = self._received(wire, deadline).decode("ascii")
        if answer.strip() == command and not self._dialect.echoes:
            raise self.bad_reply(f"{wanted!r} and not an echo ({ECHO_REMEDY})", answer, command)
        if answer.strip() != wanted:
            raise self.bad_reply(repr(wanted), answer, command)

    def _receive_prompt(self, wire: Wire, command: str, deadline: float) -> None:
        """Read what says that the instrument takes the next line. Raises BadReply if text comes before it."""
        if not self._dialect.prompt:
            return
        begun = time.monotonic()
        if came := wire.to_prompt(deadline):
            self._log("in", came, begun)
        if before := came.removesuffix(wire.prompt).strip():
            wanted = (
                f"its prompt {self._dialect.prompt!r} alone (`echoes` and `answer_terminator` may be why)"
            )
            raise self.bad_reply(wanted, before.decode("latin-1"), command)

    def _received(self, wire: Wire, deadline: float) -> bytes:
        """A line, logged."""
        begun = time.monotonic()
        line = wire.line(deadline, self._answers_end)
        self._log("in", line, begun)
        return line

    def _log(self, direction: str, data: bytes, begun: float) -> None:
        if self._transcript:
            self._transcript.message(self.instrument, direction, data, time.monotonic() - begun)

    def _note(self, what: str) -> None:
        if self._transcript:
            self._transcript.event(self.instrument, what)

    @contextmanager
    def _transaction(
        self, command: str, timeout_s: float | None = None, *, check: bool = True
    ) -> Iterator[tuple[Wire, float]]:
        """The lock, the checks, the deadline, and the one wall where foreign errors become ours."""
        with self._lock:
            deadline = time.monotonic() + (self.timeout_s if timeout_s is None else timeout_s)
            wire = self._usable(command, check=check)
            done = False
            try:
                yield wire, deadline
                done = True
            except BenchError:
                raise
            except (OSError, ValueError, RuntimeError) as error:
                raise self._named(error, command, timeout_s) from error
            finally:  # KeyboardInterrupt leaves an answer on its way as well
                if not done:
                    self.dirty = True

    def _usable(self, command: str, *, check: bool) -> Wire:
        if self.dirty or self._wire is None:
            what = "an earlier exchange failed, so answers may belong to other questions; reopen first"
            raise self.error(what, command, Desynchronised)
        state = self._wire.state() if check else "idle"
        if state == "idle":
            return self._wire
        self.dirty = True
        self._note(f"input not empty before {command!r}: {state}")
        if state == "closed":
            raise self.error("the instrument closed the connection, or was unplugged", command, LinkLost)
        # Whether what it says to a command comes before the next question, or behind it, is chance.
        what = f"an unexpected answer is waiting ({EMPTY_REMEDY}); reopen first"
        raise self.error(what, command, Desynchronised)

    def _named(self, error: Exception, command: str, timeout_s: float | None) -> BenchError:
        limit_s = self.timeout_s if timeout_s is None else timeout_s
        kind: type[BenchError] = LinkLost
        what = str(error)
        if isinstance(error, TimeoutError):
            kind, what = BenchTimeout, f"no complete answer within {limit_s:g} s: {error}"
        elif isinstance(error, UnicodeError):
            kind, what = BadReply, f"expected plain ASCII text, found {getattr(error, 'object', b'')!r}"
        elif isinstance(error, ValueError):
            kind = BadReply
        elif isinstance(error, (ConnectionResetError, BrokenPipeError)):
            what = f"the instrument closed the connection, or was unplugged ({error})"
        return self.error(what, command, kind)

    def _reopen(self, waits_s: Sequence[float]) -> None:
        self.close()
        try:
            self._wire = connected(self._connect, waits_s)
            self._wire.prompt = self._dialect.prompt.encode("ascii")
            self.dirty = False
        except OSError as error:
            self.dirty = True
            remedy = "Check that it is switched on and that the bench file has its address"
            raise self.error(f"no connection: {error}. {remedy}", kind=LinkLost) from error
        if self._wire.not_cleared:
            self._say_not_cleared(self._wire.not_cleared)

    def _say_not_cleared(self, why: str) -> None:
        what = f"takes no device clear ({why}); its identity and error queue show if old answers wait"
        self._note(what)
        if not self._has_said:
            log.warning("%s", f"{self.instrument} at {self.address}: {what}")
        self._has_said = True


def _connector(address: str, visa: str, line: Line) -> Callable[[], Wire]:
    if is_serial(address):
        return lambda: open_serial(address, line)
    return lambda: open_visa(address, visa)
