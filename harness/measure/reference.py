"""The through reference: what the bench itself adds, as it is recorded and looked up.

In a through setup the hot output feeds every hot input (first, third, …), the cold output every cold one.
What the inputs read there stands for the source legs in every later reading, and relates each input's ranges
to one another. With the inputs of every pair swapped, each input reads the output that its partner read: both
setups together have the ratio of the two inputs' gains. `through` makes a reference, `swapped_through` adds
what is read with swapped inputs.

What the bench shows by itself in the through setup is recorded with it: noise, and the harmonics of each
tone. A unit's noise and distortion are what is left when this is taken off.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, is_dataclass, replace
from typing import Any

import numpy as np

from harness.errors import ReadingError
from harness.measure.clock import ClockRatio
from harness.measure.own_noise import OwnNoise
from harness.measure.residuals import BandPower, Harmonics, measure_harmonics
from harness.measure.tones import Stimulus
from harness.roles import Capture

Key = tuple[float, float, int]  # Hz asked for, V RMS, the pair's index in the view


@dataclass(frozen=True, kw_only=True, eq=False)
class BenchResiduals:
    """noise: records of all inputs with the inputs terminated, each on another range. harmonics: of each
    tone, one or more, each on other ranges; the first at the tone's own level.
    """

    noise: tuple[OwnNoise, ...] = ()
    harmonics: Mapping[Key, tuple[Harmonics, ...]] = field(default_factory=dict)

    def own_noise(self, numbers: Sequence[int], volts_per_division: Sequence[float]) -> OwnNoise | None:
        """The record that has these inputs on these ranges; None if there is none."""
        return next((own for own in self.noise if own.serves(numbers, volts_per_division)), None)


NO_RESIDUALS = BenchResiduals()


def harmonics_of(capture: Capture, rows: tuple[int, int], stimulus: Stimulus) -> Harmonics:
    """The tone and its harmonics in a pair's record."""
    result = measure_harmonics(
        capture.volts[list(rows)],
        capture.interval_s,
        stimulus.tones.hot_hz,
        step_v=(capture.step_v[rows[0]], capture.step_v[rows[1]]),
    )
    ranges = tuple(capture.setting.inputs[capture.inputs[row]].volts_per_division for row in rows)
    return replace(result, volts_per_division=ranges)


def _plain(value: Any) -> Any:
    """A value's numbers, strings, lists and dicts; complex numbers as [re, im]."""
    match value:
        case complex():
            return [value.real, value.imag]
        case np.ndarray():
            return _plain(value.tolist())
        case tuple() | list():
            return [_plain(item) for item in value]
        case _ if is_dataclass(value):
            return {name: _plain(item) for name, item in vars(value).items()}
        case _:
            return value


def _harmonics_from_dict(stored: Mapping[str, Any]) -> Harmonics:
    values = {name: value for name, value in stored.items() if name != "tone"} | {
        "orders": tuple(stored["orders"]),
        "relative": np.array([complex(*value) for value in stored["relative"]], dtype=np.complex128),
        "standard": np.array(stored["standard"], dtype=np.float64),
        "rest": BandPower(**stored["rest"]),
        "volts_per_division": tuple(stored.get("volts_per_division", ())),
    }
    return Harmonics(**values)


STRAGGLER = 0.05  # how often one of series that are alike is taken for unlike: ISO 5725-2, 7.3.2
LEAST = 1e-300  # a variance that is none


@dataclass(frozen=True, kw_only=True)
class RecordSpread:
    """How a few records of one tone differed, input by input, all relative to the mean level.

    records: their number. variance: experimental, of the levels. noise: the variance of one record
    by noise alone.
    """

    records: int
    variance: tuple[float, ...]
    noise: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Repeatability:
    """Relative standard deviation of one record beyond its noise, by input; its degrees of freedom."""

    standard: tuple[float, ...]
    freedom: tuple[float, ...]


def pooled(spreads: Sequence[RecordSpread]) -> tuple[Repeatability, ...]:
    """Repeatability at each tone, from the series of all tones together (JCGM 100:2008, 4.2.4).

    Each input has its own, as one may have a worse lead than another; of one input the tones are alike.
    Where one tone clearly differs (Cochran's test), it has its own and the others theirs.
    """
    apart: dict[int, Repeatability] = {}
    alike = [index for index, spread in enumerate(spreads) if spread.records > 1]
    while (outlier := _outlier([spreads[index] for index in alike])) is not None:
        index = alike.pop(outlier)
        apart[index] = _of([spreads[index]])
    together = _of([spreads[index] for index in alike]) if alike else None
    return tuple(
        apart.get(index) or together or Repeatability(standard=(0.0,) * inputs, freedom=(math.inf,) * inputs)
        for index, inputs in enumerate(len(spread.variance) for spread in spreads)
    )


