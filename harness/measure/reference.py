"""The through reference: what the bench itself adds, as it is kept and looked up.

In a through setup the hot output feeds every hot input (first, third, …), the cold output every cold one.
What the inputs read there stands for the source legs in every later reading, and relates each input's ranges
to one another. `through` makes a reference.

With it is kept what the bench shows by itself in the through setup: noise, and the harmonics of each tone. A
unit's noise and distortion are what is left when this is taken off.
"""

import base64
import math
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.clock import Clock
from harness.measure.residuals import BandPower, Harmonics, measure_harmonics
from harness.measure.tones import Stimulus
from harness.roles import Capture, CaptureSetting, InputSetting

Key = tuple[float, float, int]  # Hz asked for, V RMS, the pair's place in the view


@dataclass(frozen=True, kw_only=True, eq=False)
class BenchResiduals:
    """noise: a record of all inputs with the inputs terminated, None where there is none."""

    noise: Capture | None = None
    harmonics: Mapping[Key, Harmonics] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, strings, lists and dicts, for the records; samples as compressed 32-bit floats."""
        return {
            "noise": None if self.noise is None else _capture_to_dict(self.noise),
            "harmonics": [
                {"tone": list(key), **_harmonics_to_dict(result)} for key, result in self.harmonics.items()
            ],
        }

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any]) -> "BenchResiduals":
        """Read back what `to_dict` gave."""
        return cls(
            noise=None if kept["noise"] is None else _capture_from_dict(kept["noise"]),
            harmonics={
                (float(one["tone"][0]), float(one["tone"][1]), int(one["tone"][2])): _harmonics_from_dict(one)
                for one in kept["harmonics"]
            },
        )


NO_RESIDUALS = BenchResiduals()


def harmonics_of(capture: Capture, rows: tuple[int, int], stimulus: Stimulus) -> Harmonics:
    """The tone and its harmonics in a pair's record."""
    return measure_harmonics(
        capture.volts[list(rows)],
        capture.interval_s,
        stimulus.tones.hot_hz,
        step_v=(capture.step_v[rows[0]], capture.step_v[rows[1]]),
    )


def _capture_to_dict(capture: Capture) -> dict[str, Any]:
    samples = np.ascontiguousarray(capture.volts, dtype="<f4").tobytes()
    return {
        "inputs": list(capture.inputs),
        "samples": base64.b64encode(zlib.compress(samples)).decode("ascii"),
        "interval_s": capture.interval_s,
        "full_scale_v": list(capture.full_scale_v),
        "step_v": list(capture.step_v),
        "clipped": list(capture.clipped),
        "volts_per_division": [capture.setting.inputs[n].volts_per_division for n in capture.inputs],
    }


def _capture_from_dict(kept: Mapping[str, Any]) -> Capture:
    samples = zlib.decompress(base64.b64decode(kept["samples"]))
    volts = np.frombuffer(samples, dtype="<f4").astype(np.float64).reshape(len(kept["inputs"]), -1)
    ranges = zip(kept["inputs"], kept["volts_per_division"], strict=True)
    return Capture(
        inputs=tuple(kept["inputs"]),
        volts=volts,
        interval_s=kept["interval_s"],
        full_scale_v=tuple(kept["full_scale_v"]),
        step_v=tuple(kept["step_v"]),
        clipped=tuple(kept["clipped"]),
        setting=CaptureSetting(
            inputs={number: InputSetting(volts_per_division=volts) for number, volts in ranges},
            duration_s=volts.shape[1] * kept["interval_s"],
            samples=volts.shape[1],
        ),
    )


def _harmonics_to_dict(result: Harmonics) -> dict[str, Any]:
    return {
        **vars(result),
        "orders": list(result.orders),
        "relative": [[float(value.real), float(value.imag)] for value in result.relative],
        "standard": [float(value) for value in result.standard],
        "rest": dict(vars(result.rest)),
    }


def _harmonics_from_dict(kept: Mapping[str, Any]) -> Harmonics:
    return Harmonics(
        frequency_hz=kept["frequency_hz"],
        fundamental_vrms=kept["fundamental_vrms"],
        fundamental_standard_vrms=kept["fundamental_standard_vrms"],
        orders=tuple(kept["orders"]),
        relative=np.array([complex(*value) for value in kept["relative"]], dtype=np.complex128),
        standard=np.array(kept["standard"], dtype=np.float64),
        rest=BandPower(**kept["rest"]),
    )


Floats = NDArray[np.float64]

STRAGGLER = 0.05  # how often one of series that are alike is taken for unlike: ISO 5725-2, 7.3.2
LEAST = 1e-300  # a variance that is none


@dataclass(frozen=True, kw_only=True)
class Spread:
    """How a few records of one tone differed, input by input, all relative to the mean level.

    records: their number. variance: experimental, of the levels. noise: the variance that noise alone gives
    one record.
    """

    records: int
    variance: tuple[float, ...]
    noise: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Repeatability:
    """Relative standard deviation of one record beyond its noise, by input; its degrees of freedom."""

    standard: tuple[float, ...]
    freedom: tuple[float, ...]


