"""A through setup: whether its leads are right, and the reference that its captures make.

At the drive level each input's reading stands for its source leg. A ladder of smaller levels, each captured
on two neighbouring ranges, ties every finer range's gain to that of the drive range.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np

from harness.arrays import Complex, Flags, Floats
from harness.errors import ReadingError
from harness.measure.budget import Sampled, effective_freedom, student_factor
from harness.measure.captures import FULLEST
from harness.measure.reference import (
    SAME_SETTING,
    InputOffset,
    RangeGain,
    RecordSpread,
    Reference,
    ToneReference,
    pooled,
)
from harness.measure.residuals import band_power
from harness.measure.tone import ToneFit
from harness.roles import Capture
from harness.units import dbu_from_vrms

LADDER_FILL = 0.75  # of the finer range, by the level that ties it to the next coarser
OTHER_LEG = 0.3  # of what its own leg should show: an input that sees this much of the other leg sees it
NOTHING = 0.03  # of what its own leg should show: less is none of it
FACTOR_DB = 1.5  # how near a wrong level is to a known factor to be named as that
LOAD_DB = 6.02  # a generator set for a load of 50 ohm, into none
PROBE_DB = 20.0
LEVEL_DB = 1.0  # beyond what a good scope and generator can be wrong
ALIKE_DB = 0.5  # inputs of a scope within its accuracy: common practice, no source
LARGEST_DC_V = 0.5
LEG_NAMES = ("hot", "cold")
OPPOSED = math.pi / 2  # of phase between two inputs of one leg: no lead and no range shifts it so far
LARGEST_MAINS_VRMS = 2e-3


@dataclass(frozen=True, kw_only=True, eq=False)
class Shot:
    """One capture of a through setup, its fit (hot tone first) and the e.m.f. set, V RMS per output."""

    capture: Capture
    fit: ToneFit
    emf_vrms: tuple[float, float]

    def range_of(self, number: int) -> float:
        """The setting that an input had, V per division."""
        return self.capture.setting.inputs[number].volts_per_division


@dataclass(frozen=True, kw_only=True)
class Rung:
    """One step of the ladder: a level, captured on the finer and on the coarser range of every input."""

    finer_v_per_division: float
    coarser_v_per_division: float
    peak_v: float


def ladder_rungs(
    drive_v_per_division: float, volts_per_division: Sequence[float], divisions: int, *, least_peak_v: float
) -> tuple[Rung, ...]:
    """Plan the ladder down from the drive range: each finer range, with the level that fills three quarters.

    least_peak_v: the generator's smallest amplitude per leg; ranges that it would overfill are left out.
    """
    settings = sorted(
        value for value in volts_per_division if value <= drive_v_per_division * (1 + SAME_SETTING)
    )
    rungs = []
    for finer, coarser in zip(reversed(settings[:-1]), reversed(settings[1:]), strict=True):
        peak_v = max(LADDER_FILL * divisions * finer / 2, least_peak_v)
        if 2 * peak_v <= (FULLEST + 0.1) * divisions * finer:
            rungs.append(Rung(finer_v_per_division=finer, coarser_v_per_division=coarser, peak_v=peak_v))
    return tuple(rungs)


def rungs_up(
    drive_v_per_division: float,
    coarsest_v_per_division: float,
    volts_per_division: Sequence[float],
    divisions: int,
    *,
    most_peak_v: float,
) -> tuple[Rung, ...]:
    """Plan the ladder up from the drive range, for ports with more on them than the generator's level.

    The level that fills three quarters of the finer range of each two, or the generator's largest, which is
    most_peak_v per leg.
    """
    settings = sorted(
        value
        for value in volts_per_division
        if drive_v_per_division * (1 - SAME_SETTING) <= value <= coarsest_v_per_division * (1 + SAME_SETTING)
    )
    return tuple(
        Rung(
            finer_v_per_division=finer,
            coarser_v_per_division=coarser,
            peak_v=min(LADDER_FILL * divisions * finer / 2, most_peak_v),
        )
        for finer, coarser in pairwise(settings)
    )


def tone_reference(
    drive: Sequence[Shot], ladder: Sequence[Shot], *, through_prediction: Complex, identity: str
) -> ToneReference:
    """Build the reference at one pair of tones.

    drive: captures at the drive level, one or more, all on the same ranges. ladder: captures at other levels;
    wherever two of one level have an input on two ranges, one of them already tied to the drive range, the
    other is tied by their ratio. through_prediction: (legs, 2), from the circuit of the through setup.
    identity: a name that no other reference has.

    A range changes an input's gain and hardly its delay: of the phase between two captures, whose instants
    are unknown, only what differs between the inputs of one leg is kept.
    Raises ReadingError if a source can't be seen, or the captures don't belong together.
    """
    first = drive[0]
    inputs = first.capture.inputs
    for shot in (*drive, *ladder):
        if shot.capture.inputs != inputs or shot.fit.frequencies_hz[:2] != first.fit.frequencies_hz[:2]:
            raise ReadingError("the captures of a through reference have different inputs or tones")
    for shot in drive:
        if shot.emf_vrms != first.emf_vrms or any(shot.range_of(n) != first.range_of(n) for n in inputs):
            raise ReadingError("the captures at the drive level have different levels or ranges")
    readings = np.stack([own_leg(shot.fit, inputs)[0] for shot in drive])
    noise = np.stack([own_leg(shot.fit, inputs)[1] for shot in drive])
    source = readings.mean(axis=0)
    standard = np.sqrt(np.sum(noise**2, axis=0)) / len(drive)
    spread = spread_of(np.abs(readings), noise)
    return ToneReference(
        identity=identity,
        frequencies_hz=(first.fit.frequencies_hz[0], first.fit.frequencies_hz[1]),
        emf_vrms=first.emf_vrms,
        clock=first.fit.clock,
        inputs=inputs,
        source=tuple(complex(value) for value in source),
        source_standard=tuple(float(value) for value in standard),
        spread=spread,
        repeatability=pooled([spread])[0],
        through=tuple(complex(through_prediction[row, row % 2]) for row in range(len(inputs))),
        ranges=_climb(first, ladder),
    )


def own_leg(fit: ToneFit, inputs: tuple[int, ...]) -> tuple[Complex, Floats]:
    """Each input's reading of its own leg, phases against the first input of that leg; and its standard.

    Raises ReadingError if an input does not see its source.
    """
    rows = np.arange(len(inputs))
    own, standard = fit.phasors[rows, rows % 2], fit.standard[rows, rows % 2]
    for row, number in enumerate(inputs):
        if not abs(own[row]) > 20 * standard[row]:
            raise ReadingError(f"input {number} does not see its source in the through setup")
    own = own * np.exp(-1j * np.angle(own[rows % 2]))
    if problems := [*_opposed(inputs, own)]:
        raise ReadingError("; ".join(problems))
    return own, standard


def _opposed(inputs: tuple[int, ...], own: Complex) -> Iterator[str]:
    """Say which inputs see their output in the opposite phase of the first input that sees it too."""
    for row, number in enumerate(inputs):
        first = row % 2
        if abs(np.angle(own[row] * own[first].conj())) > OPPOSED:
            yield (
                f"inputs {inputs[first]} and {number} see the {LEG_NAMES[first]} output in opposite phase: "
                "one of them inverts. Look at the invert setting of both in the oscilloscope's menu"
            )


def spread_of(levels: Floats, noise: Floats) -> RecordSpread:
    """How the levels of some records differ, and what their noise makes of that; all relative."""
    square = levels.mean(axis=0) ** 2
    records = len(levels)
    variance = np.var(levels, axis=0, ddof=1) if records > 1 else np.zeros(len(square))
    return RecordSpread(
        records=records,
        variance=tuple((variance / square).tolist()),
        noise=tuple((np.mean(noise**2, axis=0) / square).tolist()),
    )


def _climb(first: Shot, ladder: Sequence[Shot]) -> tuple[RangeGain, ...]:
    """Tie every range that the ladder reaches to the drive range, input by input."""
    inputs = first.capture.inputs
    known = {
        (number, first.range_of(number)): RangeGain(
            input=number, volts_per_division=first.range_of(number), gain=1 + 0j, standard=0.0
        )
        for number in inputs
    }
    read = [(shot, *own_leg(shot.fit, inputs)) for shot in (first, *ladder)]
    ties = [
        (shot, other, row, number)
        for shot, other in product(read, repeat=2)
        if shot[0].emf_vrms == other[0].emf_vrms
        for row, number in enumerate(inputs)
    ]
    before = 0
    while before < len(known):
        before = len(known)
        for (shot, own, standard), (other, other_own, other_standard), row, number in ties:
            tied = known.get((number, shot.range_of(number)))
            setting = other.range_of(number)
            if tied is None or (number, setting) in known:
                continue
            gain = tied.gain * complex(other_own[row] / own[row])
            relative = math.hypot(
                tied.standard / abs(tied.gain),
                standard[row] / abs(own[row]),
                other_standard[row] / abs(other_own[row]),
            )
            known[number, setting] = RangeGain(
                input=number,
                volts_per_division=setting,
                gain=gain,
                standard=abs(gain) * relative,
                rungs=tied.rungs + 1,
            )
    return tuple(sorted(known.values(), key=lambda entry: (entry.input, -entry.volts_per_division)))


def measure_offsets(silence: Sequence[tuple[Capture, ToneFit]]) -> tuple[InputOffset, ...]:
    """Read each input's own offset from captures with the outputs off; the first of a range counts."""
    result: dict[tuple[int, float], InputOffset] = {}
    for capture, fit in silence:
        for row, number in enumerate(capture.inputs):
            setting = capture.setting.inputs[number].volts_per_division
            result.setdefault(
                (number, setting),
                InputOffset(
                    input=number,
                    volts_per_division=setting,
                    offset_v=float(fit.offset_v[row]),
                    standard_v=float(fit.offset_standard_v[row]),
                ),
            )
    return tuple(result.values())


