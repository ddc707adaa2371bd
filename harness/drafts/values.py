"""Values as netlists write them: 1k, 4k7, 2.2meg, 100n, 10uF."""

import math
import re

# SPICE: m is a thousandth and meg a million; beside a schematic's M, which is a million as well.
_SCALES = {
    "": 1.0, "t": 1e12, "g": 1e9, "meg": 1e6, "k": 1e3, "r": 1.0, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12,
    "f": 1e-15,
}  # fmt: skip
_NUMBER = r"(\d{1,12}(?:\.\d{0,12})?(?:e[+-]?\d{1,2})?)"
_SUFFIXED = re.compile(_NUMBER + r"\s*(meg|[tgkrmunpf]?)(?:ohms?|[fωΩ])?", re.IGNORECASE)
_BETWEEN = re.compile(r"(\d{1,6})(meg|[kmrunp])(\d{1,6})", re.IGNORECASE)


def spice_value(text: str) -> float | None:
    """Read a value in SI; None where it is none, or not more than zero."""
    bare = text.strip().replace("µ", "u").replace("μ", "u")
    if matched := _BETWEEN.fullmatch(bare):
        number, scale = float(f"{matched[1]}.{matched[3]}"), matched[2]
    elif matched := _SUFFIXED.fullmatch(bare):
        number, scale = float(matched[1]), matched[2]
    else:
        return None
    value = number * _SCALES[scale.lower()] if scale else number
    return value if 0 < value < math.inf else None
