"""`switchwalk table`: what every port must show in every state, by the circuit alone."""

import json
from dataclasses import asdict
from itertools import groupby
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.options import BenchPath, JobFolder
from harness.workbench.planning import impedances_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.table import Table

    from harness.circuit.truth import TruthRow
    from harness.job.job import Job

FREQUENCY_HZ = 1e3
STATE_WIDTH = 24
NOTHING_BELOW_DB = -200.0  # a circuit of ideal symmetry computes less than this; no bench has such symmetry


def table(
    job: JobFolder,
    bench: BenchPath = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for another program.")] = False,
) -> None:
    """Print the truth table of a job: states by ports, with route, level and polarity."""
    from harness.circuit.truth import truth_table
    from harness.workbench.job_files import read_job

    described = read_job(job, bench)
    rows = truth_table(
        described.module,
        described.fixture,
        described.sequence.states,
        frequency_hz=FREQUENCY_HZ,
        impedances=impedances_of(described, bench),
    )
    if as_json:
        typer.echo(json.dumps(as_data(described, rows), indent=2, ensure_ascii=False))
        return
    from rich.console import Console

    console = Console(highlight=False)
    console.print(_title(described), soft_wrap=True)
    for driven, group in groupby(rows, key=lambda row: row.driven):
        console.print(f"\nDriven at {driven}")
        console.print(as_table(tuple(group)))


def as_data(job: "Job", rows: "Sequence[TruthRow]") -> dict[str, Any]:
    """The table for another program."""
    return {
        "module": job.module.part,
        "revision": job.module.revision,
        "frequency_hz": FREQUENCY_HZ,
        "rows": [asdict(row) for row in rows],
    }


def as_table(rows: "Sequence[TruthRow]") -> "Table":
    """The rows of one driven port, made for 80 columns; a state is named at its first row."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    made = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1))
    made.add_column("state", no_wrap=True)
    made.add_column("port", no_wrap=True)
    made.add_column("dB", no_wrap=True, justify="right")
    made.add_column("polarity", no_wrap=True)
    made.add_column("route")
    before = ""
    for row in rows:
        name = "" if row.state == before else _folded(row.state)
        before = row.state
        port = row.port.partition(".")[2]
        if row.hookup is None:
            made.add_row(name, port, "", "", "not viewed by any hookup that drives here")
        else:
            made.add_row(name, port, _level(row), row.polarity or "", row.route)
    return made


def _title(job: "Job") -> str:
    return (
        f"{job.module.name} ({job.module.part} {job.module.revision}): differential level at "
        f"{FREQUENCY_HZ:g} Hz,\nre the generator's e.m.f., with the fixture's loads and plugs"
    )


def _level(row: "TruthRow") -> str:
    """A level as the circuit has it; where only symmetry is left of it, that it is beyond any bench."""
    if row.gain_db is None:
        return "nothing"
    if row.gain_db < NOTHING_BELOW_DB:
        return f"< {NOTHING_BELOW_DB:g}"
    return f"{row.gain_db:.2f}"


def _folded(state: str) -> str:
    """Break a state's name after a `+` where it is longer than its column."""
    lines = [""]
    for line in state.split("+"):
        joined = f"{lines[-1]}+{line}" if lines[-1] else line
        if len(joined) < STATE_WIDTH:  # room for the + that follows
            lines[-1] = joined
        else:
            lines.append(line)
    return "+\n".join(lines)
