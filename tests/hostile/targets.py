"""What hostile bytes are thrown at: each target takes some and raises only where something is wrong with us.

A refusal in our own words (an error of harness.errors) is right; any other exception is a finding, and so is
a wrong value that gets through. Nothing here waits: the wire is in memory, its peer answers at once or never.
"""

import contextlib
import json
import math
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from drivers.generator import ScpiGenerator
from drivers.oscilloscope import PreambleOscilloscope
from drivers.profile import GeneratorProfile, OscilloscopeProfile, RouteProfile, SupplyProfile, TextProfile
from drivers.profile_files import load_profile
from drivers.session import Session
from drivers.supply import ScpiSupply
from drivers.switchboard import RouteSwitchboard
from drivers.text_switchboard import TextSwitchboard
from drivers.wire import State, StreamWire
from harness.descriptions.faults import Fault, parse_fault
from harness.descriptions.job import Job
from harness.descriptions.load import load_job
from harness.errors import BenchError, JobError, RecordsError, SwitchwalkError
from harness.records.store import open_records
from harness.roles import CaptureSetting, InputSetting
from simulator import faults as done_faults
from simulator.clock import Clock
from simulator.control import ControlPort
from simulator.device import Device
from simulator.instruments.boards import Board, Coils, FrameBoard, ModbusBoard, TextBoard
from simulator.instruments.generator import Generator
from simulator.instruments.oscilloscope import Oscilloscope
from simulator.instruments.route import RouteSwitchboard as SimulatedRoute
from simulator.instruments.supply import Supply
from simulator.troubles import parse_trouble
from simulator.world import World
from tests.records.outside_broadcast import ACQUISITION, ENDED, HEADER, READING, capture

ROOT = Path(__file__).resolve().parents[2]
JOBS = tuple(sorted(path.parent for path in (ROOT / "sequences").glob("*/module.toml")))
FILES = ("module.toml", "fixture.toml", "sequence.toml", "bench.toml")
IDENTITY = b"Shed Works,Fuzz 1,0042,1.0"
QUIET = b'0,"No error"'

# --- files ---------------------------------------------------------------------------------------------


@cache
def _folder() -> Path:
    """A job's folder in memory where there is such a place; gone with the process."""
    import atexit

    memory = Path("/dev/shm")
    place = Path(tempfile.mkdtemp(prefix="hostile-", dir=memory if os.access(memory, os.W_OK) else None))
    atexit.register(shutil.rmtree, place, ignore_errors=True)
    return place


def _job_with(name: str, content: bytes) -> Path:
    folder = _folder() / "job"
    if not folder.exists():
        folder.mkdir()
        for file in FILES:
            shutil.copy(JOBS[-1] / file, folder / file)
    (folder / name).write_bytes(content)
    return folder


def description(data: bytes) -> None:
    """The first byte says which file of a job the rest stands for; the others are sound."""
    name = FILES[data[0] % 4] if data else FILES[0]
    folder = _job_with(name, data[1:])
    try:
        with contextlib.suppress(JobError):
            load_job(folder)
    finally:
        shutil.copy(JOBS[-1] / name, folder / name)


ROLES = ("generator", "oscilloscope", "supply", "switchboard")


def profile(data: bytes) -> None:
    """A profile of somebody's own, beside the bench file; its commands are lines of plain text."""
    (_folder() / "own.toml").write_bytes(data[1:])
    try:
        made = load_profile("own", role=ROLES[data[0] % 4] if data else ROLES[0], folder=_folder())
    except JobError:
        return
    for _, command in getattr(made, "commands", ()):
        text = getattr(command, "text", "")
        if not isinstance(text, str) or not text.isascii() or not (text.isprintable()):
            raise AssertionError(f"a command that is no line of plain text: {text!r}")


