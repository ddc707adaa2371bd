"""The simulator as a whole: one world, its instruments behind sockets and a pty, and the control port.

A slip is one a setup at most: two leads exchanged, one left off, one on a neighbouring pin or on the pin of
another lead, one that shorts its pin to ground or to the other leg, or all of the scope's one pin on. Told
which leads to look at the hands put these right; told to look at all, they put all right.

The control port takes lines of JSON, each answered by one:
`{"unit": "S1", "faults": ["K3 never operates"]}` puts another unit into the fixture, `{"empty": true}` takes
it out, `{"wires": {"input pin left.out.hot": []}}` puts wires of the fixture on other nodes (`[]`: on none),
`{"setup": "name"}` moves the leads, with `"look_at": ["input 1"]` puts these leads right (`[]`: all), with
`"leads": {"input 1": ["left.in.hot"]}` instead puts these on other pins (`[]`: on none),
`{"trouble": "oscilloscope late 800 ms"}` lets an instrument misbehave (`"none"` ends it), `{"quit": true}`
ends the simulator. The answer is `{"ok": true}`, or `{"ok": false, "error": "…"}`. Nothing can be asked here:
what a bench shows, its instruments show.
"""

import json
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass
from functools import partial
from itertools import product
from pathlib import Path
from typing import Any, Literal

from harness.errors import UsageError
from harness.job.faults import Fault, parse_fault
from harness.job.job import Job
from harness.job.module import GROUND, LEGS, node_name
from simulator import faults as done_faults
from simulator.boards import LATE_SHARE, Board, Coils, FrameBoard, ModbusBoard, RouteSwitchboard, TextBoard
from simulator.device import Device
from simulator.generator_and_supply import Generator, Supply
from simulator.imperfections import USUAL, Imperfections
from simulator.oscilloscope import Oscilloscope
from simulator.scpi import ScpiError
from simulator.sources import generator_for
from simulator.troubles import INSTRUMENTS, Agenda, Instrument, Trouble, parse_trouble
from simulator.unit import pin
from simulator.wire import (
    Gone,
    Listener,
    Mouth,
    PtyStream,
    Stream,
    serve_scpi,
)
from simulator.wiring import LeadNodes, Place, proper_nodes
from simulator.world import Clock, World

LINE_MAX = 65_536
BoardKind = Literal["frame", "text", "route", "modbus"]
BOARDS: Mapping[BoardKind, type[Board]] = {"frame": FrameBoard, "text": TextBoard, "modbus": ModbusBoard}
BOARD_KINDS: tuple[BoardKind, ...] = (*BOARDS, "route")
CHANNELS_MIN = 16
PTY = sys.platform != "win32"
JOIN_S = 2.0


