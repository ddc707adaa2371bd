"""Isolation of each leg: a port that should be silent, judged leg by leg."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from harness.quantities.forms import leg_answer
from harness.quantities.need import Need, PortView, pair_tone
from harness.quantities.quantity import SILENCE, Options, PlannedReading
from harness.quantities.steady import OfTransfers, Ratio
from harness.reading import Limit

Complex = NDArray[np.complex128]

OPEN_CONTACT_F = 1e-12  # of a signal relay's open contact: common practice, no source
SCOPE_OHM = 1e6
ROOM_DB = 12.0  # over what the circuit predicts, for strays: common practice, no source


class LegIsolation(Ratio):
    """Volts on one leg of a port that should be silent over the e.m.f. between the source's legs.

    A contact that is stuck in one leg alone may bring the same to both, through a load that floats: then
    nothing is between the legs, and `isolation` sees only how well the inputs' gains are known.
    """

    name, words, unit, limits = "leg_isolation", "isolation of each leg", "dB", SILENCE
    at_silent_ports = True

    def readings(self, need: Need) -> Iterable[PlannedReading[OfTransfers]]:
        """One for each leg, of one capture; none where the drive is led to the port."""
        if need.live:
            return
        capture = need.capture(pair_tone(need))
        hot, cold = capture.view.rows
        predicted = need.predicted(need.frequency_hz)
        for index, (leg, rows) in enumerate((("hot", (hot, cold)), ("cold", (cold, hot)))):
            yield replace(
                self.planned(need, [capture], need.frequency_hz, leg=leg),
                limit=_limit(need, float(abs(leg_answer(predicted, index)))),
                given=OfTransfers(views=(replace(capture.view, rows=rows),)),
            )

    def numerator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex:
        """The leg, whose row comes first."""
        return leg_answer(h[0], views[0].rows[0])

    def unread(self, options: Options) -> str:
        """See Quantity."""
        return (
            "the drive is led there, and leg isolation is of a port that is silent; expected a state in "
            "which it is"
        )


def _limit(need: Need, predicted: float) -> Limit | None:
    """The check's own; a general one no lower than what a good unit may show: see `open_leg_db`."""
    limit = need.limit
    if limit is None or limit.high is None or not need.limit_is_general:
        return limit
    known_db = 20 * math.log10(predicted) + ROOM_DB if predicted > 0 else -math.inf
    return replace(limit, high=max(limit.high, known_db, open_leg_db(need.frequency_hz)))


def open_leg_db(frequency_hz: float) -> float:
    """What an open contact brings to a leg that only a scope's input holds to ground.

    It brings as much to the other leg, so that between them is much less.
    """
    return 20 * math.log10(math.pi * frequency_hz * OPEN_CONTACT_F * SCOPE_OHM)
