"""docs/profiles.md names every key and command of every kind of profile, and no other; defaults are right."""

import re
from pathlib import Path

import pytest
from pydantic import BaseModel

from drivers.command import Holes
from drivers.models.any_instrument import InstrumentProfile
from drivers.profile import KINDS, shipped_profiles
from drivers.scope.oscilloscope_profile import Scaling

TEXT = (Path(__file__).resolve().parents[2] / "docs" / "profiles.md").read_text(encoding="utf-8")
COMMON = {"kind", *InstrumentProfile.model_fields}


def section(kind: str) -> str:
    """What the page has of one kind: its section, or of a relay board its row of the table."""
    if kind.endswith("switchboard"):
        row, *_ = re.findall(rf"^\| `{kind}` \|.*$", TEXT, flags=re.MULTILINE)
        return str(row) + (TEXT.partition("A Modbus board has")[2] if "modbus" in kind else "")
    return TEXT.partition(f'## `kind = "{kind}"`')[2].partition("\n## ")[0]


def names(cells: str) -> list[str]:
    return re.findall(r"`([a-z_]+)`", cells)


def first_cells(kind: str) -> list[str]:
    return [
        name
        for cell in re.findall(r"^\| ([^|]+) \|", section(kind), flags=re.MULTILINE)
        for name in names(cell)
    ]


def commands_of(profile: type[BaseModel]) -> type[BaseModel] | None:
    field = profile.model_fields.get("commands")
    made = field.annotation if field else None
    return made if isinstance(made, type) and issubclass(made, BaseModel) else None


def test_the_keys_of_every_profile_are_named() -> None:
    assert set(names(TEXT.partition("## Keys of every profile")[2].partition("What differs")[0])) >= COMMON


@pytest.mark.parametrize(
    ("heading", "end", "kinds"),
    [
        ("These profiles are shipped:", "With a board", ("switchboard",)),
        ("These profiles of generators and supplies are shipped:", "## ", ("generator", "supply")),
    ],
)
def test_every_shipped_profile_is_listed(heading: str, end: str, kinds: tuple[str, ...]) -> None:
    shipped = {name for name in shipped_profiles() if name.rpartition("-")[2] in kinds}
    listed = TEXT.partition(heading)[2].partition(end)[0]
    assert set(re.findall(r"^\| `([a-z-]+)` \|", listed, flags=re.MULTILINE)) == shipped


def test_a_supply_without_an_interface_has_exactly_its_keys() -> None:
    assert set(first_cells("hand-supply")) == set(KINDS["hand-supply"].model_fields) - COMMON


@pytest.mark.parametrize("kind", ["generator", "supply", "oscilloscope"])
def test_each_instrument_has_exactly_its_keys_and_commands(kind: str) -> None:
    commands = commands_of(KINDS[kind])
    assert commands is not None
    keys = set(KINDS[kind].model_fields) - COMMON - {"commands", "scaling"}
    keys |= set(Scaling.model_fields) if "scaling" in KINDS[kind].model_fields else set()
    told = [name for name in first_cells(kind) if name != "profile"]
    assert sorted(set(told)) == sorted(keys | set(commands.model_fields))


def test_each_shipped_scope_is_listed_with_what_it_does() -> None:
    rows = re.findall(r"^\| `([a-z-]+-oscilloscope)` \|", section("oscilloscope"), flags=re.MULTILINE)
    assert sorted(rows) == sorted(name for name in shipped_profiles() if name.endswith("oscilloscope"))


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind.endswith("switchboard")])
def test_each_relay_board_has_its_keys_and_commands(kind: str) -> None:
    commands = commands_of(KINDS[kind])
    keys = set(KINDS[kind].model_fields) - COMMON - {"commands"}
    keys |= set(commands.model_fields) if commands else set()
    assert keys <= set(names(section(kind)))


@pytest.mark.parametrize("kind", ["generator", "supply", "oscilloscope"])
def test_a_placeholder_that_a_command_needs_is_in_its_row(kind: str) -> None:
    commands = commands_of(KINDS[kind])
    assert commands is not None
    for name, field in commands.model_fields.items():
        (holes,) = [rule for rule in field.metadata if isinstance(rule, Holes)] or [Holes()]
        *_, row = [line for line in section(kind).splitlines() if f"`{name}`" in line.split(" | ")[0]]
        for hole in (*holes.needed, *holes.one_of):
            assert f"{{{hole}}}" in row or hole == "n", (name, hole)
