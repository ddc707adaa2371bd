"""Open a bench's instruments, all four or one by one, and leave it safe on every way out."""

import logging
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager, nullcontext
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from drivers.balanced_generator import BalancedGenerator
from drivers.boards.library_switchboards import FtdiSwitchboard, GpioSwitchboard, HidSwitchboard
from drivers.boards.modbus_switchboard import ModbusSwitchboard
from drivers.boards.switchboard import Channels, FrameSwitchboard, RouteSwitchboard, TextSwitchboard, listed
from drivers.boards.switchboard_banks import Banks
from drivers.by_hand import Ask, HandSupply, nobody
from drivers.claim import LeftOnMarker, claim
from drivers.generator_and_supply import ScpiGenerator, ScpiSupply, outputs_left_on, voltage_left_on
from drivers.generator_pair import GeneratorPair
from drivers.models.sources import GeneratorProfile, HandSupplyProfile, SupplyProfile
from drivers.models.switchboards import (
    FrameProfile,
    FtdiProfile,
    GpioProfile,
    HidProfile,
    ModbusProfile,
    RouteProfile,
    SwitchboardProfile,
    TextProfile,
)
from drivers.profile import load_profile
from drivers.safe_end import ROLES, SafeEnd, safe_end, switched
from drivers.scope.oscilloscope import FineMode, ScpiOscilloscope
from drivers.serial_wire import open_serial
from drivers.session import REOPEN_AFTER_S, Session
from drivers.transcript import Listener, Transcript
from drivers.visa_wire import Wire
from harness.bench_file import (
    BenchFile,
    GeneratorFile,
    InstrumentFile,
    OscilloscopeFile,
    SupplyFile,
    SwitchboardFile,
    role_of,
)
from harness.errors import TRANSIENT, BenchError, JobError, Mistake, UsageError, WrongInstrument
from harness.roles import Bench
from harness.toml_files.values import compiled

File = TypeVar("File", bound=InstrumentFile)
T = TypeVar("T")
UNKNOWN = "SWITchwalk:UNKNown"  # a header as SCPI has them, and as no instrument has it
log = logging.getLogger(__name__)


@contextmanager
def open_bench(
    bench: BenchFile,
    *,
    folder: Path,
    transcript: Path | None = None,
    tell: Callable[[str], None] = log.warning,
    ask: Ask = nobody,
    marked: bool = True,
) -> Iterator[Bench]:
    """Open generator, supply, switchboard and oscilloscope, identified, with everything off.

    `folder` is where the bench file lies: profiles beside it come first. `transcript` is a file that every
    message is written to. On every way out the generator's outputs, then the supply, then the switchboard are
    switched off and verified; a BenchError names each that could not be. Interrupts wait meanwhile. If a
    run before was killed, so that this could not be done, it is done before anything else, and `tell` is
    called with what was left on, as it is with each trouble that passed by when an instrument was opened once
    more. `ask` has a person switch a supply that has no interface. `marked` is False
    for a bench that ends with its run, and leaves nothing on.
    Raises JobError for profiles, and BenchError and its kinds for instruments.
    """
    with open_singly(bench, folder=folder, ask=ask, marked=marked, transcript=transcript) as opening:
        opening.claim(*bench.instruments)
        opening.make_left_safe(tell)
        opened = opening.all()
        for trouble in opened.passed_by:
            tell(f"{trouble}. It was opened once more, and answers")
        yield opened


@contextmanager
def open_singly(
    bench: BenchFile,
    *,
    folder: Path,
    ask: Ask = nobody,
    marked: bool = True,
    transcript: Path | None = None,
) -> Iterator["Opening"]:
    """What opens instruments one by one; each that was opened is left safe on every way out.

    folder, ask, marked, transcript: as of `open_bench`. At the end BenchError is raised for what could not be
    made safe.
    """
    with (
        closing(Transcript(transcript)) if transcript else nullcontext() as log_file,
        open_alone(
            bench.instruments,
            visa=bench.bench.visa,
            folder=folder,
            ask=ask,
            marked=marked,
            transcript=log_file,
        ) as opening,
    ):
        yield opening


