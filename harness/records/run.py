"""What is recorded of a run besides its readings, as values: its header, acquisitions and events.

Of an event the records keep its kind, its fields as JSON, and a text for people.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, ClassVar, Generic, Literal, TypeVar, get_args

import numpy as np
from numpy.typing import NDArray

from harness.measure.tones import Stimulus
from harness.plan.chosen import LeftOut, Steps
from harness.reading import Verdict
from harness.roles import CaptureSetting, Identity
from harness.toml_files.located import JobFile

DEFAULT_RECORDS = Path("switchwalk-records") / "records.sqlite"

Outcome = Literal["pass", "fail", "unproven", "stopped"]
"""How a run ended; `stopped` is the bench's or a person's doing and says nothing about the unit."""

OUTCOMES: tuple[Outcome, ...] = get_args(Outcome)
INTERRUPTED: Literal["interrupted"] = "interrupted"
"""What a run is called that was begun and never finished."""


Purpose = Literal["", "gauge", "golden", "known-bad", "custom tests"]
"""What a run was for: "" tests a unit, and only that counts as a test of it.

`custom tests` are a person's own test functions: of the sequence they measure what they ask for. The others
test the bench.
"""


def check_time(name: str, time: datetime) -> None:
    """Refuse a time that doesn't say its zone or isn't UTC. Raises ValueError."""
    if time.utcoffset() != timedelta(0):
        raise ValueError(f"{name} needs a time in UTC, got {time.isoformat()}")


@dataclass(frozen=True, kw_only=True)
class RunHeader:
    """Everything that is known of a run before its first reading.

    `planned_readings` is how many there will be if nothing stops the run. `notes` is free text of a person.
    `simulated_faults` are those of a simulated unit. `started` is in UTC. `job_folder` and `bench_file` are
    where the files were read, "" if that is not known; bench_file also if the run started its bench itself.
    `batch` is the name of the batch that the unit was tested in, "" without one.
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
    simulated_faults: tuple[str, ...] = ()

    @property
    def bench_started(self) -> bool:
        """Whether the run started its bench itself: a simulated one, at other addresses each time."""
        return self.simulated and not self.bench_file

    def __post_init__(self) -> None:
        check_time("started", self.started)


class Event:
    """Something that befell a run; `kind` is what the records call it."""

    kind: ClassVar[str]


@dataclass(frozen=True, kw_only=True)
class Ended(Event):
    """The run came to an end; its text is the reason."""

    kind = "ended"
    outcome: Outcome


@dataclass(frozen=True, kw_only=True)
class OtherFiles(Event):
    """The run's fixture or sequence was read from another file than the job's own; "" for the own one."""

    kind = "other files"
    fixture: str
    sequence: str


@dataclass(frozen=True, kw_only=True)
class ShortestRun(Event):
    """The run makes only the fewest steps that detect as many single faults as the whole sequence.

    detected: of so many faults. planned: readings of the whole sequence; left_out: those not taken.
    """

    kind = "shortest"
    steps: Steps
    detected: int
    faults: int
    planned: int
    left_out: tuple[LeftOut, ...]


@dataclass(frozen=True, kw_only=True)
class StopAtFail(Event):
    """The run is to end with its first confirmed FAIL; first: the steps that come before all others."""

    kind = "stop at fail"
    first: Steps


@dataclass(frozen=True, kw_only=True)
class EndedAtFail(Event):
    """The run ended with its first confirmed FAIL. left_out: of so many planned readings, those not taken."""

    kind = "ended at fail"
    planned: int
    left_out: tuple[LeftOut, ...]


Extent = Literal["whole", "shortest", "until fail"]
"""How much of its sequence a run measured: all of it, the fewest steps, or as far as its first FAIL."""

EXTENTS: Mapping[str, Extent] = {ShortestRun.kind: "shortest", EndedAtFail.kind: "until fail"}
"""By the kind of the event that says so; a shortest run that ended at a FAIL has both."""


@dataclass(frozen=True, kw_only=True)
class Resumed(Event):
    """The run goes on after it was stopped or interrupted."""

    kind = "resumed"
    after: str  # how it had ended
    recorded: int  # readings that were there
    remaining: int  # readings that were still to be made


@dataclass(frozen=True, kw_only=True)
class BenchFault(Event):
    """An instrument did not do what it was asked, and the run went on without its answer."""

    kind = "bench fault"
    instrument: str
    address: str


@dataclass(frozen=True, kw_only=True)
class SupplyTrouble(Event):
    """The relay supply gave what the unit can't draw, or its current came late; the text says which.

    of_bench: whether the bench did it. If not, a coil of the unit may come and go, and the unit can't pass.
    """

    kind = "supply trouble"
    of_bench: bool = True


@dataclass(frozen=True, kw_only=True)
class BenchMoved(Event):
    """The through reference was not as before when readings had failed; the text says how."""

    kind = "bench moved"


@dataclass(frozen=True, kw_only=True)
class ThroughReused(Event):
    """The run uses the through reference of a unit before it in its batch, which a look has confirmed.

    age_s: since it was taken. units: that it had served by then.
    """

    kind = "through reused"
    age_s: float
    units: int


@dataclass(frozen=True, kw_only=True)
class RelaysOperated(Event):
    """How often each relay was operated since the last such event, and whether that was read back."""

    kind = "relays"
    operations: Mapping[str, int]
    read_back: bool


@dataclass(frozen=True, kw_only=True)
class CurrentsDrawn(Event):
    """What the unit drew at rest and with each control line alone on, by which it is known again."""

    kind = "currents"
    currents_a: Mapping[str, float]  # by the name of the state


