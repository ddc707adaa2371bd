"""How an instrument is spoken to, apart from the words of its commands."""

import re
from dataclasses import dataclass
from decimal import Decimal
from math import inf

from harness.bench_file import Terminator

ERROR_QUERY = "SYSTem:ERRor?"
ENDINGS: dict[Terminator, bytes] = {"LF": b"\n", "CR LF": b"\r\n", "CR": b"\r", "none": b""}

# A number as instruments write it, IEEE 488.2, 8.7.2 to 8.7.4, with spaces where some put them, and a unit
# behind it. M is refused: it is milli in 7.7.3 of that standard, and mega to people. (Clauses from memory.)
NUMBER = re.compile(
    r" *(?P<sign>[+-]?) *(?P<digits>(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)"
    r"(?: *(?P<prefix>[uUmkK]?)(?i:V|A|VPP|VPK|VRMS|DBV|DBM|HZ|DEG|S))? *"
)
PREFIXES = {"": 1.0, "u": 1e-6, "U": 1e-6, "m": 1e-3, "k": 1e3, "K": 1e3}


def number_in(answer: str) -> float | None:
    """The number that an answer is, in the unit without a prefix; None if it is none."""
    match = NUMBER.fullmatch(answer)
    if match is None:
        return None
    return float(match["sign"] + match["digits"]) * PREFIXES[match["prefix"] or ""]


def digit_of(answer: str) -> float:
    """What one in the last digit of an answer's number is, in the unit without a prefix.

    Infinite if the answer is no number, or a bare 0, which any meter may write.
    """
    match = NUMBER.fullmatch(answer)
    number = Decimal(match["digits"]) if match else Decimal(0)
    exponent = number.as_tuple().exponent
    if match is None or (number == 0 and int(exponent) >= 0):
        return inf
    return 10.0 ** int(exponent) * PREFIXES[match["prefix"] or ""]


@dataclass(frozen=True, kw_only=True)
class Dialect:
    """How an instrument is spoken to, apart from its commands; the fields are those of a profile."""

    terminator: Terminator = "LF"
    answer_terminator: Terminator = "LF"
    echoes: bool = False
    answer: str | None = None
    answer_after_questions: bool = False
    identity_fields: int = 4
    error_query: str = ERROR_QUERY
    pause_s: float = 0.0

    @property
    def ending(self) -> bytes:
        """What is sent behind each line."""
        return ENDINGS[self.terminator]

    @property
    def answers_end(self) -> bytes:
        """The byte at which an answer ends; b"" if only silence ends it."""
        return ENDINGS[self.answer_terminator][-1:]


SCPI = Dialect()
