"""Arguments and options that several commands share."""

import math
from pathlib import Path
from typing import Annotated

import typer

from harness.records.run import DEFAULT_RECORDS

RECORDS = str(DEFAULT_RECORDS)
LAST_PORT = 65_535


def parse_run_number(text: object) -> int:
    """The number of a run. Raises BadParameter, which says where serial numbers belong."""
    if not str(text).isdecimal():
        raise typer.BadParameter(
            f"{text!r} is not the number of a run; `switchwalk units {text}` lists the runs of a unit"
        )
    return int(str(text))


def parse_times(text: object) -> float:
    """How many times faster. Raises BadParameter."""
    return _number(text, 0.01, 1000.0, 'a number such as "10" or "1.5"')


def parse_share(text: object) -> float:
    """A share of all. Raises BadParameter."""
    return _number(text, 0.0, 1.0, 'a share such as "0.2", which is 20 %')


def parse_port(text: object) -> int:
    """The number of a TCP port. Raises BadParameter."""
    if not str(text).isdecimal() or int(str(text)) > LAST_PORT:
        raise typer.BadParameter(
            f"found {text}; expected a port from 1 to {LAST_PORT}, or 0 for any free one"
        )
    return int(str(text))


def _number(text: object, least: float, most: float, expected: str) -> float:
    try:
        value = float(str(text))
    except ValueError:
        value = math.nan
    if not least <= value <= most:
        raise typer.BadParameter(f"found {text}; expected {expected}, from {least:g} to {most:g}")
    return value


JobFolder = Annotated[
    Path, typer.Argument(metavar="JOB", help="Folder with module.toml, fixture.toml and sequence.toml.")
]
BenchPath = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Another bench.toml than the job's own.")
]
FixturePath = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Another fixture.toml than the job's own.")
]
SequencePath = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Another sequence.toml than the job's own.")
]
RecordsLocation = Annotated[
    str,
    typer.Option(
        metavar="PLACE",
        show_default=False,
        help="A SQLite file or a database URL  [default: switchwalk-records/records.sqlite]",
    ),
]
RunNumber = Annotated[int, typer.Argument(metavar="RUN", parser=parse_run_number, help="The run's number.")]
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
    typer.Option(parser=parse_times, metavar="TIMES", help="Speed of the simulated bench, times real time."),
]
LeadErrors = Annotated[
    float,
    typer.Option(
        parser=parse_share,
        metavar="SHARE",
        help="Share of setups in which the simulated person misplaces a lead.",
    ),
]
ImperfectionSizes = Annotated[
    list[str] | None,
    typer.Option(
        "--imperfection",
        metavar="KIND=SIZE",
        help="Size of an imperfection of the simulated bench: 0 is none, 1 usual "
        "(docs/profiles.md); may be repeated.",
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
Shortest = Annotated[
    bool,
    typer.Option(
        "--shortest", help="Make only the fewest steps that detect every fault which the sequence detects."
    ),
]
StopAtFail = Annotated[
    bool,
    typer.Option("--stop-at-fail", help="End with the first confirmed FAIL; what sees most comes first."),
]
SimulateRun = Annotated[bool, typer.Option("--simulate", help="Run against a simulated bench.")]
Simulate = Annotated[bool, typer.Option("--simulate", help="Use a simulated bench.")]
