"""Command templates of profiles, and the types that the models of all kinds of profile share."""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

HOLE = re.compile(r"\{([^{}:]*)(?::([^{}]*))?\}")
# Python's: width, digits behind the point, and how; a leading 0 pads with zeros.
# A comma behind it: the number is written with a decimal comma.
NUMBER_FORMAT = re.compile(r"(?P<width>0?[1-9]\d?)?(?:(?:\.\d)?f,?|[dxXb])|\.\d{1,2}[eE],?")
WHOLE, OF_MASKS = "dxXb", "xXb"  # formats of whole numbers; those of them that only a mask is written in
# Before it, or alone, what the instrument counts in: volts in thousandths are {v:milli} or {v:milli d}.
SIZES = {"nano": 1e-9, "micro": 1e-6, "milli": 1e-3, "kilo": 1e3, "mega": 1e6}
PREFIXED = "prefixed"  # with the letter that makes it 1 to 999: 0.5 is 500m
LETTERS = {-3: "n", -2: "u", -1: "m", 0: "", 1: "k", 2: "M"}  # by powers of a thousand
NUMBER, LETTER = "n", "letter"  # two ways to write the same output or input
ONE_LINE = re.compile(r"[ -~]+")
Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
Count = Annotated[int, Field(ge=1)]
Byte = Annotated[int, Field(ge=0, le=255)]


@dataclass(frozen=True)
class Command:
    """The text of one command, with holes for numbers by name.

    A hole may say how its number is written, `{v:05.2f}`; a number of another width is then an error. It may
    say what the instrument counts in, `{v:milli d}`, or that it takes prefixes, `{v:prefixed}`.
    """

    text: str

    def __call__(self, **values: int | float | Sequence[int]) -> str:
        """Fill every hole. Raises ValueError for a number that is not finite, or does not fit its width."""
        return HOLE.sub(lambda hole: _filled(hole[1], hole[2], values), self.text)

    def written_as(self, line: str) -> bool:
        """Whether a line that was sent may be this command, with some number in each hole."""
        texts = (re.escape(text) for text in HOLE.split(self.text)[::3])
        return re.fullmatch("(.+)".join(texts), line) is not None

    def has(self, hole: str) -> bool:
        """Whether the command takes this number."""
        return any(found[1] == hole for found in HOLE.finditer(self.text))

    def hole(self, one_of: Sequence[str]) -> str:
        """Which of these names it has a hole for."""
        return next(hole[1] for hole in HOLE.finditer(self.text) if hole[1] in one_of)

    def unit_of(self, name: str) -> float:
        """What 1 is worth in the hole of this number."""
        return _counted_in(next(hole[2] for hole in HOLE.finditer(self.text) if hole[1] == name))[0]

    def as_sent(self, name: str, value: float) -> float:
        """What a number is once it is written into its hole: perhaps rounded."""
        how = next(hole[2] for hole in HOLE.finditer(self.text) if hole[1] == name)
        text = _written(value, how).replace(",", ".")
        if how == PREFIXED:
            digits = text.rstrip("".join(LETTERS.values()))
            return float(digits) * 1e3 ** next(n for n, letter in LETTERS.items() if digits + letter == text)
        return float(text) * _counted_in(how)[0]


def _filled(hole: str, how: str | None, values: Mapping[str, int | float | Sequence[int]]) -> str:
    if hole == LETTER:  # of an instrument whose outputs or inputs are called A, B, ...
        return chr(ord("A") + int(_written(values[NUMBER], None)) - 1)
    return _written(values[hole], how)


def _written(value: int | float | Sequence[int], how: str | None) -> str:
    if how is not None and isinstance(value, int | float):
        return _formatted(value, how)
    if isinstance(value, int):
        return str(int(value))
    if isinstance(value, float):
        _refuse_infinite(value)
        # Twelve digits: a coherent tone of 20 kHz is right to 20 nHz.
        return f"{value:.12G}"
    return ",".join(str(int(item)) for item in value)