def through_problems(
    inputs: tuple[int, ...], fit: ToneFit, *, emf_vrms: tuple[float, float], through_prediction: Complex
) -> tuple[str, ...]:
    """Say which leads of a through setup are surely wrong, and how; empty where none is.

    fit: of tones hot, cold and then perhaps the mains (50 and 60 Hz), at a low level; emf_vrms as set.
    through_prediction: (legs, 2), from the circuit of the through setup. inputs: by leg, so that those of a
    setup with swapped inputs are 2, 1, 4, 3….
    Looks for: swapped leads, a lead on nothing, hot and cold joined, a probe's factor of 10, a generator
    set for a 50 ohm load, any other wrong level, an inverted input, DC, hum.
    """
    own, other, good = _legs_seen(fit, emf_vrms, through_prediction)
    rows = np.arange(len(inputs))
    return (
        *_leads(inputs, own, other),
        *_levels(inputs, own, good),
        *(_opposed(inputs, fit.phasors[rows, rows % 2]) if good.all() else ()),
        *_offsets_and_mains(inputs, fit),
    )


def _legs_seen(
    fit: ToneFit, emf_vrms: tuple[float, float], through_prediction: Complex
) -> tuple[Floats, Floats, Flags]:
    """What each input sees of its own leg and of the other, over what it should of its own; if it does."""
    rows = np.arange(len(fit.phasors))
    expected = np.abs(through_prediction[rows, rows % 2]) * np.asarray(emf_vrms)[rows % 2]
    own = np.abs(fit.phasors[rows, rows % 2]) / expected
    # Of a balancing transformer each leg's tone is on both, and only what is more than that is of a lead.
    led = np.abs(through_prediction[rows, 1 - rows % 2]) * np.asarray(emf_vrms)[1 - rows % 2]
    other = np.abs(np.abs(fit.phasors[rows, 1 - rows % 2]) - own * led) / expected
    return own, other, (own > NOTHING) & (other < OTHER_LEG * np.maximum(own, 0.1))


