"""A job as its files have it, held against its bench's profiles, with the plan that follows from both."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

from drivers.profile_files import NAME, load_profile, own_profile
from harness.bench_file import load_bench
from harness.circuit.elements import BenchImpedances
from harness.errors import JobError, Mistake, RecordsError
from harness.job.fixture import Hookup
from harness.job.job import BENCH, Job, load_job
from harness.plan.build import build_plan, trial_plan
from harness.plan.model import Plan
from harness.records.evidence import JOB_FILES, recorded_job
from harness.records.run import RunHeader, RunRecord
from harness.session.bench_check import check_bench
from harness.toml_files.located import JobFile, read_located


@dataclass(frozen=True, kw_only=True, eq=False)
class PlannedJob:
    """A job, its plan, and what its bench loads the unit with.

    bench_file: None for the job's own. notes: what had to be assumed.
    """

    job: Job
    plan: Plan
    impedances: BenchImpedances
    bench_file: Path | None = None
    notes: tuple[str, ...] = ()

    @property
    def profile_folder(self) -> Path:
        """Where a person's own instrument profiles are looked for."""
        return profile_folder(self.job, self.bench_file)

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
    in_profiles = _profile_mistakes(bench or folder / BENCH)
    try:
        job = load_job(folder, bench, sequence_file=sequence_file, fixture_file=fixture_file)
    except JobError as error:
        raise JobError([*error.mistakes, *in_profiles]) from None
    if in_profiles:
        raise JobError(in_profiles)
    return job


def plan_job(job: Job, bench_file: Path | None, *, through: bool = True) -> PlannedJob:
    """Plan a job for its bench. through: False for a run without a through reference.

    Raises JobError for what the bench's instruments cannot do, CircuitError.
    """
    impedances = impedances_of(job, bench_file)
    plan = build_plan(job, impedances=impedances)
    plan = plan if through else replace(plan, through=None)
    return PlannedJob(job=job, plan=plan, impedances=impedances, bench_file=bench_file)


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


def hookups_of(plan: Plan) -> tuple[Hookup, ...]:
    """Every hookup of a plan in its order, the through hookup first."""
    return (*filter(None, [plan.through]), *(visit.hookup for visit in plan.visits))


def made_by_hand(plan: Plan) -> str:
    """The names of the hookups whose leads a person moves; "" if there are none."""
    return ", ".join(repr(hookup.name) for hookup in hookups_of(plan) if hookup.select is None)


def recorded_plan(record: RunRecord) -> PlannedJob:
    """A run's job as it was recorded, planned. Raises RecordsError if its files no longer read."""
    job = recorded_job(record)
    impedances, notes = _recorded_impedances(job, record.header)
    plan = trial_plan(job, impedances=impedances)
    return PlannedJob(job=job, plan=plan, impedances=impedances, notes=notes)


def _profile_mistakes(path: Path) -> list[Mistake]:
    """What is wrong with the profiles of a bench file; nothing if the file itself is wrong or missing."""
    try:
        bench = load_bench(path)
    except JobError:
        return []
    mistakes: list[Mistake] = []
    for role, name in bench.profiles.items():
        try:
            load_profile(name, role=role, folder=path.parent)
        except JobError as error:
            mistakes += [_at_its_line(mistake, path, role) for mistake in error.mistakes]
    return mistakes


def _at_its_line(mistake: Mistake, path: Path, role: str) -> Mistake:
    if mistake.key != f"{role}.profile":
        return mistake
    return replace(mistake, line=read_located(path.read_text(encoding="utf-8-sig")).line((role, "profile")))


@contextmanager
def _profiles(header: RunHeader) -> Iterator[Path]:
    """A folder with a person's own profiles of a run: as they were kept with it, or where they were then."""
    kept = header.files[len(JOB_FILES) :]
    if not kept:
        yield Path(header.bench_file).parent if header.bench_file else Path(header.job_folder)
        return
    with TemporaryDirectory(prefix="switchwalk-") as folder:
        for file in kept:
            if not NAME.fullmatch(file.name):  # records are no more to be trusted than other files
                raise RecordsError(f"{file.name!r} is kept with the run as a profile, and is no name of one")
            (Path(folder) / file.name).write_text(file.text, encoding="utf-8")
        yield Path(folder)


def _recorded_impedances(job: Job, header: RunHeader) -> tuple[BenchImpedances, tuple[str, ...]]:
    """What the recorded bench loads the unit with, by its profiles: a person's own were kept with the run.

    They are not in runs of earlier versions. If one is not found beside the bench file any more either, the
    usual impedances are taken, with a note.
    """
    if job.bench is None:
        return BenchImpedances(), ()
    try:
        with _profiles(header) as folder:
            return check_bench(job, job.bench, folder), ()
    except JobError as error:
        usual = BenchImpedances()
        return usual, (
            f"The bench's profiles are not at hand ({error.mistakes[0].message}), so "
            f"sources of {usual.source_ohm:g} ohm and inputs of {usual.input_ohm / 1e6:g} Mohm are taken.",
        )
