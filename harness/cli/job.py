"""What several commands do with a job before their own work."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.job.job import Job

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
Despite = Annotated[
    str,
    typer.Option(
        "--despite",
        metavar="REASON",
        help="Go on though the last check of the bench was bad, for this reason; kept with each run.",
        show_default=False,
    ),
]


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
