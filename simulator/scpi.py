"""Strict SCPI and IEEE 488.2 syntax: program messages, headers in short and long form, parameters, answers.

The rules are SCPI-1999 volume 1 and IEEE 488.2: a mnemonic is its exact short form or its exact long form in
any case; `SOURce2` carries a numeric suffix; `A:B 1;C 2` stays at the level of `A:B`; a leading colon goes
back to the root; a common command (`*CLS`) moves nothing.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

MESSAGES = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -138: "Suffix not allowed",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -440: "Query UNTERMINATED after indefinite response",
}
"""Error numbers and their texts, SCPI-1999 volume 2, 21.8."""

MNEMONIC_MAX = 12  # characters, IEEE 488.2 7.6.1.4.1
SUFFIX_DIGITS = 9
_HEADER = re.compile(
    r"(?P<colon>:?)(?P<header>\*?[A-Za-z][A-Za-z0-9_:]*)(?P<query>\??)(?P<rest>.*)", re.DOTALL
)
_MNEMONIC = re.compile(r"(\*?[A-Za-z][A-Za-z0-9_]*?)(\d*)")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(\s*[eE]\s*[+-]?\d+)?")


class ScpiError(Exception):
    """What an instrument puts into its error queue."""

    def __init__(self, number: int, detail: str = "") -> None:
        text = MESSAGES.get(number, "Device-specific error")
        super().__init__(f'{number},"{text}{f";{detail}" if detail else ""}"')
        self.number = number


@dataclass(frozen=True, kw_only=True)
class Mnemonic:
    """One word of a header as it was sent: upper case, its numeric suffix apart."""

    word: str
    suffix: int | None


@dataclass(frozen=True, kw_only=True)
class Unit:
    """One program message unit, its header complete from the root."""

    path: tuple[Mnemonic, ...]  # a common command is one mnemonic that begins with *
    query: bool
    parameters: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Word:
    """One word of a known header."""

    short: str
    long: str
    numbered: bool

    def matches(self, mnemonic: Mnemonic) -> bool:
        """Exactly short or exactly long; anything between is another word."""
        return mnemonic.word in (self.short, self.long) and (self.numbered or mnemonic.suffix is None)


@dataclass(frozen=True, kw_only=True)
class Command:
    """A header that an instrument knows, and what it does.

    `pattern` is written as in a manual: `SOURce{n}:VOLTage:OFFSet`. `do` and `ask` are called with the
    numeric suffixes (1 where none was sent), then the parsed parameter if there is one.
    """

    pattern: str
    do: Callable[..., None] | None = None
    ask: Callable[..., str | bytes] | None = None
    takes: Callable[[str], object] | None = None  # how the parameter of the command reads
    asks_with: Callable[[str], object] | None = None  # how the parameter of the query reads
    suffix_max: int = 1
    last_in_message: bool = False  # its answer has no length: nothing may be asked after it

    @property
    def words(self) -> tuple[Word, ...]:
        """The pattern's words."""
        return tuple(word_of(part) for part in self.pattern.split(":"))


class Headers:
    """The commands that one instrument knows."""

    def __init__(self, commands: Sequence[Command]) -> None:
        self._known = [(command, command.words) for command in commands]
        # By words and which of them have a number, of known commands alone: it stays as small as they are.
        self._cache: dict[tuple[tuple[str, bool], ...], tuple[Command, tuple[Word, ...]]] = {}

    def find(self, unit: Unit) -> tuple[Command, tuple[int, ...]]:
        """Find the command of a unit, and its numeric suffixes. Raises ScpiError -113 or -114."""
        key = tuple((mnemonic.word, mnemonic.suffix is None) for mnemonic in unit.path)
        if key not in self._cache:
            self._cache[key] = self._look_up(unit)
        command, words = self._cache[key]
        if (command.ask if unit.query else command.do) is None:
            raise ScpiError(-113, header_text(unit))
        suffixes = tuple(
            1 if mnemonic.suffix is None else mnemonic.suffix
            for word, mnemonic in zip(words, unit.path, strict=True)
            if word.numbered
        )
        if any(not 1 <= suffix <= command.suffix_max for suffix in suffixes):
            raise ScpiError(-114, header_text(unit))
        return command, suffixes

    def _look_up(self, unit: Unit) -> tuple[Command, tuple[Word, ...]]:
        for command, words in self._known:
            if len(words) == len(unit.path) and all(
                word.matches(mnemonic) for word, mnemonic in zip(words, unit.path, strict=True)
            ):
                return command, words
        raise ScpiError(-113, header_text(unit))


