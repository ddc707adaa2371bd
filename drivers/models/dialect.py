"""How an instrument is spoken to, apart from the words of its commands."""

import re
from dataclasses import dataclass
from decimal import Decimal
from math import inf

from drivers.models.expected_answer import ExpectedAnswer
from harness.bench_file import Terminator
from harness.toml_files.values import compiled

ERROR_QUERY = "SYSTem:ERRor?"
ON_OFF = {"1": True, "ON": True, "0": False, "OFF": False}
ENDINGS: dict[Terminator, bytes] = {"LF": b"\n", "CR LF": b"\r\n", "CR": b"\r", "none": b""}

# A number as instruments write it, IEEE 488.2, 8.7.2 to 8.7.4, with spaces where some put them, and a unit
# behind it. M is refused: it is milli in 7.7.3 of that standard, and mega to people. (Clauses from memory.)
NUMBER = re.compile(
    r" *(?P<sign>[+-]?) *(?P<digits>(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)"
    r"(?: *(?P<prefix>[uUmkK]?)(?P<unit>(?i:V|VOLTS?|A|AMPS?|VPP|VPK|VRMS|DBV|DBM|HZ|HERTZ|DEG|S)))? *"
)
COMMA_REMEDY = " (if that is a decimal comma, write `decimal_comma = true` into its profile)"
PREFIXES = {"": 1.0, "u": 1e-6, "U": 1e-6, "m": 1e-3, "k": 1e3, "K": 1e3}


def number_in(answer: str) -> float | None:
    """The number that an answer is, in the unit without a prefix; None if it is none."""
    match = NUMBER.fullmatch(answer)
    if match is None:
        return None
    return float(match["sign"] + match["digits"]) * PREFIXES[match["prefix"] or ""]


def unit_in(answer: str) -> str:
    """The unit behind an answer's number, in capitals, without its prefix; "" if there is none."""
    match = NUMBER.fullmatch(answer)
    return (match["unit"] or "").upper() if match else ""


def comma_remedy(answer: str) -> str:
    """What to do about an answer that is no number, if it may be one with a decimal comma."""
    return COMMA_REMEDY if re.search(r"\d,\d", answer) else ""


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
    decimal_comma: bool = False
    prompt: str = ""
    on_answer: ExpectedAnswer | None = None
    off_answer: ExpectedAnswer | None = None
    output_state: str | None = None
    pause_s: float = 0.0

    @property
    def ending(self) -> bytes:
        """What is sent behind each line."""
        return ENDINGS[self.terminator]

    def is_on(self, answer: str) -> bool | None:
        """Whether an output is on, by the answer to the question for that; None if it says neither."""
        if self.output_state is not None:
            found = compiled(self.output_state).search(answer)
            answer = found[1] if found is not None else ""
        if self.on_answer is None:
            return ON_OFF.get(answer.strip().upper())
        off_answer = self.off_answer or self.on_answer.opposite
        if self.on_answer.matches(answer):
            return True
        return False if off_answer is not None and off_answer.matches(answer) else None

    @property
    def answers_end(self) -> bytes:
        """The byte at which an answer ends; b"" if only silence ends it."""
        return ENDINGS[self.answer_terminator][-1:]


SCPI = Dialect()