def _formatted(value: int | float, how: str) -> str:
    _refuse_infinite(value)
    if how == PREFIXED:
        return _prefixed(float(value))
    size, how = _counted_in(how)
    value = value / size if size != 1.0 else value
    if not how:
        return f"{value:.12G}"
    number = format(round(value) if how[-1] in WHOLE else float(value), how.removesuffix(","))
    match = NUMBER_FORMAT.fullmatch(how)
    width = int(match["width"]) if match and match["width"] else 0
    if width and len(number) > width:
        raise ValueError(f"{number} does not fit into the {width} places of {{:{how}}}")
    return number.replace(".", ",") if how.endswith(",") else number


def _counted_in(how: str | None) -> tuple[float, str]:
    """What 1 is worth in a format, and what it has behind that: `milli 04d` is 0.001 and `04d`."""
    word, _, rest = (how or "").partition(" ")
    return (SIZES[word], rest) if word in SIZES else (1.0, how or "")


def _prefixed(value: float) -> str:
    power = math.floor(math.log10(abs(value) * (1.0 + 1e-12)) / 3) if value else 0
    power = min(max(power, min(LETTERS)), max(LETTERS))
    return f"{value / 1e3**power:.12G}{LETTERS[power]}"


def _may_be_written(name: str, how: str) -> bool:
    """Whether a number of this name may have this format."""
    if name in ("channels", "mask", NUMBER, LETTER) and (how == PREFIXED or _counted_in(how)[0] != 1.0):
        return False
    if how == PREFIXED or how in SIZES:
        return True
    how = _counted_in(how)[1]
    if name == "channels" or not NUMBER_FORMAT.fullmatch(how):
        return False
    return name == "mask" or how[-1] not in OF_MASKS


def _refuse_infinite(value: float) -> None:
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot be sent to an instrument")


@dataclass(frozen=True)
class Holes:
    """What a command's template must hold: all of `needed`, and exactly one of `one_of` if there are any.

    It may hold any of `optional` besides.
    """

    needed: tuple[str, ...] = ()
    one_of: tuple[str, ...] = ()
    optional: tuple[str, ...] = ()

    def parse(self, text: object) -> Command:
        """Check a template. Raises ValueError with what was found and what was expected."""
        if isinstance(text, Command):
            return text
        if not isinstance(text, str) or not ONE_LINE.fullmatch(text):
            raise ValueError(f"expected a command as one line of plain text, found {text!r}")
        holes = [(hole[1], hole[2]) for hole in HOLE.finditer(text)]
        names = [NUMBER if name == LETTER else name for name, _ in holes]
        others = [name for name in names if name not in (*self.needed, *self.optional)]
        if "{" in HOLE.sub("", text) or "}" in HOLE.sub("", text):
            raise ValueError(f"expected {self._wanted()}, found braces that don't pair in {text!r}")
        if any(name not in names for name in self.needed) or len(others) != bool(self.one_of):
            raise ValueError(f"expected {self._wanted()}, found {text!r}")
        if any(name not in self.one_of for name in others):
            raise ValueError(f"expected {self._wanted()}, found {text!r}")
        for name, how in holes:
            if how is not None and not _may_be_written(name, how):
                raise ValueError(
                    f"expected a number's format such as {{{name}:05.2f}}, {{{name}:03d}}, {{{name}:milli}} "
                    f"or {{{name}:prefixed}}, found {text!r}"
                )
        return Command(text)

    def _wanted(self) -> str:
        wanted = ", ".join(f"{{{name}}}" for name in self.needed)
        choice = " or ".join(f"{{{name}}}" for name in self.one_of)
        result = f"a command with {' and '.join(part for part in (wanted, choice) if part) or 'no braces'}"
        return result + "".join(f", perhaps {{{name}}}" for name in self.optional)

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Let pydantic read a Command from a string."""
        return core_schema.no_info_plain_validator_function(self.parse)


PLAIN = Annotated[Command, Holes()]
OUTPUT = Annotated[Command, Holes(("n",))]
CHANNELS = Annotated[Command, Holes(("channels",))]


class ProfileTable(BaseModel):
    """A table of a profile: other keys than its own are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)
