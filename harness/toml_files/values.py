"""How a single value of a file reads (quantities with their units, names, addresses, patterns), and which
keys the table of a model has.

Every type has a stand-in for a value that did not read (nan, no text, 0), so that the table around it is
built all the same, and every other mistake is reported with it.
"""

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, dataclass, field, fields
from functools import cache
from typing import Annotated, Any, Literal, get_args, get_type_hints

import re2
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, GetCoreSchemaHandler, Strict
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, core_schema

from harness.toml_files.located import Key
from harness.toml_files.messages import shown_value
from harness.units import InQuantity, expected_words

NAME = re.compile(r"[a-z][a-z0-9_]*")
PART_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")
_VISA = re.compile(r"(TCPIP|USB|GPIB|ASRL|VXI)\d*(::|/)")
# Other kinds of pyserial's URLs write files ("spy://…?file=…") or search for ports.
_REMOTE_PORT = re.compile(
    r"(socket|rfc2217)://[A-Za-z0-9.\-\[\]:]+:\d{1,5}/?|ftdi://[A-Za-z0-9.:_-]+/[1-4]"
    r"|hid://[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}(/[A-Za-z0-9._-]+)?"
)
NET_END = re.compile(r"[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)?(\.(hot|cold))?")


class Table:
    """Base of what a file's tables are read into, frozen dataclasses: other keys than theirs are refused."""

    __pydantic_config__ = ConfigDict(extra="forbid")


class Unread:
    """Marks, in a file's values, one that is missing or did not read and has been noted."""

    def __repr__(self) -> str:
        return "UNREAD"


UNREAD = Unread()


@dataclass(frozen=True)
class StandIn:
    """Marks a type with its stand-in for a value that did not read."""

    value: Any

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_wrap_validator_function(
            lambda result, read: self.value if result is UNREAD else read(result), handler(source)
        )


@dataclass(frozen=True)
class ReadAs:
    """Marks a type that the file gives as a table, and `build` makes of that table."""

    table: type
    build: Callable[[Any], Any]

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_after_validator_function(self.build, handler.generate_schema(self.table))


def _matching(pattern: re.Pattern[str], expected: str) -> BeforeValidator:
    """Refuses text that does not match a pattern."""

    def check(value: object) -> object:
        if isinstance(value, str) and not pattern.fullmatch(value):
            raise ValueError(f'found "{value}"; expected {expected}')
        return value

    return BeforeValidator(check)


def _probe(value: object) -> object:
    if (
        not isinstance(value, str)
        or not (match := re.fullmatch(r"(\d+(?:\.\d+)?)x", value))
        or not float(match[1])
    ):
        result = f'"{value}"' if isinstance(value, str) else value
        raise ValueError(f'found {result}; expected a probe\'s factor such as "1x" or "10x"')
    return float(match[1])


def compiled(pattern: str) -> Any:
    """Compile a pattern of a job file for an engine whose time grows with the text alone.

    Python's own engine can take for ever over a pattern such as `(a+)+b`. Raises re2.error.
    """
    options = re2.Options()
    options.log_errors = False
    return re2.compile(pattern, options)


def _pattern(value: object) -> object:
    if isinstance(value, str):
        try:
            compiled(value)
        except re2.error as error:
            why = error.args[0].decode(errors="replace")
            raise ValueError(f'found "{value}"; expected a regular expression (RE2: {why})') from None
    return value


def _address(value: object) -> object:
    if isinstance(value, str):
        if not value or not value.isascii() or not value.isprintable() or " " in value:
            raise ValueError(
                f'found "{value}"; expected an address such as "TCPIP::192.0.2.10::5025::SOCKET"'
            )
        if _VISA.match(value) and not re.search(r"::(SOCKET|INSTR|RAW)$", value):
            raise ValueError(f'found "{value}"; expected an address that ends in ::SOCKET or ::INSTR')
        if "://" in value and not _REMOTE_PORT.fullmatch(value):
            raise ValueError(
                f'found "{value}"; expected a device such as "/dev/ttyUSB0", "socket://host:port", '
                '"rfc2217://host:port", or a VISA resource name'
            )
    return value


def _turns(value: object) -> object:
    if (
        not isinstance(value, str)
        or not (match := re.fullmatch(r"(\d+(?:\.\d+)?) ?: ?(\d+(?:\.\d+)?)", value))
        or not float(match[1])
        or not float(match[2])
    ):
        raise ValueError(
            f'found {shown_value(value)}; expected the turns of primary and secondary such as "1:2"'
        )
    return float(match[2]) / float(match[1])


