"""What every SCPI instrument has: error queue, status registers, common commands, message execution."""

import threading
from collections import deque
from collections.abc import Callable, Sequence

from simulator.scpi import Command, Headers, ScpiError, call, integer, parse_message
from simulator.world import Clock

QUEUE_DEPTH = 20  # SCPI asks for at least two
INPUT_MAX = 65_536  # bytes of one program message

OPERATION_COMPLETE, QUERY_ERROR, DEVICE_ERROR, EXECUTION_ERROR, COMMAND_ERROR, POWER_ON = 1, 4, 8, 16, 32, 128
"""Bits of the standard event status register, IEEE 488.2 11.5.1."""

Pending = Callable[[], float | None]
"""Wall seconds after which to look again, None once nothing is pending."""

Wait = Callable[[Pending, bool], bool]
"""Waits until nothing is pending. False if input came first and the second argument lets it interrupt."""


class Device:
    """An instrument's head: it understands messages, and leaves the doing to its subclass's commands."""

    def __init__(self, clock: Clock, *, model: str, serial: str) -> None:
        self.clock = clock
        self.lock = threading.RLock()
        self.identity = f"Ferncastle Instruments,{model},{serial},1.0"
        self._errors: deque[ScpiError] = deque()
        self._event_status = POWER_ON
        self._completion_asked = False
        self._enables: dict[str, int] = {}
        self._headers = Headers([*self._common(), *self._mandatory(), *self.commands()])

    # --- for the subclass ---
    def commands(self) -> Sequence[Command]:
        """List the instrument's own commands."""
        raise NotImplementedError

    def reset(self) -> None:
        """Go to the state after *RST."""
        raise NotImplementedError

    def busy(self) -> float | None:
        """Wall seconds after which to look again while an operation is pending, None when there is none."""
        return None

    # --- errors and status ---
    def push(self, error: ScpiError) -> None:
        """Queue an error and set its bit of the event status register."""
        with self.lock:
            self._event_status |= _event_bit(error.number)
            if len(self._errors) == QUEUE_DEPTH:
                self._errors[-1] = ScpiError(-350)
            else:
                self._errors.append(error)

    def _next_error(self) -> str:
        return str(self._errors.popleft() if self._errors else ScpiError(0))

    def _status_byte(self) -> int:
        self._note_completion()
        status = 4 if self._errors else 0
        if self._event_status & self._enables["*ESE"]:
            status |= 32
        return status | (64 if status & self._enables["*SRE"] else 0)

    def _note_completion(self) -> None:
        if self._completion_asked and self.busy() is None:
            self._completion_asked = False
            self._event_status |= OPERATION_COMPLETE

    # --- messages ---
    def execute(self, message: bytes, wait: Wait) -> bytes | None:
        """Carry out one program message; returns its response message without terminator, None for none.

        A query that is interrupted while it waits raises -410 and has no answer, IEEE 488.2 6.3.2.3.
        """
        answers: list[bytes] = []
        last_asked = False
        for unit in parse_message(message):
            try:
                if isinstance(unit, ScpiError):
                    raise unit
                command, suffixes = self._headers.find(unit)
                if unit.query and last_asked:
                    raise ScpiError(-440)
                waits = (unit.path[0].word, unit.query) in (("*OPC", True), ("*WAI", False))
                if waits and not wait(self._pending, unit.query):
                    raise ScpiError(-410)
                with self.lock:
                    answer = call(command, suffixes, unit)
                last_asked = last_asked or command.last_in_message
            except ScpiError as error:
                self.push(error)
                if error.number == -410:
                    return None
                if -200 < error.number <= -100:
                    break
                continue
            if answer is not None:
                answers.append(answer.encode("ascii") if isinstance(answer, str) else answer)
        return b";".join(answers) if answers else None

    def _pending(self) -> float | None:
        with self.lock:
            return self.busy()

    # --- common commands, IEEE 488.2 chapter 10 ---
    def _common(self) -> list[Command]:
        return [
            Command(pattern="*CLS", do=self._clear),
            self._enable("*ESE", highest=255),
            Command(pattern="*ESR", ask=self._take_event_status),
            Command(pattern="*IDN", ask=lambda: self.identity, last_in_message=True),
            Command(pattern="*OPC", do=self._ask_completion, ask=lambda: "1"),
            Command(pattern="*RST", do=self._reset),
            self._enable("*SRE", highest=255, mask=~64),
            Command(pattern="*STB", ask=lambda: str(self._status_byte())),
            Command(pattern="*TST", ask=lambda: "0"),
            Command(pattern="*WAI", do=lambda: None),
        ]

    def _clear(self) -> None:
        self._errors.clear()
        self._event_status = 0
        self._completion_asked = False

    def _reset(self) -> None:
        self._completion_asked = False
        self.reset()

    def _take_event_status(self) -> str:
        self._note_completion()
        value, self._event_status = self._event_status, 0
        return str(value)

    def _ask_completion(self) -> None:
        self._completion_asked = True
        self._note_completion()

    # --- what SCPI-1999 volume 1, 4.2.1 makes mandatory ---
    def _mandatory(self) -> list[Command]:
        commands = [
            Command(pattern="SYSTem:ERRor", ask=self._next_error),
            Command(pattern="SYSTem:ERRor:NEXT", ask=self._next_error),
            Command(pattern="SYSTem:VERSion", ask=lambda: "1999.0"),
            Command(pattern="STATus:PRESet", do=self._preset),
        ]
        for register in ("OPERation", "QUEStionable"):
            commands += [
                Command(pattern=f"STATus:{register}", ask=lambda: "0"),
                Command(pattern=f"STATus:{register}:EVENt", ask=lambda: "0"),
                Command(pattern=f"STATus:{register}:CONDition", ask=lambda: "0"),
                self._enable(f"STATus:{register}:ENABle", highest=32767),
            ]
        return commands

    def _preset(self) -> None:
        self._enables |= {pattern: 0 for pattern in self._enables if pattern.startswith("STATus")}

    def _enable(self, pattern: str, *, highest: int, mask: int = -1) -> Command:
        """The command of an enable register, which holds no bits but those of the mask."""
        self._enables[pattern] = 0
        return Command(
            pattern=pattern,
            do=lambda value: self._enables.update({pattern: value & mask}),
            takes=integer(0, highest),
            ask=lambda: str(self._enables[pattern]),
        )


def _event_bit(number: int) -> int:
    """The event status bit of an error's class, SCPI-1999 volume 2, 21.8."""
    by_hundred = {1: COMMAND_ERROR, 2: EXECUTION_ERROR, 4: QUERY_ERROR}
    return by_hundred.get(-number // 100, DEVICE_ERROR)
