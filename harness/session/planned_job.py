"""A job as its files say, checked against its bench's profiles, with the plan that follows from both."""

import hashlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory

from drivers.models.sources import GeneratorProfile
from drivers.profile import NAME, OscilloscopeProfile, own_profile
from harness.circuit.elements import BenchImpedances
from harness.errors import JobError, RecordsError
from harness.faults.lead_or_unit import LeadsPredicted
from harness.job.fixture import Setup
from harness.job.job import BENCH, FIXTURE, SEQUENCE, Job, load_job
from harness.plan.build import build_plan, trial_plan
from harness.plan.model import Plan
from harness.quantities.registry import of_two_ports
from harness.records.evidence import JOB_FILES, recorded_job
from harness.records.run import RunHeader, RunRecord
from harness.session.asked_of_bench.mistakes import (
    TWO_PORTS,
    beyond_memory,
    check_bench,
    of_few_inputs,
    undriven,
)
from harness.session.asked_of_bench.profiles import generators_of, profile_mistakes, scope_of
from harness.toml_files.located import JobFile

SUPPLY_UNKNOWN = (
    "The relay supply does not say what it gives. So no over-current is noticed, a unit is not known by what "
    "it draws, and no reading of its current can be taken"
)


ONE_FREQUENCY = (
    "The generator's outputs share one frequency. So each leg is driven alone, in two records, which take "
    "twice the time that is estimated"
)
BALANCED = (
    "The generator drives both legs in antiphase, through a transformer. So its readings are those of the "
    "difference of the legs: what is different on them, common-mode rejection, and faults in one leg alone "
    "that leave the difference as it is, are not seen. Each record is made twice, at the two frequencies of "
    "the tone, which takes twice the time that is estimated"
)
TWO_GENERATORS = (
    "Two generators feed the legs, and share no clock. So each leg is driven alone, in two records, which "
    "take twice the time that is estimated; what needs both legs in one record can't be measured: changes of "
    "state with a tone, and distortion"
)
BENCH_FILE = 3  # its index in the files that a run records; a person's own profiles come after it


@dataclass(frozen=True, kw_only=True, eq=False)
class PlannedJob:
    """A job and its plan.

    bench_file: None for the job's own. notes: what had to be assumed, and what the bench leaves unknown.
    """

    job: Job
    plan: Plan
    bench_file: Path | None = None
    notes: tuple[str, ...] = ()

    @property
    def profile_folder(self) -> Path:
        """Where a person's own instrument profiles are looked for."""
        return profile_folder(self.job, self.bench_file)

    @cached_property
    def leads_predicted(self) -> LeadsPredicted:
        """What leads on wrong pins would show, computed once for all units of this job."""
        return LeadsPredicted(self.job, self.plan.impedances)

    @property
    def digest(self) -> str:
        """Of all that predictions follow from; a simulated bench's file has other addresses each time."""
        bench = self.job.bench
        parts = [
            version("switchwalk"),
            repr(self.plan.impedances),
            repr(self.job.mains_hz),
            repr(None if bench is None else (bench.oscilloscope.gain_accuracy, bench.level_drifts)),
            repr(self.plan.through is None),
            *(file.sha256 for file in self.job.files[:BENCH_FILE]),
        ]
        return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]

    @property
    def files(self) -> tuple[JobFile, ...]:
        """The job's files, then a person's own profiles that its bench names: all that a run keeps."""
        if self.job.bench is None:
            return self.job.files
        names = dict.fromkeys(self.job.bench.profiles.values())
        own = [path for name in names if (path := own_profile(name, self.profile_folder)) is not None]
        return (*self.job.files, *(JobFile.of(path.name, path.read_bytes()) for path in own))


def read_job(
    folder: Path,
    bench: Path | None = None,
    *,
    sequence_file: Path | None = None,
    fixture_file: Path | None = None,
) -> Job:
    """Read a job as `load_job` does. Raises JobError with every mistake of its files and their profiles."""
    in_profiles = profile_mistakes(bench or folder / BENCH)
    with named_as_given(sequence_file, fixture_file):
        try:
            job = load_job(folder, bench, sequence_file=sequence_file, fixture_file=fixture_file)
        except JobError as error:
            of_few = of_few_inputs(bench or folder / BENCH, error.mistakes)
            raise JobError([*error.mistakes, *in_profiles, *of_few]) from None
    if in_profiles:
        raise JobError(in_profiles)
    return job


@contextmanager
def named_as_given(sequence_file: Path | None, fixture_file: Path | None) -> Iterator[None]:
    """Let mistakes name the files that were read in place of the job's own sequence and fixture."""
    given = {SEQUENCE: sequence_file, FIXTURE: fixture_file}
    try:
        yield
    except JobError as error:
        named = [replace(each, file=str(given.get(each.file) or each.file)) for each in error.mistakes]
        raise JobError(named) from None


