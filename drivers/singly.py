"""Open a bench's instruments one by one, so that one that does not answer hides nothing of the others."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from drivers.bench import Opening
from drivers.claim import claim
from drivers.mark import Mark
from drivers.profile import GeneratorProfile, OscilloscopeProfile, SupplyProfile, SwitchboardProfile
from drivers.safe_end import ROLES, SafeEnd, safe_end
from harness.bench_file import BenchFile
from harness.errors import JobError, Mistake
from harness.roles import Generator, Oscilloscope, Supply, Switchboard


@contextmanager
def open_singly(bench: BenchFile, *, folder: Path, marked: bool = True) -> Iterator["Singly"]:
    """What opens instruments one by one; each that was opened is left safe on every way out.

    folder, marked: as of `open_bench`. At the end BenchError is raised for what could not be made safe.
    """
    with ExitStack() as undo:
        marks: dict[str, Mark] = {}
        with safe_end(marks) as safe:
            yield Singly(bench, folder, undo, safe, marks if marked else None)


class Singly(Opening):
    """Each method opens one instrument: identified, off. Raises JobError for its profile, and BenchError."""

    def __init__(
        self, bench: BenchFile, folder: Path, undo: ExitStack, safe: SafeEnd, marks: dict[str, Mark] | None
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
            self._marks[role] = Mark(file.address, instrument=role)
            self._marks[role].stand()
        return profile