def pooled(spreads: Sequence[Spread]) -> tuple[Repeatability, ...]:
    """Repeatability at each tone, from the series of all tones together (JCGM 100:2008, 4.2.4).

    Each input has its own, as one may have a worse lead than another; of one input the tones are alike.
    Where one tone clearly differs (Cochran's test), it has its own and the others theirs.
    """
    apart: dict[int, Repeatability] = {}
    alike = [place for place, spread in enumerate(spreads) if spread.records > 1]
    while (odd := _odd_one([spreads[place] for place in alike])) is not None:
        place = alike.pop(odd)
        apart[place] = _of([spreads[place]])
    together = _of([spreads[place] for place in alike]) if alike else None
    return tuple(
        apart.get(place) or together or Repeatability(standard=(0.0,) * inputs, freedom=(math.inf,) * inputs)
        for place, inputs in ((place, len(spread.variance)) for place, spread in enumerate(spreads))
    )


def _of(spreads: Sequence[Spread]) -> Repeatability:
    """The pooled variance less that of the noise, and how sure it is.

    Series of different expectation, and a difference of variances, have fewer degrees of freedom than are in
    them: both by Satterthwaite's approximation (JCGM 100:2008, G.4.1).
    """
    freedom = np.array([spread.records - 1 for spread in spreads])[:, None]
    noise = np.array([spread.noise for spread in spreads])
    variance = _mean(np.array([spread.variance for spread in spreads]), freedom)
    beyond = np.maximum(variance - _mean(noise, freedom), 0.0)
    expected = noise + beyond
    with np.errstate(divide="ignore", invalid="ignore"):
        degrees = np.sum(freedom * expected, axis=0) ** 2 / np.sum(freedom * expected**2, axis=0)
        degrees = np.where(beyond > 0, degrees * (beyond / variance) ** 2, math.inf)
    return Repeatability(
        standard=tuple(np.sqrt(beyond).tolist()),
        freedom=tuple(degrees.tolist()),
    )


def _odd_one(spreads: Sequence[Spread]) -> int | None:
    """The series that scatters more than one of so many alike ever would; by all its inputs together.

    Cochran's test (ISO 5725-2, 7.3.3), of variances over what noise and the common repeatability make
    expected: the largest, over their sum. Inputs that move together say no more than one does.
    """
    if len(spreads) < 2:
        return None
    common = np.square(_of(spreads).standard)
    ratios = [
        float(np.mean(np.array(spread.variance) / (np.array(spread.noise) + common + LEAST)))
        for spread in spreads
    ]
    largest = int(np.argmax(ratios))
    share = ratios[largest] / (sum(ratios) + LEAST)
    half = (min(spread.records for spread in spreads) - 1) / 2
    chance = len(spreads) * beta_tail(share, half, half * (len(spreads) - 1))
    return largest if chance < STRAGGLER else None


def beta_tail(least: float, a: float, b: float) -> float:
    """Chance that a share of a sum, beta distributed, is at least this large.

    The share of one of n independent variances of ν degrees of freedom: a = ν/2 and b = ν(n - 1)/2.
    """
    from scipy.special import betaincc

    return float(betaincc(a, b, least))


def _mean(values: Floats, weights: NDArray[np.int_]) -> Floats:
    return np.asarray(np.sum(weights * values, axis=0) / np.sum(weights))


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
    through: what the circuit predicts each input to see in the through setup, per volt of e.m.f.
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
        """Volts per division that an input had in the through setup; 0 where no range is kept of it."""
        own = (
            entry for entry in self.ranges if entry.input == number and entry.gain == 1 and not entry.standard
        )
        return next((entry.volts_per_division for entry in own), 0.0)

    def check_serves(self, inputs: tuple[int, ...], frequencies_hz: Sequence[float]) -> None:
        """Raise ReadingError unless this reference was taken of these inputs at these tones.

        The two inputs of a pair may be swapped.
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
    residuals: BenchResiduals = field(default=NO_RESIDUALS, compare=False)

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
            "bare": self.residuals.to_dict(),
        }

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any]) -> "Reference":
        """Read back what `to_dict` gave."""
        return cls(
            taken_s=kept["taken_s"],
            instruments=tuple(kept["instruments"]),
            tones=with_common_spread([_tone_from_dict(tone) for tone in kept["tones"]]),
            offsets=tuple(Offset(**offset) for offset in kept["offsets"]),
            residuals=BenchResiduals.from_dict(kept["bare"]) if "bare" in kept else NO_RESIDUALS,
        )


def with_common_spread(tones: Sequence[ToneReference]) -> tuple[ToneReference, ...]:
    """Let every tone have the repeatability that the records of all of them show."""
    result = pooled([tone.spread for tone in tones])
    return tuple(replace(tone, repeatability=one) for tone, one in zip(tones, result, strict=True))


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
