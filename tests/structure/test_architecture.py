"""The structure is checked: who may import whom, how long files are, and what must not be written."""

import ast
from collections import Counter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("harness", "drivers", "simulator")
SOURCES = [
    *sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py")),
    ROOT / "switchwalk.py",
]

# Within the harness, a package may import itself and what stands to the left of it.
FLOW = (
    "errors", "units", "toml_files", "bench_file", "roles", "reading", "measure", "judge", "quantities",
    "job", "drafts", "circuit", "plan", "faults", "records", "statistics", "session", "report", "site",
    "wiring", "pytest_plugin", "cli",
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


def imports(path: Path) -> set[str]:
    """Every module that a file imports, also inside functions."""
    result: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
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


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_flow_one_way(path: Path) -> None:
    name = module_name(path)
    package = name.split(".")[0]
    strays = [other for other in imports(path) if under(other, NEVER.get(package, ()))]
    if package == "harness":
        if not under(name, BRINGS_TOGETHER):
            strays += [other for other in imports(path) if under(other, ("drivers", "simulator"))]
        here = FLOW.index(name.split(".")[1]) if "." in name else 0
        strays += [
            other
            for other in imports(path)
            if other.startswith("harness.") and other.split(".")[1] in FLOW[here + 1 :]
        ]
    assert strays == []


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


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_files_stay_readable(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 500


@pytest.mark.parametrize("path", SILENT, ids=lambda path: str(path.relative_to(ROOT)))
def test_only_the_command_line_prints_and_asks(path: Path) -> None:
    called = [
        node.func.id
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    ]
    assert not {"print", "input"} & set(called)
    assert not [other for other in imports(path) if under(other, ("typer", "rich"))]


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_assert_is_for_tests_only(path: Path) -> None:
    asserts = [
        node.lineno
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Assert)
    ]
    assert asserts == []


@pytest.mark.parametrize("name", ["utils", "common", "core", "base", "helpers"])
def test_no_room_is_called_by_a_name_that_says_nothing(name: str) -> None:
    assert [path for path in SOURCES if name in path.with_suffix("").parts[-2:]] == []


# Two ideas that still have one name; a name may leave this list, and none may come.
SHARED_NAMES = {
    "Candidate",
    "Check",
    "Expected",
    "Tone",
}


def test_a_public_class_has_a_name_of_its_own() -> None:
    names = Counter(
        node.name
        for path in SOURCES
        if under(module_name(path), ("harness",))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_")
    )
    shared = {name for name, times in names.items() if times > 1}
    assert shared == SHARED_NAMES