def _listed(value: object) -> object:
    return [value] if isinstance(value, str) else value


NOTHING = StandIn(math.nan)
Frequency = Annotated[float, InQuantity("frequency"), NOTHING]
Voltage = Annotated[float, InQuantity("voltage", "positive"), NOTHING]
Level = Annotated[float, InQuantity("level"), NOTHING]
Resistance = Annotated[float, InQuantity("resistance"), NOTHING]
SeriesResistance = Annotated[float, InQuantity("resistance", "not negative"), NOTHING]
Time = Annotated[float, InQuantity("time"), NOTHING]
Span = Annotated[float, InQuantity("span"), NOTHING]
Capacitance = Annotated[float, InQuantity("capacitance"), NOTHING]
StrayCapacitance = Annotated[float, InQuantity("capacitance", "not negative"), NOTHING]
Inductance = Annotated[float, InQuantity("inductance"), NOTHING]
StrayInductance = Annotated[float, InQuantity("inductance", "not negative"), NOTHING]
Current = Annotated[float, InQuantity("current"), NOTHING]
CurrentLimit = Annotated[float, InQuantity("current", "positive"), NOTHING]
Decibel = Annotated[float, InQuantity("ratio_db"), NOTHING]
Loss = Annotated[float, InQuantity("ratio_db", "not negative"), NOTHING]
Fraction = Annotated[float, InQuantity("fraction"), NOTHING]
Accuracy = Annotated[float, InQuantity("fraction", "positive"), NOTHING]
Text = Annotated[str, StandIn(""), Field(description="text in quotes")]
_NAME, _PART_NAME = "a name in lower case with underscores", 'a part\'s name such as "K1"'
_NET_END = 'a net in lower case with underscores, "left.bus" of one channel, or its leg as in "bus.cold"'
Name = Annotated[str, _matching(NAME, _NAME), StandIn(""), Field(description=_NAME)]
NetEnd = Annotated[
    str,
    _matching(NET_END, _NET_END),
    StandIn(""),
    Field(description="a net, one channel's, or its leg"),
]
PartName = Annotated[str, _matching(PART_NAME, _PART_NAME), StandIn(""), Field(description=_PART_NAME)]
Pattern = Annotated[str, BeforeValidator(_pattern), StandIn("")]
Address = Annotated[
    str,
    BeforeValidator(_address),
    StandIn(""),
    Field(description='an address such as "TCPIP::192.0.2.10::5025::SOCKET"'),
]
Probe = Annotated[float, BeforeValidator(_probe), NOTHING]
TurnsRatio = Annotated[float, BeforeValidator(_turns), NOTHING]  # of the secondary's over the primary's
LegName = Annotated[Literal["hot", "cold"], StandIn("")]
Whole = Annotated[int, Strict(), StandIn(0)]
Count = Annotated[int, Strict(), Field(ge=1), StandIn(0)]
Flag = Annotated[bool, Strict(), StandIn(False)]
one_or_more = BeforeValidator(_listed)  # text alone is a list of one

# Of a field that is the key of its table in the file, or its line there: no key of that name is read.
NotAKey = Field(init=False)


@dataclass(frozen=True, kw_only=True)
class KeyRule:
    """One key of a table: what is expected of it in words ("": nothing is said), and what it is if left out.

    default: MISSING for a required key.
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
    text = ""
    for mark in marks:
        if isinstance(mark, InQuantity):
            text = expected_words(mark.dimension)
        elif isinstance(mark, FieldInfo):
            text = mark.description or text
    return text


def keys_at(model: type, loc: Key) -> Mapping[str, KeyRule]:
    """The keys of the table at `loc` under a model."""
    for part in loc:
        rules = keys_of(model)
        if isinstance(part, str) and part in rules:
            model = model_within(rules[part].annotation) or model
    return keys_of(model)


def model_within(annotation: Any) -> type | None:
    """The model of the table that a field is, or that is in it; None if it is no table."""
    if isinstance(annotation, ReadAs):
        return annotation.table
    if isinstance(annotation, type) and issubclass(annotation, Table | BaseModel):
        return annotation
    for part in (*getattr(annotation, "__metadata__", ()), *get_args(annotation)):
        if result := model_within(part):
            return result
    return None
