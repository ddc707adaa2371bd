"""Open a bench's instruments, all four or one by one, and leave it safe on every way out."""

import logging
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

from drivers.claim import LeftOnMarker, claim
from drivers.generator_and_supply import ScpiGenerator, ScpiSupply, outputs_left_on, voltage_left_on
from drivers.library_switchboards import GpioSwitchboard, ModbusSwitchboard
from drivers.oscilloscope import PreambleOscilloscope
from drivers.profile import (
    FrameProfile,
    GeneratorProfile,
    GpioProfile,
    ModbusProfile,
    RouteProfile,
    SupplyProfile,
    SwitchboardProfile,
    TextProfile,
    load_profile,
)
from drivers.serial_wire import open_serial
from drivers.session import Session, Transcript
from drivers.switchboard import Channels, FrameSwitchboard, RouteSwitchboard, TextSwitchboard, listed
from drivers.wire import Wire
from harness.bench_file import BenchFile, InstrumentFile
from harness.errors import BenchError, JobError, Mistake, WrongInstrument
from harness.roles import Bench, Generator, Oscilloscope, Supply, Switchboard
from harness.toml_files.values import compiled

Off = Callable[[], None]
ROLES = ("generator", "supply", "switchboard")  # in the order in which they are made safe
log = logging.getLogger(__name__)


class SafeEnd:
    """Makes a bench safe: once, in order, whatever fails on the way.

    offs: by role, what switches it off and verifies that; filled while the bench is opened.
    """

    def __init__(self, marks: Mapping[str, LeftOnMarker]) -> None:
        self.offs: dict[str, Off] = {}
        self._marks = marks
        self._is_begun = False

    def make_safe(self, cause: BaseException | None) -> None:
        """Switch everything off, take the marks away, and raise BenchError for what could not be."""
        with _interrupts_held():
            if self._is_begun:
                return
            self._is_begun = True
            failures = [failure for role in ROLES if (failure := self._switch_off(role))]
            if failures:
                raise BenchError(
                    "NOT SAFE. Switch off by hand what could not be switched off and verified: "
                    + "; ".join(failures)
                    + (f" (this came after: {cause})" if cause is not None and str(cause) else ""),
                    instrument="bench",
                ) from cause

    def _switch_off(self, role: str) -> str:
        """Why it could not be made safe, "" if it was."""
        mark = self._marks.get(role)
        try:
            if role in self.offs:
                self.offs[role]()
            elif mark is not None and mark.left_by:
                return ""  # left on by another run, and still: its mark stays, and its error was raised
            if mark is not None:
                mark.remove()
        except Exception as error:  # the next instrument must be made safe whatever befell this one
            return f"{role}: {error}"
        return ""


@contextmanager
def safe_end(marks: Mapping[str, LeftOnMarker]) -> Iterator[SafeEnd]:
    """Make safe, on every way out of the block, what was entered in the `offs` of what this yields.

    Raises BenchError for what could not be made safe, on the way out of the block. If an interrupt
    keeps this function from its end, Python closes it, and it makes safe then.
    """
    safe = SafeEnd(marks)
    try:
        try:
            yield safe
        except BaseException as error:
            safe.make_safe(error)
            raise
        safe.make_safe(None)
    finally:
        safe.make_safe(None)  # if an interrupt came just before it was begun


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Signals that end a run wait until the block is left; an error in the block is raised instead."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    caught: list[int] = []

    def hold(number: int, frame: FrameType | None) -> None:
        caught.append(number)

    held = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.signal(number, hold) for number in held}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    if caught:
        signal.raise_signal(caught[-1])


@contextmanager
def open_bench(
    bench: BenchFile,
    *,
    folder: Path,
    transcript: Path | None = None,
    tell: Callable[[str], None] = log.warning,
    marked: bool = True,
) -> Iterator[Bench]:
    """Open generator, supply, switchboard and oscilloscope, identified, with everything off.

    `folder` is where the bench file lies: profiles beside it come first. `transcript` is a file that every
    message is written to. On every way out the generator's outputs, then the supply, then the switchboard are
    switched off and verified; a BenchError names each that could not be. Interrupts wait meanwhile. If a
    run before was killed, so that this could not be done, it is done before anything else, and `tell` is
    called with what was left on; `marked` is False for a bench that ends with its run, and leaves nothing on.
    Raises JobError for profiles, and BenchError and its kinds for instruments.
    """
    with _opening(bench, folder, marked=marked, transcript=transcript) as opening:
        opening.claim(*bench.instruments)
        opening.make_left_safe(tell)
        yield opening.all()


