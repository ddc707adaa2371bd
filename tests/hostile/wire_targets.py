"""Hostile bytes for the drivers' side of a wire in memory, whose peer answers at once or never."""

import contextlib
import math
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from drivers.boards.switchboard import RouteSwitchboard, TextSwitchboard
from drivers.generator_and_supply import ScpiGenerator, ScpiSupply
from drivers.models.dialect import SCPI, Dialect
from drivers.models.sources import GeneratorProfile, SupplyProfile
from drivers.models.switchboards import RouteProfile, TextProfile
from drivers.profile import OscilloscopeProfile, load_profile
from drivers.scope.oscilloscope import ScpiOscilloscope
from drivers.session import Session
from drivers.wire import State, StreamWire
from harness.bench_file import AS_THE_PROFILE, SupplyFile
from harness.errors import BenchError
from harness.roles import CaptureSetting, InputSetting
from tests.drivers.board_rigs import board_file

IDENTITY = b"Shed Works,Fuzz 1,0042,1.0"
QUIET = b'0,"No error"'


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
        result = _checked(session, lambda: session.query_number("MEASure:VOLTage?"))
        if result is not None and not (isinstance(result, float) and math.isfinite(result)):
            raise AssertionError(f"no number: {result!r}")
    elif kind % 4 == 1:
        result = _checked(session, lambda: session.query("OUTPut?"))
        if result is not None and "\n" in str(result):
            raise AssertionError(f"two answers in one: {result!r}")
    elif kind % 4 == 2:
        _checked(session, session.drain_errors)
    else:
        _checked(session, session.start)


def block(data: bytes) -> None:
    """A block: given back whole, byte for byte, or refused."""
    kind, content = (data[0], data[1:]) if data else (0, b"")
    expected = None if kind & 1 else 16
    session = _session(lambda _: content, "oscilloscope", closes=bool(kind & 4))
    result = _checked(
        session, lambda: session.query_block("DATA?", expected=expected, terminated=bool(kind & 2))
    )
    if result is None:
        return
    digits = int(content[1:2])
    length = int(content[2 : 2 + digits])
    if not isinstance(result, bytearray) or result != content[2 + digits : 2 + digits + length]:
        raise AssertionError("the block is not what was sent")


PREAMBLE = b"0,0,100,1,1.0E-4,0,0,3.125E-2,0,128"


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
    scope = ScpiOscilloscope(session, scope_profile, profile_name="x")
    setting = CaptureSetting(inputs={1: InputSetting(volts_per_division=1.0)}, duration_s=0.01, samples=100)
    try:
        capture = scope.capture(setting)
    except BenchError:
        return
    if not (np.isfinite(capture.volts).all() and capture.volts.shape[1] >= 100):
        raise AssertionError(f"volts that are none: {capture.volts}")


LABELS = (
    b'BYT_NR 1;BN_FMT RI;NR_PT 100;WFID "a; b";XINCR 1.0E-4;XZERO 0;PT_OFF 0;YMULT 4.0E-2;YZERO 0;YOFF 0\n'
)
SAMPLES = b"#3100" + bytes(range(100)) + b"\n"
VOLTS = b"#3399" + b",".join([b"0.1"] * 100) + b"\n"
DIALECTS: tuple[tuple[str, dict[bytes, bytes]], ...] = (
    ("labelled-preamble-oscilloscope", {b"WFMPre?": LABELS, b"CURVe?": SAMPLES}),
    (
        "single-query-oscilloscope",
        {
            b"VDIV?": b"C1:VDIV 1.0E+0V\n",
            b"OFST?": b"C1:OFST 0.0V\n",
            b"SARA?": b"SARA 10.0kSa/s\n",
            b"SANU?": b"SANU 100pts\n",
            b"WF?": b"DAT2," + SAMPLES,
        },
    ),
    ("text-list-oscilloscope", {b"SRAT?": b" 1.0e+04\n", b"ALL?": VOLTS}),
)
"""What each dialect answers to what in its questions."""


def dialect(data: bytes) -> None:
    """A scope of another dialect, one of whose answers is hostile: right volts, or none."""
    which, nth, content = (data[0], data[1], data[2:]) if len(data) > 1 else (0, 0, b"")
    name, good = DIALECTS[which % len(DIALECTS)]
    hostile = list(good)[nth % len(good)]
    done = {b"BUSY?": b"0\n", b"SAST?": b"SAST Stop\n"}

    def say(sent: bytes) -> bytes:
        if hostile in sent:
            return content
        known = good | done
        return next((known[word] for word in known if word in sent), None) or _sane(sent)

    keys = {"reset_s": 0.0, "complete_after_s": 0.0, "record_lengths": (100,)}
    own: OscilloscopeProfile = _shipped(name, "oscilloscope").model_copy(update=keys)
    session = _session(say, "oscilloscope", dialect=Dialect(error_query=own.error_query))
    session.start()
    scope = ScpiOscilloscope(session, own, profile_name="x")
    setting = CaptureSetting(inputs={1: InputSetting(volts_per_division=1.0)}, duration_s=6e-3, samples=10)
    try:
        capture = scope.capture(setting)
    except BenchError:
        return
    if not (np.isfinite(capture.volts).all() and capture.volts.shape[1] >= 10):
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
        dialect = profiles["text"].dialect(AS_THE_PROFILE) if which % 4 == 3 else SCPI
        session = _session(say, role, dialect=dialect)
        if which % 4 == 3:
            text_profile: TextProfile = profiles["text"]
            board = TextSwitchboard(session, text_profile, board_file(session.address))
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
            supply = ScpiSupply(session, supply_profile, SupplyFile(address="ASRL1::INSTR", profile="x"))
            measured = supply.measure()
            if not (math.isfinite(measured.voltage_v) and math.isfinite(measured.current_a)):
                raise AssertionError(f"no numbers: {measured}")
        else:
            route_profile: RouteProfile = profiles["route"]
            RouteSwitchboard(session, route_profile, board_file(session.address)).off()


def _text(sent: bytes) -> bytes:
    return b"0000\r\n" if b"?" in sent else b"OK\r\n"
