"""What a leg may show after an operation, where open contacts let something through: closed form."""

import math

import numpy as np
import pytest

from harness.measure.tones import Stimulus
from harness.quantities.cycle import OfOperations, levels_of

DRIVE_VRMS, HZ = 0.05, 1e3
STIMULUS = Stimulus(kind="antiphase", frequency_hz=HZ, level_vrms=DRIVE_VRMS)


def behind(farads: float) -> complex:
    """Half of the drive through an open contact into a scope's input of 1 Mohm beside 15 pF."""
    admittance = 1e-6 + 2j * math.pi * HZ * 15e-12
    coupling = 2j * math.pi * HZ * farads
    return DRIVE_VRMS / 2 * coupling / (coupling + admittance)


def operations(farads: float) -> OfOperations:
    expected = levels_of(np.array([behind(farads), -behind(farads)]), (0, 1))
    nothing = levels_of(np.zeros(2, dtype=complex), (0, 1))
    coupled = expected.with_coupled(nothing)
    return OfOperations(
        setup="left",
        control="mute",
        operations=10,
        stimulus=STIMULUS,
        rows=(0, 1),
        released=coupled,
        operated=coupled,
    )


@pytest.mark.parametrize("farads", [0.5e-12, 1e-12, 3e-12, 10e-12])
def test_an_open_contact_of_another_capacitance_is_no_miss(farads: float) -> None:
    given = operations(farads)
    for times in (0.2, 0.7, 1.0, 1.5, 2.5):
        leg = behind(times * farads)
        assert given.first_miss(np.array([leg, -leg]), given.operated) is None


@pytest.mark.parametrize("farads", [0.5e-12, 1e-12, 3e-12, 10e-12])
def test_a_contact_that_stays_closed_in_one_leg_is_one(farads: float) -> None:
    given = operations(farads)
    shown = given.first_miss(np.array([DRIVE_VRMS / 2, -behind(farads)]), given.operated)
    assert shown is not None
    assert shown[0] == "hot leg"
