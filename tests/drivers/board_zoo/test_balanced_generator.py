"""One output before a transformer, asked as if each leg had an output of its own."""

import pytest

from drivers.balanced_generator import BalancedGenerator, seen_ohm
from tests.drivers.board_zoo.test_generators import opened

SILENCE = {"[commands]": '[commands]\nsilence = "C{n}:WAVE DC"'}
F, LEVEL = 980.0, 1.0


def test_what_either_end_is_asked_for_is_given_between_both() -> None:
    """Twice as many turns on the secondary: half of the volts before it."""
    with opened("rms-generator", SILENCE) as (instrument, generator):
        balanced = BalancedGenerator(generator, 1, ratio=2.0, winding_ohm=0.0)
        shown = []
        for asks in (
            [(1, F, 0.0)],  # hot alone
            [(1, None, 0.0), (2, 1010.0, 0.0)],  # cold alone, at its own frequency
            [(1, F, 0.0), (2, F, 180.0)],  # antiphase
            [(2, None, 0.0)],  # hot alone again, of which only cold was told
        ):
            for end, hz, deg in asks:
                if hz is None:
                    balanced.silence(end)
                else:
                    balanced.sine(end, frequency_hz=hz, amplitude_vpp=LEVEL, phase_deg=deg)
            shown.append((instrument.hertz[1], round(instrument.open_vpp[1], 3)))
        assert shown == [(F, 0.5), (1010.0, 0.5), (F, 1.0), (F, 0.5)]
        assert not instrument.on[2]


@pytest.mark.parametrize(("ratio", "ohm"), [(1.0, 25.0), (2.0, 100.0), (0.5, 6.25)])
def test_each_half_of_the_secondary_has_half_of_what_the_whole_shows(ratio: float, ohm: float) -> None:
    """An ideal transformer shows an impedance by the square of its turns (closed form)."""
    assert seen_ohm(50.0, ratio) == pytest.approx(ohm)
