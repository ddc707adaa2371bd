"""docs/import.md: its example is drafted as it says."""

import re
from pathlib import Path

import pytest

from tests.cli.commands import switchwalk

PAGE = Path(__file__).parents[2] / "docs" / "import.md"


def test_the_example_becomes_what_the_page_shows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = PAGE.read_text(encoding="utf-8")
    netlist, draft = (
        re.findall(rf"^```{kind}\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)[0]
        for kind in ("spice", "toml")
    )
    source = tmp_path / "board.net"
    source.write_text(netlist, encoding="utf-8")
    printed = switchwalk(capsys, "import", str(source))
    doubts, relay = draft.split("\n\n")
    assert f"# What could not be derived:\n{doubts}\n\n[module]" in printed.out
    assert relay in printed.out
    assert 'voltage = "24 V"' in printed.out
