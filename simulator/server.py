"""The simulator as a whole: one world, its instruments behind sockets and a pty, and the control port.

A slip is one a setup at most: two leads swapped, one left off, or one on the neighbouring pin. Told which
leads to look at the hands put these right; told to look at all, they put all right.

The control port takes lines of JSON, each answered by one:
`{"unit": "S1", "faults": ["K3 never operates"]}` puts another unit into the fixture, `{"empty": true}` takes
it out, `{"setup": "name"}` moves the leads, and with `"look_at": ["input 1"]` besides sees to these leads of
it (`[]`: to all), `{"trouble": "oscilloscope late 800 ms"}` lets an instrument misbehave (`"none"` ends it),
`{"quit": true}` ends the simulator. The answer is `{"ok": true}`, or `{"ok": false, "error": "…"}`. Nothing
can be asked here: what a bench shows, its instruments show.
"""

import json
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

from harness.errors import UsageError
from harness.job.faults import Fault, parse_fault
from harness.job.fixture import PortName, Setup
from harness.job.job import Job
from harness.job.module import GROUND, LEGS
from simulator import faults as done_faults
from simulator.device import Device
from simulator.instruments.boards import Board, Coils, FrameBoard, ModbusBoard, RouteSwitchboard, TextBoard
from simulator.instruments.generator_and_supply import Generator, Supply
from simulator.instruments.oscilloscope import Oscilloscope
from simulator.scpi import ScpiError
from simulator.sources import generator_for
from simulator.unit import pin
from simulator.wire import (
    INSTRUMENTS,
    Agenda,
    Gone,
    Instrument,
    Listener,
    Mouth,
    PtyStream,
    ScpiLink,
    Stream,
    Trouble,
    parse_trouble,
)
from simulator.wiring import Places, proper_places
from simulator.world import Clock, World

LINE_MAX = 65_536
BoardKind = Literal["frame", "text", "route", "modbus"]
BOARD_KINDS: tuple[BoardKind, ...] = ("frame", "text", "route", "modbus")
CHANNELS_MIN = 16
PTY = sys.platform != "win32"
JOIN_S = 2.0


class Hands:
    """lead_errors: the share of setups with a slip. The same seed slips the same way in the same order."""

    def __init__(self, job: Job, *, inputs: int, lead_errors: float, seed: object) -> None:
        self._job, self._inputs, self._lead_errors = job, inputs, lead_errors
        self._rng = generator_for("hands", seed)
        self.elsewhere: dict[str, str | None] = {}

    def make(self, name: str) -> Places:
        """Make a setup; gives the leads that are elsewhere than they should be. Raises UsageError."""
        places = proper_places(self._setup(name), self._inputs)
        slips = places and self._rng.random() < self._lead_errors
        self.elsewhere = self._slip(places) if slips else {}
        return self.elsewhere

    def look_at(self, name: str, leads: Sequence[str]) -> Places:
        """Put these leads right, all where none is named; gives those that still are elsewhere."""
        known = proper_places(self._setup(name), self._inputs)
        unknown = [lead for lead in leads if lead not in known]
        if unknown:
            raise UsageError(f"no lead {unknown[0]!r} in {name!r}; it has {', '.join(known)}")
        seen_to = leads or list(known)
        self.elsewhere = {lead: place for lead, place in self.elsewhere.items() if lead not in seen_to}
        return self.elsewhere

    def _setup(self, name: str) -> Setup:
        setups = {setup.name: setup for setup in self._job.fixture.setups}
        if name not in setups:
            raise UsageError(f"no setup {name!r}; the fixture has: {', '.join(setups)}")
        return setups[name]

    def _slip(self, places: Mapping[str, str]) -> dict[str, str | None]:
        leads = list(places)
        lead = leads[int(self._rng.integers(len(leads)))]
        kind = int(self._rng.integers(3))
        if kind == 0:
            first = leads.index(lead) // 2 * 2
            if first + 1 < len(leads):
                one, other = leads[first], leads[first + 1]
                return {one: places[other], other: places[one]}
        if kind == 1:
            return {lead: None}
        nearby = self._neighbours(places[lead])
        return {lead: nearby[int(self._rng.integers(len(nearby)))]}

    def _neighbours(self, place: str) -> list[str]:
        """The pins beside one: the other leg, pin 1, and the same pin of the other channels' connectors."""
        for leg, other in zip(LEGS, LEGS[::-1], strict=True):
            if place == f"generator {leg}":
                return [f"generator {other}"]
        channels = self._job.module.channels
        for channel in channels:
            for port in self._job.module.ports:
                for leg, other in zip(LEGS, LEGS[::-1], strict=True):
                    here = PortName(channel=channel, net=port.net)
                    if place == pin(f"{here}.{leg}"):
                        beside = [pin(f"{c}.{port.net}.{leg}") for c in channels if c != channel]
                        return [pin(f"{here}.{other}"), GROUND, *beside]
        return [GROUND]


