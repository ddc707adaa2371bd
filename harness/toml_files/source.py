"""One file under check: reads its tables into frozen dataclasses and collects every mistake at its line.

A mistake does not stop the reading. A value that did not read is noted, and replaced by its stand-in (see
`values`), so that the rest of its table is built and checked all the same; of the stand-in itself no mistake
is noted. Whoever reads a file raises JobError in the end.
"""

import copy
import itertools
from collections.abc import Callable
from dataclasses import MISSING, dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, Self, TypeVar

from pydantic import TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from harness.errors import Mistake, nearest
from harness.toml_files.located import JobFile, Key, Located, UnreadableError, read_located, refusal, unseen
from harness.toml_files.messages import did_you_mean, dotted, expected, shown_value, unknown
from harness.toml_files.values import UNREAD, keys_at

LARGEST_BYTES = 1_000_000  # a job's file is written by hand; more is some other file
MOST_MISTAKES = 500  # a file with more is some other file, or a mischievous one
MOST_REPAIRS = 12  # tables within tables, each of which may be missing

_UNKNOWN_KEY = ("extra_forbidden", "unexpected_keyword_argument")
_FOLLOWS = "default_factory_not_called"  # from another mistake
_TABLE_KINDS = ("dataclass_type", "model_type", "dict_type", "mapping_type")
_LIST_KINDS = ("tuple_type", "list_type")

Model = TypeVar("Model")


@dataclass
class _StandIns:
    """The keys that have a stand-in, and the tables and lists around them."""

    keys: set[Key] = field(default_factory=set)
    around: set[Key] = field(default_factory=set)
    lists: set[Key] = field(default_factory=set)  # of which an element has one

    def add(self, key: Key) -> None:
        self.keys.add(key)
        self.around.update(key[:length] for length in range(len(key)))
        if isinstance(key[-1], int):
            self.lists.add(key[:-1])

    def at(self, key: Key) -> bool:
        """Whether a key, or a table or list around it, has one."""
        return any(key[:length] in self.keys for length in range(len(key) + 1))


@dataclass(frozen=True, kw_only=True)
class Source:
    """One file under check: its name in messages, its values with their lines, and the job's list of
    mistakes, which grows.

    noted: every key of this file that has a mistake. unread: those that have a stand-in. misspelt: a key as
    the file has it, by the key that was meant.
    """

    name: str
    file: JobFile = field(repr=False)
    located: Located
    mistakes: list[Mistake] = field(repr=False)
    noted: set[Key] = field(default_factory=set, repr=False)
    unread: _StandIns = field(default_factory=_StandIns, repr=False)
    misspelt: dict[Key, Key] = field(default_factory=dict, repr=False)

    @classmethod
    def open(cls, path: Path, name: str, mistakes: list[Mistake]) -> Self | None:
        """Read a file as TOML; if it cannot be read, notes why and returns None."""
        try:
            file, located = _read(path)
        except UnreadableError as error:
            mistakes.append(Mistake(file=name, line=error.line, key="", message=str(error)))
            return None
        source = cls(name=name, file=file, located=located, mistakes=mistakes)
        for key, character in unseen(located.values):
            source.wrong(key, refusal(character))
        return None if source.noted else source

    def wrong(self, key: Key, message: str, *, missing: bool = False) -> None:
        """Note a mistake at a key; `missing` if the key itself is not in the file.

        No further mistake is noted of a key that did not read, in it, or of a list around it.
        """
        if not self.unread.at(key) and key not in self.unread.lists:
            self._note(key, message, missing=missing)

    def read(self, model: type[Model], value: object = None, key: Key = ()) -> Model:
        """Read a value as a model (a dataclass, or a class of pydantic's), or the whole file if no key is
        given; notes every mistake. A value that did not read is a stand-in, so the model is always built.
        """
        read: Callable[[object], Model] = _adapter(model).validate_python
        value = value if key else self.located.values
        try:
            return read(value)
        except ValidationError as error:
            details = error.errors(include_url=False)
        draft: dict[str, Any] = {"": copy.deepcopy(value)}
        for _ in range(MOST_REPAIRS):
            if not self._take_as_meant(draft, details, model, key):
                break
            try:
                return read(draft[""])
            except ValidationError as error:
                details = error.errors(include_url=False)
        for detail in details:
            if detail["type"] != _FOLLOWS:
                message = _message(detail, model, of_file="" if key else self.name)
                self._note((*key, *detail["loc"]), message, missing=detail["type"] == "missing")
        for _ in range(MOST_REPAIRS):
            for detail in details:
                again = (*key, *detail["loc"]) in self.unread.keys
                if loc := _put_stand_in(draft, detail, model, again=again):
                    self.unread.add((*key, *loc))
            try:
                return read(draft[""])
            except ValidationError as error:
                details = error.errors(include_url=False)
        raise TypeError(f"{model.__name__} cannot be built without what is wrong in it: {details[0]}")

    def _take_as_meant(
        self, draft: dict[str, Any], details: list[ErrorDetails], model: type, key: Key
    ) -> bool:
        """Note every misspelt key, and read on as if it were the one that was meant."""
        renamed = False
        for detail in details:
            loc = detail["loc"]
            if detail["type"] not in _UNKNOWN_KEY:
                continue
            around, last = _around(draft, loc)
            guess = nearest(str(last), keys_at(model, loc[:-1]))
            if guess is not None and guess not in around:
                self._note((*key, *loc), _message(detail, model, of_file="" if key else self.name))
                self.misspelt[(*key, *loc[:-1], guess)] = self._written((*key, *loc))
                around[guess] = around.pop(last)
                renamed = True
        return renamed

    def reads(self, *key: str | int) -> bool:
        """Whether nothing at a key, around it or in it has a stand-in."""
        return not self.unread.at(key) and key not in self.unread.around

    def without_mistake(self, *pattern: str | None) -> bool:
        """Whether nothing has been noted at a key such as ("setup", None, "view") or in it, and it has been
        read. None is any element.
        """
        noted = [key for key in self.noted if len(key) >= len(pattern)]
        return not any(
            all(want in (None, part) for want, part in zip(pattern, key, strict=False))
            for key in (*noted, *self.unread.keys)
        )

    def _note(self, key: Key, message: str, *, missing: bool = False) -> None:
        self.noted.add(key)
        if len(self.mistakes) >= MOST_MISTAKES:
            return
        written = self._written(key)
        shown = written if missing else self.located.known(written) or written
        line = self.located.line(written)
        mistake = Mistake(file=self.name, line=line, key=dotted(shown), message=message)
        if mistake not in self.mistakes:
            self.mistakes.append(mistake)

    def _written(self, key: Key) -> Key:
        """A key as the file has it, perhaps misspelt."""
        for length in range(len(key), 0, -1):
            if key[:length] in self.misspelt:
                return (*self.misspelt[key[:length]], *key[length:])
        return key


