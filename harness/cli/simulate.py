"""`switchwalk simulate`: a simulated bench alone; and the options of every command that has one."""

import subprocess
from pathlib import Path
from typing import Annotated

import typer

from harness.cli.job import JobFolder
from harness.workbench.simulated import simulator_command

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
