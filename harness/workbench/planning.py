"""A job planned for the bench that it is run on."""

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.circuit.elements import BenchImpedances
    from harness.job.fixture import Hookup
    from harness.job.job import Job
    from harness.plan.model import Plan
    from harness.toml_files.file import JobFile


def planned(job: "Job", bench: Path | None) -> "Plan":
    """Plan a job for its bench."""
    from harness.plan.build import build_plan

    return build_plan(job, impedances=impedances_of(job, bench))


def impedances_of(job: "Job", bench: Path | None) -> "BenchImpedances":
    """What the bench's instruments load the module with; the usual ones where the job names no bench.

    Raises JobError for what the bench's instruments cannot do.
    """
    from harness.circuit.elements import BenchImpedances
    from harness.workbench.bench_check import check_bench

    if job.bench is None:
        return BenchImpedances()
    return check_bench(job, job.bench, profile_folder(job, bench))


def profile_folder(job: "Job", bench: Path | None) -> Path:
    """Where a person's own instrument profiles are looked for: beside the bench file in use."""
    return job.folder if bench is None else bench.parent


def files_of(job: "Job", bench: Path | None) -> "tuple[JobFile, ...]":
    """A job's files, then a person's own profiles that its bench names: all that a run keeps by content."""
    from drivers.profile_files import own_profile
    from harness.toml_files.file import JobFile

    if job.bench is None:
        return job.files
    names = dict.fromkeys(job.bench.profiles.values())
    own = (own_profile(name, profile_folder(job, bench)) for name in names)
    return (*job.files, *(JobFile.of(place.name, place.read_bytes()) for place in own if place is not None))


def hookups_of(plan: "Plan") -> "tuple[Hookup, ...]":
    """Every hookup of a plan in its order, the through hookup first."""
    return (*filter(None, [plan.through]), *(visit.hookup for visit in plan.visits))