@contextmanager
def open_alone(
    files: Mapping[str, InstrumentFile],
    *,
    visa: str = "python",
    folder: Path,
    ask: Ask = nobody,
    marked: bool = True,
    transcript: Listener | None = None,
) -> Iterator["Opening"]:
    """As `open_singly`, for instruments by their names that need not be a whole bench.

    transcript: is told every message, and left open.
    """
    with ExitStack() as undo:
        marks: dict[str, LeftOnMarker] = {}
        with safe_end(marks) as safe:
            yield Opening(
                files,
                visa,
                folder,
                undo=undo,
                safe=safe,
                marks=marks if marked else None,
                transcript=transcript,
                ask=ask,
            )


def make_left_safe(bench: BenchFile, *, folder: Path, tell: Callable[[str], None], ask: Ask = nobody) -> None:
    """Before anything else: switch off what a killed run left on. Does nothing where nothing was left.

    Raises what `open_bench` raises, also where another run has the bench in use.
    """
    files = bench.instruments
    if any(LeftOnMarker(files[name].address, instrument=name).left_by for name in switched(files)):
        with open_bench(bench, folder=folder, tell=tell, ask=ask):
            pass


class Opening:
    """Each method opens one instrument: identified, off. Raises JobError for its profile, and BenchError.

    safe: receives what makes each safe as soon as it can be on. marks: receives the mark
    of each that can be left on; None to put none. ask: has a person switch a supply without an interface.
    """

    def __init__(
        self,
        files: Mapping[str, InstrumentFile],
        visa: str,
        folder: Path,
        *,
        undo: ExitStack,
        safe: SafeEnd,
        marks: dict[str, LeftOnMarker] | None,
        transcript: Listener | None,
        ask: Ask,
    ) -> None:
        self._files, self._visa, self._folder = files, visa, folder
        self._undo, self._safe, self._offs, self._marks = undo, safe, safe.offs, marks
        self._transcript, self._ask = transcript, ask
        self._profiles: dict[str, Any] = {}  # by an instrument's name, as it was read
        self._sessions: dict[str, Session] = {}  # those that were identified
        self._connections: dict[str, Session] = {}  # the last of each instrument
        self._passed_by: list[BenchError] = []

    def claim(self, *names: str) -> None:
        """Read the profiles, claim the addresses, put the marks, before anything is opened or switched.

        names: of instruments, as `BenchFile.instruments` has them. Raises JobError with the mistakes in all
        of them.
        """
        files = {name: self._files[name] for name in names}
        profiles: dict[str, Any] = {}
        mistakes: list[Mistake] = []
        for name, file in files.items():
            try:
                profiles[name] = load_profile(file.profile, role=role_of(name), folder=self._folder)
            except JobError as error:
                mistakes.extend(error.mistakes)
        if mistakes:
            raise JobError(mistakes)
        for name, file in files.items():
            self._undo.enter_context(claim(file.address, instrument=name))
        if self._marks is not None:
            marks = {name: LeftOnMarker(files[name].address, instrument=name) for name in switched(files)}
            self._marks.update(marks)
            for mark in marks.values():
                mark.put()
        self._profiles.update(profiles)

    def reports_unknown(self, name: str) -> bool:
        """Whether an instrument reports a command that it does not know: it is sent one that none knows.

        False for one without an error queue, or that answers commands as well.
        """
        session, profile = self._started(name)
        if not profile.error_query or profile.answer is not None:
            return False
        session.write(UNKNOWN)
        return bool(session.drain_errors())

    def make_left_safe(self, tell: Callable[[str], None]) -> None:
        """Switch off what an earlier run left on, each for itself. Raises BenchError for what stays on."""
        left = {name: mark.left_by for name, mark in (self._marks or {}).items() if mark.left_by}
        if not left:
            return
        states: list[str] = []
        failures: list[str] = []

        def generator(name: str) -> str:
            profile: GeneratorProfile = self._profiles[name]
            session = self._identified(name)
            state = outputs_left_on(session, profile)
            ScpiGenerator(session, profile, profile_name="")
            session.close()
            return state

        def supply(name: str) -> str:
            profile: SupplyProfile | HandSupplyProfile = self._profiles[name]
            if isinstance(profile, HandSupplyProfile):
                HandSupply(profile, self._supply_file, self._ask)
                return "nobody knows whether it was on"
            session = self._identified(name)
            state = voltage_left_on(session, profile)
            ScpiSupply(session, profile, self._supply_file)
            session.close()
            return state

        def switchboard(name: str) -> str:
            with ExitStack() as undo:
                closed = self._board(name, undo, look=True).found_closed
            if closed is None:
                return "its channels were not read before they were opened"
            return f"closed channels {listed(closed)}"

        acts = dict(zip(ROLES, (generator, supply, switchboard), strict=True))
        by_hand = [name for name in left if isinstance(self._profiles[name], HandSupplyProfile)]
        self._safe.by_hand.update(by_hand)
        for name in sorted(switched(left), key=lambda name: name in by_hand):
            try:
                act = partial(acts[role_of(name)], name)
                states.append(f"{name}: {self._in_two_tries([name], act)}")
            except (BenchError, UsageError) as error:  # the next one must be made safe all the same
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
        """Open all; all are identified before one is switched. Each is opened once more if it has to be."""
        for name in self._files:
            if role_of(name) != "switchboard" and not isinstance(self._claimed(name), HandSupplyProfile):
                self._in_two_tries([name], partial(self._started, name))
        return Bench(
            generator=self._in_two_tries(self._of_role("generator"), self.generator),
            supply=self._in_two_tries(self._of_role("supply"), self.supply),
            switchboard=self._in_two_tries(self._of_role("switchboard"), self.switchboard),
            oscilloscope=self._in_two_tries(self._of_role("oscilloscope"), self.oscilloscope),
            passed_by=tuple(self._passed_by),
        )

    def _of_role(self, role: str) -> list[str]:
        return [name for name in self._files if role_of(name) == role]

    def _in_two_tries(self, names: list[str], step: Callable[[], T]) -> T:
        """Take a step of opening instruments, once more on new connections if its trouble may pass by."""
        try:
            return step()
        except TRANSIENT as error:
            for name in names:
                self._sessions.pop(name, None)
                if name in self._connections:
                    self._connections.pop(name).close()
            time.sleep(REOPEN_AFTER_S[-1])
            try:
                result = step()
            except TRANSIENT as again:  # may be of what the first one left
                raise error from again
            self._passed_by.append(error)
            return result

    def generator(self) -> ScpiGenerator | GeneratorPair | BalancedGenerator:
        """The generator, its outputs off; two that feed a leg each are one in what is returned."""
        names = self._of_role("generator")
        for name in names:
            self._started(name)  # each is identified before one is switched
        generators = [self._opened_generator(name) for name in names]
        file = self._of(names[0], GeneratorFile)
        if file.transformer is not None:
            return BalancedGenerator(
                generators[0], file.output, ratio=file.transformer, winding_ohm=file.winding_ohm
            )
        if len(generators) == 1:
            return generators[0]
        return GeneratorPair(generators, [self._of(name, GeneratorFile).output for name in names])

    def _opened_generator(self, name: str) -> ScpiGenerator:
        session, profile = self._started(name)
        generator = ScpiGenerator(session, profile, profile_name=self._files[name].profile)
        self._offs[name] = generator.off
        return generator

    def oscilloscope(self) -> ScpiOscilloscope:
        """The oscilloscope."""
        session, profile = self._started("oscilloscope")
        file = self._of("oscilloscope", OscilloscopeFile)
        fine = FineMode(high_resolution=file.high_resolution, averages=file.averages)
        return ScpiOscilloscope(session, profile, profile_name=file.profile, probe=file.probe, fine=fine)

    def supply(self) -> ScpiSupply | HandSupply:
        """The relay supply, off."""
        file, profile = self._supply_file, self._claimed("supply")
        if isinstance(profile, HandSupplyProfile):
            self._safe.by_hand.add("supply")
            by_hand = HandSupply(profile, file, self._ask)
            self._offs["supply"] = by_hand.off
            return by_hand
        session, profile = self._started("supply")
        supply = ScpiSupply(session, profile, file)
        self._offs["supply"] = supply.off
        return supply

    def switchboard(self) -> Channels | Banks:
        """The switchboard, every channel open; several boards are one in what is returned."""
        boards = [self._opened_board(name) for name in self._of_role("switchboard")]
        return boards[0] if len(boards) == 1 else Banks(boards)

    def _opened_board(self, name: str) -> Channels:
        self._claimed(name)
        board = self._board(name, self._undo)
        self._offs[name] = board.off
        _check_identity(name, self._files[name], board.identity.text)
        return board

    @property
    def _supply_file(self) -> SupplyFile:
        return self._of("supply", SupplyFile)

    def _of(self, name: str, kind: type[File]) -> File:
        """What the bench file says of an instrument."""
        file = self._files[name]
        if not isinstance(file, kind):
            raise ValueError(f"{name} is no {kind.__name__}")
        return file

    def _claimed(self, name: str) -> Any:
        if name not in self._profiles:
            self.claim(name)
        return self._profiles[name]

    def _started(self, name: str) -> tuple[Session, Any]:
        """An instrument's session, identified, and its profile."""
        profile = self._claimed(name)
        if name not in self._sessions:
            self._sessions[name] = self._identified(name)
        return self._sessions[name], profile

    def _session(
        self,
        name: str,
        *,
        undo: ExitStack | None = None,
        connect: Callable[[], Wire] | None = None,
    ) -> Session:
        profile, file = self._profiles[name], self._files[name]
        session = Session(
            file.address,
            instrument=name,
            visa=file.wire.visa or self._visa,
            line=profile.line(file.wire),
            timeout_s=profile.timeout(file.wire),
            transcript=self._transcript,
            dialect=profile.dialect(file.wire),
            connect=connect,
        )
        (undo or self._undo).callback(session.close)
        self._connections[name] = session
        return session

    def _identified(self, name: str, undo: ExitStack | None = None) -> Session:
        session = self._session(name, undo=undo)
        _check_identity(name, self._files[name], session.start())
        return session

    def _board(self, name: str, undo: ExitStack, *, look: bool = False) -> Channels:
        """Every channel open; `look` if a board is to say first, if it can, which are closed."""
        file = self._of(name, SwitchboardFile)
        profile: SwitchboardProfile = self._profiles[name]

        def line() -> Wire:
            return open_serial(file.address, profile.line(file.wire))

        match profile:
            case RouteProfile():
                return RouteSwitchboard(self._identified(name, undo), profile, file, look=look)
            case TextProfile():
                session = self._session(name, undo=undo, connect=line)
                return TextSwitchboard(session, profile, file, look=look)
            case FrameProfile():
                return FrameSwitchboard(self._session(name, undo=undo, connect=line), profile, file)
            case GpioProfile():
                board: Channels = GpioSwitchboard(profile, file, instrument=name)
            case FtdiProfile():
                board = FtdiSwitchboard(profile, file, instrument=name)
            case HidProfile():
                board = HidSwitchboard(profile, file, instrument=name)
            case ModbusProfile():
                board = ModbusSwitchboard(
                    profile, file, instrument=name, transcript=self._transcript, look=look
                )
        undo.callback(board.close)
        return board


def _check_identity(name: str, file: InstrumentFile, identity: str) -> None:
    if file.identity is not None and not compiled(file.identity).search(identity):
        raise WrongInstrument(
            f"answers as {identity!r}, which does not match {file.identity!r} of the bench file; nothing was "
            "switched. Correct the address or the identity",
            instrument=name,
            address=file.address,
        )