def common_factor(
    fit: ToneFit, *, emf_vrms: tuple[float, float], through_prediction: Complex
) -> float | None:
    """The factor by which all inputs show the right leg at another level than was set; None if there is none.

    A factor that differs between inputs is no fault of a scope's scaling, and 2 and 10 have other causes.
    """
    own, _, good = _legs_seen(fit, emf_vrms, through_prediction)
    level_db = 20 * np.log10(np.maximum(own, 1e-9))
    mean_db = float(level_db.mean())
    known = any(abs(abs(mean_db) - factor_db) < FACTOR_DB for factor_db in (LOAD_DB, PROBE_DB))
    if known or not good.all() or np.ptp(level_db) > ALIKE_DB or abs(mean_db) <= LEVEL_DB:
        return None
    return float(10 ** (mean_db / 20))


def _offsets_and_mains(inputs: tuple[int, ...], fit: ToneFit) -> Iterator[str]:
    """Say which inputs show more DC or mains than a right lead does."""
    for row, number in enumerate(inputs):
        if abs(fit.offset_v[row]) > LARGEST_DC_V:
            yield (
                f"input {number} shows {fit.offset_v[row]:.2g} V DC, more than {LARGEST_DC_V:g} V: "
                "something other than the generator is connected. Disconnect it before anything is driven"
            )
        mains = np.abs(fit.phasors[row, 2:])
        if mains.size and mains.max() > LARGEST_MAINS_VRMS:
            mains_hz = fit.frequencies_hz[2 + int(mains.argmax())]
            yield (
                f"input {number} shows {1e3 * mains.max():.2g} mV RMS at {mains_hz:g} Hz, "
                f"more than {1e3 * LARGEST_MAINS_VRMS:g} mV: its ground lead is off or open"
            )


