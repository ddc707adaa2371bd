"""Collects the mistakes of a job's files, each at its place, with the nearest known name."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from harness.errors import Mistake
from harness.job.expected import expected
from harness.job.located import Key, Located
from harness.job.names import nearest
from harness.units import InQuantity, expected_words

MOST_MISTAKES = 500  # a file with more is some other file, or a mischievous one
LISTED_NAMES = 8  # longer lists of known names help nobody

Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True, kw_only=True)
class Source:
    """One file under check: its name, what it says and where, and the job's list of mistakes, which grows."""

    name: str
    located: Located
    mistakes: list[Mistake] = field(repr=False)

    def wrong(self, key: Key, message: str, *, missing: bool = False) -> None:
        """Note a mistake at a key; `missing` where the key itself does not stand in the file."""
        if len(self.mistakes) >= MOST_MISTAKES:
            return
        shown = key if missing else self.located.known(key) or key
        place = Mistake(file=self.name, line=self.located.line(key), key=dotted(shown), message=message)
        if place not in self.mistakes:
            self.mistakes.append(place)

    def table(self, name: str) -> Mapping[str, Any]:
        """Give a top-level table, empty where it is missing; notes where it is no table."""
        value = self.located.values.get(name, {})
        if isinstance(value, dict):
            return value
        self.wrong((name,), f"found {shown_value(value)}; expected a table [{name}]")
        return {}

    def entries(self, name: str) -> list[Any]:
        """Give the elements of a top-level array of tables, empty where it is missing."""
        value = self.located.values.get(name, [])
        if isinstance(value, list):
            return value
        self.wrong((name,), f"found one table; expected [[{name}]], which may be repeated")
        return []

    def required(self, model: type[Model], name: str) -> Model | None:
        """Check a top-level table that must be there; `only_tables` tells of one that is misspelt."""
        if name in self.located.values:
            return self.read(model, self.table(name), (name,))
        others = [key for key in self.located.values if nearest(key, (name,))]
        if not others:
            self.wrong((name,), f"missing; expected a table [{name}]", missing=True)
        return None

    def only_tables(self, known: Iterable[str]) -> None:
        """Note every top-level key that this kind of file does not have."""
        names = tuple(known)
        for key in self.located.values:
            if key not in names:
                self.wrong((key,), unknown("table", key, names, where=self.name))

    def read(self, model: type[Model], value: object, key: Key) -> Model | None:
        """Check a value against a model; notes every mistake and gives None where there is one."""
        try:
            return model.model_validate(value)
        except ValidationError as error:
            details = error.errors(include_url=False)
            meant = {
                (*detail["loc"][:-1], nearest(str(detail["loc"][-1]), _fields(model, detail["loc"][:-1])))
                for detail in details
                if detail["type"] == "extra_forbidden"
            }
            for detail in details:
                if detail["type"] == "missing" and detail["loc"] in meant:
                    continue  # told as the misspelt key that it is
                place = (*key, *detail["loc"])
                self.wrong(place, _message(detail, model), missing=detail["type"] == "missing")
            return None


def dotted(key: Key) -> str:
    """Write a key as people read it: `relay[2].contacts[1].rest`, elements counted from 1."""
    text = ""
    for part in key:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text


def unknown(kind: str, name: str, known: Iterable[str], *, where: str) -> str:
    """Say that a name is not known, which ones are, and which one was probably meant."""
    names = tuple(known)
    text = f"no such {kind}"
    if names and len(names) <= LISTED_NAMES:
        text += f"; {where} has {', '.join(names)}"
    elif not names:
        text += f"; {where} has none"
    guess = nearest(name, names)
    return f"{text}; did you mean {guess}?" if guess else text


def shown_value(value: object) -> str:
    """Write a TOML value in a message."""
    match value:
        case bool():
            return str(value).lower()
        case str():
            return f'"{value}"'
        case dict():
            return "a table"
        case []:
            return "an empty list"
        case list():
            return "a list"
        case _:
            return str(value)


def _message(detail: ErrorDetails, model: type[BaseModel]) -> str:
    """Put one of the validator's details in our words."""
    kind, found, loc = detail["type"], detail["input"], detail["loc"]
    match kind:
        case "missing":
            described = _fields(model, loc[:-1]).get(str(loc[-1]), "")
            return f"missing; expected {described}" if described else "missing"
        case "extra_forbidden":
            return unknown("key", str(loc[-1]), _fields(model, loc[:-1]), where="this table")
        case "value_error":
            return str(detail["ctx"]["error"])
        case "literal_error":
            choices = [
                word.strip("' ") for word in detail["ctx"]["expected"].replace(" or ", ", ").split(", ")
            ]
            text = f"found {shown_value(found)}; expected {', '.join(choices)}"
            guess = nearest(found, choices) if isinstance(found, str) else None
            return f"{text}; did you mean {guess}?" if guess else text
        case _:
            return f"found {shown_value(found)}; expected {expected(kind, detail.get('ctx', {}))}"


def _fields(model: type[BaseModel], loc: tuple[int | str, ...]) -> dict[str, str]:
    """Names in the file, and descriptions, of the fields of the table at `loc` under `model`."""
    for part in loc:
        by_name = {field.alias or name: field for name, field in model.model_fields.items()}
        if isinstance(part, str) and part in by_name:
            model = _model_within(by_name[part].annotation) or model
    return {field.alias or name: _described(field) for name, field in model.model_fields.items()}


def _described(field: FieldInfo) -> str:
    """Say what a field expects: its own description, or its quantity's."""
    dimensions = [mark.dimension for mark in field.metadata if isinstance(mark, InQuantity)]
    return expected_words(dimensions[0]) if dimensions else field.description or ""


def _model_within(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in get_args(annotation):
        found = _model_within(argument)
        if found:
            return found
    return None
