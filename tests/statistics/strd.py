"""Reads the NIST Statistical Reference Datasets kept beside this file."""

from pathlib import Path

HERE = Path(__file__).parent / "nist"
DATA_FROM_LINE = 60


def pairs(name: str) -> list[tuple[float, float]]:
    lines = (HERE / f"{name}.dat").read_text(encoding="ascii").splitlines()[DATA_FROM_LINE:]
    return [(float(one), float(two)) for one, two in (line.split() for line in lines if line.strip())]