def _leads(inputs: tuple[int, ...], own: Floats, other: Floats) -> Iterator[str]:
    """Say which inputs see the wrong output, none or both. own, other: over what the own leg should show."""
    swapped = (other > OTHER_LEG) & (own < NOTHING)
    joined = (other > OTHER_LEG) & (own >= NOTHING)
    # a generator at a wrong level or a probe's factor still shows a tenth: nothing is less than that
    nothing = (own < NOTHING) & (other < NOTHING)
    for row, number in enumerate(inputs):
        leg, wrong = LEG_NAMES[row % 2], LEG_NAMES[1 - row % 2]
        partner = row + 1 - 2 * (row % 2)
        if swapped[row] and swapped[partner]:
            if row % 2 == 0:
                first, second = sorted((number, inputs[partner]))
                found, seen = "swapped", ("cold", "hot")
                if number > inputs[partner]:  # which they should be
                    found, seen = "not swapped", ("hot", "cold")
                yield (
                    f"inputs {first} and {second} are {found}: {first} sees the {seen[0]} output and "
                    f"{second} the {seen[1]} one. Swap their leads"
                )
        elif swapped[row]:
            yield f"input {number} sees the {wrong} output and should see the {leg} one"
        elif joined[row]:
            yield f"input {number} sees both outputs: hot and cold are joined at its lead"
        elif nothing[row]:
            yield f"input {number} sees neither output: its lead is open, shorted or on nothing"


def _levels(inputs: tuple[int, ...], own: Floats, good: Flags) -> Iterator[str]:
    """Say which inputs, of those that see the right output, see it at a level that can't be."""
    level_db = 20 * np.log10(np.maximum(own, 1e-9))
    for k, leg in enumerate(LEG_NAMES):
        rows = [row for row in range(k, len(inputs), 2) if good[row]]
        doubled = [row for row in rows if abs(abs(level_db[row]) - LOAD_DB) < FACTOR_DB]
        if rows and len(doubled) == len(rows):
            yield (
                f"the {leg} output is {level_db[rows].mean():+.1f} dB from what is set: the generator's load "
                "setting is 50 ohm and not high impedance, or the reverse"
            )
            continue
        for row in rows:
            off = f"input {inputs[row]} shows the {leg} output {level_db[row]:+.1f} dB from what is set"
            if abs(abs(level_db[row]) - PROBE_DB) < FACTOR_DB:
                yield f"{off}: its probe's factor, 1x or 10x, is not the one in the bench file"
            elif abs(level_db[row]) > LEVEL_DB:
                yield f"{off}: its lead, its probe or its termination is wrong"


@dataclass(frozen=True, kw_only=True)
class ToneDrift:
    """The input whose level changed most at one tone and level, in dB, and the standard uncertainty of that.

    standard_db: enlarged for the few records behind it, so that twice it covers 95 %. legs_db: how much the
    ratio of the cold to the hot source changed, as the first pair sees it.
    """

    frequency_hz: float
    level_vrms: float
    input: int
    change_db: float
    standard_db: float
    legs_db: float


def drift(now: Reference, before: Reference) -> tuple[ToneDrift, ...]:
    """Compare two references tone by tone; tones and levels that only one of them has are left out."""
    pairs = (
        (tone, next((other for other in before.tones if _alike(other, tone)), None)) for tone in now.tones
    )
    return tuple(_drift(tone, other) for tone, other in pairs if other is not None)


