"""What a scope says of a record, read from its answers: numbers with units, preambles, the record's scale."""

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.command import Command
from drivers.models.dialect import comma_remedy
from drivers.scope.oscilloscope_profile import IN_COUNTS, INVERTED, SUBTRACTED, Scaling, Source

NUMBER = re.compile(
    r"(?:\S*[A-Za-z_]\S*\s+)?"  # a header before it
    r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-zµ/%]*)"
)
UNITS = ("VOLTS", "V/DIV", "S/DIV", "SA/S", "S/S", "SPS", "PTS", "PT", "HZ", "V", "S", "")  # longest first
MULTIPLIERS = {
    "": 1.0, "P": 1e-12, "N": 1e-9, "U": 1e-6, "µ": 1e-6, "M": 1e-3, "K": 1e3, "MA": 1e6, "G": 1e9, "T": 1e12,
}  # fmt: skip
"""Suffix multipliers, IEEE 488.2, 7.7.3: M is milli, and mega before HZ alone (from memory)."""
MEGA = ("HZ", "SA/S", "S/S", "SPS", "PTS", "PT")  # none of which comes in thousandths
INFINITE = 9.8e37  # SCPI-1999 volume 1, 7.2.1: 9.9E37 is infinity, 9.91E37 not a number
Ask = Callable[[Source], str]  # the text of a query's answer


def number_of(text: str) -> float:
    """One number, with a header before it and a unit behind it or not. Raises ValueError."""
    found = NUMBER.fullmatch(text.strip().strip('"').strip())
    if found is None:
        raise ValueError(f"a number in {text!r}" + comma_remedy(text))
    value = float(found[1]) * _multiplier(found[2])
    if not abs(value) < INFINITE:
        raise ValueError("numbers that are finite")
    return value


def _multiplier(unit: str) -> float:
    if not unit:
        return 1.0
    upper = unit.upper()
    for known in UNITS:
        prefix = upper.removesuffix(known)
        if upper.endswith(known) and prefix in MULTIPLIERS:
            return 1e6 if prefix == "M" and known in MEGA else MULTIPLIERS[prefix]
    raise ValueError(f"a unit that is known and not {unit!r}")


def labelled(answer: str) -> dict[str, str]:
    """The values of a preamble by their labels, in capitals, with the path before a label or a part of it.

    `:WFMPre:NR_Pt 2500;YMUlt 4.0E-3`, `YMULT:4.0E-3,NR_PT:2500` and `ymult = 4 mV; nr_pt = 2500` all read.
    """
    items = re.findall(r'(?:"[^"]*"|[^;,"])+' if ";" not in answer else r'(?:"[^"]*"|[^;"])+', answer)
    result: dict[str, str] = {}
    for item in items:
        text = re.sub(r"\s*([=:])\s*", r"\1", item.strip()).lstrip(":")
        head, value = ([*re.split(r"[ =]", text, maxsplit=1), ""])[:2]
        if not value:
            head, _, value = text.rpartition(":")
        words = head.upper().split(":")
        result |= {":".join(words[first:]): value.strip() for first in range(len(words))}
    return result


@dataclass(frozen=True, kw_only=True)
class RecordScale:
    """How the samples of one record become volts: `(raw - centre) * step_v + shift_v`.

    points: None if the scope does not say. step_v: volts per code, negative if the codes fall as the volts
    rise, by the formula or by a scale below zero that the scope reports; if the scope sends volts, what one
    of them is at the probe's tip. x_origin_s: of the first sample, from the trigger; None if it does not say.
    """

    points: int | None
    interval_s: float
    step_v: float
    centre: float
    shift_v: float
    x_origin_s: float | None

    def volts(self, raw: NDArray[np.generic], out: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
        """Volts of codes, or of volts: float64, same shape; written into `out` if there is one.

        In float64 throughout: in unsigned arithmetic what lies below the centre would wrap.
        """
        result = np.empty(raw.shape) if out is None else out
        result[...] = raw  # each in a pass of its own: quicker than one that converts as it subtracts
        result -= self.centre
        result *= self.step_v
        if self.shift_v:
            result += self.shift_v
        return result


class Answers:
    """The preamble of one input, and the answers to single queries.

    ask: sends a query. fields: how many numbers the preamble must have; None if that is not known. n: the
    input, where a preamble has labels of several.
    """

    def __init__(self, preamble: str, ask: Ask, *, fields: int | None, n: int = 1) -> None:
        self._n = n
        self._places = preamble.split(",")
        self._labels: Mapping[str, str] | None = None
        self._preamble, self._ask = preamble, ask
        if fields is not None and len(self._places) != fields:
            raise ValueError(f"{fields} fields by scaling.fields of its profile")

    def text(self, source: Source) -> str:
        """What a source says. Raises ValueError if the preamble lacks it."""
        if source.number is not None:
            return f"{source.number!r}"
        if source.place is not None:
            if source.place > len(self._places):
                raise ValueError(f"at least {source.place} fields")
            return self._places[source.place - 1].strip()
        if source.label:
            self._labels = labelled(self._preamble) if self._labels is None else self._labels
            label = Command(source.label)(n=self._n).upper()
            if label not in self._labels:
                raise ValueError(f"the label {label}")
            return self._labels[label].strip('"')
        return self._ask(source).strip()

    def number(self, source: Source) -> float:
        """The number that a source says. Raises ValueError if it is none."""
        return source.number if source.number is not None else source.times * number_of(self.text(source))


def record_scale(scaling: Scaling, answers: Answers, *, in_volts: bool, factor: float) -> RecordScale:
    """The scale of one input's record, at the probe's tip.

    in_volts: the scope sends volts and no codes. factor: of a probe that the scope does not know of, 1
    otherwise. Raises ValueError for what can't be.
    """
    number = answers.number
    points = number(scaling.points) if scaling.points is not None else None
    if points is not None and (points != int(points) or points < 1):
        raise ValueError("a whole number of points")
    interval_s = number(scaling.interval_s) if scaling.interval_s is not None else 0.0
    if scaling.rate_hz is not None:
        rate_hz = number(scaling.rate_hz)
        interval_s = 1.0 / rate_hz if rate_hz > 0.0 else 0.0
    step_v, centre, shift_v = factor, 0.0, 0.0
    if scaling.scale is not None and not in_volts:
        step_v = factor * number(scaling.scale) / (scaling.codes_per_division or 1.0)
        centre, origin = number(scaling.reference), number(scaling.origin)
        if scaling.formula == IN_COUNTS:
            centre += origin
        else:
            shift_v = -factor * origin if scaling.formula == SUBTRACTED else factor * origin
    if not (interval_s > 0.0 and step_v):
        raise ValueError("an interval above zero, and a scale that is not zero")
    if scaling.formula == INVERTED:
        step_v = -step_v
    if not all(map(math.isfinite, (interval_s, step_v, centre, shift_v))):
        raise ValueError("numbers that are finite")
    x_origin_s = None
    if scaling.x_origin_s is not None:
        x_origin_s = number(scaling.x_origin_s) - number(scaling.x_reference) * interval_s
    return RecordScale(
        points=None if points is None else int(points),
        interval_s=interval_s,
        step_v=step_v,
        centre=centre,
        shift_v=shift_v,
        x_origin_s=x_origin_s,
    )
