"""Composes a job for a module of 40 relays and 12 control lines, and times it.

    python benchmarks/source_matrix.py [--by-hand] [--into FOLDER]

The module is made here: the source matrix of an outside-broadcast rack, eight sources on the programme bus or
its preview, then four pads in a row, in two channels. Printed are seconds by the clock and processor seconds,
those of the helper processes included.
"""

import argparse
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

SOURCES, PADS = 8, 4
MODULE = """\
[module]
name = "Source matrix"
part = "LMX-MTX"
channels = ["left", "right"]

[supply]
voltage = "12 V"
limit = "600 mA"
quiescent = "5 mA"

[relay_types.signal]
coil = "1028 ohm"
contact = "50 mohm"
contact_max = "100 mohm"
operate_max = "4 ms"
release_max = "4 ms"
bounce_max = "3 ms"
off_capacitance = "1 pF"
"""


def _relay(number: int, control: str, *contacts: dict[str, str]) -> str:
    """contacts: the nets of each throw."""
    rows = ", ".join(
        "{ " + ", ".join(f'{throw} = "{net}"' for throw, net in contact.items()) + " }"
        for contact in contacts
    )
    return (
        f'[[relay]]\nnames = {{ left = "K{number}L", right = "K{number}R" }}\ncontrol = "{control}"\n'
        f'type = "signal"\ncontacts = [{rows}]\n'
    )


def _resistor(name: str, ends: str, ohm: float) -> str:
    return (
        f'[[resistor]]\nnames = {{ left = "{name}L", right = "{name}R" }}\n{ends}\nvalue = "{ohm:g} ohm"\n'
        'tolerance = "1 %"\n'
    )


def _tables() -> Iterator[str]:
    yield MODULE
    yield "[controls]"
    yield from (f'select_{source} = "Source {source}"' for source in range(1, SOURCES + 1))
    yield from (f'pad_{pad} = "Pad {pad} in circuit"' for pad in range(1, PADS + 1))
    yield "\n[ports]"
    yield from (f'source_{source} = "input"' for source in range(1, SOURCES + 1))
    yield 'programme = "output"\npreview = "output"\n'
    for source in range(1, SOURCES + 1):
        for at, bus in enumerate(("bus", "preview")):
            contact = {"common": bus, "operated": f"source_{source}"}
            yield _relay(2 * source - 1 + at, f"select_{source}", contact)
    nets = ["bus", *(f"step_{pad}" for pad in range(1, PADS)), "programme"]
    for pad in range(1, PADS + 1):
        near, far, wire, head, tail = nets[pad - 1], nets[pad], f"wire_{pad}", f"head_{pad}", f"tail_{pad}"
        before = {"common": near, "released": wire, "operated": head}
        after = {"common": far, "released": wire, "operated": tail}
        yield _relay(2 * SOURCES + pad, f"pad_{pad}", before, after)
        yield _resistor(f"R{pad}", f'series = ["{head}", "{tail}"]', 150 * pad)
        yield _resistor(f"S{pad}", f'to_ground = "{tail}"', 1500 * pad)


def module_text() -> str:
    """The matrix's module.toml."""
    return "\n".join(_tables())


def compose(folder: Path, *options: str) -> None:
    """Compose in a folder, and print what it took."""
    (folder / "module.toml").write_text(module_text())
    command = [sys.executable, "-m", "harness.cli", "compose", str(folder), *options]
    start, before = time.monotonic(), os.times()
    subprocess.run(command, check=True, cwd=Path(__file__).resolve().parents[1])
    wall_s, after = time.monotonic() - start, os.times()
    cpu_s = after.children_user + after.children_system - before.children_user - before.children_system
    print(f"{wall_s:.0f} s by the clock, {cpu_s:.0f} processor seconds on {os.cpu_count()} processors")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--by-hand", action="store_true", help="a person moves the leads")
    parser.add_argument("--into", type=Path, help="an empty folder to keep the job in")
    asked = parser.parse_args()
    options = ("--by-hand", "--scope-inputs", "2") if asked.by_hand else ()
    with TemporaryDirectory() as place:
        compose(asked.into or Path(place), *options)


if __name__ == "__main__":
    main()