class ControlPort:
    """Reads requests from connections and hands them over to what carries them out."""

    def __init__(
        self, hands: Mapping[str, Callable[[Mapping[str, Any]], None]], end: Callable[[], None]
    ) -> None:
        self._hands = hands
        self._end = end

    def serve(self, stream: Stream) -> None:
        """Serve one connection until it ends."""
        held = bytearray()
        try:
            while (data := stream.read()) and len(held) < LINE_MAX:
                held += data
                while (end := held.find(b"\n")) >= 0:
                    line = bytes(held[:end])
                    del held[: end + 1]
                    answer, ending = self._answer(line)
                    stream.write(json.dumps(answer).encode() + b"\n")
                    if ending:
                        self._end()
        except Gone:
            return

    def _answer(self, line: bytes) -> tuple[dict[str, object], bool]:
        try:
            request = json.loads(line)
        except (ValueError, RecursionError):
            return {"ok": False, "error": "no line of JSON"}, False
        known = (*self._hands, "quit")
        names = [name for name in known if isinstance(request, dict) and name in request]
        if len(names) != 1:
            return {"ok": False, "error": f"expected one of {', '.join(known)}"}, False
        if names == ["quit"]:
            return {"ok": True}, True
        try:
            self._hands[names[0]](request)
        except UsageError as error:
            return {"ok": False, "error": str(error)}, False
        return {"ok": True}, False


@dataclass(frozen=True, kw_only=True)
class Addresses:
    """Where everything is: VISA resource names, a serial device or URL, and the control port."""

    generator: str
    oscilloscope: str
    supply: str
    switchboard: str
    switchboard_tcp: str  # the same board over TCP; the same as `switchboard` where it has no serial port
    control: str


def bench_toml(job: Job, addresses: Addresses, switchboard: str) -> str:
    """Write the bench file that reaches a simulator; what is not an address is the job's own bench's."""
    bench = job.bench
    hot, cold = (bench.generator.hot, bench.generator.cold) if bench is not None else (1, 2)
    probe = bench.oscilloscope.probe if bench is not None else 1.0
    output = bench.supply.output if bench is not None else 1
    return f"""\
[bench]
name = "Simulated bench"

[generator]
address = "{addresses.generator}"
profile = "scpi-generator"
hot = {hot}
cold = {cold}

[oscilloscope]
address = "{addresses.oscilloscope}"
profile = "preamble-oscilloscope"
probe = "{probe:g}x"
gain_accuracy = "2 %"

[supply]
address = "{addresses.supply}"
profile = "scpi-supply"
output = {output}

[switchboard]
address = "{addresses.switchboard}"
profile = "{switchboard}-switchboard"
settle = "15 ms"
"""


def write_bench(path: Path, text: str) -> None:
    """Write a bench file whole: a reader sees all of it or none. Raises UsageError."""
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    except OSError as error:
        raise UsageError(f"cannot write the bench file {path}: {error.strerror}") from error