def _of(spreads: Sequence[RecordSpread]) -> Repeatability:
    """The pooled variance less that of the noise, and how sure it is.

    Series of different expectation, and a difference of variances, have fewer degrees of freedom than are in
    them: both by Satterthwaite's approximation (JCGM 100:2008, G.4.1).
    """
    freedom = np.array([spread.records - 1 for spread in spreads])
    noise = np.array([spread.noise for spread in spreads])
    variance = np.average([spread.variance for spread in spreads], axis=0, weights=freedom)
    beyond = np.maximum(variance - np.average(noise, axis=0, weights=freedom), 0.0)
    expected = noise + beyond
    with np.errstate(divide="ignore", invalid="ignore"):
        degrees = (freedom @ expected) ** 2 / (freedom @ expected**2)
        degrees = np.where(beyond > 0, degrees * (beyond / variance) ** 2, math.inf)
    return Repeatability(standard=tuple(np.sqrt(beyond).tolist()), freedom=tuple(degrees.tolist()))


def _outlier(spreads: Sequence[RecordSpread]) -> int | None:
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
class InputOffset:
    """What one input reads on one range with nothing on it."""

    input: int
    volts_per_division: float
    offset_v: float
    standard_v: float


@dataclass(frozen=True, kw_only=True)
class SwappedReadings:
    """What the inputs read in the through setup with swapped inputs, each of the output that its partner
    reads else, on the drive ranges; tuples as in the `ToneReference` that it belongs to.

    source: magnitude, V RMS. The rest as there.
    """

    source: tuple[float, ...]
    source_standard: tuple[float, ...]
    spread: RecordSpread
    repeatability: Repeatability


@dataclass(frozen=True, kw_only=True)
class ToneReference:
    """The reference at one pair of tones and one drive level. Tuples follow `inputs`: hot, cold, hot, cold…

    source: V RMS that each input read of its own leg on its drive range; the first input of each leg has
    phase 0. source_standard: of its real and imaginary part, by noise. spread: of the records whose mean
    `source` is. repeatability: of any record, from these and those of other tones (`with_common_spread`).
    through: what the circuit predicts each input to see in the through setup, per volt of e.m.f.
    ranges: drive ranges included, with gain 1. swapped: None if no through setup has swapped inputs.
    """

    identity: str
    frequencies_hz: tuple[float, float]
    emf_vrms: tuple[float, float]
    clock: ClockRatio
    inputs: tuple[int, ...]
    source: tuple[complex, ...]
    source_standard: tuple[float, ...]
    spread: RecordSpread
    repeatability: Repeatability
    through: tuple[complex, ...]
    ranges: tuple[RangeGain, ...]
    swapped: SwappedReadings | None = None

    def range_gain(self, number: int, volts_per_division: float) -> RangeGain | None:
        """Find an input's gain on a range over that on its drive range, if the ladder reached it."""
        return next((gain for gain in self.ranges if _is_of(gain, number, volts_per_division)), None)

    def drive_range(self, number: int) -> float:
        """Volts per division that an input had in the through setup; 0 if no range of it is recorded."""
        own = (gain for gain in self.ranges if gain.input == number and gain.gain == 1 and not gain.standard)
        return next((gain.volts_per_division for gain in own), 0.0)

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

    def ratio_of(self, hot: int) -> float | None:
        """Gain of a pair's cold input over that of its hot one, `hot` in `inputs`, on the drive ranges.

        None if it is not known. Each input has read each output, so the ratio is had twice; in the geometric
        mean of both, what a level of the generator did between the two setups cancels if both did it.
        """
        if self.swapped is None:
            return None
        (own_hot, own_cold), (hot_swapped, cold_swapped) = (
            map(abs, values[hot : hot + 2]) for values in (self.source, self.swapped.source)
        )
        return math.sqrt(cold_swapped / own_hot * own_cold / hot_swapped)

    def cold_over_hot(self) -> float:
        """Magnitude that the first pair reads of the cold output over the hot."""
        return abs(self.source[1] / self.source[0])


