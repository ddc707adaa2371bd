"""Every error that this project raises on purpose.

SwitchwalkError                 exit code
├── JobError                    2   mistakes in a job's files, all of them at once
├── UsageError                  2   a command asked for something that cannot be
├── CircuitError                2   a circuit that has no solution
├── ReadingError                -   one reading cannot be taken; it becomes "missing"
├── RecordsError                4   the records cannot be written or read
│   └── NoSuchRun               2   a run that is not in them was asked for
├── RunStopped                  4   a person, a signal or a lost terminal stopped the run
├── OverCurrentError            1   the unit draws more than a good one could; its verdict
└── BenchError                  4   an instrument or the wiring did not do what it was asked
    ├── BenchTimeout                no complete answer before the deadline
    ├── LinkLost                    the connection is closed, refused or unplugged
    ├── Desynchronised              an answer belongs to another question; reopen
    ├── BadReply                    an answer that does not read as what was asked
    │   └── ProfileMismatch         it contradicts the instrument's profile; names the key
    ├── InstrumentError             the instrument's own error queue
    │   ├── SettingRefused          it will not carry out a setting, and reports nothing else
    │   └── UnknownCommand          it does not know a command, whatever else it reports
    ├── InUse                       another process holds an instrument, or a run
    ├── WrongInstrument             something else answers at this address
    └── SetupError                 a lead that is surely wrong
        └── LeadInDoubt                one that alone explains what failed
"""

import difflib
import errno
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

EXIT_PASS = 0
EXIT_FAIL = 1
EXIT_USAGE = 2
EXIT_UNPROVEN = 3
EXIT_BENCH = 4

_WRONG_PLACES = (errno.EISDIR, errno.ENOTDIR, errno.ENOENT, errno.EACCES, errno.EPERM, errno.EROFS)


class SwitchwalkError(Exception):
    """Anything this project raises on purpose; a process can hand it to another."""

    exit_code = EXIT_USAGE

    def __reduce__(self) -> tuple[object, ...]:
        """Pickled by what it holds: an exception else calls its class with the message alone."""
        return _as_it_was, (type(self), self.args, vars(self))


def _as_it_was(
    kind: type[SwitchwalkError], arguments: tuple[object, ...], held: Mapping[str, object]
) -> SwitchwalkError:
    error = kind.__new__(kind)
    error.args = arguments
    vars(error).update(held)
    return error


@dataclass(frozen=True, kw_only=True)
class Mistake:
    """One mistake in one file: where it is, and what to do about it."""

    file: str
    line: int | None = None
    key: str = ""
    message: str

    def __str__(self) -> str:
        location = self.file if self.line is None else f"{self.file}:{self.line}"
        return ": ".join(filter(None, (location, self.key, self.message)))


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The known name that is most like a misspelt one; None if none is like it."""
    return next(iter(difflib.get_close_matches(name, list(known), n=1, cutoff=0.6)), None)


class JobError(SwitchwalkError):
    """The files of a job are wrong; carries every mistake found, those of a file together and by line."""

    def __init__(self, mistakes: Sequence[Mistake]) -> None:
        files = list(dict.fromkeys(mistake.file for mistake in mistakes))
        ordered = sorted(mistakes, key=lambda mistake: (files.index(mistake.file), mistake.line or 0))
        super().__init__("\n".join(map(str, ordered)))
        self.mistakes = tuple(ordered)


class UsageError(SwitchwalkError):
    """A command was asked for something that cannot be."""


class CircuitError(SwitchwalkError):
    """The circuit has no solution; names the net and the reason."""


class ReadingError(SwitchwalkError):
    """One reading cannot be taken; the run records it as missing, with this reason."""

    exit_code = EXIT_UNPROVEN


class RecordsError(SwitchwalkError):
    """The records cannot be written or read."""

    exit_code = EXIT_BENCH


class WrongRecordsError(RecordsError):
    """What was named is not where records are."""

    exit_code = EXIT_USAGE


def not_written(path: Path, error: OSError) -> SwitchwalkError:
    """Why a file that was named cannot be written: a wrong name, or trouble with the disk."""
    kind = UsageError if error.errno in _WRONG_PLACES else RecordsError
    return kind(f"{path}: cannot be written: {error.strerror or error}. Give another --out")


class RunStopped(SwitchwalkError):
    """A run was stopped by a person, a signal, or because nobody can be shown anything."""

    exit_code = EXIT_BENCH


class OverCurrentError(SwitchwalkError):
    """The unit draws more than any good one could: its verdict, after which nothing is measured."""

    exit_code = EXIT_FAIL

    def __init__(
        self, message: str, *, state: str, limit_a: float, current_a: float, voltage_v: float
    ) -> None:
        super().__init__(message)
        self.state, self.limit_a, self.current_a, self.voltage_v = state, limit_a, current_a, voltage_v


class NoSuchRun(RecordsError):
    """A run was asked for that is not in the records."""

    exit_code = EXIT_USAGE


class BenchError(SwitchwalkError):
    """The bench did not do what it was asked. Carries which instrument, where, and the command."""

    exit_code = EXIT_BENCH

    def __init__(self, what: str, *, instrument: str, address: str = "", command: str = "") -> None:
        location = f"{instrument} at {address}" if address else instrument
        asked = f" (command {command!r})" if command else ""
        super().__init__(f"{location}: {what}{asked}")
        self.instrument, self.address, self.command = instrument, address, command


class BenchTimeout(BenchError, TimeoutError):
    """No complete answer before the deadline."""


class LinkLost(BenchError, ConnectionError):
    """The connection is closed, refused or unplugged."""


class Desynchronised(BenchError):
    """An answer on the wire belongs to another question; only reopening cures it."""


class BadReply(BenchError):
    """An answer that does not read as what was asked for."""


class ProfileMismatch(BadReply):
    """What an instrument sends contradicts its profile; the message names the key to look at."""


class InstrumentError(BenchError):
    """The instrument reported errors of its own."""


class SettingRefused(InstrumentError):
    """The instrument will not carry out a setting, and reports nothing else."""


class UnknownCommand(InstrumentError):
    """The instrument reports a command error: it does not know a command, or not in this form."""


class InUse(BenchError):
    """Another process holds an instrument, or a run."""


class WrongInstrument(BenchError):
    """Something else than the bench file says answers at this address."""


class SetupError(BenchError):
    """A lead that is surely wrong; never counted against the unit."""


class LeadInDoubt(SetupError):
    """A lead on a wrong pin explains all that failed, and no fault of the unit does."""


TRANSIENT = (BenchTimeout, LinkLost, Desynchronised, BadReply, InstrumentError)
"""Faults that reopening may cure; it cures no other identity, and no switch that reads back wrong."""
