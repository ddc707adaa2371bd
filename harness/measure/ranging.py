"""How sensitive each scope input is to be."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from harness.roles import Capture

FULLEST = 0.8  # of the screen
EMPTIEST = 0.3  # below this a finer setting is taken, where there is one that holds the signal

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
        place = int(np.argmin([abs(setting - used.volts_per_division) for setting in settings]))
        peak_v = float(np.max(np.abs(capture.volts[row] - used.offset_v)))
        wanted = settings.index(pick_range(peak_v, settings, divisions))
        if capture.clipped[row] > 0:
            wanted = min(max(place + 2, wanted), len(settings) - 1)
        elif wanted > place and 2 * peak_v < 0.98 * divisions * settings[place]:
            wanted = place  # fuller than wished for, and whole
        elif wanted < place and 2 * peak_v >= EMPTIEST * divisions * settings[place]:
            wanted = place
        moves[number] = "ok" if wanted == place else "coarser" if wanted > place else "finer"
        chosen[number] = settings[wanted]
    return Ranging(moves=moves, volts_per_division=chosen)
