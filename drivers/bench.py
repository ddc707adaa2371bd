"""Open a bench's four instruments, and leave it safe on every way out."""

import re
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import FrameType

from drivers.claim import claim
from drivers.frame_switchboard import FrameSwitchboard
from drivers.generator import ScpiGenerator
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
from drivers.session import Session
from drivers.supply import ScpiSupply
from drivers.switchboard import RouteSwitchboard
from drivers.text_switchboard import TextSwitchboard
from drivers.transcript import Transcript
from drivers.wire import Wire
from harness.descriptions.bench import BenchFile, InstrumentFile
from harness.errors import BenchError, JobError, Mistake, WrongInstrument
from harness.roles import Bench, Switchboard

Off = Callable[[], None]


@contextmanager
def open_bench(bench: BenchFile, *, folder: Path, transcript: Path | None = None) -> Iterator[Bench]:
    """Open generator, supply, switchboard and oscilloscope, identified, with everything off.

    `folder` is where the bench file lies: profiles beside it come first. `transcript` is a file that every
    message is written to. On every way out the generator's outputs, then the supply, then the switchboard are
    switched off and verified; a BenchError names each that could not be. Raises JobError for profiles, and
    BenchError and its kinds for instruments. Interrupts wait while the bench is being made safe.
    """
    with ExitStack() as undo:
        opening = _Opening(bench, folder, undo, transcript)
        offs: dict[str, Off] = {}
        try:
            yield opening.instruments(offs)
        except BaseException as error:
            _make_safe(offs, error)
            raise
        _make_safe(offs, None)


class _Opening:
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
            _check_pattern(role, file)
            return load_profile(file.profile, role=role, folder=folder)
        except JobError as error:
            self._mistakes.extend(error.mistakes)
            return None

    def instruments(self, offs: dict[str, Off]) -> Bench:
        """Open all; `offs` receives what makes each safe as soon as there is something to make safe."""
        bench = self._bench
        generator_profile, supply_profile, board_profile, scope_profile = self._profiles
        generator_session = self._identified("generator", bench.generator, generator_profile)
        supply_session = self._identified("supply", bench.supply, supply_profile)
        scope_session = self._identified("oscilloscope", bench.oscilloscope, scope_profile)
        generator = ScpiGenerator(generator_session, generator_profile, profile_name=bench.generator.profile)
        offs["generator"] = generator.off
        supply = ScpiSupply(
            supply_session,
            supply_profile,
            profile_name=bench.supply.profile,
            output=bench.supply.output,
        )
        offs["supply"] = supply.off
        switchboard = self._switchboard(board_profile)
        offs["switchboard"] = switchboard.off
        _check_identity("switchboard", bench.switchboard, switchboard.identity.text)
        oscilloscope = PreambleOscilloscope(
            scope_session,
            scope_profile,
            profile_name=bench.oscilloscope.profile,
            probe=bench.oscilloscope.probe,
        )
        return Bench(generator=generator, oscilloscope=oscilloscope, supply=supply, switchboard=switchboard)

    def _session(
        self,
        role: str,
        file: InstrumentFile,
        profile: Profile,
        ending: bytes = b"\n",
        connect: Callable[[], Wire] | None = None,
    ) -> Session:
        session = Session(
            file.address,
            instrument=role,
            visa=self._bench.visa,
            baud_rate=profile.baud_rate,
            transcript=self._transcript,
            ending=ending,
            error_query=profile.error_query,
            connect=connect,
        )
        self._undo.callback(session.close)
        return session

    def _identified(self, role: str, file: InstrumentFile, profile: Profile) -> Session:
        session = self._session(role, file, profile)
        _check_identity(role, file, session.start())
        return session

    def _switchboard(self, profile: SwitchboardProfile) -> Switchboard:
        file = self._bench.switchboard
        address, name, settle_s = file.address, file.profile, file.settle_s

        def line() -> Wire:
            return open_serial(address, profile.baud_rate)

        if isinstance(profile, RouteProfile):
            session = self._identified("switchboard", file, profile)
            return RouteSwitchboard(session, profile, profile_name=name, settle_s=settle_s)
        if isinstance(profile, TextProfile):
            session = self._session("switchboard", file, profile, b"\r\n", line)
            return TextSwitchboard(session, profile, profile_name=name, settle_s=settle_s)
        if isinstance(profile, FrameProfile):
            session = self._session("switchboard", file, profile, b"", line)
            return FrameSwitchboard(session, profile, profile_name=name, settle_s=settle_s)
        if isinstance(profile, GpioProfile):
            lines = request_lines(address, profile)
            self._undo.callback(lines.close)
            return GpioSwitchboard(lines, profile, address=address, profile_name=name, settle_s=settle_s)
        board = ModbusSwitchboard(
            address, profile, profile_name=name, settle_s=settle_s, transcript=self._transcript
        )
        self._undo.callback(board.close)
        return board


def _check_pattern(role: str, file: InstrumentFile) -> None:
    try:
        re.compile(file.identity or "")
    except re.error as error:
        message = f"expected a regular expression, found {file.identity!r}: {error}"
        raise JobError(
            [Mistake(file="bench.toml", line=None, key=f"{role}.identity", message=message)]
        ) from None


def _check_identity(role: str, file: InstrumentFile, found: str) -> None:
    if file.identity is not None and not re.search(file.identity, found):
        raise WrongInstrument(
            f"answers as {found!r}, which does not match {file.identity!r} of the bench file; nothing was "
            "switched. Correct the address or the identity",
            instrument=role,
            address=file.address,
        )


def _make_safe(offs: dict[str, Off], cause: BaseException | None) -> None:
    """Switch everything off in order, whatever fails on the way; then say what could not be."""
    failures: list[str] = []
    with _interrupts_held():
        for role in ("generator", "supply", "switchboard"):
            if role not in offs:
                continue
            try:
                offs[role]()
            except Exception as error:  # the next instrument must be made safe whatever befell this one
                failures.append(f"{role}: {error}")
        if failures:
            raise BenchError(
                "NOT SAFE. Switch off by hand what could not be switched off and verified: "
                + "; ".join(failures)
                + (f" (this came after: {cause})" if cause is not None and str(cause) else ""),
                instrument="bench",
            ) from cause


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Ctrl-C and SIGTERM wait until the block is left; an error in the block is told in place of them."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    caught: list[int] = []

    def hold(number: int, frame: FrameType | None) -> None:
        caught.append(number)

    before = {number: signal.signal(number, hold) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    if caught:
        signal.raise_signal(caught[-1])
