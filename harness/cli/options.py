"""Arguments and options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

from harness.errors import UsageError
from harness.job.job import Job
from harness.session.simulated import Simulation

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
RecordsPlace = Annotated[
    str | None,
    typer.Option(
        "--records",
        metavar="PLACE",
        help="A SQLite file or a database URL  [default: switchwalk-records/records.sqlite]",
        show_default=False,
    ),
]
RunNumber = Annotated[int, typer.Argument(metavar="RUN", help="The run's number.", show_default=False)]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for another program.")]
Despite = Annotated[
    str,
    typer.Option(
        "--despite",
        metavar="REASON",
        help="Go on though the last check of the bench was bad, for this reason; kept with each run.",
        show_default=False,
    ),
]
Faults = Annotated[
    list[str] | None,
    typer.Option(
        "--fault",
        metavar="NAME",
        help='A fault of the simulated unit, by its name in `cover` and `diagnose`: "K3 never operates", '
        '"K2.1.cold operated stuck open", "K1.1.hot rest 10 ohm", "left.out.hot open"; may be repeated, or '
        'joined by " + ".',
        show_default=False,
    ),
]
Hasten = Annotated[
    float, typer.Option(min=0.01, max=1000.0, help="Run the simulated bench's clock this many times faster.")
]
Clumsy = Annotated[
    float,
    typer.Option(
        "--clumsy",
        min=0.0,
        max=1.0,
        metavar="SHARE",
        help="Share of the hookups made by simulated hands in which a lead slips.",
    ),
]


def simulation_for(job: Job, bench: Path | None, wanted: Simulation, *, simulate: bool) -> Simulation | None:
    """The simulated bench that a command wants, None for a real one; refused before anything is opened.

    Raises UsageError for what fits neither.
    """
    if simulate:
        if bench is not None:
            raise UsageError("--simulate brings a bench of its own; leave --bench out")
        return wanted
    for option, given, what in (
        ("--fault", bool(wanted.faults), "a simulated bench"),
        ("--hasten", wanted.speed != 1.0, "a simulated bench"),
        ("--clumsy", wanted.lead_errors > 0.0, "simulated hands"),
    ):
        if given:
            raise UsageError(f"{option} is for {what}; add --simulate")
    if job.bench is None:
        raise UsageError(
            f"{job.folder}: no bench.toml in the job; give --bench FILE, or --simulate to run without a bench"
        )
    return None
