"""What an instrument answers if something is so: a text, or a bit of a number."""

import re
from dataclasses import dataclass
from typing import Any

from pydantic import GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema


@dataclass(frozen=True)
class ExpectedAnswer:
    """A text such as `STOP`, or a bit of a number, `bit 3 is 0`; base: 16 if the number is `hexadecimal`."""

    text: str
    bit: int | None = None
    value: int = 0
    base: int = 10

    @classmethod
    def parse(cls, value: object) -> "ExpectedAnswer":
        """Read `"STOP"`, `"1"`, `"bit 3 is 0"` or `"hexadecimal bit 3 is 0"`. Raises ValueError."""
        if isinstance(value, ExpectedAnswer):
            return value
        if not isinstance(value, str) or not value.strip():
            raise ValueError(f'expected an answer such as "STOP", or "bit 3 is 0", found {value!r}')
        if bit := re.fullmatch(r"(hexadecimal )?bit (\d\d?) is ([01])", value):
            return cls(text=value, bit=int(bit[2]), value=int(bit[3]), base=16 if bit[1] else 10)
        return cls(text=value.strip())

    @property
    def opposite(self) -> "ExpectedAnswer | None":
        """The same bit with its other value; None for a text, which has no opposite."""
        if self.bit is None:
            return None
        return ExpectedAnswer.parse(f"{self.text[:-1]}{1 - self.value}")

    def matches(self, answer: str) -> bool:
        """Whether an answer is this one: in any case, with a header before it or not, numbers by value."""
        last = (answer.split() or [""])[-1].strip('"').upper()
        if self.bit is None:
            return same_answer(last, self.text) or same_answer(answer, self.text)
        try:
            return self._number(last) >> self.bit & 1 == self.value
        except (ValueError, OverflowError):
            return False

    def _number(self, text: str) -> int:
        """What a text is; #H before it is hexadecimal by IEEE 488.2, 8.7.5 (from memory), 0x by custom."""
        digits = re.fullmatch(r"(#H|0X)?([0-9A-F]+)", text)
        if digits and (digits[1] or self.base == 16):
            return int(digits[2], 16)
        return int(float(text))

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Let pydantic read it from a string."""
        return core_schema.no_info_plain_validator_function(cls.parse)


def same_answer(found: str, expected: str) -> bool:
    """Whether an answer is the expected one: in any case, in quotes or not, numbers by value."""
    one, other = (text.strip().strip('"').strip().upper() for text in (found, expected))
    try:
        return one == other or float(one) == float(other)
    except ValueError:
        return False
