"""DEVELOPERS.md lists the packages in the order in which they may import each other, and names that exist."""

import re
from pathlib import Path

import pytest

from tests.structure.test_architecture import FLOW

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PACKAGES = re.findall(r"^\| `harness/([a-z_]+)(?:\.py|/)` \|", TEXT, flags=re.MULTILINE)
PLACES = re.findall(r"^\| `([a-z_]+(?:\.py|/))` \|", TEXT, flags=re.MULTILINE)
NAMES = re.findall(r"`([A-Z][A-Za-z]+)`", TEXT.partition("## Glossary")[2].partition("\n## ")[0])
CODE = "\n".join(
    path.read_text(encoding="utf-8") for path in sorted((ROOT / "harness").rglob("*.py"))
)  # all of it at once


def test_the_packages_are_those_of_the_tree_in_their_order() -> None:
    assert tuple(PACKAGES) == FLOW


@pytest.mark.parametrize("place", PLACES)
def test_a_place_beside_the_harness_exists(place: str) -> None:
    assert (ROOT / place).exists()


@pytest.mark.parametrize("name", NAMES)
def test_a_name_of_the_glossary_is_in_the_code(name: str) -> None:
    assert re.search(rf"^(?:class {name}\b|{name}(?:: \w+)? = )", CODE, flags=re.MULTILINE)
