"""The through reference: what the bench itself adds, as it is kept and looked up.

In a through hookup the hot output feeds every hot input (first, third, …), the cold output every cold one.
What the inputs read there stands for the source legs in every later reading, and relates each input's ranges
to one another. `through` makes a reference.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from harness.errors import ReadingError
from harness.measure.bare import NOTHING_BARE, Bare
from harness.measure.clock import Clock
from harness.measure.repeatability import Repeatability, Spread, pooled

LIFE_S = 4 * 3600.0  # common practice, no source: four hours, or a change of leads
SAME_SETTING = 1e-3  # settings closer than this fraction are the same range


@dataclass(frozen=True, kw_only=True)
class RangeGain:
    """One input's gain on a range over that on the drive range.

    standard: of its real and imaginary part, by noise. rungs: of the ladder in between, of two records each,
    whose levels repeat as all records do.
    """

    input: int
    volts_per_division: float
    gain: complex
    standard: float
    rungs: int = 0


@dataclass(frozen=True, kw_only=True)
class Offset:
    """What one input reads on one range with nothing there."""

    input: int
    volts_per_division: float
    offset_v: float
    standard_v: float


@dataclass(frozen=True, kw_only=True)
class ToneReference:
    """The reference at one pair of tones and one drive level. Tuples follow `inputs`: hot, cold, hot, cold…

    source: V RMS that each input read of its own leg on its drive range; the first input of each leg has
    phase 0. source_standard: of its real and imaginary part, by noise. spread: of the records whose mean
    `source` is. repeatability: of any record, from these and those of other tones (`with_common_spread`).
    through: what the circuit predicts each input to see in the through hookup, per volt of e.m.f.
    ranges: drive ranges included, with gain 1.
    """

    identity: str
    frequencies_hz: tuple[float, float]
    emf_vrms: tuple[float, float]
    clock: Clock
    inputs: tuple[int, ...]
    source: tuple[complex, ...]
    source_standard: tuple[float, ...]
    spread: Spread
    repeatability: Repeatability
    through: tuple[complex, ...]
    ranges: tuple[RangeGain, ...]

    def range_gain(self, number: int, volts_per_division: float) -> RangeGain | None:
        """Find an input's gain on a range over that on its drive range, if the ladder reached it."""
        for entry in self.ranges:
            if entry.input == number and _same(entry.volts_per_division, volts_per_division):
                return entry
        return None

    def drive_range(self, number: int) -> float:
        """Volts per division that an input had in the through hookup; 0 where no range is kept of it."""
        own = (
            entry for entry in self.ranges if entry.input == number and entry.gain == 1 and not entry.standard
        )
        return next((entry.volts_per_division for entry in own), 0.0)

    def check_serves(self, inputs: tuple[int, ...], frequencies_hz: Sequence[float]) -> None:
        """Raise ReadingError unless this reference was taken of these inputs at these tones.

        The two inputs of a pair may be exchanged.
        """
        if tuple(sorted(inputs)) != self.inputs[: len(inputs)] or len(inputs) % 2:
            raise ReadingError(f"the through reference has inputs {self.inputs}, the capture {inputs}")
        if not np.allclose(frequencies_hz, self.frequencies_hz, rtol=1e-9):
            raise ReadingError(
                f"the through reference is of {self.frequencies_hz} Hz, not {tuple(frequencies_hz)}"
            )

    def cold_over_hot(self) -> float:
        """Magnitude that the first pair reads of the cold output over the hot."""
        return abs(self.source[1] / self.source[0])