@dataclass(frozen=True, kw_only=True)
class RetestAllowed(Event):
    """Somebody let the unit be run again."""

    kind = "retest"
    number: int  # from 1
    allowed: int | None  # how many retests the sequence allows; None for any number
    who: str
    why: str


@dataclass(frozen=True, kw_only=True)
class RefusalOverridden(Event):
    """Somebody went on although a check refused."""

    kind = "override"
    who: str
    why: str


@dataclass(frozen=True, kw_only=True)
class OverCurrent(Event):
    """The relay supply went to its limit, and what it gave there."""

    kind = "over-current"
    state: str
    limit_a: float
    current_a: float
    voltage_v: float


@dataclass(frozen=True, kw_only=True)
class LeadsLookedAt(Event):
    """Leads that look misplaced, or that would explain what failed; none are named if all are right."""

    kind = "leads"
    setup: str
    leads: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class MadeByHand(Event):
    """Somebody says that a setup was made."""

    kind = "by hand"
    setup: str
    who: str


@dataclass(frozen=True, kw_only=True)
class LeadsSeenTo(Event):
    """Somebody says that leads of a setup were looked at and put right; none are named where all were."""

    kind = "seen to"
    setup: str
    who: str
    leads: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class SetupProven(Event):
    """Whether every lead of a setup that hands made showed what nothing but its own pin would show.

    leads: those that did. not_proven: those that did not.
    """

    kind = "proof"
    setup: str
    proven: bool
    leads: tuple[str, ...] = ()
    not_proven: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class FaultsNamed(Event):
    """Faults that explain the run best and are not told apart, the likeliest first, and their probability."""

    kind = "diagnosis"
    faults: tuple[str, ...]
    probability: float


@dataclass(frozen=True, kw_only=True)
class ExplainedGroup:
    """Faults that the readings don't tell apart: names, what to look at, and their likelihood in words."""

    likelihood: str
    faults: tuple[tuple[str, str], ...]
    others: tuple[str, ...]  # names of those not spelled out


@dataclass(frozen=True, kw_only=True)
class Explanation(Event):
    """What would explain a run, in words for its page.

    next_probe is "" where no view would tell more; left_over: whether that leaves several candidates.
    """

    kind = "explanation"
    headline: str
    groups: tuple[ExplainedGroup, ...]
    next_probe: str
    left_over: bool
    remarks: tuple[str, ...]


CustomTestEnd = Literal["passed", "failed", "broken", "skipped"]
"""How a test function ended; `broken` is one that fell over something else than what it asserts."""


@dataclass(frozen=True, kw_only=True)
class CustomTestEnded(Event):
    """One of a person's own test functions came to its end."""

    kind = "test"
    test: str
    end: CustomTestEnd


CheckKind = Literal["golden", "known-bad"]


@dataclass(frozen=True, kw_only=True)
class BenchCheck(Event):
    """What a run of the golden unit, or of one with a known fault, says of the bench."""

    kind = "bench check"
    check: CheckKind
    good: bool
    why: str
    new_history: str = ""  # why a golden unit's history begins with this run; "" if it goes on


@dataclass(frozen=True, kw_only=True)
class Remembered:
    """An event that an older version wrote, of which only the kind and the text are known."""

    kind: str


KINDS: Mapping[str, type[Event]] = {event.kind: event for event in Event.__subclasses__()}
BY_HAND = ("by hand", "seen to", "proof")
"""Kinds that say what hands did and whether it was proven; older versions knew the first alone."""

Noted = tuple[Event, str]
"""An event that is recorded with a run that has yet to begin, and its text."""

BESIDE_READINGS = (RelaysOperated, CurrentsDrawn)
"""Kinds that only come along with readings, some twenty a run, and change nothing on its pages."""

E = TypeVar("E", bound=Event | Remembered, covariant=True)


@dataclass(frozen=True, kw_only=True)
class RunEvent(Generic[E]):
    """Something that befell a run, at a time in UTC, with a text for people."""

    event: E
    at: datetime
    text: str

    @property
    def kind(self) -> str:
        """What the records call it."""
        return self.event.kind


@dataclass(frozen=True, kw_only=True)
class RunRecord:
    """A run as it is recorded: its header, how it ended, and how many readings have which verdict.

    `ended` is None, and `outcome` interrupted, for a run that nobody finished (or that is still going on).
    """

    run_id: int
    header: RunHeader
    outcome: Outcome | Literal["interrupted"]
    reason: str
    ended: datetime | None
    verdicts: Mapping[Verdict, int]  # only verdicts that occur
    acquisitions: int
    upgraded: bool = False  # whether an older version of the records wrote it

    @property
    def readings(self) -> int:
        """How many readings the run made."""
        return sum(self.verdicts.values())


@dataclass(frozen=True, kw_only=True, eq=False)
class AcquisitionRecord:
    """One acquisition and its phasors.

    number: of the plan's acquisition, 0 for one that is not of the plan; one that was ranged again occurs
    again under the same number. purpose: what one that is not of the plan was for; "" for the others.
    phasors: complex128, volts RMS, shape (inputs, frequencies), inputs in ascending order. residuals_vrms:
    what the sines leave over, one per input. started: UTC.
    """

    number: int
    setup: str
    state: str
    stimulus: Stimulus
    purpose: str = ""
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
class StoredReference:
    """A through reference recorded beside the runs, as `Reference.to_dict` gives it: when and on which bench.

    A bench's gain and phase for the next few hours.
    """

    taken: datetime
    bench: str
    temperature_c: float | None
    simulated: bool
    content: Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class UnitSummary:
    """One unit in the records: the run that says how it stands, and how often it was run.

    That is its latest test; of a unit that was only there for another purpose, the latest of those. `passes`
    are of tests. extent: how much of its sequence that run measured.
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
    extent: Extent = "whole"
