"""A job file as its tables: which of them are the composer's, which a person's, and how the two are joined.

The header of a table that the composer wrote ends with `# composed` and a digest of the table's text, its
comments included. Once anything of that text is changed, or the mark is taken away, the table is a person's.
"""

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from harness.errors import UsageError
from harness.toml_files.located import read_located

LISTS = ("setup", "check")  # [[…]], by their names
NAMED = ("loopbacks", "measured", "connectors")  # [… .NAME]
MARK = re.compile(r"[ \t]*# composed ([0-9a-f]{8})[ \t]*$", re.MULTILINE)
_HEADER = re.compile(r"^\[", re.MULTILINE)

TableKey = tuple[str, str]
Fate = Literal["added", "replaced", "removed", "kept"]


@dataclass(frozen=True, kw_only=True)
class FileTable:
    """One table of a file: its kind and name, and its text from the comments before it to the next table.

    composed: it is as the composer left it.
    """

    kind: str
    name: str
    text: str
    composed: bool

    @property
    def key(self) -> TableKey:
        """What makes two tables the same one."""
        return self.kind, self.name

    @property
    def words(self) -> str:
        """As a person finds it: `[[setup]] "drive left, view out"`, `[loads]`, `[loopbacks.pad_a]`."""
        if self.kind in LISTS:
            return f'[[{self.kind}]] "{self.name}"'
        return f"[{self.kind}.{self.name}]" if self.name else f"[{self.kind}]"

    @property
    def marked(self) -> str:
        """The text with the composer's mark."""
        lines = self.text.splitlines()
        header = next(index for index, line in enumerate(lines) if line.startswith("["))
        lines[header] = f"{lines[header]}  # composed {digest(self.text)}"
        return "\n".join(lines) + "\n"


def unmarked(text: str) -> str:
    """A table's text without the mark."""
    return MARK.sub("", text)


def digest(text: str) -> str:
    """Of a table's text without its mark; spaces at the ends of lines and empty lines don't count."""
    lines = (line.rstrip() for line in unmarked(text).splitlines())
    return hashlib.sha256("\n".join(filter(None, lines)).encode()).hexdigest()[:8]


@dataclass(frozen=True, kw_only=True)
class FileTables:
    """A whole file: what stands before its first table, and the tables."""

    before: str
    tables: tuple[FileTable, ...]

    @property
    def text(self) -> str:
        """The file."""
        parts = [self.before.rstrip("\n"), *(table.text.strip("\n") for table in self.tables)]
        return "\n\n".join(filter(None, parts)) + "\n"

    @property
    def composed(self) -> bool:
        """Whether any of it bears the composer's mark."""
        return any(MARK.search(table.text) for table in self.tables)


def read_tables_of(text: str, name: str) -> FileTables:
    """Take a file apart. Raises UsageError if its tables can't be told apart, and UnreadableError."""
    located = read_located(text)
    lines = text.splitlines()
    starts: list[tuple[int, str, str]] = []  # header line, from 0
    for kind, value in located.values.items():
        if kind in LISTS and isinstance(value, list):
            for index, entry in enumerate(value):
                title = str(entry.get("name", index)) if isinstance(entry, dict) else str(index)
                starts.append((located.lines[kind, index] - 1, kind, title))
        elif kind in NAMED and isinstance(value, dict):
            starts += [(located.lines[kind, each] - 1, kind, each) for each in value]
        else:
            starts.append((located.lines[kind,] - 1, kind, ""))
    starts.sort()
    for line, kind, _ in starts:
        if not _HEADER.match(lines[line].lstrip()):
            raise UsageError(
                f"{name}, line {line + 1}: {kind} is written without a table of its own, so that it can't be "
                "told what is yours; expected a header such as [loads] or [loopbacks.NAME]"
            )
    begins = [_with_comments(lines, line) for line, _, _ in starts]
    ends = [*begins[1:], len(lines)]
    tables = []
    for (_, kind, title), begin, end in zip(starts, begins, ends, strict=True):
        own = "\n".join(lines[begin:end]) + "\n"
        mark = MARK.search(own)
        composed = mark is not None and mark[1] == digest(own)
        tables.append(FileTable(kind=kind, name=title, text=own, composed=composed))
    first = begins[0] if begins else len(lines)
    return FileTables(before="\n".join(lines[:first]), tables=tuple(tables))


def _with_comments(lines: Sequence[str], header: int) -> int:
    """The first of the comment lines that stand right above a header."""
    while header and lines[header - 1].startswith("#"):
        header -= 1
    return header


@dataclass(frozen=True, kw_only=True)
class Joined:
    """A file that is to be written, and what becomes of each table that was there or is new.

    fates: of every table but those that stay as they were composed. instead: what would have been composed
    for tables that are kept, where that differs.
    """

    file: FileTables
    fates: tuple[tuple[FileTable, Fate], ...]
    instead: tuple[FileTable, ...]

    @property
    def changes(self) -> bool:
        """Whether anything is to be written."""
        return any(fate != "kept" for _, fate in self.fates)


def joined(before: str, composed: Sequence[FileTable], existing: FileTables | None) -> Joined:
    """Join what is composed with what is there: a person's tables stay, the composer's are replaced.

    composed: without marks. before: the beginning of a new file.
    """
    there = {table.key: table for table in existing.tables} if existing else {}
    result: list[FileTable] = []
    fates: list[tuple[FileTable, Fate]] = []
    instead: list[FileTable] = []
    for table in composed:
        marked = FileTable(kind=table.kind, name=table.name, text=table.marked, composed=True)
        old = there.pop(table.key, None)
        if old is None:
            result.append(marked)
            fates.append((marked, "added"))
        elif not old.composed:
            result.append(old)
            fates.append((old, "kept"))
            if digest(old.text) != digest(table.text):
                instead.append(table)
        elif digest(old.text) == digest(table.text):
            result.append(old)
        else:
            result.append(marked)
            fates.append((marked, "replaced"))
    for table in there.values():
        if table.composed:
            fates.append((table, "removed"))
            continue
        fates.append((table, "kept"))
        last = max((i for i, other in enumerate(result) if other.kind == table.kind), default=len(result) - 1)
        result.insert(last + 1, table)
    file = FileTables(before=existing.before if existing else before, tables=tuple(result))
    return Joined(file=file, fates=tuple(fates), instead=tuple(instead))
