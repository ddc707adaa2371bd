"""No code but that of the quantities asks which quantity something is of.

Outside `harness/quantities` nothing compares, matches or keys on a quantity's name, and nothing imports one
quantity's class or options. Drafts of jobs may write names, and old records' words stand in one place.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

from harness.quantities.registry import QUANTITIES
from tests.structure.sources import SOURCES, file_name, offences, tree

BEFORE = ("measure", "units.py", "judge.py", "reading.py", "roles.py", "errors.py")
"""What quantities are made of: budget lines and dimensions there may be spelt alike."""
APART = (*BEFORE, "quantities", "drafts")
ELSEWHERE = [
    path
    for path in SOURCES
    if file_name(path).startswith("harness/") and file_name(path).split("/")[1] not in APART
]
SPELT_ALIKE = {
    ("harness/cli/jobs.py", "supply_current"),  # a key of the plan as JSON
    ("harness/cli/measure.py", "noise"),  # what a reference has of the bench by itself
    ("harness/records/upgrade.py", "*"),  # words of older records
}
CLASSES = {type(quantity).__name__ for quantity in QUANTITIES.values()}
CLASSES |= {quantity.options.__name__ for quantity in QUANTITIES.values()} - {"Options"}


def texts(node: ast.expr) -> Iterator[str]:
    """Every text in an expression that is one, or a collection of them."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    if isinstance(node, ast.Tuple | ast.List | ast.Set):
        for element in node.elts:
            yield from texts(element)


def asked(source: ast.Module) -> Iterator[str]:
    """Texts that something is compared with, matched with or looked up by, or that stand in a collection."""
    for node in ast.walk(source):
        if isinstance(node, ast.Compare):
            for side in (node.left, *node.comparators):
                yield from texts(side)
        elif isinstance(node, ast.MatchValue):
            yield from texts(node.value)
        elif isinstance(node, ast.Dict):
            for key in node.keys:
                yield from texts(key) if key is not None else ()
        elif isinstance(node, ast.Subscript):
            yield from texts(node.slice)
        elif isinstance(node, ast.Tuple | ast.List | ast.Set):
            yield from texts(node)


def imported(source: ast.Module) -> Iterator[str]:
    for node in ast.walk(source):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("harness.quantities"):
            yield from (alias.name for alias in node.names)


def asks(path: Path) -> set[str]:
    """The quantities that a file asks for by name, and the classes of quantities that it imports."""
    name = file_name(path)
    if (name, "*") in SPELT_ALIKE:
        return set()
    result = {word for word in asked(tree(path)) if word in QUANTITIES and (name, word) not in SPELT_ALIKE}
    return result | (set(imported(tree(path))) & CLASSES)


def test_which_quantity_it_is_is_asked_of_the_quantity() -> None:
    assert offences(asks, ELSEWHERE) == {}