@dataclass(frozen=True, kw_only=True)
class Reference:
    """A whole through reference: one per pair of tones and level, the inputs' offsets, the bench's residuals.

    taken_s: POSIX time. instruments: identities of generator and scope; another bench's reference is no good.
    residuals: the bench's own noise and harmonics, as far as they were wanted.
    """

    taken_s: float
    instruments: tuple[str, ...]
    tones: tuple[ToneReference, ...]
    offsets: tuple[InputOffset, ...]
    residuals: BenchResiduals = field(default=NO_RESIDUALS, compare=False)

    def at(self, frequencies_hz: Sequence[float], emf_vrms: Sequence[float]) -> ToneReference | None:
        """Find the reference of these tones, the one nearest in level; None if it has none."""
        tones = [tone for tone in self.tones if np.allclose(tone.frequencies_hz, frequencies_hz, rtol=1e-9)]
        return min(tones, key=lambda tone: abs(math.log(tone.emf_vrms[0] / emf_vrms[0])), default=None)

    def offset(self, number: int, volts_per_division: float) -> InputOffset | None:
        """Find an input's own offset on a range."""
        return next((offset for offset in self.offsets if _is_of(offset, number, volts_per_division)), None)

    def serves(self, now_s: float, instruments: tuple[str, ...]) -> bool:
        """Whether it is of these instruments and still fresh."""
        return instruments == self.instruments and 0 <= now_s - self.taken_s <= LIFE_S

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, strings, lists and dicts, complex numbers as [re, im]: what is recorded."""
        tones = [_without_repeatability(_plain(tone)) for tone in self.tones]
        return {
            "taken_s": self.taken_s,
            "instruments": list(self.instruments),
            "tones": tones,
            "offsets": _plain(self.offsets),
            "bare": {
                "noise": [own.to_dict() for own in self.residuals.noise],
                "harmonics": [
                    {"tone": list(key), **_plain(result)}
                    for key, results in self.residuals.harmonics.items()
                    for result in results
                ],
            },
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> "Reference":
        """Read back what `to_dict` returned."""
        bare = stored.get("bare", {"noise": None, "harmonics": ()})
        kept = bare["noise"] or ()
        noise = tuple(OwnNoise.from_dict(own) for own in ((kept,) if isinstance(kept, dict) else kept))
        harmonics: dict[Key, tuple[Harmonics, ...]] = {}
        for result in bare["harmonics"]:
            hz, level_vrms, pair = result["tone"]
            key = (hz, level_vrms, pair)
            harmonics[key] = (*harmonics.get(key, ()), _harmonics_from_dict(result))
        return cls(
            taken_s=stored["taken_s"],
            instruments=tuple(stored["instruments"]),
            tones=with_common_spread([_tone_from_dict(tone) for tone in stored["tones"]]),
            offsets=tuple(InputOffset(**offset) for offset in stored["offsets"]),
            residuals=BenchResiduals(noise=noise, harmonics=harmonics),
        )


def with_common_spread(tones: Sequence[ToneReference]) -> tuple[ToneReference, ...]:
    """Let every tone have the repeatability that the records of all of them show, swapped ones too.

    A swapped tone of a single record shows none by itself: it has that of its own tone.
    """
    swapped = {n: tone.swapped.spread for n, tone in enumerate(tones) if tone.swapped is not None}
    several = {n: spread for n, spread in swapped.items() if spread.records > 1}
    found = pooled([*(tone.spread for tone in tones), *several.values()])
    of_swapped = dict(zip(several, found[len(tones) :], strict=True))
    return tuple(
        replace(
            tone,
            repeatability=repeatability,
            swapped=tone.swapped and replace(tone.swapped, repeatability=of_swapped.get(n, repeatability)),
        )
        for n, (tone, repeatability) in enumerate(zip(tones, found, strict=False))
    )


def _without_repeatability(stored: dict[str, Any]) -> dict[str, Any]:
    """It follows from the spreads, and is not recorded."""
    return {
        name: _without_repeatability(value) if name == "swapped" and value else value
        for name, value in stored.items()
        if name != "repeatability"
    }


def _is_of(entry: RangeGain | InputOffset, number: int, volts_per_division: float) -> bool:
    on_range = math.isclose(entry.volts_per_division, volts_per_division, rel_tol=SAME_SETTING)
    return entry.input == number and on_range


def _tone_from_dict(stored: Mapping[str, Any]) -> ToneReference:
    spread = _spread_from_dict(stored)
    plain = ("frequencies_hz", "emf_vrms", "inputs", "source_standard")
    values: dict[str, Any] = {name: tuple(stored[name]) for name in plain}
    values |= {name: tuple(complex(*value) for value in stored[name]) for name in ("source", "through")}
    return ToneReference(
        identity=stored["identity"],
        clock=ClockRatio(**stored["clock"]),
        spread=spread,
        repeatability=pooled([spread])[0],
        ranges=tuple(RangeGain(**{**entry, "gain": complex(*entry["gain"])}) for entry in stored["ranges"]),
        swapped=_swapped_from_dict(stored.get("swapped")),
        **values,
    )


def _swapped_from_dict(stored: Mapping[str, Any] | None) -> SwappedReadings | None:
    if stored is None:
        return None
    spread = _spread_from_dict(stored)
    return SwappedReadings(
        source=tuple(stored["source"]),
        source_standard=tuple(stored["source_standard"]),
        spread=spread,
        repeatability=pooled([spread])[0],
    )


def _spread_from_dict(stored: Mapping[str, Any]) -> RecordSpread:
    """The spread, or what an earlier version recorded of it: s sqrt(1 + 1/n) of three records, less noise."""
    if "spread" not in stored:
        variance = tuple(standard**2 / (1 + 1 / 3) for standard in stored["repeatability"])
        return RecordSpread(records=3, variance=variance, noise=(0.0,) * len(variance))
    spread = stored["spread"]
    variance, noise = tuple(spread["variance"]), tuple(spread["noise"])
    return RecordSpread(records=spread["records"], variance=variance, noise=noise)
