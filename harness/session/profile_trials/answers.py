"""Answers about a profile: how a line that was typed is read, and the file in which all are kept."""

import json
import os
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, get_args

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from drivers.profile import KINDS, mistake_in
from harness.errors import UsageError

NONE = "-"
NO_QUEUE = "error_query"  # whose default is a question: of an instrument without a queue it is ""
LEFT_OUT = "left_out"
YES_NO = {"y": True, "yes": True, "true": True, "n": False, "no": False, "false": False}
TABLES = ("scaling", "expects", "commands")  # in the order in which a file has them


class AnswerRefused(ValueError):
    """An answer that cannot be one: what was found, and what was expected."""


def field_of(kind: str, key: str) -> FieldInfo:
    """The field of a kind's model that a key such as `commands.frequency` is."""
    model: Any = KINDS[kind]
    *tables, name = key.split(".")
    for table in tables:
        model = _model_in(model.model_fields[table].annotation)
    result: FieldInfo = model.model_fields[name]
    return result


def keys_of_kind(kind: str) -> Iterator[str]:
    """Every key that a profile of this kind may have, but for `kind`."""
    for name, field in KINDS[kind].model_fields.items():
        table = _model_in(field.annotation)
        if table is not None:
            yield from (f"{name}.{key}" for key in table.model_fields)
        elif name != "kind":
            yield name


def _model_in(annotation: Any) -> type[BaseModel] | None:
    kinds = (annotation, *get_args(annotation))
    return next((each for each in kinds if isinstance(each, type) and issubclass(each, BaseModel)), None)


def takes_lines(kind: str, key: str) -> bool:
    """Whether a key takes several answers, one a line: commands to send, or what is expected."""
    field = field_of(kind, key)
    return field.annotation == dict[str, str] or key == "commands.init"


def read_answer(kind: str, key: str, text: str) -> Any:
    """A typed line as the file's value: a number, numbers with commas, y or n, or text as it is.

    Raises AnswerRefused with what was expected.
    """
    field = field_of(kind, key)
    if takes_lines(kind, key):
        return _read_line(key, text)
    if key == NO_QUEUE and text == NONE:
        return ""
    kind_of_value: Any = field.annotation
    for mark in field.metadata:
        kind_of_value = Annotated[kind_of_value, mark]
    adapter: TypeAdapter[Any] = TypeAdapter(kind_of_value)
    for value in _readings(text):
        try:
            adapter.validate_python(value)
        except ValidationError as error:
            failure = error.errors()[0]
        else:
            return value
    if field.annotation is bool:
        raise AnswerRefused(f"found {text!r}; expected y or n")
    if failure["type"] == "tuple_type":
        raise AnswerRefused(f"found {text!r}; expected numbers with commas between them")
    raise AnswerRefused(mistake_in({**failure, "loc": (key,)}, KINDS[kind]))


def _read_line(key: str, text: str) -> Any:
    if key == "commands.init":
        return [text]
    source, equals, wanted = text.partition("=")
    if not equals or not source.strip():
        raise AnswerRefused(f"expected a source and what it says, such as label BYT_NR = 1, found {text!r}")
    return {source.strip(): wanted.strip().strip('"')}


def _readings(text: str) -> Iterator[Any]:
    """What a line may be, the likeliest first; the text itself at last."""
    if text.lower() in YES_NO:
        yield YES_NO[text.lower()]
    for form in ("x = {}", "x = [{}]"):
        try:
            value = tomllib.loads(form.format(text))["x"]
        except (tomllib.TOMLDecodeError, KeyError):
            continue
        if not isinstance(value, dict):
            yield value
    yield text


class ProfileAnswers:
    """The answers about one profile, kept in a file after each, which is removed when the profile is made.

    Raises UsageError for a file that is there and is none of this kind, or can't be written.
    """

    def __init__(self, path: Path, kind: str) -> None:
        self.path, self.kind = path, kind
        self.values: dict[str, Any] = {}
        self.left_out: set[str] = set()
        if path.exists():
            self._read()

    def _read(self) -> None:
        try:
            content = tomllib.loads(self.path.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise UsageError(f"{self.path}: the answers of before can't be read: {error}") from None
        kind = content.pop("kind", None)
        if kind != self.kind:
            raise UsageError(f"{self.path}: has answers about a {kind}, and not about a {self.kind}")
        self.left_out = {str(key) for key in content.pop(LEFT_OUT, [])}
        self.values = dict(flat(content))

    def put(self, key: str, value: Any) -> None:
        """Keep an answer; None: the key is left out."""
        self.left_out.discard(key)
        self.values.pop(key, None)
        if value is None:
            self.left_out.add(key)
        else:
            self.values[key] = value
        self._keep()

    def drop(self, key: str) -> None:
        """Forget an answer that has turned out wrong."""
        self.left_out.discard(key)
        self.values.pop(key, None)
        self._keep()

    def _keep(self) -> None:
        beside = self.path.with_name(self.path.name + ".new")
        try:
            beside.write_text(self.text(unfinished=True), encoding="utf-8")
            os.replace(beside, self.path)
        except OSError as error:
            raise UsageError(f"{self.path}: the answers can't be kept: {error.strerror or error}") from error

    def text(self, *, unfinished: bool = False) -> str:
        """As a file: the profile, or what is known of it, with the keys that were left out."""
        lines = [f"kind = {json.dumps(self.kind)}"]
        if unfinished:
            lines.append(f"{LEFT_OUT} = {_written(sorted(self.left_out))}")
        tables: dict[str, list[str]] = {table: [] for table in TABLES}
        for key, value in self.values.items():
            table, _, name = key.rpartition(".")
            if isinstance(value, dict):
                tables[key] += [
                    f"{json.dumps(source)} = {json.dumps(text)}" for source, text in value.items()
                ]
            else:
                (tables[table] if table else lines).append(f"{name} = {_written(value)}")
        blocks = [lines, *([f"[{name}]", *content] for name, content in tables.items() if content)]
        return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def flat(content: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """A file's values by key, such as `commands.frequency`; the table `expects` is one value."""
    for key, value in content.items():
        if isinstance(value, dict) and key != "expects":
            yield from ((f"{key}.{name}", each) for name, each in value.items())
        else:
            yield key, value


def _written(value: Any) -> str:
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_written, value)) + "]"
    # A command is printable ASCII, which JSON writes as TOML does.
    return json.dumps(value) if isinstance(value, str | bool) else repr(value)
