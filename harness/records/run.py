"""What is kept of a run besides its readings, as values."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from harness.reading import Verdict
from harness.roles import CaptureSetting, Identity
from harness.toml_files.file import JobFile

DEFAULT_RECORDS = Path("switchwalk-records") / "records.sqlite"

Outcome = Literal["pass", "fail", "unproven", "stopped"]
"""How a run ended; `stopped` is the bench's or a person's doing and says nothing about the unit."""

OUTCOMES: tuple[Outcome, ...] = get_args(Outcome)
INTERRUPTED: Literal["interrupted"] = "interrupted"
"""What a run is called that was begun and never finished."""


Purpose = Literal["", "gauge", "golden", "known-bad", "own tests"]
"""What a run was for: "" tests a unit, and only that counts as a test of it.

`own tests` are a person's own test functions: of the sequence they measure what they ask for. The others test
the bench.
"""


def check_time(name: str, time: datetime) -> None:
    """Refuse a time that doesn't say its zone or isn't UTC. Raises ValueError."""
    if time.utcoffset() != timedelta(0):
        raise ValueError(f"{name} needs a time in UTC, got {time.isoformat()}")


@dataclass(frozen=True, kw_only=True)
class RunHeader:
    """Everything that is known of a run before its first reading.

    `planned_readings` is how many there will be if nothing stops the run. `notes` is free text: what a person
    said of this run, or the seed and the faults of a simulated one. `started` is in UTC. `job_folder` and
    `bench_file` are where the files were read, "" where that is not known. `batch` is the name of the batch
    that the unit was tested in, "" without one.
    """

    serial: str
    module_name: str
    part: str
    revision: str
    sequence_name: str
    decision: Literal["guarded", "simple"]
    bench_name: str
    operator: str | None
    started: datetime
    software_version: str
    simulated: bool
    notes: str
    instruments: tuple[Identity, ...]
    files: tuple[JobFile, ...]
    planned_readings: int
    job_folder: str = ""
    bench_file: str = ""
    batch: str = ""
    purpose: Purpose = ""

    def __post_init__(self) -> None:
        check_time("started", self.started)


EventKind = Literal[
    "ended",
    "resumed",
    "bench fault",
    "relays",  # how often each was operated since the one before, and whether that was read back
    "fingerprint",  # what the unit drew, by which it is known again
    "retest",  # who let a unit be run again, and why
    "override",  # who went on where a check said no, and why
    "over-current",  # where the relay supply went to its limit, and what it gave there
    "hookup",  # a lead that hands had put elsewhere, and that it was put right
    "by hand",  # who said that a hookup, or a lead of it, was made; and that it was proven
    "diagnosis",  # which faults explain the run best
    "explanation",  # the same in words, for the run's page
    "test",  # how one of a person's own test functions ended
    "bench check",  # what a run of the golden or of a known-bad unit says of the bench
]
"""What can befall a run besides readings."""


@dataclass(frozen=True, kw_only=True)
class RunEvent:
    """Something that befell a run, at a time in UTC. `outcome` only where it ended."""

    kind: EventKind
    at: datetime
    outcome: Outcome | None
    text: str


@dataclass(frozen=True, kw_only=True)
class RunRecord:
    """A run as it is kept: its header, how it ended, and how many readings have which verdict.

    `ended` is None, and `outcome` interrupted, for a run that nobody finished (or that is still going on).
    """

    run_id: int
    header: RunHeader
    outcome: Outcome | Literal["interrupted"]
    reason: str
    ended: datetime | None
    verdicts: Mapping[Verdict, int]  # only verdicts that occur
    acquisitions: int

    @property
    def readings(self) -> int:
        """How many readings the run made."""
        return sum(self.verdicts.values())


@dataclass(frozen=True, kw_only=True, eq=False)
class AcquisitionRecord:
    """One acquisition and what was found in it.

    number: of the plan's acquisition; one that was ranged again occurs again under the same number.
    stimulus: in words. phasors: complex128, volts RMS, shape (inputs, frequencies), inputs in ascending
    order. residuals_vrms: what the sines leave over, one per input. started: UTC.
    """

    number: int
    hookup: str
    state: str
    stimulus: str
    frequencies_hz: tuple[float, ...]
    setting: CaptureSetting
    phasors: NDArray[np.complex128]
    residuals_vrms: tuple[float, ...]
    started: datetime
    duration_s: float

    def __post_init__(self) -> None:
        check_time("started", self.started)
        if self.phasors.ndim != 2:
            raise ValueError(f"phasors need the shape (inputs, frequencies), got {self.phasors.shape}")


@dataclass(frozen=True, kw_only=True)
class UnitSummary:
    """One unit in the records: the run that says how it stands, and how often it was run.

    That is its latest test; of a unit that was only there for another purpose, the latest of those. `passes`
    are of tests.
    Simulated runs of the same serial number are a unit of their own: a simulated pass proves no board.
    """

    serial: str
    part: str
    module_name: str
    revision: str
    simulated: bool
    runs: int
    passes: int
    latest_run: int
    latest_outcome: Outcome | Literal["interrupted"]
    latest_started: datetime
    purpose: Purpose = ""