def _read(path: Path) -> tuple[JobFile, Located]:
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise UnreadableError("larger than 1 MB; expected a TOML file written by hand")
        content = path.read_bytes()
    except FileNotFoundError:
        raise UnreadableError("no such file") from None
    except OSError as error:
        raise UnreadableError(f"cannot be read: {error.strerror or error}") from None
    try:
        file = JobFile.of(path.name, content)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise UnreadableError("a byte that is not UTF-8; expected the file saved as UTF-8", line) from None
    try:
        return file, read_located(file.text)
    except UnreadableError as error:
        lines = file.text.splitlines()
        text = lines[error.line - 1] if error.line and error.line <= len(lines) else ""
        why = "a quote is not closed" if text.partition("#")[0].count('"') % 2 else error
        raise UnreadableError(f"not TOML from here on: {why}", error.line) from None


# Made once for each model, since that takes its time.
_adapter: Callable[[type], TypeAdapter[Any]] = cache(TypeAdapter)


def _message(detail: ErrorDetails, model: type, *, of_file: str) -> str:
    """Put one of the validator's details in our words; of_file: the name of a file read as a whole."""
    kind, result, loc = detail["type"], detail["input"], detail["loc"]
    of_table = bool(of_file) and len(loc) == 1
    match kind:
        case "missing" if of_table:
            return f"missing; expected a table [{loc[0]}]"
        case "missing":
            rule = keys_at(model, loc[:-1]).get(str(loc[-1]))
            return f"missing; expected {rule.expected}" if rule and rule.expected else "missing"
        case "extra_forbidden" | "unexpected_keyword_argument":
            known = keys_at(model, loc[:-1])
            kind, where = ("table", of_file) if of_table else ("key", "this table")
            return unknown(kind, str(loc[-1]), known, where=where)
        case "value_error":
            return str(detail["ctx"]["error"])
        case "literal_error":
            choices = [
                word.strip("' ") for word in detail["ctx"]["expected"].replace(" or ", ", ").split(", ")
            ]
            text = f"found {shown_value(result)}; expected {', '.join(choices)}"
            return text + did_you_mean(result, choices)
        case "tuple_type" if of_table and isinstance(result, dict):
            return f"found one table; expected [[{loc[0]}]], which may be repeated"
        case _ if of_table and kind in _TABLE_KINDS:
            return f"found {shown_value(result)}; expected a table [{loc[0]}]"
        case _:
            return f"found {shown_value(result)}; expected {expected(kind, detail.get('ctx', {}))}"


def _put_stand_in(draft: dict[str, Any], detail: ErrorDetails, model: type, *, again: bool) -> Key:
    """Put a stand-in for a value that the model refuses; returns its key, () if none was put.

    again: whether the model refuses the last stand-in there as well.
    """
    kind, loc = detail["type"], detail["loc"]
    if kind == _FOLLOWS:
        return ()
    around, last = _around(draft, loc)
    if kind in _UNKNOWN_KEY:
        around.pop(last, None)
        return ()
    if not again:
        around[last] = UNREAD
    elif kind in _TABLE_KINDS:
        around[last] = {}
    elif kind in _LIST_KINDS:
        around[last] = []
    else:  # its kind has no stand-in: the table around it is left out
        while _must_be_there(model, loc):
            loc = loc[:-1]
        around, last = _around(draft, loc)
        around.pop(last, None)
    return loc


def _must_be_there(model: type, loc: Key) -> bool:
    if not loc:
        raise TypeError(f"{model.__name__} has nothing that stands for what did not read")
    rule = keys_at(model, loc[:-1]).get(str(loc[-1]))
    return rule is None or rule.default is MISSING


def _around(draft: dict[str, Any], loc: Key) -> tuple[Any, str | int]:
    """The table or list around a value, and its key there; a value alone that is read as a table or as a list
    becomes one.
    """
    around: Any = draft
    path = ("", *loc)
    for part, within in itertools.pairwise(path):
        inner = around.get(part) if isinstance(around, dict) else around[part]
        if isinstance(within, str) and not isinstance(inner, dict):
            inner = {}
        elif isinstance(within, int) and not isinstance(inner, list):
            inner = [inner]
        around[part] = inner
        around = inner
    return around, path[-1]
