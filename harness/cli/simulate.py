"""`switchwalk simulate`: a simulated bench alone."""

import subprocess
from pathlib import Path
from typing import Annotated

import typer

from harness.cli.options import Clumsy, Faults, Hasten, JobFolder
from harness.workbench.simulated import simulator_command


def simulate(
    job: JobFolder,
    serial: Annotated[str, typer.Option(help="The unit's serial number: draws its values.")] = "SIM-1",
    fault: Faults = None,
    trouble: Annotated[
        list[str] | None,
        typer.Option(metavar="TEXT", help="A trouble of the bench; may be repeated.", show_default=False),
    ] = None,
    hasten: Hasten = 1.0,
    clumsy: Clumsy = 0.0,
    switchboard: Annotated[str, typer.Option(help="frame, text, route or modbus.")] = "frame",
    bench_seed: Annotated[int, typer.Option(help="Draws the bench's own errors.")] = 1,
    bench_file: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write a bench.toml that reaches it.", show_default=False),
    ] = None,
) -> None:
    """Start a simulated bench with a unit on it; prints its addresses and runs until Ctrl-C."""
    arguments = simulator_command(job, serial=serial, faults=fault or [], hasten=hasten, clumsy=clumsy)
    arguments += ["--switchboard", switchboard, "--bench-seed", str(bench_seed)]
    for text in trouble or []:
        arguments += ["--trouble", text]
    if bench_file is not None:
        arguments += ["--bench-file", str(bench_file)]
    process = subprocess.Popen(arguments)
    try:
        raise typer.Exit(process.wait())
    except KeyboardInterrupt:
        process.wait()
