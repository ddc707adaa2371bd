"""docs/quantities.md has a section for every quantity, and tells every line that a budget may have."""

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


def _names_in_the_code() -> set[str]:
    """Every text that becomes a budget line's name.

    They are named in `Contribution(name=…)` and `Component(name=…)`, in `names=(…)` of `between`, as the
    first of the arguments of `add`, and, in `contacts.py`, as the keys of known resistances.
    """
    result = set(get_args(Line))
    folders = [ROOT / "harness" / name for name in ("measure", "quantities")]
    for path in sorted(path for folder in folders for path in folder.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                result |= _of_call(node)
            elif isinstance(node, ast.Dict) and path.name == "contacts.py":
                result |= {_text(key) for key in node.keys if key is not None}
            elif isinstance(node, ast.Assign) and path.name == "residuals.py":
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
