"""Commands as templates: `SOURce{n}:FREQuency {hz}`. Only checked numbers reach an instrument, never text."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

HOLE = re.compile(r"\{([^{}]*)\}")
PLAIN = re.compile(r"[ -~]+")


@dataclass(frozen=True)
class Command:
    """The text of one command, with holes for numbers by name."""

    text: str

    def __call__(self, **values: int | float | Sequence[int]) -> str:
        """Fill every hole. Raises ValueError for a number that is not finite."""
        return HOLE.sub(lambda hole: _written(values[hole[1]]), self.text)


def _written(value: int | float | Sequence[int]) -> str:
    if isinstance(value, int):
        return str(int(value))
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"{value} cannot be sent to an instrument")
        # Twelve digits: a coherent tone of 20 kHz is right to 20 nHz.
        return f"{value:.12G}"
    return ",".join(str(int(item)) for item in value)


@dataclass(frozen=True)
class Holes:
    """What a command's template must hold: all of `needed`, and exactly one of `one_of` if there are any."""

    needed: tuple[str, ...] = ()
    one_of: tuple[str, ...] = ()

    def parse(self, text: object) -> Command:
        """Check a template. Raises ValueError with what was found and what was expected."""
        if isinstance(text, Command):
            return text
        if not isinstance(text, str) or not PLAIN.fullmatch(text):
            raise ValueError(f"expected a command as one line of plain text, found {text!r}")
        found = HOLE.findall(text)
        others = [name for name in found if name not in self.needed]
        if "{" in HOLE.sub("", text) or "}" in HOLE.sub("", text):
            raise ValueError(f"expected {self._wanted()}, found braces that don't pair in {text!r}")
        if any(name not in found for name in self.needed) or len(others) != bool(self.one_of):
            raise ValueError(f"expected {self._wanted()}, found {text!r}")
        if any(name not in self.one_of for name in others):
            raise ValueError(f"expected {self._wanted()}, found {text!r}")
        return Command(text)

    def _wanted(self) -> str:
        wanted = ", ".join(f"{{{name}}}" for name in self.needed)
        choice = " or ".join(f"{{{name}}}" for name in self.one_of)
        return f"a command with {' and '.join(part for part in (wanted, choice) if part) or 'no braces'}"

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Let pydantic read a Command from a string."""
        return core_schema.no_info_plain_validator_function(self.parse)