class Simulator:
    """A running simulator of a job's bench; close it, or use it in a `with`.

    serial: draws the unit's values. bench_seed: draws the bench's own errors. speed: how many times faster
    than the wall its clock runs. lead_errors: the share of setups by hand in which a lead ends up elsewhere.
    """

    def __init__(
        self,
        job: Job,
        *,
        serial: str,
        faults: Sequence[Fault] = (),
        speed: float = 1.0,
        switchboard: BoardKind = "frame",
        bench_seed: int = 1,
        troubles: Sequence[Trouble] = (),
        lead_errors: float = 0.0,
    ) -> None:
        self._job = job
        self.switchboard_kind = switchboard
        self.ended = threading.Event()
        clock = Clock(speed)
        self._world = World(
            job, clock, serial=serial, wrong=done_faults.apply(faults, job.module), bench_seed=bench_seed
        )
        self._pair_of_hands = Hands(
            job, inputs=self._world.inputs, lead_errors=lead_errors, seed=f"{bench_seed} {serial}"
        )
        self._agendas = {name: Agenda() for name in INSTRUMENTS}
        self._listeners: dict[str, Listener] = {}
        self._pty: PtyStream | None = None
        supply_output = job.bench.supply.output if job.bench is not None else 1
        self._devices: dict[Instrument, Device] = {
            "generator": Generator(clock, self._world, serial=f"SIM{bench_seed:04d}"),
            "oscilloscope": Oscilloscope(clock, self._world, serial=f"SIM{bench_seed:04d}", seed=bench_seed),
            "supply": Supply(
                clock,
                self._world,
                serial=f"SIM{bench_seed:04d}",
                seed=bench_seed,
                relay_output=supply_output,
            ),
        }
        coils = Coils(self._world, max(CHANNELS_MIN, _highest_channel(job)))
        if switchboard == "route":
            self._devices["switchboard"] = RouteSwitchboard(clock, coils, serial=f"SIM{bench_seed:04d}")
        for name, device in self._devices.items():
            self._listen(name, ScpiLink(device, self._mouth(name)).serve)
        if switchboard != "route":
            self._serve_board(_board(switchboard, coils))
        self._listen("control", ControlPort(self._hands(), self.ended.set).serve)
        for trouble in troubles:
            self.trouble(trouble)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def addresses(self) -> Addresses:
        """Where everything is."""
        visa = {name: f"TCPIP::127.0.0.1::{self._listeners[name].port}::SOCKET" for name in self._devices}
        board_tcp = visa.get("switchboard", f"socket://127.0.0.1:{self._listeners['switchboard'].port}")
        return Addresses(
            generator=visa["generator"],
            oscilloscope=visa["oscilloscope"],
            supply=visa["supply"],
            switchboard=board_tcp if self._pty is None else self._pty.path,
            switchboard_tcp=board_tcp,
            control=f"127.0.0.1:{self._listeners['control'].port}",
        )

    def trouble(self, trouble: Trouble) -> None:
        """Let an instrument misbehave. Raises UsageError where it cannot."""
        device = self._devices.get(trouble.who)
        if trouble.kind == "error" and device is None:
            raise UsageError(f"the {trouble.who} has no error queue")
        if trouble.after == 0 and trouble.kind == "error" and device is not None:
            device.push(ScpiError(trouble.value or -300))
        elif trouble.after == 0 and trouble.kind == "refuse":
            self._refuse(trouble.who)
        else:
            self._agendas[trouble.who].add(trouble)

    def place_unit(self, serial: str, faults: Sequence[Fault] = ()) -> None:
        """Put another unit into the fixture."""
        self._world.place_unit(serial, done_faults.apply(faults, self._job.module))

    def take_unit_out(self) -> None:
        """Leave the fixture empty."""
        self._world.place_unit("", done_faults.taken_out(self._job.module))

    def move_leads(self, setup: str, elsewhere: Places | None = None) -> None:
        """Make a setup by hand, as well as these hands can, or with these slips. Raises UsageError."""
        slips = self._pair_of_hands.make(setup) if elsewhere is None else elsewhere
        self._world.move_leads(setup, slips)

    def close(self) -> None:
        """End every connection and thread."""
        for listener in self._listeners.values():
            listener.close()
        if self._pty is not None:
            self._pty.close()
            self._pty_thread.join(JOIN_S)
            self._pty.give_back()
        for listener in self._listeners.values():
            listener.join(JOIN_S)
        self.ended.set()

    def bench_toml(self) -> str:
        """A complete bench file for this simulator."""
        return bench_toml(self._job, self.addresses, self.switchboard_kind)

    # --- wiring ---
    def _listen(self, name: str, serve: Callable[[Stream], None]) -> None:
        self._listeners[name] = Listener(serve, name=name)

    def _mouth(self, name: Instrument) -> Mouth:
        def push(error: ScpiError) -> None:
            device = self._devices.get(name)
            if device is not None:
                device.push(error)

        return Mouth(self._agendas[name], push, lambda: self._refuse(name))

    def _serve_board(self, board: Board) -> None:
        mouth = self._mouth("switchboard")
        lock = threading.Lock()

        def serve(stream: Stream) -> None:
            with suppress(Gone):
                while data := stream.read():
                    with lock:
                        answers = list(board.feed(data))
                    for answer in answers:
                        mouth.say(stream, answer, lambda: False)

        self._listen("switchboard", serve)
        if PTY:
            pty = PtyStream()

            def serve_pty() -> None:
                serve(pty)
                pty.release()

            self._pty = pty
            self._pty_thread = threading.Thread(target=serve_pty, name="switchboard pty", daemon=True)
            self._pty_thread.start()

    def _refuse(self, name: Instrument) -> None:
        self._listeners[name].close()
        if name == "switchboard" and self._pty is not None:
            self._pty.close()

    # --- hands ---
    def _hands(self) -> Mapping[str, Callable[[Mapping[str, Any]], None]]:
        return {
            "unit": self._unit_by_hand,
            "empty": lambda _request: self.take_unit_out(),
            "setup": self._leads_by_hand,
            "trouble": self._trouble_by_hand,
        }

    def _unit_by_hand(self, request: Mapping[str, Any]) -> None:
        named = request.get("faults", [])
        if not isinstance(named, list) or not all(isinstance(name, str) for name in named):
            raise UsageError('"faults": expected a list of names')
        self.place_unit(_text(request, "unit"), read_faults(named, self._job))

    def _leads_by_hand(self, request: Mapping[str, Any]) -> None:
        setup, leads = _text(request, "setup"), request.get("look_at")
        if leads is None:
            self.move_leads(setup)
            return
        if not isinstance(leads, list) or not all(isinstance(lead, str) for lead in leads):
            raise UsageError('"look_at": expected a list of leads')
        self._world.move_leads(setup, self._pair_of_hands.look_at(setup, leads))

    def _trouble_by_hand(self, request: Mapping[str, Any]) -> None:
        text = _text(request, "trouble")
        if text == "none":
            for agenda in self._agendas.values():
                agenda.clear()
        else:
            self.trouble(parse_trouble(text))


def read_faults(texts: Sequence[str], job: Job) -> tuple[Fault, ...]:
    """Read faults by name, each text one or several joined by ` + `. Raises UsageError."""
    return tuple(fault for text in texts for fault in parse_fault(text, job.module, job.fixture))


def _board(kind: BoardKind, coils: Coils) -> Board:
    match kind:
        case "text":
            return TextBoard(coils)
        case "modbus":
            return ModbusBoard(coils)
        case _:
            return FrameBoard(coils)


def _text(request: Mapping[str, Any], name: str) -> str:
    value = request[name]
    if not isinstance(value, str) or not value:
        raise UsageError(f'"{name}": expected a text')
    return value


def _highest_channel(job: Job) -> int:
    selected = [channel for setup in job.fixture.setups for channel in setup.select or ()]
    return max([*job.fixture.controls.values(), *selected], default=1)