class Hands:
    """lead_errors: the share of setups with a slip. The same seed slips the same way in the same order."""

    def __init__(self, job: Job, world: World, *, lead_errors: float, seed: object) -> None:
        self._job, self._world, self._lead_errors = job, world, lead_errors
        self._rng = generator_for("hands", seed)
        self.elsewhere: dict[str, Place] = {}

    def make(self, name: str) -> LeadNodes:
        """Make a setup; returns the leads that are elsewhere than they should be. Raises UsageError."""
        nodes = proper_nodes(self._world.setup_named(name), self._world.inputs)
        slips = nodes and self._rng.random() < self._lead_errors
        self.elsewhere = self._slip(nodes) if slips else {}
        return self.elsewhere

    def look_at(self, name: str, leads: Sequence[str]) -> LeadNodes:
        """Put these leads right, all if none is named; returns those that still are elsewhere."""
        known = proper_nodes(self._world.setup_named(name), self._world.inputs)
        unknown = [lead for lead in leads if lead not in known]
        if unknown:
            raise UsageError(f"no lead {unknown[0]!r} in {name!r}; it has {', '.join(known)}")
        corrected = leads or list(known)
        self.elsewhere = {lead: node for lead, node in self.elsewhere.items() if lead not in corrected}
        return self.elsewhere

    def _slip(self, nodes: Mapping[str, str]) -> dict[str, Place]:
        leads = list(nodes)
        lead = leads[int(self._rng.integers(len(leads)))]
        first = leads.index(lead) // 2 * 2
        inputs = [each for each in leads if each.startswith("input")]
        alike = [each for each in leads if each[:5] == lead[:5] and each != lead]
        match int(self._rng.integers(7)):
            case 0 if first + 1 < len(leads):
                hot, cold = leads[first : first + 2]
                return {hot: nodes[cold], cold: nodes[hot]}
            case 1 if alike:
                other = alike[int(self._rng.integers(len(alike)))]
                return {lead: nodes[other], other: nodes[lead]}
            case 2 if alike:
                return {lead: nodes[alike[int(self._rng.integers(len(alike)))]]}
            case 3:
                return {lead: (nodes[lead], GROUND)}
            case 4 if len(inputs) > 2:
                on = [*inputs[1:], inputs[0]]
                return {each: nodes[next_one] for each, next_one in zip(inputs, on, strict=True)}
            case 5:
                nearby = self._neighbours(nodes[lead])
                return {lead: nearby[int(self._rng.integers(len(nearby)))]}
            case _:
                return {lead: None}

    def _neighbours(self, node: str) -> list[str]:
        """The pins beside one: the other leg, pin 1, and the same pin of the other channels' connectors."""
        channels = self._job.module.channels
        for leg, other in zip(LEGS, LEGS[::-1], strict=True):
            if node == f"generator {leg}":
                return [f"generator {other}"]
            for channel, port in product(channels, self._job.module.ports):
                if port.is_in(channel) and node == pin(node_name(channel, port.net, leg)):
                    beside = [
                        pin(node_name(c, port.net, leg)) for c in channels if c != channel and port.is_in(c)
                    ]
                    return [pin(node_name(channel, port.net, other)), GROUND, *beside]
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
        received = bytearray()
        try:
            while (data := stream.read()) and len(received) < LINE_MAX:
                received += data
                while (end := received.find(b"\n")) >= 0:
                    line = bytes(received[:end])
                    del received[: end + 1]
                    names, error = self._act(line)
                    answer = {"ok": False, "error": error} if error else {"ok": True}
                    stream.write(json.dumps(answer).encode() + b"\n")
                    if names == ["quit"]:
                        self._end()
        except Gone:
            return

    def _act(self, line: bytes) -> tuple[list[str], str]:
        """Carry out a request; returns what was asked for, and why it was refused ("" if it was not)."""
        try:
            request = json.loads(line)
        except (ValueError, RecursionError):
            return [], "no line of JSON"
        known = (*self._hands, "quit")
        names = [name for name in known if isinstance(request, dict) and name in request]
        if len(names) != 1:
            return [], f"expected one of {', '.join(known)}"
        try:
            if names != ["quit"]:
                self._hands[names[0]](request)
        except UsageError as error:
            return [], str(error)
        return names, ""


@dataclass(frozen=True, kw_only=True)
class Addresses:
    """Of each instrument: VISA resource names, a serial device or URL, and the control port."""

    generator: str
    oscilloscope: str
    supply: str
    switchboard: str
    switchboard_tcp: str  # the same board over TCP; the same as `switchboard` where it has no serial port
    control: str


def write_bench(path: Path, text: str) -> None:
    """Write a bench file whole: a reader sees all of it or none. Raises UsageError."""
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    except OSError as error:
        raise UsageError(f"cannot write the bench file {path}: {error.strerror}") from error


