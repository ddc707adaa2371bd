"""The small façade gives what it promises, and nothing else."""

import doctest
import re
import subprocess
import sys
from pathlib import Path

import pytest

import switchwalk

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize("name", switchwalk.__all__)
def test_every_public_name_can_be_imported(name: str) -> None:
    assert getattr(switchwalk, name).__name__ == name


def test_no_other_name_is_promised() -> None:
    given: dict[str, object] = {}
    exec("from switchwalk import *", given)
    assert set(given) - {"__builtins__"} == set(switchwalk.__all__)
    assert not hasattr(switchwalk, "nonsense")


def test_the_example_in_the_docstring_runs() -> None:
    lines = (switchwalk.__doc__ or "").splitlines()
    example = "\n".join(line[4:] for line in lines if line.startswith("    "))
    message = subprocess.run(
        [sys.executable, "-c", example], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout
    assert re.fullmatch(r"\d{3} readings from \d{2,3} acquisitions\n", message)
    assert doctest.testmod(switchwalk).failed == 0
