"""`switchwalk import`: a first module.toml from a netlist."""

from pathlib import Path
from typing import Annotated

import typer

from harness.cli.wrapping import say


def import_netlist(
    netlist: Annotated[Path, typer.Argument(metavar="NETLIST", help="SPICE or S-expression netlist.")],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="New file instead of the terminal.", show_default=False),
    ] = None,
) -> None:
    """Draft a module.toml from a netlist: relays, contacts, nets, resistors, capacitors, connectors.

    In SPICE a relay is a subcircuit, XK1 coil+ coil- common1 rest1 operated1 common2 ... TYPE, or the S
    switches of one control pair; a model with nc in its name opens. In a schematic's netlist it is a part K1
    whose pins are A1 A2 11 12 14 21 ... or COM1 NC1 NO1 .... Nets are read as left.out.hot, L_OUT_P, out+.
    What could not be told is said, and stands in comments in the draft.
    """
    from harness.drafts.job import write_new
    from harness.drafts.module_draft import draft_module
    from harness.drafts.read_netlist import read_netlist

    drafted = draft_module(read_netlist(netlist))
    if out is None:
        typer.echo(drafted.text, nl=False)
    else:
        write_new({out: drafted.text})
    for doubt in drafted.doubts:
        say(f"could not tell: {doubt}", err=True)
    if out is not None:
        say(
            f"{out}: a draft with {len(drafted.doubts)} doubts. Read it against the circuit diagram", err=True
        )
