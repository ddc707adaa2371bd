"""Reads a netlist's file, whichever of the two kinds it is."""

from pathlib import Path

from harness.drafts.netlist import Netlist
from harness.drafts.read_expressions import read_expressions
from harness.drafts.read_spice import read_spice
from harness.errors import UsageError

LARGEST_BYTES = 2_000_000
MOST_PARTS = 5_000
MOST_LINES = 50_000


def read_netlist(path: Path) -> Netlist:
    """Read a SPICE or an S-expression netlist. Raises UsageError for what is neither, or is too large."""
    text = _text(path)
    if text.count("\n") > MOST_LINES:
        raise UsageError(f"{path}: more than {MOST_LINES} lines; expected the netlist of one module")
    netlist = read_expressions(text, path.name) if text.lstrip().startswith("(") else read_spice(text)
    if not netlist.parts:
        raise UsageError(
            f"{path}: no part found; expected a SPICE netlist, or a schematic's netlist that begins with "
            "(export"
        )
    if len(netlist.parts) > MOST_PARTS:
        raise UsageError(f"{path}: {len(netlist.parts)} parts; expected at most {MOST_PARTS}, one module")
    return netlist


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise UsageError(
            f"{path}: cannot be read: {error.strerror or error}; expected a netlist file"
        ) from None
    if len(content) > LARGEST_BYTES:
        raise UsageError(f"{path}: larger than 2 MB; expected the netlist of one module")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("latin-1")
    if "\0" in text:
        raise UsageError(f"{path}: binary; expected a netlist in text")
    return text