def header_text(unit: Unit) -> str:
    """Write a unit's header again, for a message."""
    words = (f"{m.word}{'' if m.suffix is None else m.suffix}" for m in unit.path)
    return ":".join(words) + ("?" if unit.query else "")


def call(command: Command, suffixes: tuple[int, ...], unit: Unit) -> str | bytes | None:
    """Carry out a unit. Raises ScpiError."""
    function = command.ask if unit.query else command.do
    reads = command.asks_with if unit.query else command.takes
    if function is None:
        raise ScpiError(-113, header_text(unit))
    if len(unit.parameters) > (0 if reads is None else 1):
        raise ScpiError(-108, header_text(unit))
    if reads is None:
        return function(*suffixes)
    if not unit.parameters:
        raise ScpiError(-109, header_text(unit))
    return function(*suffixes, reads(unit.parameters[0]))


# --- program messages ------------------------------------------------------------------------------------


def parse_message(message: bytes) -> list[Unit | ScpiError]:
    """Split a program message (without its terminator) into units.

    The first unit that cannot be read stands as its error and ends the list: what follows is not to be
    trusted.
    """
    try:
        text = message.decode("ascii")
    except UnicodeDecodeError:
        return [ScpiError(-101)]
    units: list[Unit | ScpiError] = []
    path: tuple[Mnemonic, ...] = ()
    for piece in _split(text, ";"):
        if not piece.strip():
            if text.strip():
                units.append(ScpiError(-102, "empty message unit"))
                break
            continue
        try:
            unit, path = _parse_unit(piece.strip(), path)
        except ScpiError as error:
            units.append(error)
            break
        units.append(unit)
    return units


def _parse_unit(text: str, path: tuple[Mnemonic, ...]) -> tuple[Unit, tuple[Mnemonic, ...]]:
    match = _HEADER.fullmatch(text)
    if match is None:
        raise ScpiError(-102, text[:40])
    rest = match["rest"]
    if rest and not rest[0].isspace():
        raise ScpiError(-103 if rest[0] in ",(" else -102, text[:40])
    common = match["header"].startswith("*")
    if common and (match["colon"] or ":" in match["header"]):
        raise ScpiError(-113, text[:40])
    words = tuple(_mnemonic(part) for part in match["header"].split(":"))
    full = words if common or match["colon"] else path + words
    parameters = tuple(part.strip() for part in _split(rest, ",")) if rest.strip() else ()
    if any(not part for part in parameters):
        raise ScpiError(-102, text[:40])
    unit = Unit(path=full, query=bool(match["query"]), parameters=parameters)
    return unit, path if common else full[:-1]


def _mnemonic(text: str) -> Mnemonic:
    match = _MNEMONIC.fullmatch(text)
    if match is None:
        raise ScpiError(-102, text[:40])
    if len(match[1].lstrip("*")) > MNEMONIC_MAX:
        raise ScpiError(-112, text[:40])
    if len(match[2]) > SUFFIX_DIGITS:
        raise ScpiError(-114, text[:40])
    return Mnemonic(word=match[1].upper(), suffix=int(match[2]) if match[2] else None)


def _split(text: str, separator: str) -> list[str]:
    """Split outside quotes and parentheses."""
    if not any(mark in text for mark in "\"'("):
        return text.split(separator)
    pieces, start, depth, quote = [], 0, 0, ""
    for position, character in enumerate(text):
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character == "(":
            depth += 1
        elif character == ")":
            depth -= 1
        elif character == separator and depth <= 0:
            pieces.append(text[start:position])
            start = position + 1
    pieces.append(text[start:])
    return pieces


