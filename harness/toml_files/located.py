"""A file as it was read: its text, characters in it that nobody sees, and TOML with the line of every key.

The standard library reads TOML's values and drops their lines; this walks the same text again for the lines
alone, and expects text that has already been read without an error.
"""

import bisect
import hashlib
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Self


@dataclass(frozen=True, kw_only=True)
class JobFile:
    """One file as it was read: kept with each run by content."""

    name: str
    sha256: str
    text: str

    @classmethod
    def of(cls, name: str, content: bytes) -> Self:
        """Take a file's content as it lies on the disk. Raises UnicodeDecodeError."""
        text = content.decode("utf-8-sig").replace("\r\n", "\n")
        return cls(name=name, sha256=hashlib.sha256(content).hexdigest(), text=text)


Key = tuple[str | int, ...]

_ERROR_LINE = re.compile(r" \(at line (\d+), column \d+\)$")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SPACE = re.compile(r"[ \t]*")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SCALAR = re.compile(r"[^,\]}#\r\n]*")
MOST_PARTS = 32
# What reads a key takes time that grows with the square of its parts; no key of ours has more than five.
_TOO_MANY_PARTS = re.compile(
    rf"""(?<![A-Za-z0-9_-])(?:(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){{{MOST_PARTS}}}"""
)


@dataclass(frozen=True, kw_only=True)
class Located:
    """One file's values, and the line (from 1) of every key and every element of an array."""

    values: Mapping[str, Any]
    lines: Mapping[Key, int]

    def line(self, key: Key) -> int | None:
        """The line of a key, or of the nearest table around it if the key itself is missing."""
        return self.lines.get(self.known(key))

    def known(self, key: Key) -> Key:
        """The longest beginning of a key that is in the file."""
        while key and key not in self.lines:
            key = key[:-1]
        return key


class UnreadableError(ValueError):
    """A file that cannot be read as TOML; `line` is where, None if no line can be named."""

    def __init__(self, message: str, line: int | None = None) -> None:
        super().__init__(message)
        self.line = line


def read_located(text: str) -> Located:
    """Read TOML text. Raises UnreadableError with the line of the mistake."""
    if long := _TOO_MANY_PARTS.search(text):
        line = text.count("\n", 0, long.start()) + 1
        raise UnreadableError(f"a key of more than {MOST_PARTS} parts", line)
    try:
        values = tomllib.loads(text)
        return Located(values=values, lines=_LineFinder(text).lines())
    except ValueError as error:  # TOMLDecodeError, or Python's own limit on the digits of a number
        line_named = _ERROR_LINE.search(str(error))
        last = text.rstrip().count("\n") + 1
        message = _ERROR_LINE.sub("", str(error)).removesuffix(" (at end of document)")
        raise UnreadableError(message, int(line_named[1]) if line_named else last) from None
    except RecursionError:
        raise UnreadableError("brackets nested too deep", None) from None


@dataclass
class _LineFinder:
    """One pass over the text, remembering where it is."""

    text: str
    at: int = 0
    result: dict[Key, int] = field(default_factory=dict)
    counts: dict[Key, int] = field(default_factory=dict)  # arrays of tables seen so far
    line_ends: list[int] = field(default_factory=list)

    def lines(self) -> dict[Key, int]:
        self.line_ends = [match.start() for match in re.finditer("\n", self.text)]
        table: Key = ()
        self._skip(_BLANK)
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip(_BLANK)
        return self.result

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        taken = match[0] if match else ""
        self.at += len(taken)
        return taken

    def _mark(self, key: Key, at: int) -> None:
        """Remember a key's line, and that of the tables which a dotted key opens on the way."""
        line = bisect.bisect_left(self.line_ends, at) + 1
        for length in range(1, len(key) + 1):
            self.result.setdefault(key[:length], line)

    def _header(self) -> Key:
        start = self.at
        brackets = 2 if self.text.startswith("[[", self.at) else 1
        self.at += brackets
        names = self._names()
        self.at += brackets
        table: Key = ()
        for position, name in enumerate(names, start=1):
            table = (*table, name)
            if brackets == 2 and position == len(names):
                self._mark(table, start)
                self.counts[table] = self.counts.get(table, 0) + 1
            if table in self.counts:  # a table inside an array of tables belongs to its latest element
                table = (*table, self.counts[table] - 1)
        self._mark(table, start)
        return table

    def _names(self) -> list[str]:
        names = []
        while True:
            self._skip(_SPACE)
            names.append(self._string() if self.text[self.at] in "\"'" else self._skip(_BARE_KEY))
            self._skip(_SPACE)
            if self.text[self.at] != ".":
                return names
            self.at += 1

    def _pair(self, table: Key) -> None:
        start = self.at
        key = (*table, *self._names())
        self._mark(key, start)
        self.at += 1  # the equals sign
        self._skip(_SPACE)
        self._value(key)

    def _value(self, key: Key) -> None:
        match self.text[self.at]:
            case "[":
                self._array(key)
            case "{":
                self._inline_table(key)
            case '"' | "'":
                self._string()
            case _:
                self._skip(_SCALAR)

    def _array(self, key: Key) -> None:
        self.at += 1
        index = 0
        self._skip(_BLANK)
        while self.text[self.at] != "]":
            self._mark((*key, index), self.at)
            self._value((*key, index))
            self._separator()
            index += 1
        self.at += 1

    def _inline_table(self, key: Key) -> None:
        self.at += 1
        self._skip(_BLANK)
        while self.text[self.at] != "}":
            self._pair(key)
            self._separator()
        self.at += 1

    def _separator(self) -> None:
        self._skip(_BLANK)
        if self.text[self.at] == ",":
            self.at += 1
        self._skip(_BLANK)

    def _string(self) -> str:
        """Step over a string; returns its value."""
        start = self.at
        quote = self.text[start]
        mark = quote * 3 if self.text.startswith(quote * 3, start) else quote
        self.at += len(mark)
        while not self.text.startswith(mark, self.at):
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        self.at += len(mark)
        while len(mark) == 3 and self.text.startswith(quote, self.at):
            self.at += 1  # a quote may stand before the closing three
        return str(tomllib.loads(f"v = {self.text[start : self.at]}")["v"])


UNSEEN = re.compile(
    "[\x00-\x08\x0a-\x1f\x7f-\x9f\xad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb]"
)


def unseen(values: object, at: Key = ()) -> Iterator[tuple[Key, str]]:
    """Where a file's values have such characters: the key, and the first of them by its number."""
    if isinstance(values, str):
        if result := UNSEEN.search(values):
            yield at, f"U+{ord(result[0]):04X}"
    elif isinstance(values, Mapping):
        for key, value in values.items():
            yield from unseen(key, at)
            yield from unseen(value, at if UNSEEN.search(key) else (*at, key))
    elif isinstance(values, list):
        for index, value in enumerate(values):
            yield from unseen(value, (*at, index))


def refusal(character: str) -> str:
    """The message for such a character."""
    return f"found an invisible character ({character}); expected visible text"
