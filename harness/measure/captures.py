"""Whether a capture can be believed, and which range suits the next one."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import sqrt
from typing import Literal

import numpy as np

from harness.measure.tone import ToneFit
from harness.roles import Capture

FEWEST_CYCLES = 4.0
LEAST_FILL = 0.25
DETECTION = 3.5  # times the standard uncertainty; noise alone exceeds it twice in a thousand tones
SMALL = 0.03  # of the tone: lines under that do it no harm
AUDIBLE = 0.5  # of the noise: lines under that are no signal, however small the tone is

WITHIN_A_LINE = 1.5  # lines of the spectrum: the strongest line of a harmonic lies at most so far from it

Kind = Literal["clipped", "underfilled", "too_few_cycles", "no_tone", "hum", "foreign"]


@dataclass(frozen=True, kw_only=True)
class Problem:
    """Something that a capture's numbers can't be trusted for.

    refuses: no reading may be made of this input in the capture. The others are for the caller to weigh: an
    underfilled input is ranged again unless it is at its most sensitive; a tone not found is right for a
    silent port, whose readings are floors; hum stays out of the tones.
    """

    kind: Kind
    input: int | None  # None: the whole capture
    sentence: str
    refuses: bool


def examine(capture: Capture, fit: ToneFit, *, of_harmonics: bool = False) -> Iterator[Problem]:
    """Everything wrong with a capture. `fit` is the fit of that capture.

    of_harmonics: readings of the tone's harmonics are made of it, so that these are no other signal.
    """
    fewest, wanted_s = min(fit.cycles), capture.setting.duration_s
    if fewest < FEWEST_CYCLES or fit.duration_s < 0.95 * wanted_s:
        length = f"{fewest:.2g} cycles in {fit.duration_s:.3g} s, of the {wanted_s:.3g} s asked for"
        yield Problem(kind="too_few_cycles", input=None, sentence=f"the record holds {length}", refuses=True)
    for row, number in enumerate(capture.inputs):
        range_v = f"{capture.full_scale_v[row]:.3g} V range"
        fill = float(np.ptp(capture.volts[row])) / capture.full_scale_v[row]
        if capture.clipped[row] > 0:
            sentence = f"input {number} clips: {capture.clipped[row]} samples are at the end of the {range_v}"
            yield Problem(kind="clipped", input=number, sentence=sentence, refuses=True)
        elif fill < LEAST_FILL:
            sentence = f"input {number} fills {100 * fill:.0f} % of its {range_v}"
            yield Problem(kind="underfilled", input=number, sentence=sentence, refuses=False)
        yield from _spectrum(fit, row, number, of_harmonics)


def _spectrum(fit: ToneFit, row: int, number: int, of_harmonics: bool) -> Iterator[Problem]:
    """Find a missing tone, and anything besides the tones."""
    levels, floors = np.abs(fit.phasors[row]), DETECTION * fit.standard[row]
    missing = bool((levels <= floors).all())
    if missing:
        sentence = f"input {number} shows no tone: it is below {float(floors.max()):.2g} V RMS"
        yield Problem(kind="no_tone", input=number, sentence=sentence, refuses=False)
    strongest = float(levels.max())
    # A tone that hardly stands above its floor is no measure: one line in a million is the noise's own.
    harmless = max(AUDIBLE * float(fit.quiet_v[row]), 0.0 if missing else SMALL * strongest)
    besides = f"besides {strongest:.2g} V of tone"
    if fit.hum_v[row] > harmless:
        sentence = f"input {number} shows {fit.hum_v[row]:.2g} V RMS of mains hum {besides}"
        yield Problem(kind="hum", input=number, sentence=sentence, refuses=False)
    line_hz, tone_hz = float(fit.line_hz[row]), fit.frequencies_hz[0]
    near = abs(math.remainder(line_hz, tone_hz)) * fit.duration_s < WITHIN_A_LINE
    harmonic = of_harmonics and near and round(line_hz / tone_hz) >= 2
    if fit.lines_v[row] > harmless and not harmonic:
        sentence = (
            f"input {number} shows {fit.lines_v[row]:.2g} V RMS {besides}, most at "
            f"{fit.line_hz[row]:.6g} Hz: another signal, distortion, or a tone that is wrong or unsteady"
        )
        yield Problem(kind="foreign", input=number, sentence=sentence, refuses=True)


FULLEST = 0.8  # of the screen
EMPTIEST = 0.3  # below this a finer setting is taken, if one holds the signal

Move = Literal["ok", "coarser", "finer"]


@dataclass(frozen=True, kw_only=True)
class Ranging:
    """What to do after a capture: per input, whether it was well ranged, and the setting to use."""

    moves: Mapping[int, Move]
    volts_per_division: Mapping[int, float]

    @property
    def settled(self) -> bool:
        """Whether the capture can be used as it is."""
        return all(move == "ok" for move in self.moves.values())


def together(captures: Sequence[Capture]) -> Capture:
    """The record that a linear circuit would show if what was driven in these one by one were driven at once.

    Samples are added; of all records but the first without their mean, so that an input's zero counts once.
    The error of rounding to codes is that of so many independent ones. The records have the same setting.
    """
    first = captures[0]
    if len(captures) == 1:
        return first
    volts = first.volts + sum(each.volts - each.volts.mean(axis=1, keepdims=True) for each in captures[1:])
    return replace(
        first,
        volts=volts,
        step_v=tuple(step_v * sqrt(len(captures)) for step_v in first.step_v),
        clipped=tuple(sum(counts) for counts in zip(*(each.clipped for each in captures), strict=True)),
    )


LONGER = 1e-3  # a record this fraction over what was asked for is cut


def cut(capture: Capture, duration_s: float) -> Capture:
    """The first part of a record that is longer than asked for, since a scope's timebase has its steps.

    Only what was asked for holds whole cycles of tones and mains.
    """
    wanted = round(duration_s / capture.interval_s)
    if capture.volts.shape[1] <= wanted * (1 + LONGER):
        return capture
    return replace(capture, volts=capture.volts[:, :wanted].copy())


def pick_range(peak_v: float, volts_per_division: Sequence[float], divisions: int) -> float:
    """Choose the most sensitive setting that a signal of this peak fills to at most 80 %.

    That is at least 60 % where the settings are no further than 4:3 apart; the coarsest where none holds it.
    """
    for setting in sorted(volts_per_division):
        if 2 * peak_v <= FULLEST * divisions * setting:
            return setting
    return max(volts_per_division)


def next_range(capture: Capture, volts_per_division: Sequence[float], divisions: int) -> Ranging:
    """Decide, from what was captured, which setting each input needs.

    A clipped input's peak is unknown, so it goes two settings coarser. A silent one settles at the most
    sensitive, an overdriven one at the coarsest (`examine` then finds it clipped).
    """
    settings = sorted(volts_per_division)
    moves: dict[int, Move] = {}
    chosen: dict[int, float] = {}
    for row, number in enumerate(capture.inputs):
        used = capture.setting.inputs[number]
        index = int(np.argmin([abs(setting - used.volts_per_division) for setting in settings]))
        peak_v = float(np.max(np.abs(capture.volts[row] - used.offset_v)))
        wanted = settings.index(pick_range(peak_v, settings, divisions))
        if capture.clipped[row] > 0:
            wanted = min(max(index + 2, wanted), len(settings) - 1)
        elif wanted > index and 2 * peak_v < 0.98 * divisions * settings[index]:
            wanted = index  # fuller than wished for, and whole
        elif wanted < index and 2 * peak_v >= EMPTIEST * divisions * settings[index]:
            wanted = index
        moves[number] = "ok" if wanted == index else "coarser" if wanted > index else "finer"
        chosen[number] = settings[wanted]
    return Ranging(moves=moves, volts_per_division=chosen)
