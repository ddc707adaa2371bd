"""How the parameters of SCPI commands read, and how answers are written: numbers, words, lists, blocks."""

import re
from collections.abc import Callable

from simulator.scpi import ScpiError, word_of

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(\s*[eE]\s*[+-]?\d+)?")


def number(low: float, high: float) -> Callable[[str], float]:
    """Read a decimal number within [low, high]. Raises -104, -138, -222."""

    def read(text: str) -> float:
        found = _NUMBER.match(text)
        if found is None:
            raise ScpiError(-104, text[:40])
        if found.end() != len(text):
            raise ScpiError(-138, text[:40])
        value = float("".join(found[0].split()))
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
        found = re.fullmatch(r"([A-Za-z]+)(\d+)", text)
        if found is None:
            raise ScpiError(-104, text[:40])
        if found[1].upper() not in (word.short, word.long) or not 1 <= int(found[2]) <= highest:
            raise ScpiError(-224, text[:40])
        return int(found[2])

    return read


def channel_list(highest: int) -> Callable[[str], tuple[int, ...]]:
    """Read `(@1,3,5:7)`, ranges in either direction. Raises -104, -222."""

    def read(text: str) -> tuple[int, ...]:
        found = re.fullmatch(r"\(\s*@(.*)\)", text)
        if found is None:
            raise ScpiError(-104, text[:40])
        channels: list[int] = []
        for part in found[1].split(",") if found[1].strip() else []:
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


def block(data: bytes) -> bytes:
    """Wrap bytes as a definite-length block, `#` then the count of digits, the count, the bytes."""
    count = str(len(data))
    return f"#{len(count)}{count}".encode("ascii") + data
