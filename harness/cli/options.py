"""Arguments and options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

from harness.records.run import DEFAULT_RECORDS

RECORDS = str(DEFAULT_RECORDS)
JobFolder = Annotated[
    Path, typer.Argument(metavar="JOB", help="Folder with module.toml, fixture.toml and sequence.toml.")
]
BenchPath = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Another bench.toml than the job's own.")
]
RecordsLocation = Annotated[
    str,
    typer.Option(
        metavar="PLACE",
        show_default=False,
        help="A SQLite file or a database URL  [default: switchwalk-records/records.sqlite]",
    ),
]
RunNumber = Annotated[int, typer.Argument(metavar="RUN", help="The run's number.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for another program.")]
Override = Annotated[
    str,
    typer.Option(
        metavar="REASON",
        help="Test on a bench with a failed or expired check, for this reason; recorded with each run.",
    ),
]
Faults = Annotated[
    list[str] | None,
    typer.Option(
        metavar="NAME",
        help='A fault of the simulated unit, by its name in `coverage` and `diagnose`: "K3 never operates", '
        '"K2.1.cold operated stuck open", "K1.1.hot released 10 ohm", "left.out.hot open"; may be repeated, '
        'or joined by " + ".',
    ),
]
Speed = Annotated[
    float,
    typer.Option(
        min=0.01, max=1000.0, metavar="TIMES", help="Speed of the simulated bench, times real time."
    ),
]
LeadErrors = Annotated[
    float,
    typer.Option(
        min=0.0,
        max=1.0,
        metavar="SHARE",
        help="Share of setups in which the simulated person misplaces a lead.",
    ),
]
TranscriptPath = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Record every message on the wires to a file.")
]
Again = Annotated[
    str,
    typer.Option(
        metavar="REASON", help="Run a unit that has been run before, for this reason; kept with the run."
    ),
]
Operator = Annotated[str | None, typer.Option(metavar="NAME", help="Who runs it.")]
SimulateRun = Annotated[bool, typer.Option("--simulate", help="Run against a simulated bench.")]
Simulate = Annotated[bool, typer.Option("--simulate", help="Use a simulated bench.")]