class Simulator(AbstractContextManager["Simulator"]):
    """A running simulator of a job's bench; close it, or use it in a `with`.

    serial: draws the unit's values. bench_seed: draws the bench's own errors. speed: how many times faster
    than the wall its clock runs. lead_errors: the share of setups by hand in which a lead ends up elsewhere.
    imperfections: how large those of bench and unit are.
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
        imperfections: Imperfections = USUAL,
    ) -> None:
        self._job = job
        self.switchboard_kind = switchboard
        self.ended = threading.Event()
        clock = Clock(speed)
        self._world = World(
            job,
            clock,
            serial=serial,
            wrong=done_faults.apply(faults, job.module),
            bench_seed=bench_seed,
            imperfections=imperfections,
        )
        self._pair_of_hands = Hands(job, self._world, lead_errors=lead_errors, seed=f"{bench_seed} {serial}")
        self._agendas = {name: Agenda() for name in INSTRUMENTS}
        self._listeners: dict[str, Listener] = {}
        self._pty: PtyStream | None = None
        number = f"SIM{bench_seed:04d}"
        output = job.bench.supply.output if job.bench is not None else 1
        self._generator = Generator(clock, self._world, serial=number)
        self._oscilloscope = Oscilloscope(
            clock, self._world, serial=number, seed=bench_seed, imperfections=imperfections
        )
        self._supply = Supply(clock, self._world, serial=number, seed=bench_seed, relay_output=output)
        self._devices: dict[Instrument, Device] = {
            "generator": self._generator,
            "oscilloscope": self._oscilloscope,
            "supply": self._supply,
        }
        self._coils = coils = Coils(
            self._world,
            max(CHANNELS_MIN, _highest_channel(job)),
            late_share=0.0 if switchboard == "route" else imperfections.late_board * LATE_SHARE,
            seed=bench_seed,
        )
        if switchboard == "route":
            self._devices["switchboard"] = RouteSwitchboard(clock, coils, serial=number)
        for name, device in self._devices.items():
            self._listen(name, partial(serve_scpi, device, self._mouth(name)))
        if switchboard != "route":
            self._serve_board(BOARDS[switchboard](coils))
        self._listen("control", ControlPort(self._hands(), self.ended.set).serve)
        for trouble in troubles:
            self.trouble(trouble)

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def addresses(self) -> Addresses:
        """Of each instrument, and of the control port."""
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
        """Let an instrument misbehave. Raises UsageError if it cannot."""
        device = self._devices.get(trouble.who)
        if trouble.kind == "error" and device is None:
            raise UsageError(f"the {trouble.who} has no error queue")
        if trouble.after == 0 and trouble.kind == "error" and device is not None:
            device.push(ScpiError(trouble.value or -300))
        elif trouble.after == 0 and trouble.kind == "refuse":
            self._refuse(trouble.who)
        elif trouble.after == 0 and trouble.is_inside:
            self._upset(trouble)
        else:
            self._agendas[trouble.who].add(trouble)

    def _upset(self, trouble: Trouble) -> None:
        """Let something go wrong inside an instrument, of which its answers say nothing."""
        match trouble.who:
            case "oscilloscope":
                self._oscilloscope.upset(trouble.kind, trouble.value)
            case "generator":
                self._generator.upset(trouble.kind, trouble.value)
            case "supply":
                self._supply.upset(trouble.kind, trouble.value)
            case "switchboard":
                self._coils.upset(trouble.kind, trouble.value)

    def place_unit(self, serial: str, faults: Sequence[Fault] = ()) -> None:
        """Put another unit into the fixture."""
        self._world.place_unit(serial, done_faults.apply(faults, self._job.module))

    def move_leads(self, setup: str, elsewhere: LeadNodes | None = None) -> None:
        """Make a setup by hand, as well as these hands can, or with these slips. Raises UsageError."""
        slips = self._pair_of_hands.make(setup) if elsewhere is None else elsewhere
        self._world.move_leads(setup, slips)

    def move_wires(self, wires: LeadNodes) -> None:
        """Put wires of the fixture on other nodes than their own pins; {} puts all right."""
        self._world.move_wires(wires)

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
        """A complete bench file for this simulator; what is not an address is the job's own bench's."""
        bench, addresses = self._job.bench, self.addresses
        probe = bench.oscilloscope.probe if bench is not None else 1.0
        output = bench.supply.output if bench is not None else 1
        sync = "\nsync_connected = true" if self._job.has_sync else ""
        mains = f'\nmains = "{bench.bench.mains}"' if bench is not None and bench.bench.mains else ""
        return f"""\
[bench]
name = "Simulated bench"{mains}

[generator]
address = "{addresses.generator}"
{_feeding(self._job)}

[oscilloscope]
address = "{addresses.oscilloscope}"
profile = "preamble-oscilloscope"
probe = "{probe:g}x"
gain_accuracy = "2 %"{sync}

[supply]
address = "{addresses.supply}"
profile = "scpi-supply"
output = {output}

