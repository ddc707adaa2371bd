"""The tutorial's way from a netlist to a proven test does what the page shows, line for line."""

import re
from pathlib import Path

import pytest

from tests.cli.commands import switchwalk

PAGE = Path(__file__).resolve().parents[2] / "docs" / "tutorial.md"
SECTION = PAGE.read_text(encoding="utf-8").partition("## The same from a netlist")[2]


BLOCKS: list[tuple[str, str]] = re.findall(r"^```(\w*)\n(.*?)^```", SECTION, flags=re.MULTILINE | re.DOTALL)


def block(language: str, containing: str) -> str:
    """The first block of the section that has these words."""
    return next(text for kind, text in BLOCKS if kind == language and containing in text)


def test_the_netlist_of_the_tutorial_becomes_a_test_that_finds_its_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("commentary.net").write_text(block("spice", "XK1"))
    drafted = switchwalk(capsys, "import", "commentary.net", "--out", "commentary/module.toml")
    assert (drafted.code, "0 doubts" in drafted.err) == (0, True)
    composed = switchwalk(capsys, "compose", "commentary", "--by-hand", "--scope-inputs", "2")
    assert composed.out.split() == block("", "single faults detected").split()
    run = ("run", "commentary", "--simulate", "--speed", "20", "--serial")
    good = switchwalk(capsys, *run, "OB-0001")
    bad = switchwalk(capsys, *run, "OB-0002", "--fault", "K3 never operates")
    assert (good.code, bad.code) == (0, 1)
    for line in block("", "PASS  unit").splitlines():
        assert line in good.out + bad.out
    assert block("", "pad_1, marked") in switchwalk(capsys, "wiring", "commentary").out
