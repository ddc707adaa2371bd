"""Which keys a model's table has in a file, asked of the model itself."""

from collections.abc import Iterable, Mapping
from dataclasses import MISSING, dataclass, field, fields
from functools import cache
from typing import Any, get_args, get_type_hints

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from harness.toml_files.located import Key
from harness.toml_files.values import ReadAs, Table
from harness.units import InQuantity, expected_words


@dataclass(frozen=True, kw_only=True)
class KeyRule:
    """One key of a table: what is expected of it in words ("": nothing is said), and what it is if left out.

    default: MISSING where the key must be there.
    """

    expected: str
    annotation: Any = field(repr=False)
    default: Any = MISSING


@cache
def keys_of(model: Any) -> Mapping[str, KeyRule]:
    """The keys that a model's table has in a file."""
    if issubclass(model, BaseModel):
        return {
            each.alias or name: KeyRule(
                expected=_expected_of((*each.metadata, each)),
                annotation=each.annotation,
                default=MISSING if each.is_required() else each.default,
            )
            for name, each in model.model_fields.items()
        }
    hints = get_type_hints(model, include_extras=True)
    rules = {}
    for each in fields(model):
        marks = getattr(hints[each.name], "__metadata__", ())
        infos = [mark for mark in marks if isinstance(mark, FieldInfo)]
        if any(info.init is False for info in infos):
            continue
        alias = next((info.alias for info in infos if info.alias), each.name)
        default = each.default if each.default_factory is MISSING else each.default_factory()
        if any(info.default_factory is not None for info in infos):
            default = None  # it depends on the other keys
        rules[alias] = KeyRule(expected=_expected_of(marks), annotation=hints[each.name], default=default)
    return rules


def _expected_of(marks: Iterable[Any]) -> str:
    """What a field's marks expect: a description of its own, or its quantity's."""
    words = ""
    for mark in marks:
        if isinstance(mark, InQuantity):
            words = expected_words(mark.dimension)
        elif isinstance(mark, FieldInfo):
            words = mark.description or words
    return words


def keys_at(model: type, loc: Key) -> Mapping[str, KeyRule]:
    """The keys of the table at `loc` under a model."""
    for part in loc:
        rules = keys_of(model)
        if isinstance(part, str) and part in rules:
            model = model_within(rules[part].annotation) or model
    return keys_of(model)


def model_within(annotation: Any) -> type | None:
    """The model of the table that a field is, or that is in it; None where it is none."""
    if isinstance(annotation, ReadAs):
        return annotation.table
    if isinstance(annotation, type) and issubclass(annotation, Table | BaseModel):
        return annotation
    for part in (*getattr(annotation, "__metadata__", ()), *get_args(annotation)):
        if found := model_within(part):
            return found
    return None