[switchboard]
address = "{addresses.switchboard}"
profile = "{self.switchboard_kind}-switchboard"
settle = "15 ms"
"""

    # --- wiring ---
    def _listen(self, name: str, serve: Callable[[Stream], None]) -> None:
        self._listeners[name] = Listener(serve, name=name)

    def _mouth(self, name: Instrument) -> Mouth:
        def push(error: ScpiError) -> None:
            device = self._devices.get(name)
            if device is not None:
                device.push(error)

        return Mouth(self._agendas[name], push, lambda: self._refuse(name), self._upset)

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
            "empty": lambda _: self._world.place_unit("", done_faults.taken_out(self._job.module)),
            "setup": self._leads_by_hand,
            "wires": self._wires_by_hand,
            "trouble": self._trouble_by_hand,
        }

    def _unit_by_hand(self, request: Mapping[str, Any]) -> None:
        names = _texts(request, "faults", "names")
        self.place_unit(_text(request, "unit"), read_faults(names, self._job))

    def _leads_by_hand(self, request: Mapping[str, Any]) -> None:
        setup = _text(request, "setup")
        if request.get("leads") is not None:
            self.move_leads(setup, self._on_pins(_places(request, "leads"), setup))
        elif request.get("look_at") is None:
            self.move_leads(setup)
        else:
            leads = _texts(request, "look_at", "leads")
            self._world.move_leads(setup, self._pair_of_hands.look_at(setup, leads))

    def _on_pins(self, places: Mapping[str, Sequence[str]], setup: str) -> LeadNodes:
        """Leads on the pins that people name, `left.out.hot`. Raises UsageError for what there is not."""
        module = self._job.module
        pins = {
            node_name(channel, port.net, leg): pin(node_name(channel, port.net, leg))
            for port in module.ports
            for channel in module.channels
            if port.is_in(channel)
            for leg in LEGS
        }
        leads = proper_nodes(self._world.setup_named(setup), self._world.inputs)
        outputs = [node for node in dict.fromkeys(leads.values()) if node.startswith("generator")]
        told = {GROUND: GROUND, **dict(zip(outputs, outputs, strict=True)), **pins}
        known = told | dict(zip(pins.values(), pins.values(), strict=True))
        for lead, named in places.items():
            if lead not in leads:
                on = f", on {' and '.join(outputs)}" if outputs else ""
                raise UsageError(f"no lead {lead!r} in {setup!r}; it has {', '.join(leads)}{on}")
            for node in named:
                if node not in known:
                    raise UsageError(f"no pin {node!r}; expected one of {', '.join(told)}")
        return {lead: tuple(known[node] for node in named) for lead, named in places.items()}

    def _wires_by_hand(self, request: Mapping[str, Any]) -> None:
        self.move_wires(_places(request, "wires"))

    def _trouble_by_hand(self, request: Mapping[str, Any]) -> None:
        text = _text(request, "trouble")
        if text == "none":
            for agenda in self._agendas.values():
                agenda.clear()
            for instrument in (self._oscilloscope, self._generator, self._supply, self._coils):
                instrument.mend()
        else:
            self.trouble(parse_trouble(text))


def _feeding(job: Job) -> str:
    """How the generator feeds the legs: by an output each, or by one before a transformer."""
    bench = job.bench
    if bench is None or bench.generator.transformer is None:
        hot, cold = bench.feeds if bench is not None else (1, 2)
        return f'profile = "scpi-generator"\nhot = {hot}\ncold = {cold}'
    turns, winding_ohm = bench.generator.transformer, bench.generator.winding_ohm
    head = 'profile = "one-frequency-generator"\noutput = 1'
    return f'{head}\ntransformer = "1:{turns!r}"\nwinding = "{winding_ohm!r} ohm"'


def read_faults(texts: Sequence[str], job: Job) -> tuple[Fault, ...]:
    """Read faults by name, each text one or several joined by ` + `. Raises UsageError."""
    return tuple(fault for text in texts for fault in parse_fault(text, job.module, job.fixture))


def _text(request: Mapping[str, Any], name: str) -> str:
    value = request[name]
    if not isinstance(value, str) or not value:
        raise UsageError(f'"{name}": expected a text')
    return value


def _texts(request: Mapping[str, Any], name: str, of_what: str) -> list[str]:
    values = request.get(name, [])
    if not isinstance(values, list) or not all(isinstance(value, str) for value in values):
        raise UsageError(f'"{name}": expected a list of {of_what}')
    return values


def _places(request: Mapping[str, Any], name: str) -> dict[str, tuple[str, ...]]:
    places = request[name]
    if not isinstance(places, dict):
        raise UsageError(f'"{name}": expected the nodes of each')
    return {lead: tuple(_texts(places, lead, "nodes")) for lead in places}


def _highest_channel(job: Job) -> int:
    selected = [channel for setup in job.fixture.setups for channel in setup.select or ()]
    return max([*job.fixture.controls.values(), *selected], default=1)
