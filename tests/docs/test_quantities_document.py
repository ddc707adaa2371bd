"""docs/quantities.md has a section for every quantity, and tells every line that a budget may have.

A section ends with the lines that are in the uncertainty of its quantity, and with the errors that are not.
"""

import ast
import re
from pathlib import Path
from typing import get_args

import pytest

from harness.measure.errors import Line
from harness.quantities.registry import QUANTITIES

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "docs" / "quantities.md").read_text(encoding="utf-8")
TABLE = TEXT.partition("## Lines of an uncertainty budget")[2]
TOLD = {
    name.strip()
    for cell in re.findall(r"^\| ([^|]+) \|", TABLE, flags=re.MULTILINE)
    for name in cell.split(",")
    if name.strip() not in {"line", "---"}
}
LINE_OF_A_BUDGET = re.compile(r"[a-z][a-z' ]+")
SECTIONS = dict(re.findall(r"^### ([a-z_]+)\n(.*?)(?=^##)", TEXT, flags=re.MULTILINE | re.DOTALL))
ENDING = re.compile(r"^\*\*In the ±:\*\* (.+);\s\*\*not\sin\sit:\*\*\s.+\.$", re.MULTILINE | re.DOTALL)
OF_A_LEVEL = "the lines of a level"
LINES_OF_A_LEVEL = set(re.findall(r'"([^"]+)"', TEXT.partition(f"**{OF_A_LEVEL}**")[2].partition("\n\n")[0]))
MADE_IN = {
    "dc_offset": ("quantities/residual.py", {"direct_voltage"}),
    "noise": ("measure/residuals.py", {"noise"}),
    "distortion": ("measure/residuals.py", {"thd", "_harmonic_power"}),
    "supply_current": ("quantities/supply.py", {"current"}),
    "contact_resistance": ("quantities/contacts.py", {"series_resistance"}),
    "coupling_capacitance": ("quantities/contacts.py", {"coupling_capacitance"}),
    "transfer_time": ("measure/changes/leg_changes.py", {"drop"}),
    "bounce_time": ("measure/changes/leg_changes.py", {"bounce_time"}),
    "click_peak": ("measure/changes/leg_changes.py", {"_peak"}),
    "click_energy": ("measure/changes/leg_changes.py", {"_energy"}),
    "click_duration": ("measure/changes/leg_changes.py", {"_duration"}),
}
"""Where the lines are named that a quantity has besides those of a level: a file of harness, functions."""


def _names_in_the_code() -> set[str]:
    """Every text that becomes a budget line's name.

    They are named in `Contribution(name=…)` and `Component(name=…)`, in `names=(…)` of `between`, as the
    first of the arguments of `add`, and, in `contacts.py`, as the keys of known resistances.
    """
    result = set(get_args(Line))
    folders = [ROOT / "harness" / name for name in ("measure", "quantities")]
    for path in sorted(path for folder in folders for path in folder.rglob("*.py")):
        result |= _names_in(ast.parse(path.read_text(encoding="utf-8")), path.name)
    return result


def _names_in(tree: ast.AST, file_name: str) -> set[str]:
    """The same of a file, or of one of its functions."""
    result: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            result |= _of_call(node)
        elif isinstance(node, ast.Dict) and file_name == "contacts.py":
            result |= {_text(key) for key in node.keys if key is not None}
        elif isinstance(node, ast.Assign) and file_name == "residuals.py":
            result |= _of_assignment(node)
    return {each for each in result if LINE_OF_A_BUDGET.fullmatch(each)}


def _of_call(node: ast.Call) -> set[str]:
    called = node.func.id if isinstance(node.func, ast.Name) else ""
    result: set[str] = set()
    for keyword in node.keywords:
        if keyword.arg == "name" and called in {"Contribution", "Component"}:
            result.add(_text(keyword.value))
        if keyword.arg == "names" and isinstance(keyword.value, ast.Tuple):
            result |= {_text(each) for each in keyword.value.elts}
    if called == "add" and node.args:
        result.add(_text(node.args[0]))
    return result


def _of_assignment(node: ast.Assign) -> set[str]:
    target = node.targets[0]
    if isinstance(target, ast.Name) and target.id == "name":
        return {_text(node.value)}
    if isinstance(target, ast.Subscript) and isinstance(target.value, ast.Name):
        return {_text(target.slice)} if target.value.id == "shares" else set()
    return set()


def _text(node: ast.expr) -> str:
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ""


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_every_quantity_has_its_section(quantity: str) -> None:
    assert re.search(rf"^### {quantity}$", TEXT, flags=re.MULTILINE)


def test_no_section_is_of_a_quantity_that_is_not() -> None:
    sections = re.findall(r"^### ([a-z_]+)$", TEXT, flags=re.MULTILINE)
    assert sorted(sections) == sorted(QUANTITIES)


def test_every_line_of_a_budget_is_told_and_no_other() -> None:
    assert _names_in_the_code() == TOLD


def _named(quantity: str) -> set[str]:
    """The lines that a section says are in its uncertainty."""
    ending = ENDING.search(SECTIONS[quantity].strip())
    return set(re.findall(r'"([^"]+)"', " ".join(ending[1].split()))) if ending else set()


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_a_section_ends_with_what_is_in_its_uncertainty_and_what_is_not(quantity: str) -> None:
    ending = ENDING.search(SECTIONS[quantity].strip())
    assert ending is not None
    assert ending.end() == len(SECTIONS[quantity].strip())
    assert _named(quantity) <= TOLD
    of_levels = OF_A_LEVEL in " ".join(ending[1].split())
    assert of_levels == (QUANTITIES[quantity].family == "steady")


def test_the_lines_of_a_level_are_those_of_the_error_model_and_of_the_step_in_frequency() -> None:
    assert {*get_args(Line), "frequency"} == LINES_OF_A_LEVEL


@pytest.mark.parametrize("quantity", MADE_IN)
def test_a_section_names_the_lines_that_the_code_gives_its_quantity(quantity: str) -> None:
    file, functions = MADE_IN[quantity]
    path = ROOT / "harness" / file
    made = [
        node
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef) and node.name in functions
    ]
    assert {node.name for node in made} == functions
    assert _named(quantity) == set().union(*(_names_in(node, path.name) for node in made))


def test_every_line_of_a_budget_is_in_the_uncertainty_of_some_quantity() -> None:
    assert LINES_OF_A_LEVEL.union(*map(_named, QUANTITIES)) == TOLD