def profile_name(data: bytes) -> None:
    """A profile's name never leads out of the folder of the bench file."""
    name = data.decode("utf-8", "replace")
    outside = _folder() / "stays" / "inside"
    outside.mkdir(parents=True, exist_ok=True)
    (_folder() / "outside.toml").write_text('kind = "supply"\n', encoding="utf-8")
    with contextlib.suppress(JobError):
        load_profile(name, role="supply", folder=outside)
        if name not in SHIPPED_SUPPLIES:
            raise AssertionError(f"profile {name!r} was found where none is")


SHIPPED_SUPPLIES = ("scpi-supply",)


def fault_name(data: bytes) -> None:
    """The name of a fault, as it is typed at the command line."""
    with contextlib.suppress(SwitchwalkError):
        parse_fault(data.decode("utf-8", "replace"), _job().module, _job().fixture)


@cache
def _sound_records() -> bytes:
    place = _folder() / "sound.sqlite"
    with open_records(place) as store:
        run = store.begin(HEADER)
        store.add_reference(run, {"gain": [1.0]})
        acquisition = store.add_acquisition(run, ACQUISITION)
        store.add_waveform(run, acquisition, capture(seed=1, samples=100))
        store.add_readings(run, [READING])
        store.finish(run, "pass", "", ENDED)
    return place.read_bytes()


def record_file(data: bytes) -> None:
    """A file of records in which bytes were changed: four bytes say where (three) and to what."""
    content = bytearray(_sound_records())
    for start in range(0, len(data) - 3, 4):
        content[int.from_bytes(data[start : start + 3], "big") % len(content)] = data[start + 3]
    place = _folder() / "records.sqlite"
    for left in _folder().glob("records.sqlite-*"):
        left.unlink()
    place.write_bytes(content)
    with contextlib.suppress(RecordsError), open_records(place, read_only=True) as store:
        store.units()
        for one in store.runs():
            store.readings(one.run_id)
            store.acquisitions(one.run_id)
            store.events(one.run_id)
            store.references(one.run_id)
            store.waveforms(one.run_id)
        store.verify()


# --- the drivers' side of the wire ---------------------------------------------------------------------