def word_of(part: str) -> Word:
    """Read one word of a pattern: capitals are the short form, `{n}` takes a number."""
    numbered = part.endswith("{n}")
    long = part.removesuffix("{n}")
    short = "".join(character for character in long if not character.islower())
    return Word(short=short, long=long.upper(), numbered=numbered)


def number(low: float, high: float) -> Callable[[str], float]:
    """Read a decimal number within [low, high]. Raises -104, -138, -222."""

    def read(text: str) -> float:
        match = _NUMBER.match(text)
        if match is None:
            raise ScpiError(-104, text[:40])
        if match.end() != len(text):
            raise ScpiError(-138, text[:40])
        value = float("".join(match[0].split()))
        if not low <= value <= high:
            raise ScpiError(-222, text[:40])
        return value

    return read


def integer(low: int, high: int) -> Callable[[str], int]:
    """Read a number and round it, then check that it is within [low, high]. Raises -104, -138, -222."""
    read_number = number(-9.9e37, 9.9e37)

    def read(text: str) -> int:
        value = round(read_number(text))
        if not low <= value <= high:
            raise ScpiError(-222, text[:40])
        return value

    return read


def boolean(text: str) -> bool:
    """Read ON, OFF or a number, of which all but 0 is on. Raises -104."""
    word = text.upper()
    if word in ("ON", "OFF"):
        return word == "ON"
    return round(number(-32768, 32767)(text)) != 0


def choice(*patterns: str) -> Callable[[str], str]:
    """Read one of several words, short or long form; returns the short form. Raises -104, -224."""
    words = [word_of(pattern) for pattern in patterns]

    def read(text: str) -> str:
        if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", text):
            raise ScpiError(-104, text[:40])
        for word in words:
            if text.upper() in (word.short, word.long):
                return word.short
        raise ScpiError(-224, text[:40])

    return read


def numbered(pattern: str, highest: int) -> Callable[[str], int]:
    """Read a word with its number (`CHANnel2`); returns the number. Raises -104, -224."""
    word = word_of(pattern)

    def read(text: str) -> int:
        match = re.fullmatch(r"([A-Za-z]+)(\d+)", text)
        if match is None:
            raise ScpiError(-104, text[:40])
        if match[1].upper() not in (word.short, word.long) or not 1 <= int(match[2]) <= highest:
            raise ScpiError(-224, text[:40])
        return int(match[2])

    return read


def channel_list(highest: int) -> Callable[[str], tuple[int, ...]]:
    """Read `(@1,3,5:7)`, ranges in either direction. Raises -104, -222."""

    def read(text: str) -> tuple[int, ...]:
        match = re.fullmatch(r"\(\s*@(.*)\)", text)
        if match is None:
            raise ScpiError(-104, text[:40])
        channels: list[int] = []
        for part in match[1].split(",") if match[1].strip() else []:
            ends = re.fullmatch(r"\s*(\d{1,9})\s*(?::\s*(\d{1,9})\s*)?", part)
            if ends is None:
                raise ScpiError(-104, text[:40])
            first = int(ends[1])
            last = first if ends[2] is None else int(ends[2])
            if not (1 <= first <= highest and 1 <= last <= highest):
                raise ScpiError(-222, text[:40])
            step = 1 if last >= first else -1
            channels.extend(range(first, last + step, step))
        return tuple(channels)

    return read


# --- answers ---------------------------------------------------------------------------------------------


def real(value: float) -> str:
    """Write a number in the NR3 form of IEEE 488.2."""
    return f"{value:+.9E}"


def digit(value: bool) -> str:
    """Write a boolean: 1 or 0."""
    return str(int(value))


def block(data: bytes) -> bytes:
    """Wrap bytes as a definite-length block, `#` then the count of digits, the count, the bytes."""
    count = str(len(data))
    return f"#{len(count)}{count}".encode("ascii") + data
