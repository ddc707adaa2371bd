"""The project's source files, each read and parsed once for all rules about them."""

import ast
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path
from typing import TypeVar

T = TypeVar("T")

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("harness", "drivers", "simulator")
SOURCES = (
    *sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py")),
    ROOT / "switchwalk.py",
)


def file_name(path: Path) -> str:
    """As git has it, such as harness/judge.py."""
    return path.relative_to(ROOT).as_posix()


@cache
def text(path: Path) -> str:
    return path.read_text(encoding="utf-8")


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(text(path))


def offences(rule: Callable[[Path], Iterable[T]], paths: Iterable[Path] = SOURCES) -> dict[str, list[T]]:
    """By file, what breaks a rule; only files in which something does."""
    return {file_name(path): broken for path in paths if (broken := list(rule(path)))}
