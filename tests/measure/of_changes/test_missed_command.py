"""A record in which nothing changes: a relay that did not move, or a command that came at another time."""

from dataclasses import replace
from math import inf

import numpy as np
import pytest

from harness.errors import ReadingError
from harness.measure.changes.change import (
    Change,
    find_change,
    read_bounce_time,
    read_click,
    read_switching,
    read_transfer_time,
)
from harness.measure.sides import Instant

RATE_HZ, SAMPLES = 500e3, 20_000
TONES_HZ = (980.0, 1010.0)
EDGE = Instant(time_s=0.02, standard_s=1e-3)
STEP_V = 0.01


def still(*, tones_hz: tuple[float, ...], watched: bool) -> Change:
    """A pair of legs of which each carries a tone all the time, or silence."""
    time_s = np.arange(SAMPLES) / RATE_HZ
    volts = np.zeros((2, SAMPLES))
    for row, hz in enumerate(tones_hz):
        volts[row] = np.sin(2 * np.pi * hz * time_s)
    volts += STEP_V / 4 * np.random.default_rng(1).standard_normal(volts.shape)
    return find_change(
        volts,
        1 / RATE_HZ,
        tones_hz,
        step_v=(STEP_V,) * 2,
        joined=False,
        edge=EDGE,
        watched=watched,
    )


def test_where_the_line_is_in_view_a_relay_that_does_not_move_takes_longer_than_the_record() -> None:
    seen = still(tones_hz=TONES_HZ, watched=True)
    assert not seen.leg_changes.legs
    time = read_switching(seen, (0, 1), 2.0)
    # closed form: what is left of 40 ms after the edge and twice its uncertainty
    assert time.low == pytest.approx(0.04 - 0.02 - 2e-3)
    assert time.high == inf
    assert read_transfer_time(seen, 0, 2.0).floor


def test_where_no_input_shows_the_line_such_a_record_says_nothing_of_contacts() -> None:
    seen = still(tones_hz=TONES_HZ, watched=False)
    with pytest.raises(ReadingError, match="switchboard or a computer that was late"):
        read_switching(seen, (0, 1), 2.0)
    with pytest.raises(ReadingError, match="switchboard or a computer that was late"):
        read_transfer_time(seen, 0, 2.0)
    with pytest.raises(ReadingError, match="no change of route"):
        read_bounce_time(seen, 0, 2.0)


def test_silence_that_may_have_missed_the_command_has_no_click() -> None:
    seen = still(tones_hz=(), watched=False)
    assert read_click(seen, (0, 1), measure="peak", audio=False, gain_standard=0.0, k=2.0).floor
    unsure = replace(seen, edge="by the computer's clock the command may lie outside the record")
    with pytest.raises(ReadingError, match="may have missed the command"):
        read_click(unsure, (0, 1), measure="peak", audio=False, gain_standard=0.0, k=2.0)