@contextmanager
def open_singly(bench: BenchFile, *, folder: Path, marked: bool = True) -> Iterator["Opening"]:
    """What opens instruments one by one; each that was opened is left safe on every way out.

    folder, marked: as of `open_bench`. At the end BenchError is raised for what could not be made safe.
    """
    with _opening(bench, folder, marked=marked) as opening:
        yield opening


@contextmanager
def _opening(
    bench: BenchFile, folder: Path, *, marked: bool, transcript: Path | None = None
) -> Iterator["Opening"]:
    with ExitStack() as undo:
        marks: dict[str, LeftOnMarker] = {}
        with safe_end(marks) as safe:
            log_file = undo.enter_context(closing(Transcript(transcript))) if transcript else None
            yield Opening(bench, folder, undo, safe.offs, marks if marked else None, log_file)


def make_left_safe(bench: BenchFile, *, folder: Path, tell: Callable[[str], None]) -> None:
    """Before anything else: switch off what a killed run left on. Does nothing where nothing was left.

    Raises what `open_bench` raises, also where another run has the bench in use.
    """
    if any(LeftOnMarker(bench.instruments[role].address, instrument=role).left_by for role in ROLES):
        with open_bench(bench, folder=folder, tell=tell):
            pass


class Opening:
    """Each method opens one instrument: identified, off. Raises JobError for its profile, and BenchError.

    offs: receives what makes each safe as soon as it can be on. marks: receives the mark
    of each that can be left on; None to put none.
    """

    def __init__(
        self,
        bench: BenchFile,
        folder: Path,
        undo: ExitStack,
        offs: dict[str, Off],
        marks: dict[str, LeftOnMarker] | None,
        transcript: Transcript | None,
    ) -> None:
        self._bench, self._folder, self._undo = bench, folder, undo
        self._offs, self._marks, self._transcript = offs, marks, transcript
        self._profiles: dict[str, Any] = {}  # of a role's kind each, as it was read
        self._sessions: dict[str, Session] = {}

    def claim(self, *roles: str) -> None:
        """Read the profiles, claim the addresses, put the marks, before anything is opened or switched.

        Raises JobError with the mistakes in all of them.
        """
        files = {role: self._bench.instruments[role] for role in roles}
        profiles: dict[str, Any] = {}
        mistakes: list[Mistake] = []
        for role, file in files.items():
            try:
                profiles[role] = load_profile(file.profile, role=role, folder=self._folder)
            except JobError as error:
                mistakes.extend(error.mistakes)
        if mistakes:
            raise JobError(mistakes)
        for role, file in files.items():
            self._undo.enter_context(claim(file.address, instrument=role))
        if self._marks is not None:
            marks = {
                role: LeftOnMarker(files[role].address, instrument=role) for role in ROLES if role in roles
            }
            self._marks.update(marks)
            for mark in marks.values():
                mark.put()
        self._profiles.update(profiles)

    def make_left_safe(self, tell: Callable[[str], None]) -> None:
        """Switch off what an earlier run left on, each for itself. Raises BenchError for what stays on."""
        left = {role: mark.left_by for role, mark in (self._marks or {}).items() if mark.left_by}
        if not left:
            return
        states: list[str] = []
        failures: list[str] = []

        def generator(profile: GeneratorProfile) -> str:
            session = self._identified("generator")
            state = outputs_left_on(session, profile)
            ScpiGenerator(session, profile, profile_name="")
            session.close()
            return state

        def supply(profile: SupplyProfile) -> str:
            session = self._identified("supply")
            state = voltage_left_on(session, profile)
            ScpiSupply(session, profile, profile_name="", output=self._bench.supply.output)
            session.close()
            return state

        def switchboard(profile: SwitchboardProfile) -> str:
            with ExitStack() as undo:
                closed = self._board(profile, undo, look=True).found_closed
            if closed is None:
                return "its channels were not read before they were opened"
            return f"closed channels {listed(closed)}"

        acts: tuple[Callable[[Any], str], ...] = (generator, supply, switchboard)
        for role, act in zip(ROLES, acts, strict=True):
            if role not in left:
                continue
            try:
                states.append(f"{role}: {act(self._profiles[role])}")
            except BenchError as error:  # the next instrument must be made safe whatever befell this one
                failures.append(str(error))
        who = " and ".join(dict.fromkeys(left.values()))
        tell(f"the bench was not left safe by {who}. Found {'; '.join(states) or 'nothing that answers'}")
        if failures:
            raise BenchError(
                "NOT SAFE: it was left on, and could not be switched off and verified: "
                + "; ".join(failures),
                instrument="bench",
            )
        tell("everything is switched off, verified where that can be, before anything else is done")

    def all(self) -> Bench:
        """Open all; all are identified before one is switched."""
        for role in ("generator", "supply", "oscilloscope"):
            self._started(role)
        return Bench(
            generator=self.generator(),
            supply=self.supply(),
            switchboard=self.switchboard(),
            oscilloscope=self.oscilloscope(),
        )

    def generator(self) -> Generator:
        """The generator, its outputs off."""
        session, profile = self._started("generator")
        generator = ScpiGenerator(session, profile, profile_name=self._bench.generator.profile)
        self._offs["generator"] = generator.off
        return generator

    def oscilloscope(self) -> Oscilloscope:
        """The oscilloscope."""
        session, profile = self._started("oscilloscope")
        file = self._bench.oscilloscope
        return PreambleOscilloscope(session, profile, profile_name=file.profile, probe=file.probe)

    def supply(self) -> Supply:
        """The relay supply, off."""
        session, profile = self._started("supply")
        file = self._bench.supply
        supply = ScpiSupply(session, profile, profile_name=file.profile, output=file.output)
        self._offs["supply"] = supply.off
        return supply

    def switchboard(self) -> Switchboard:
        """The switchboard, every channel open."""
        switchboard = self._board(self._claimed("switchboard"), self._undo)
        self._offs["switchboard"] = switchboard.off
        _check_identity("switchboard", self._bench.switchboard, switchboard.identity.text)
        return switchboard

    def _claimed(self, role: str) -> Any:
        if role not in self._profiles:
            self.claim(role)
        return self._profiles[role]

    def _started(self, role: str) -> tuple[Session, Any]:
        """An instrument's session, identified, and its profile."""
        profile = self._claimed(role)
        if role not in self._sessions:
            self._sessions[role] = self._identified(role)
        return self._sessions[role], profile

    def _session(
        self,
        role: str,
        *,
        undo: ExitStack | None = None,
        ending: bytes = b"\n",
        connect: Callable[[], Wire] | None = None,
    ) -> Session:
        profile = self._profiles[role]
        session = Session(
            self._bench.instruments[role].address,
            instrument=role,
            visa=self._bench.bench.visa,
            baud_rate=profile.baud_rate,
            transcript=self._transcript,
            ending=ending,
            error_query=profile.error_query,
            connect=connect,
        )
        (undo or self._undo).callback(session.close)
        return session

    def _identified(self, role: str, undo: ExitStack | None = None) -> Session:
        session = self._session(role, undo=undo)
        _check_identity(role, self._bench.instruments[role], session.start())
        return session

    def _board(self, profile: SwitchboardProfile, undo: ExitStack, *, look: bool = False) -> Channels:
        """Every channel open; `look` if a board is to say first, if it can, which are closed."""
        file = self._bench.switchboard

        def line() -> Wire:
            return open_serial(file.address, profile.baud_rate)

        match profile:
            case RouteProfile():
                return RouteSwitchboard(self._identified("switchboard", undo), profile, file, look=look)
            case TextProfile():
                session = self._session("switchboard", undo=undo, ending=b"\r\n", connect=line)
                return TextSwitchboard(session, profile, file, look=look)
            case FrameProfile():
                session = self._session("switchboard", undo=undo, ending=b"", connect=line)
                return FrameSwitchboard(session, profile, file)
            case GpioProfile():
                board: Channels = GpioSwitchboard(profile, file)
            case ModbusProfile():
                board = ModbusSwitchboard(profile, file, transcript=self._transcript, look=look)
        undo.callback(board.close)
        return board


def _check_identity(role: str, file: InstrumentFile, identity: str) -> None:
    if file.identity is not None and not compiled(file.identity).search(identity):
        raise WrongInstrument(
            f"answers as {identity!r}, which does not match {file.identity!r} of the bench file; nothing was "
            "switched. Correct the address or the identity",
            instrument=role,
            address=file.address,
        )