@dataclass(frozen=True, kw_only=True)
class Reference:
    """A whole through reference: one per pair of tones and level, the inputs' offsets, what else is there.

    taken_s: POSIX time. instruments: identities of generator and scope; another bench's reference is no good.
    bare: the bench's own noise and harmonics, as far as they were wanted.
    """

    taken_s: float
    instruments: tuple[str, ...]
    tones: tuple[ToneReference, ...]
    offsets: tuple[Offset, ...]
    bare: Bare = field(default=NOTHING_BARE, compare=False)

    def at(self, frequencies_hz: Sequence[float], emf_vrms: Sequence[float]) -> ToneReference | None:
        """Find the reference of these tones, the one nearest in level; None where there is none."""
        tones = [tone for tone in self.tones if np.allclose(tone.frequencies_hz, frequencies_hz, rtol=1e-9)]
        return min(tones, key=lambda tone: abs(math.log(tone.emf_vrms[0] / emf_vrms[0])), default=None)

    def offset(self, number: int, volts_per_division: float) -> Offset | None:
        """Find an input's own offset on a range."""
        for entry in self.offsets:
            if entry.input == number and _same(entry.volts_per_division, volts_per_division):
                return entry
        return None

    def serves(self, now_s: float, instruments: tuple[str, ...]) -> bool:
        """Whether it is of these instruments and still fresh."""
        return instruments == self.instruments and 0 <= now_s - self.taken_s <= LIFE_S

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, strings, lists and dicts, complex numbers as [re, im]: what records keep."""
        return {
            "taken_s": self.taken_s,
            "instruments": list(self.instruments),
            "tones": [_tone_to_dict(tone) for tone in self.tones],
            "offsets": [dict(vars(offset)) for offset in self.offsets],
            "bare": self.bare.to_dict(),
        }

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any]) -> "Reference":
        """Read back what `to_dict` gave."""
        return cls(
            taken_s=kept["taken_s"],
            instruments=tuple(kept["instruments"]),
            tones=with_common_spread([_tone_from_dict(tone) for tone in kept["tones"]]),
            offsets=tuple(Offset(**offset) for offset in kept["offsets"]),
            bare=Bare.from_dict(kept["bare"]) if "bare" in kept else NOTHING_BARE,
        )


def with_common_spread(tones: Sequence[ToneReference]) -> tuple[ToneReference, ...]:
    """Let every tone have the repeatability that the records of all of them show."""
    found = pooled([tone.spread for tone in tones])
    return tuple(replace(tone, repeatability=one) for tone, one in zip(tones, found, strict=True))


def _same(one: float, two: float) -> bool:
    return math.isclose(one, two, rel_tol=SAME_SETTING)


def _tone_to_dict(tone: ToneReference) -> dict[str, Any]:
    kept = {name: value for name, value in vars(tone).items() if name != "repeatability"}
    return {
        **kept,
        "frequencies_hz": list(tone.frequencies_hz),
        "emf_vrms": list(tone.emf_vrms),
        "clock": dict(vars(tone.clock)),
        "inputs": list(tone.inputs),
        "source": [[value.real, value.imag] for value in tone.source],
        "source_standard": list(tone.source_standard),
        "spread": {
            "records": tone.spread.records,
            "variance": list(tone.spread.variance),
            "noise": list(tone.spread.noise),
        },
        "through": [[value.real, value.imag] for value in tone.through],
        "ranges": [{**vars(entry), "gain": [entry.gain.real, entry.gain.imag]} for entry in tone.ranges],
    }


def _tone_from_dict(kept: Mapping[str, Any]) -> ToneReference:
    spread = _spread_from_dict(kept)
    return ToneReference(
        identity=kept["identity"],
        frequencies_hz=(kept["frequencies_hz"][0], kept["frequencies_hz"][1]),
        emf_vrms=(kept["emf_vrms"][0], kept["emf_vrms"][1]),
        clock=Clock(**kept["clock"]),
        inputs=tuple(kept["inputs"]),
        source=tuple(complex(*value) for value in kept["source"]),
        source_standard=tuple(kept["source_standard"]),
        spread=spread,
        repeatability=pooled([spread])[0],
        through=tuple(complex(*value) for value in kept["through"]),
        ranges=tuple(RangeGain(**{**entry, "gain": complex(*entry["gain"])}) for entry in kept["ranges"]),
    )


def _spread_from_dict(kept: Mapping[str, Any]) -> Spread:
    """The spread, or what an earlier version kept of it: s sqrt(1 + 1/n) of three records, less the noise."""
    if "spread" not in kept:
        variance = tuple(each**2 / (1 + 1 / 3) for each in kept["repeatability"])
        return Spread(records=3, variance=variance, noise=(0.0,) * len(variance))
    spread = kept["spread"]
    return Spread(records=spread["records"], variance=tuple(spread["variance"]), noise=tuple(spread["noise"]))
