"""Open a bench's instruments, all four or one by one, and leave it safe on every way out."""

import logging
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

from drivers.claim import LeftOnMarker, claim
from drivers.generator import ScpiGenerator, outputs_found_on
from drivers.gpio_switchboard import GpioSwitchboard, request_lines
from drivers.modbus_switchboard import ModbusSwitchboard
from drivers.oscilloscope import PreambleOscilloscope
from drivers.profile import (
    FrameProfile,
    GeneratorProfile,
    GpioProfile,
    OscilloscopeProfile,
    Profile,
    RouteProfile,
    SupplyProfile,
    SwitchboardProfile,
    TextProfile,
)
from drivers.profile_files import load_profile
from drivers.serial_wire import open_serial
from drivers.session import Session, Transcript
from drivers.supply import ScpiSupply, voltage_found
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
    """The one place where a bench is made safe: once, in order, whatever fails on the way.

    offs: by role, what switches it off and verifies that; filled while the bench is opened.
    """

    def __init__(self, marks: Mapping[str, LeftOnMarker]) -> None:
        self.offs: dict[str, Off] = {}
        self._marks = marks
        self._come = False

    def come(self, cause: BaseException | None) -> None:
        """Switch everything off, take the marks away, and raise BenchError for what could not be."""
        with _interrupts_held():
            if self._come:
                return
            self._come = True
            failures = [failure for role in ROLES if (failure := self._switch_off(role))]
            if failures:
                raise BenchError(
                    "NOT SAFE. Switch off by hand what could not be switched off and verified: "
                    + "; ".join(failures)
                    + (f" (this came after: {cause})" if cause is not None and str(cause) else ""),
                    instrument="bench",
                ) from cause

    def _switch_off(self, role: str) -> str:
        """Why it could not be made safe, "" where it was."""
        mark = self._marks.get(role)
        try:
            if role in self.offs:
                self.offs[role]()
            elif mark is not None and mark.left_by:
                return ""  # left on by another run, and still: its mark stays, and its error was raised
            if mark is not None:
                mark.go()
        except Exception as error:  # the next instrument must be made safe whatever befell this one
            return f"{role}: {error}"
        return ""


@contextmanager
def safe_end(marks: Mapping[str, LeftOnMarker]) -> Iterator[SafeEnd]:
    """Make safe, on every way out of the block, what was entered in the `offs` of what this gives.

    Raises BenchError for what could not be made safe, on the way out of the block.
    """
    safe = SafeEnd(marks)
    try:
        try:
            yield safe
        except BaseException as error:
            safe.come(error)
            raise
        safe.come(None)
    finally:
        safe.come(None)  # where an interrupt came just before it was begun


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Signals that end a run wait until the block is left; an error in the block is told in place of them."""
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
    switched off and verified; a BenchError names each that could not be. Interrupts wait meanwhile. Where a
    run before was killed, so that this could not be done, it is done before anything else, and `tell` is told
    what was found; `marked` is False for a bench that ends with its run, and leaves nothing to be found.
    Raises JobError for profiles, and BenchError and its kinds for instruments.
    """
    with ExitStack() as undo:
        opening = Opening(bench, folder, undo, transcript)
        marks = opening.marks() if marked else {}
        with safe_end(marks) as safe:
            opening.make_left_safe(marks, tell)
            yield opening.instruments(safe.offs)


def make_left_safe(bench: BenchFile, *, folder: Path, tell: Callable[[str], None]) -> None:
    """Before anything else: switch off what a killed run left on. Does nothing where nothing was left.

    Raises what `open_bench` raises, also where another run has the bench in use.
    """
    files = (bench.generator, bench.supply, bench.switchboard)
    if any(
        LeftOnMarker(file.address, instrument=role).left_by for role, file in zip(ROLES, files, strict=True)
    ):
        with open_bench(bench, folder=folder, tell=tell):
            pass


