"""How far a bench has drifted between two through references."""

import math
from dataclasses import dataclass

import numpy as np

from harness.measure.reference import Reference, ToneReference


@dataclass(frozen=True, kw_only=True)
class ToneDrift:
    """The input whose level changed most at one tone and level, in dB, and the standard uncertainty of that.

    legs_db: how much the ratio of the cold to the hot source changed, as the first pair sees it.
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
    relative = math.hypot(
        *(
            math.hypot(each.source_standard[worst] / abs(each.source[worst]), each.repeatability[worst])
            for each in (tone, other)
        )
    )
    return ToneDrift(
        frequency_hz=sum(tone.frequencies_hz) / 2,
        level_vrms=sum(tone.emf_vrms),
        input=tone.inputs[worst],
        change_db=changes[worst],
        standard_db=20 / math.log(10) * relative,
        legs_db=20 * math.log10(tone.cold_over_hot() / other.cold_over_hot()),
    )