def plan_job(job: Job, bench_file: Path | None, *, through: bool = True) -> PlannedJob:
    """Plan a job for its bench. through: False for a run without a through reference.

    Raises JobError for what the bench's instruments cannot do, CircuitError.
    """
    folder = profile_folder(job, bench_file)
    with named_as_given(job.sequence_file, job.fixture_file):
        plan = build_plan(job, impedances=impedances_of(job, bench_file))
        generators, scope = generators_of(job, folder), scope_of(job, folder)
        if mistakes := undriven(job, plan, generators):
            raise JobError(mistakes)
        if scope is not None and (beyond := [*beyond_memory(job, plan, scope)]):
            raise JobError(beyond)
    plan = plan if through else replace(plan, through=None, swapped_through=None)
    return PlannedJob(job=job, plan=plan, bench_file=bench_file, notes=_notes(job, plan, generators, scope))


def _notes(
    job: Job, plan: Plan, generators: Mapping[str, GeneratorProfile], scope: OscilloscopeProfile | None
) -> tuple[str, ...]:
    """What the bench leaves unknown in every run of a plan, and how both legs are driven."""
    notes = [] if plan.impedances.supply_current else [SUPPLY_UNKNOWN]
    if scope is not None and scope.inputs < TWO_PORTS:
        named = ", ".join(quantity.spoken for quantity in of_two_ports(amplified=job.module.may_invert))
        shows = f"The scope has {scope.inputs} inputs and shows one port at a time."
        notes.append(
            f"{shows} What compares two ports is read from two records that are counted from the generator's "
            f"sync, each with hot and cold driven in turn: {named}. What changes between the two is in these "
            "readings"
            if job.has_sync
            else f"{shows} What compares two ports in one record can't be measured: {named}. It can if the "
            "generator's sync is connected to the scope's external trigger input (sync_connected = true in "
            "bench.toml)"
        )
    if plan.impedances.winding_ohm is not None:
        notes.append(BALANCED)
    elif len(generators) > 1:
        notes.append(TWO_GENERATORS)
    elif any(not each.independent_frequencies for each in generators.values()):
        notes.append(ONE_FREQUENCY)
    return tuple(notes)


def impedances_of(job: Job, bench_file: Path | None) -> BenchImpedances:
    """What the bench's instruments load the module with; the usual impedances if the job names no bench.

    Raises JobError for what the bench's instruments cannot do.
    """
    if job.bench is None:
        return BenchImpedances()
    return check_bench(job, job.bench, profile_folder(job, bench_file))


def profile_folder(job: Job, bench_file: Path | None) -> Path:
    """Where a person's own instrument profiles are looked for: beside the bench file in use."""
    return job.folder if bench_file is None else bench_file.parent


def setups_of(plan: Plan) -> tuple[Setup, ...]:
    """Every setup of a plan in its order, the through setups first."""
    return (*plan.throughs, *(visit.setup for visit in plan.visits))


def made_by_hand(plan: Plan) -> str:
    """The names of the setups whose leads a person moves; "" if there are none."""
    return ", ".join(repr(setup.name) for setup in setups_of(plan) if setup.select is None)


def recorded_plan(record: RunRecord) -> PlannedJob:
    """A run's job as it was recorded, planned. Raises RecordsError if its files no longer read."""
    job = recorded_job(record)
    impedances, generators, scope, notes = _recorded_bench(job, record.header)
    plan = trial_plan(job, impedances=impedances)
    return PlannedJob(job=job, plan=plan, notes=(*notes, *_notes(job, plan, generators, scope)))


@contextmanager
def _profiles(header: RunHeader) -> Iterator[Path]:
    """A folder with a person's own profiles of a run: as recorded with it, or where they were read then."""
    recorded = header.files[len(JOB_FILES) :]
    if not recorded:
        yield Path(header.bench_file).parent if header.bench_file else Path(header.job_folder)
        return
    with TemporaryDirectory(prefix="switchwalk-") as folder:
        for file in recorded:
            if not NAME.fullmatch(file.name):  # records are trusted no more than other files
                raise RecordsError(f"{file.name!r} is kept with the run as a profile, and is no name of one")
            (Path(folder) / file.name).write_text(file.text, encoding="utf-8")
        yield Path(folder)


def _recorded_bench(
    job: Job, header: RunHeader
) -> tuple[BenchImpedances, dict[str, GeneratorProfile], OscilloscopeProfile | None, tuple[str, ...]]:
    """What the recorded bench loads the unit with, and its generators' and scope's profiles.

    One's own are in the run; those of earlier versions lack them. If one is no longer beside the bench file
    either, the usual impedances are taken, with a note.
    """
    if job.bench is None:
        return BenchImpedances(), {}, None, ()
    try:
        with _profiles(header) as folder:
            impedances = check_bench(job, job.bench, folder)
            return impedances, generators_of(job, folder), scope_of(job, folder), ()
    except JobError as error:
        usual = BenchImpedances()
        note = (
            f"The bench's profiles are not at hand ({error.mistakes[0].message}), so "
            f"sources of {usual.source_ohm:g} ohm and inputs of {usual.input_ohm / 1e6:g} Mohm are taken."
        )
        return usual, {}, None, (note,)
