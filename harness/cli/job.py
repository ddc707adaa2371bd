"""What several commands do with a job before their own work."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.circuit.elements import BenchImpedances
    from harness.descriptions.job import Job
    from harness.plan.model import Plan

JobFolder = Annotated[
    Path,
    typer.Argument(
        metavar="JOB", help="Folder with module.toml, fixture.toml and sequence.toml.", show_default=False
    ),
]
BenchPath = Annotated[
    Path | None,
    typer.Option(
        "--bench", metavar="FILE", help="Another bench.toml than the job's own.", show_default=False
    ),
]


def impedances_of(job: "Job", bench: Path | None) -> "BenchImpedances":
    """What the bench's instruments load the module with; the usual ones where the job names no bench.

    Raises JobError for what the bench's instruments cannot do.
    """
    from harness.circuit.elements import BenchImpedances
    from harness.cli.bench_check import check_bench

    if job.bench is None:
        return BenchImpedances()
    return check_bench(job, job.bench, profile_folder(job, bench))


def profile_folder(job: "Job", bench: Path | None) -> Path:
    """Where a person's own instrument profiles are looked for: beside the bench file in use."""
    return job.folder if bench is None else bench.parent


def check_place(
    job: "Job", bench: Path | None, *, simulate: bool, hasten: float, faults: Sequence[str] = ()
) -> None:
    """Refuse what fits neither a bench nor a simulated one, before anything is opened. Raises UsageError."""
    if simulate:
        if bench is not None:
            raise UsageError("--simulate brings a bench of its own; leave --bench out")
        return
    for option, given in (("--fault", bool(faults)), ("--hasten", hasten != 1.0)):
        if given:
            raise UsageError(f"{option} is for a simulated bench; add --simulate")
    if job.bench is None:
        raise UsageError(
            f"{job.folder}: no bench.toml in the job; give --bench FILE, or --simulate to run without a bench"
        )


def planned(job: "Job", bench: Path | None) -> "Plan":
    """Plan a job for its bench."""
    from harness.plan.build import build_plan

    return build_plan(job, impedances=impedances_of(job, bench))
