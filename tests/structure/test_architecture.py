"""The structure is checked: who may import whom, how long files are, and what must not be written."""

import ast
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from tests.structure.sources import ROOT, SOURCES, file_name, offences, text, tree

# Within the harness, a package may import itself and what stands to the left of it.
FLOW = (
    "errors", "arrays", "units", "toml_files", "bench_file", "roles", "reading", "measure", "judge",
    "quantities", "job", "drafts", "circuit", "plan", "faults", "compose", "records", "statistics", "session",
    "report", "site", "wiring", "pytest_plugin", "cli",
)  # fmt: skip

BRINGS_TOGETHER = ("harness.cli", "harness.session")  # drivers and harness

MAY_READ = {
    "drivers": ("errors", "units", "toml_files", "bench_file", "roles"),
    "simulator": ("errors", "units", "job"),
}
NEVER = {
    package: tuple(f"harness.{other}" for other in FLOW if other not in may) + tuple({*MAY_READ} - {package})
    for package, may in MAY_READ.items()
}


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def imports(path: Path) -> set[str]:
    """Every module that a file imports, also inside functions."""
    result: set[str] = set()
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            result |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{path}: imports are absolute here"
            result.add(node.module)
            result |= {f"{node.module}.{alias.name}" for alias in node.names}
    return result


def under(name: str, parents: tuple[str, ...]) -> bool:
    return any(name == parent or name.startswith(parent + ".") for parent in parents)


SILENT = [path for path in SOURCES if not under(module_name(path), ("harness.cli", "simulator"))]


def strays(path: Path) -> Iterator[str]:
    """What a file imports, and may not."""
    name = module_name(path)
    package = name.split(".")[0]
    yield from (other for other in imports(path) if under(other, NEVER.get(package, ())))
    if package == "harness":
        if not under(name, BRINGS_TOGETHER):
            yield from (other for other in imports(path) if under(other, ("drivers", "simulator")))
        after = FLOW[FLOW.index(name.split(".")[1]) + 1 if "." in name else 1 :]
        yield from (
            other for other in imports(path) if other.startswith("harness.") and other.split(".")[1] in after
        )


def test_imports_flow_one_way() -> None:
    assert offences(strays) == {}


def test_no_module_imports_itself_in_a_circle() -> None:
    names = {module_name(path): path for path in SOURCES}
    edges = {
        name: {other for other in imports(path) if other in names and other != name}
        for name, path in names.items()
    }
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join([*trail[trail.index(name) :], name])
        if name not in done:
            for other in edges[name]:
                visit(other, (*trail, name))
            done.add(name)

    for name in names:
        visit(name, ())


def test_files_stay_readable() -> None:
    assert {file_name(path) for path in SOURCES if len(text(path).splitlines()) > 500} == set()


def test_folders_stay_readable() -> None:
    """Of the program at most 20 files in a folder; of the tests as well."""
    folders = Counter(path.parent for path in (*SOURCES, *(ROOT / "tests").rglob("*.py")))
    assert {folder.name: count for folder, count in folders.items() if count > 20} == {}


def talk(path: Path) -> Iterator[str]:
    """What prints or asks in a file, by the function or the package."""
    for node in ast.walk(tree(path)):
        if (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id in {"print", "input"}
        ):
            yield node.func.id
    yield from (other for other in imports(path) if under(other, ("typer", "rich")))


def test_only_the_command_line_prints_and_asks() -> None:
    assert offences(talk, SILENT) == {}


def asserts(path: Path) -> Iterator[int]:
    yield from (node.lineno for node in ast.walk(tree(path)) if isinstance(node, ast.Assert))


def test_assert_is_for_tests_only() -> None:
    assert offences(asserts) == {}


@pytest.mark.parametrize("name", ["utils", "common", "core", "base", "helpers"])
def test_no_package_has_a_name_that_says_nothing(name: str) -> None:
    assert [path for path in SOURCES if name in path.with_suffix("").parts[-2:]] == []


def test_a_public_class_has_a_name_of_its_own() -> None:
    names = Counter(
        node.name
        for path in SOURCES
        if under(module_name(path), ("harness",))
        for node in ast.walk(tree(path))
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_")
    )
    assert {name for name, times in names.items() if times > 1} == set()