class Opening:
    """All profiles are read before an instrument is opened, and all are identified before one is switched."""

    def __init__(self, bench: BenchFile, folder: Path, undo: ExitStack, transcript: Path | None) -> None:
        self._bench, self._undo = bench, undo
        self._mistakes: list[Mistake] = []
        generator, supply, board, scope = (self._profile(role, file, folder) for role, file in self._files())
        if not (
            isinstance(generator, GeneratorProfile)
            and isinstance(supply, SupplyProfile)
            and isinstance(board, SwitchboardProfile)
            and isinstance(scope, OscilloscopeProfile)
        ):
            raise JobError(self._mistakes)
        self._profiles = generator, supply, board, scope
        for role, file in self._files():
            undo.enter_context(claim(file.address, instrument=role))
        self._transcript = undo.enter_context(Transcript(transcript)) if transcript else None

    def _files(self) -> tuple[tuple[str, InstrumentFile], ...]:
        bench = self._bench
        return (
            ("generator", bench.generator),
            ("supply", bench.supply),
            ("switchboard", bench.switchboard),
            ("oscilloscope", bench.oscilloscope),
        )

    def _profile(self, role: str, file: InstrumentFile, folder: Path) -> Profile | None:
        try:
            return load_profile(file.profile, role=role, folder=folder)
        except JobError as error:
            self._mistakes.extend(error.mistakes)
            return None

    def marks(self) -> dict[str, LeftOnMarker]:
        """The marks of what can be left on; they stand from here on, before anything is switched."""
        marks = {
            role: LeftOnMarker(file.address, instrument=role) for role, file in self._files() if role in ROLES
        }
        for mark in marks.values():
            mark.stand()
        return marks

    def make_left_safe(self, marks: Mapping[str, LeftOnMarker], tell: Callable[[str], None]) -> None:
        """Switch off what an earlier run left on, each for itself. Raises BenchError for what stays on."""
        left = {role: mark.left_by for role, mark in marks.items() if mark.left_by}
        if not left:
            return
        generator_profile, supply_profile, board_profile, _ = self._profiles
        result: list[str] = []
        failures: list[str] = []

        def generator() -> str:
            session = self._identified("generator", self._bench.generator, generator_profile)
            seen = outputs_found_on(session, generator_profile)
            ScpiGenerator(session, generator_profile, profile_name="")
            session.close()
            return seen

        def supply() -> str:
            session = self._identified("supply", self._bench.supply, supply_profile)
            seen = voltage_found(session, supply_profile)
            ScpiSupply(session, supply_profile, profile_name="", output=self._bench.supply.output)
            session.close()
            return seen

        def switchboard() -> str:
            with ExitStack() as undo:
                closed = self._switchboard(board_profile, undo, look=True).found_closed
            return "can't be read back" if closed is None else f"closed channels {listed(closed)}"

        for role, act in zip(ROLES, (generator, supply, switchboard), strict=True):
            if role not in left:
                continue
            try:
                result.append(f"{role}: {act()}")
            except BenchError as error:  # the next instrument must be made safe whatever befell this one
                failures.append(str(error))
        who = " and ".join(dict.fromkeys(left.values()))
        tell(f"the bench was not left safe by {who}. Found {'; '.join(result) or 'nothing that answers'}")
        if failures:
            raise BenchError(
                "NOT SAFE: it was left on, and could not be switched off and verified: "
                + "; ".join(failures),
                instrument="bench",
            )
        tell("everything is switched off, verified where that can be, before anything else is done")

    def instruments(self, offs: dict[str, Callable[[], None]]) -> Bench:
        """Open all; `offs` receives what makes each safe as soon as there is something to make safe."""
        bench = self._bench
        generator_profile, supply_profile, board_profile, scope_profile = self._profiles
        generator_session = self._identified("generator", bench.generator, generator_profile)
        supply_session = self._identified("supply", bench.supply, supply_profile)
        scope_session = self._identified("oscilloscope", bench.oscilloscope, scope_profile)
        generator = self._generator(generator_session, generator_profile, offs)
        supply = self._supply(supply_session, supply_profile, offs)
        switchboard = self._safe_switchboard(board_profile, offs)
        oscilloscope = self._oscilloscope(scope_session, scope_profile)
        return Bench(generator=generator, oscilloscope=oscilloscope, supply=supply, switchboard=switchboard)

    def _generator(
        self, session: Session, profile: GeneratorProfile, offs: dict[str, Callable[[], None]]
    ) -> ScpiGenerator:
        generator = ScpiGenerator(session, profile, profile_name=self._bench.generator.profile)
        offs["generator"] = generator.off
        return generator

    def _supply(
        self, session: Session, profile: SupplyProfile, offs: dict[str, Callable[[], None]]
    ) -> ScpiSupply:
        file = self._bench.supply
        supply = ScpiSupply(session, profile, profile_name=file.profile, output=file.output)
        offs["supply"] = supply.off
        return supply

    def _safe_switchboard(
        self, profile: SwitchboardProfile, offs: dict[str, Callable[[], None]]
    ) -> Switchboard:
        switchboard = self._switchboard(profile, self._undo)
        offs["switchboard"] = switchboard.off
        _check_identity("switchboard", self._bench.switchboard, switchboard.identity.text)
        return switchboard

    def _oscilloscope(self, session: Session, profile: OscilloscopeProfile) -> PreambleOscilloscope:
        file = self._bench.oscilloscope
        return PreambleOscilloscope(session, profile, profile_name=file.profile, probe=file.probe)

    def _session(
        self,
        role: str,
        file: InstrumentFile,
        profile: Profile,
        ending: bytes = b"\n",
        connect: Callable[[], Wire] | None = None,
        undo: ExitStack | None = None,
    ) -> Session:
        session = Session(
            file.address,
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

    def _identified(
        self, role: str, file: InstrumentFile, profile: Profile, undo: ExitStack | None = None
    ) -> Session:
        session = self._session(role, file, profile, undo=undo)
        _check_identity(role, file, session.start())
        return session

    def _switchboard(self, profile: SwitchboardProfile, undo: ExitStack, *, look: bool = False) -> Channels:
        """Every channel open; `measure` where a board is to say first, if it can, which are closed."""
        file = self._bench.switchboard
        address, name, settle_s = file.address, file.profile, file.settle_s

        def line() -> Wire:
            return open_serial(address, profile.baud_rate)

        if isinstance(profile, RouteProfile):
            session = self._identified("switchboard", file, profile, undo)
            return RouteSwitchboard(session, profile, profile_name=name, settle_s=settle_s, look=look)
        if isinstance(profile, TextProfile):
            session = self._session("switchboard", file, profile, b"\r\n", line, undo)
            return TextSwitchboard(session, profile, profile_name=name, settle_s=settle_s, look=look)
        if isinstance(profile, FrameProfile):
            session = self._session("switchboard", file, profile, b"", line, undo)
            return FrameSwitchboard(session, profile, profile_name=name, settle_s=settle_s)
        if isinstance(profile, GpioProfile):
            lines = request_lines(address, profile)
            undo.callback(lines.close)
            return GpioSwitchboard(lines, profile, address=address, profile_name=name, settle_s=settle_s)
        board = ModbusSwitchboard(
            address,
            profile,
            profile_name=name,
            settle_s=settle_s,
            transcript=self._transcript,
            look=look,
        )
        undo.callback(board.close)
        return board


@contextmanager
def open_singly(bench: BenchFile, *, folder: Path, marked: bool = True) -> Iterator["Singly"]:
    """What opens instruments one by one; each that was opened is left safe on every way out.

    folder, marked: as of `open_bench`. At the end BenchError is raised for what could not be made safe.
    """
    with ExitStack() as undo:
        marks: dict[str, LeftOnMarker] = {}
        with safe_end(marks) as safe:
            yield Singly(bench, folder, undo, safe, marks if marked else None)


class Singly(Opening):
    """Each method opens one instrument: identified, off. Raises JobError for its profile, and BenchError."""

    def __init__(
        self,
        bench: BenchFile,
        folder: Path,
        undo: ExitStack,
        safe: SafeEnd,
        marks: dict[str, LeftOnMarker] | None,
    ) -> None:
        self._bench, self._folder, self._undo = bench, folder, undo
        self._safe, self._marks = safe, marks
        self._mistakes: list[Mistake] = []
        self._transcript = None

    def generator(self) -> Generator:
        """The generator, its outputs off."""
        profile: GeneratorProfile = self._claimed("generator")
        session = self._identified("generator", self._bench.generator, profile)
        return self._generator(session, profile, self._safe.offs)

    def oscilloscope(self) -> Oscilloscope:
        """The oscilloscope."""
        profile: OscilloscopeProfile = self._claimed("oscilloscope")
        session = self._identified("oscilloscope", self._bench.oscilloscope, profile)
        return self._oscilloscope(session, profile)

    def supply(self) -> Supply:
        """The relay supply, off."""
        profile: SupplyProfile = self._claimed("supply")
        session = self._identified("supply", self._bench.supply, profile)
        return self._supply(session, profile, self._safe.offs)

    def switchboard(self) -> Switchboard:
        """The switchboard, every channel open."""
        profile: SwitchboardProfile = self._claimed("switchboard")
        return self._safe_switchboard(profile, self._safe.offs)

    def _claimed(self, role: str) -> Any:
        """Read the profile, of its role's kind, and claim the address; its mark stands from here on."""
        file = dict(self._files())[role]
        self._mistakes = []
        profile = self._profile(role, file, self._folder)
        if profile is None:
            raise JobError(self._mistakes)
        self._undo.enter_context(claim(file.address, instrument=role))
        if role in ROLES and self._marks is not None:
            self._marks[role] = LeftOnMarker(file.address, instrument=role)
            self._marks[role].stand()
        return profile


def _check_identity(role: str, file: InstrumentFile, result: str) -> None:
    if file.identity is not None and not compiled(file.identity).search(result):
        raise WrongInstrument(
            f"answers as {result!r}, which does not match {file.identity!r} of the bench file; nothing was "
            "switched. Correct the address or the identity",
            instrument=role,
            address=file.address,
        )