class Talk(StreamWire):
    """A wire in memory: `answer` is asked what comes back for what was sent."""

    def __init__(self, answer: Callable[[bytes], bytes], *, closes: bool) -> None:
        super().__init__()
        self._answer, self._closes = answer, closes
        self._coming: list[bytes] = []

    def send(self, data: bytes, deadline: float) -> None:
        answer = self._answer(data)
        # In two pieces, as a network may bring it.
        self._coming += [piece for piece in (answer[: len(answer) // 2], answer[len(answer) // 2 :]) if piece]

    def _receive(self, deadline: float) -> bytes:
        if self._coming:
            return self._coming.pop(0)
        if self._closes:
            raise ConnectionError("the instrument closed the connection")
        raise TimeoutError("nothing came")

    def state(self) -> State:
        return "data" if self._buffer or self._coming else "idle"

    def discard(self, quiet_s: float, deadline: float) -> bytes:
        gone = bytes(self._buffer) + b"".join(self._coming)
        self._buffer.clear()
        self._coming.clear()
        return gone

    def close(self) -> None:
        pass


def _session(answer: Callable[[bytes], bytes], role: str, *, closes: bool = False, **more: Any) -> Session:
    def connect() -> Talk:
        return Talk(answer, closes=closes)

    return Session("TCPIP::127.0.0.1::9::SOCKET", instrument=role, connect=connect, **more)


def _checked(session: Session, ask: Callable[[], object]) -> object:
    """Ask; a failure must leave the session refusing everything but being reopened."""
    from harness.errors import InstrumentError

    try:
        return ask()
    except InstrumentError:
        return None
    except BenchError:
        if not session.dirty:
            raise AssertionError("a failed exchange left the session in use") from None
        return None


def answer(data: bytes) -> None:
    """One answer to each kind of question."""
    kind, content = (data[0], data[1:]) if data else (0, b"")
    session = _session(lambda _: content, "supply", closes=bool(kind & 8))
    if kind % 4 == 0:
        found = _checked(session, lambda: session.query_number("MEASure:VOLTage?"))
        if found is not None and not (isinstance(found, float) and math.isfinite(found)):
            raise AssertionError(f"no number: {found!r}")
    elif kind % 4 == 1:
        found = _checked(session, lambda: session.query("OUTPut?"))
        if found is not None and "\n" in str(found):
            raise AssertionError(f"two answers in one: {found!r}")
    elif kind % 4 == 2:
        _checked(session, session.drain_errors)
    else:
        _checked(session, session.start)


def block(data: bytes) -> None:
    """A block: given back whole, byte for byte, or refused."""
    kind, content = (data[0], data[1:]) if data else (0, b"")
    expected = None if kind & 1 else 16
    session = _session(lambda _: content, "oscilloscope", closes=bool(kind & 4))
    found = _checked(
        session, lambda: session.query_block("DATA?", expected=expected, terminated=bool(kind & 2))
    )
    if found is None:
        return
    digits = int(content[1:2])
    length = int(content[2 : 2 + digits])
    if not isinstance(found, bytearray) or found != content[2 + digits : 2 + digits + length]:
        raise AssertionError("the block is not what was sent")


_PREAMBLE = b"0,0,100,1,1.0E-4,0,0,3.125E-2,0,128"


def _shipped(name: str, role: str) -> Any:
    return load_profile(name, role=role, folder=Path("/nonexistent"))


@cache
def _profiles() -> dict[str, Any]:
    return {
        "scope": _shipped("preamble-oscilloscope", "oscilloscope"),
        "generator": _shipped("scpi-generator", "generator"),
        "supply": _shipped("scpi-supply", "supply"),
        "route": _shipped("route-switchboard", "switchboard"),
        "text": _shipped("text-switchboard", "switchboard"),
    }


def waveform(data: bytes) -> None:
    """A scope whose preamble (before the first 0x1F) and block are hostile: right volts, or none."""
    preamble, _, content = data.partition(b"\x1f")

    def say(sent: bytes) -> bytes:
        if b"PREamble?" in sent:
            return preamble + b"\n"
        if b"DATA?" in sent:
            return content
        return _sane(sent)

    scope_profile: OscilloscopeProfile = _profiles()["scope"]
    session = _session(say, "oscilloscope")
    session.start()
    scope = PreambleOscilloscope(session, scope_profile, profile_name="x")
    setting = CaptureSetting(inputs={1: InputSetting(volts_per_division=1.0)}, duration_s=0.01, samples=100)
    try:
        capture = scope.capture(setting)
    except BenchError:
        return
    if not (np.isfinite(capture.volts).all() and capture.volts.shape[1] >= 100):
        raise AssertionError(f"volts that are none: {capture.volts}")


def _sane(sent: bytes) -> bytes:
    """What a well instrument answers; nothing to what is no question."""
    if b"?" not in sent:
        return b""
    if b"*IDN" in sent:
        return IDENTITY + b"\n"
    if b"ERRor" in sent:
        return QUIET + b"\n"
    return b"1\n" if b"OPC" in sent else b"0\n"


def driver(data: bytes) -> None:
    """Any driver, from opening to off, on an instrument whose nth answer is hostile.

    The first byte says which driver, the second which answer; the rest is that answer, line feeds and all.
    """
    which, nth, content = (data[0], data[1], data[2:]) if len(data) > 2 else (0, 0, b"\n")
    count = 0

    def say(sent: bytes) -> bytes:
        nonlocal count
        sane = _text(sent) if which % 4 == 3 else _sane(sent)
        if not sane:
            return b""
        count += 1
        return content if count - 1 == nth % 16 else sane

    profiles = _profiles()
    role = ("generator", "supply", "switchboard", "switchboard")[which % 4]
    with contextlib.suppress(BenchError):
        session = _session(say, role, ending=b"\r\n" if which % 4 == 3 else b"\n")
        if which % 4 == 3:
            text_profile: TextProfile = profiles["text"]
            board = TextSwitchboard(session, text_profile, profile_name="x", settle_s=0.0)
            board.off()
            return
        session.start()
        if which % 4 == 0:
            generator_profile: GeneratorProfile = profiles["generator"]
            generator = ScpiGenerator(session, generator_profile, profile_name="x")
            generator.switch(1, on=False)
            generator.off()
        elif which % 4 == 1:
            supply_profile: SupplyProfile = profiles["supply"]
            supply = ScpiSupply(session, supply_profile, profile_name="x")
            measured = supply.measure()
            if not (math.isfinite(measured.voltage_v) and math.isfinite(measured.current_a)):
                raise AssertionError(f"no numbers: {measured}")
        else:
            route_profile: RouteProfile = profiles["route"]
            RouteSwitchboard(session, route_profile, profile_name="x", settle_s=0.0).off()


def _text(sent: bytes) -> bytes:
    return b"0000\r\n" if b"?" in sent else b"OK\r\n"


# --- the simulator's side ------------------------------------------------------------------------------


@cache
def _job() -> Job:
    return load_job(JOBS[-1])


@cache
def _world() -> World:
    wrong = done_faults.apply([], _job().module)
    return World(_job(), Clock(1000.0), serial="SIM-1", wrong=wrong, bench_seed=1)


@cache
def _devices() -> tuple[Device, ...]:
    clock, world = Clock(1000.0), _world()
    return (
        Generator(clock, world, serial="SIM0001"),
        Oscilloscope(clock, world, serial="SIM0001", seed=1),
        Supply(clock, world, serial="SIM0001", seed=1, relay_output=1),
        SimulatedRoute(clock, Coils(world, 16), serial="SIM0001"),
    )


def message(data: bytes) -> None:
    """A program message to a simulated instrument: carried out or put into its error queue.

    Nothing is captured: a record takes its time whoever asks for it.
    """
    which, content = (data[0], data[1:]) if data else (0, b"")
    device = _devices()[which % 4]
    if which % 4 == 1 and any(word in content.upper() for word in (b"SING", b"RUN", b"DIG")):
        return
    for line in content.split(b"\n"):
        answered = device.execute(line.rstrip(b"\r"), lambda pending, interruptible: True)
        if not (answered is None or isinstance(answered, bytes)):
            raise AssertionError(f"no answer: {answered!r}")
    device.execute(b"*CLS", lambda pending, interruptible: True)


def board(data: bytes) -> None:
    """Bytes to a simulated relay board; what it holds on to stays small."""
    which, content = (data[0], data[1:]) if data else (0, b"")
    coils = Coils(_world(), 16)
    kinds: tuple[Callable[[Coils], Board], ...] = (FrameBoard, TextBoard, ModbusBoard)
    made = kinds[which % 3](coils)
    for start in range(0, len(content), 7):
        for said in made.feed(content[start : start + 7]):
            if not isinstance(said, bytes):
                raise AssertionError(f"no answer: {said!r}")
    if not coils.closed <= frozenset(range(1, 17)):
        raise AssertionError(f"channels that are not there: {coils.closed}")


class _Nothing:
    """A stream that nobody reads."""

    def __init__(self, data: bytes) -> None:
        self._data = [data, b""]
        self.said: list[bytes] = []

    def read(self) -> bytes:
        return self._data.pop(0) if self._data else b""

    def write(self, data: bytes) -> None:
        self.said.append(data)

    def input_within(self, wall_s: float) -> bool:
        return False

    def ended(self) -> bool:
        return True

    def close(self) -> None:
        pass


def control(data: bytes) -> None:
    """Lines to the simulator's control port: each answered by one line of JSON."""

    def trouble(request: Any) -> None:
        text = request["trouble"]
        if isinstance(text, str):
            parse_trouble(text)

    stream = _Nothing(data)
    ControlPort({"trouble": trouble}, lambda: None).serve(stream)
    for line in stream.said:
        json.loads(line)


TARGETS: dict[str, Callable[[bytes], None]] = {
    "description": description,
    "profile": profile,
    "profile name": profile_name,
    "fault name": fault_name,
    "records": record_file,
    "answer": answer,
    "block": block,
    "waveform": waveform,
    "driver": driver,
    "message": message,
    "board": board,
    "control": control,
}


def seeds(name: str) -> list[bytes]:
    """Sound inputs of a target, which hostile ones are made from."""
    return list(_SEEDS[name]())


def _descriptions() -> Iterator[bytes]:
    for job in JOBS:
        for path in sorted(job.glob("*.toml")):
            kind = next((n for n, file in enumerate(FILES) if file in path.name), None)
            if kind is not None:
                yield bytes((kind,)) + path.read_bytes()


def _profile_texts() -> Iterator[bytes]:
    for path in sorted((ROOT / "drivers" / "profiles").glob("*.toml")):
        kind = next(n for n, role in enumerate(ROLES) if role.removesuffix("oscope") in path.name)
        yield bytes((kind,)) + path.read_bytes()


def _fault_names() -> Iterator[bytes]:
    from harness.descriptions.faults import single_faults

    found: list[Fault] = list(single_faults(_job().module, _job().fixture))
    yield from (str(one).encode() for one in found[::7])


_SEEDS: dict[str, Callable[[], Iterator[bytes]]] = {
    "description": _descriptions,
    "profile": _profile_texts,
    "profile name": lambda: iter((b"scpi-supply", b"../../outside", b"outside", b"/etc/passwd", b"a.b-c_d")),
    "fault name": _fault_names,
    "records": lambda: iter((b"", bytes.fromhex("001000410020000000500020"))),
    "answer": lambda: iter(
        bytes((kind,)) + text
        for kind in (0, 1, 2, 3, 8)
        for text in (b"+1.2340E+01\n", b'0,"No error"\n', b'-410,"Query INTERRUPTED"\n', IDENTITY + b"\r\n")
    ),
    "block": lambda: iter(
        bytes((kind,)) + text
        for kind in range(8)
        for text in (b"#216" + bytes(range(16)) + b"\n", b"#9000000016" + bytes(16) + b"\r\n", b"#0abc\n")
    ),
    "waveform": lambda: iter((_PREAMBLE + b"\x1f#3100" + bytes(range(100)) + b"\n",)),
    "driver": lambda: iter(
        bytes((which, nth)) + text
        for which, text in ((0, b"0\n"), (1, b"+0.0E0\n"), (2, b"0,0,0\n"), (3, b"0000\r\n"))
        for nth in range(4)
    ),
    "message": lambda: iter(
        bytes((which,)) + text
        for which, text in (
            (0, b"OUTP1:LOAD INF;:SOUR1:FREQ 1e3;VOLT 2.0;:OUTP1 ON\n*OPC?"),
            (0, b"SOURce2:VOLTage:OFFSet 0;PHASe 180;:SYSTem:ERRor?"),
            (1, b":CHAN1:DISP ON;COUP DC;PROB 1;OFFS 0;SCAL 0.5\n:TIM:SCAL 1e-3;POS 0"),
            (1, b":WAV:SOUR CHAN2;FORM BYTE;POIN 100\n:WAV:PRE?\n:WAV:DATA?"),
            (2, b"INST:NSEL 1;:VOLT 12;CURR 0.2;:OUTP ON;:MEAS:VOLT?;CURR?"),
            (3, b"ROUT:OPEN:ALL;:ROUT:CLOS (@1,3:5);:ROUT:CLOS? (@1:16)"),
        )
    ),
    "board": lambda: iter(
        (
            b"\x00\xa0\x01\x01\xa2\xa0\x01\x00\xa1",
            b"\x01ON 3\r\nSTATE?\r\nALL OFF\r\n",
            b"\x02\x01\x05\x00\x02\xff\x00\x2d\xfa\x01\x01\x00\x00\x00\x10\x3d\xc6",
            b"\x02\x01\x0f\x00\x00\x00\x10\x02\xff\x00\xa2\x90",
        )
    ),
    "control": lambda: iter(
        (
            b'{"trouble": "oscilloscope late 800 ms after 20 always"}\n{"trouble": "none"}\n',
            b'{"unit": "S1", "faults": ["K3 never operates"]}\n{"quit": true}\n',
        )
    ),
}