def _alike(tone: ToneReference, other: ToneReference) -> bool:
    return (
        tone.inputs == other.inputs
        and np.allclose(tone.frequencies_hz, other.frequencies_hz, rtol=1e-9)
        and np.allclose(tone.emf_vrms, other.emf_vrms, rtol=1e-9)
    )


def _drift(tone: ToneReference, other: ToneReference) -> ToneDrift:
    changes = [
        20 * math.log10(abs(new) / abs(old)) for new, old in zip(tone.source, other.source, strict=True)
    ]
    worst = max(range(len(changes)), key=lambda row: abs(changes[row]))
    shares, sampled = [], []
    for index, reference in enumerate((tone, other)):
        shares.append(reference.source_standard[worst] / abs(reference.source[worst]))
        repeat = reference.repeatability
        shares.append(repeat.standard[worst] / math.sqrt(reference.spread.records))  # of their mean: 4.2.3
        sampled.append((Sampled(freedom=repeat.freedom[worst], series=f"reference {index}"), shares[-1]))
    relative = math.hypot(*shares)
    relative *= student_factor(2.0, effective_freedom(relative, sampled)) / 2
    return ToneDrift(
        frequency_hz=sum(tone.frequencies_hz) / 2,
        level_vrms=sum(tone.emf_vrms),
        input=tone.inputs[worst],
        change_db=changes[worst],
        standard_db=20 / math.log(10) * relative,
        legs_db=20 * math.log10(tone.cold_over_hot() / other.cold_over_hot()),
    )


@dataclass(frozen=True, kw_only=True)
class NoiseDrift:
    """A pair's own noise from 20 Hz to 20 kHz, how its level changed, the standard uncertainty of that."""

    inputs: tuple[int, int]
    now_dbu: float
    change_db: float
    standard_db: float


@dataclass(frozen=True, kw_only=True)
class HarmonicDrift:
    """A tone's harmonics in a pair, all of them as a fraction of it, and how much as phasors they changed.

    standard: of the change, by the noise of both records.
    """

    frequency_hz: float
    level_vrms: float
    inputs: tuple[int, int]
    now: float
    change: float
    standard: float


def noise_drift(now: Reference, before: Reference) -> tuple[NoiseDrift, ...]:
    """Compare the bench's own noise pair by pair, on the first range that both have it on."""
    result: dict[tuple[int, int], NoiseDrift] = {}
    for own in now.residuals.noise:
        for hot in range(0, len(own.inputs), 2):
            pair, ranges = (own.inputs[hot], own.inputs[hot + 1]), own.volts_per_division[hot : hot + 2]
            other = before.residuals.own_noise(pair, ranges)
            if pair in result or other is None or not own.serves(pair, ranges):
                continue
            rows = [other.inputs.index(number) for number in pair]
            new = band_power(own.volts[hot : hot + 2], own.interval_s)
            old = band_power(other.volts[rows], other.interval_s)
            if min(new.mean_square_v2, old.mean_square_v2) <= 0:
                continue  # a record of one code has no noise, and nothing has a level over that
            spread = math.hypot(new.standard_v2 / new.mean_square_v2, old.standard_v2 / old.mean_square_v2)
            result[pair] = NoiseDrift(
                inputs=pair,
                now_dbu=dbu_from_vrms(math.sqrt(new.mean_square_v2)),
                change_db=10 * math.log10(new.mean_square_v2 / old.mean_square_v2),
                standard_db=10 / math.log(10) * spread,
            )
    return tuple(result.values())


def harmonic_drift(now: Reference, before: Reference) -> tuple[HarmonicDrift, ...]:
    """Compare the harmonics of each tone and pair that both references have."""
    result = []
    for (hz, volts, pair), found in now.residuals.harmonics.items():
        earlier = before.residuals.harmonics.get((hz, volts, pair))
        if not found or not earlier or earlier[0].orders != found[0].orders:
            continue
        new, old = found[0], earlier[0]
        result.append(
            HarmonicDrift(
                frequency_hz=hz,
                level_vrms=volts,
                inputs=(2 * pair + 1, 2 * pair + 2),
                now=float(np.linalg.norm(new.relative)),
                change=float(np.linalg.norm(new.relative - old.relative)),
                standard=float(np.sqrt(2 * np.sum(new.standard**2 + old.standard**2))),
            )
        )
    return tuple(result)
