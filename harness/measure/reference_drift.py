"""How far a bench has drifted between two through references."""

import math
from dataclasses import dataclass

import numpy as np

from harness.measure.budget import Sampled, effective_freedom, student_factor
from harness.measure.noise import band_power
from harness.measure.reference import Reference, ToneReference
from harness.units import dbu_from_vrms


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
    found = []
    for tone in now.tones:
        other = next((each for each in before.tones if _is_same(each, tone)), None)
        if other is not None:
            found.append(_drift(tone, other))
    return tuple(found)


def _is_same(one: ToneReference, other: ToneReference) -> bool:
    return (
        one.inputs == other.inputs
        and np.allclose(one.frequencies_hz, other.frequencies_hz, rtol=1e-9)
        and np.allclose(one.emf_vrms, other.emf_vrms, rtol=1e-9)
    )


def _drift(tone: ToneReference, other: ToneReference) -> ToneDrift:
    changes = [
        20 * math.log10(abs(new) / abs(old)) for new, old in zip(tone.source, other.source, strict=True)
    ]
    worst = max(range(len(changes)), key=lambda row: abs(changes[row]))
    shares, sampled = [], []
    for place, each in enumerate((tone, other)):
        shares.append(each.source_standard[worst] / abs(each.source[worst]))
        repeat = each.repeatability
        shares.append(repeat.standard[worst] / math.sqrt(each.spread.records))  # of their mean: 4.2.3
        sampled.append((Sampled(freedom=repeat.freedom[worst], series=f"reference {place}"), shares[-1]))
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
    """Compare the bench's own noise pair by pair; on other ranges than before it is another noise."""
    one, other = now.bare.noise, before.bare.noise
    if one is None or other is None or one.inputs != other.inputs or one.step_v != other.step_v:
        return ()
    found = []
    for hot in range(0, len(one.inputs), 2):
        new, old = (band_power(each.volts[hot : hot + 2], each.interval_s) for each in (one, other))
        if min(new.mean_square_v2, old.mean_square_v2) <= 0:
            continue  # a record of one code has no noise, and nothing has a level over that
        spread = math.hypot(new.standard_v2 / new.mean_square_v2, old.standard_v2 / old.mean_square_v2)
        found.append(
            NoiseDrift(
                inputs=(one.inputs[hot], one.inputs[hot + 1]),
                now_dbu=dbu_from_vrms(math.sqrt(new.mean_square_v2)),
                change_db=10 * math.log10(new.mean_square_v2 / old.mean_square_v2),
                standard_db=10 / math.log(10) * spread,
            )
        )
    return tuple(found)


def harmonic_drift(now: Reference, before: Reference) -> tuple[HarmonicDrift, ...]:
    """Compare the harmonics of each tone and pair that both references have."""
    found = []
    for (hz, volts, pair), one in now.bare.harmonics.items():
        other = before.bare.harmonics.get((hz, volts, pair))
        if other is None or other.orders != one.orders:
            continue
        change = np.linalg.norm(one.relative - other.relative)
        found.append(
            HarmonicDrift(
                frequency_hz=hz,
                level_vrms=volts,
                inputs=(2 * pair + 1, 2 * pair + 2),
                now=float(np.linalg.norm(one.relative)),
                change=float(change),
                standard=float(np.sqrt(2 * np.sum(one.standard**2 + other.standard**2))),
            )
        )
    return tuple(found)
