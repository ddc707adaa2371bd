"""Capacitance from the slope of isolation, against tables of open contacts; leaks are not taken for one."""

import math
from dataclasses import replace

import numpy as np
import pytest

from harness.errors import ReadingError
from harness.measure.budget import Component
from harness.measure.transfer import Transfer
from harness.quantities.contacts import coupling_capacitance
from harness.quantities.forms import PortTransfer
from harness.quantities.need import KnownOhm
from tests.measure.measured import View


def quiet(hz: float, level: complex, noise: float = 1e-9, driven: float | None = None) -> PortTransfer:
    """A port whose differential is `level` of the e.m.f., with noise on each leg; driven: another's."""
    levels = [level] * 2 if driven is None else [level] * 2 + [driven] * 2
    values = np.array([[one, 0] if row % 2 == 0 else [0, one] for row, one in enumerate(levels)])
    parts = [
        Component(
            name="noise",
            origin="noise",
            source=f"{hz} {row} {part}",
            delta=(values != 0) * np.eye(len(levels))[row][:, None] * noise * unit,
        )
        for row in range(len(levels))
        for part, unit in (("re", 1), ("im", 1j))
    ]
    transfer = Transfer(
        values=values.astype(complex), components=tuple(parts), phase_known=True, polarity_known=True
    )
    other = None if driven is None else View(transfer=transfer, hot=2, cold=3)
    return View(transfer=transfer, hot=0, cold=1).look(hz, driven=other)


def coupled(hz: float, farads: float, ohm: float) -> complex:
    reactive = 2j * math.pi * hz * farads * ohm
    return reactive / (1 + reactive)


@pytest.mark.parametrize(
    ("farads", "ohm", "at_10_khz_db"),
    [(1e-12, 10e3, -64.04), (1e-12, 600, -88.47), (2e-12, 10e3, -58.02), (1e-12, 1e6, -24.05)],
)
def test_an_open_contacts_capacitance_comes_back(farads: float, ohm: float, at_10_khz_db: float) -> None:
    """Off-isolation of an open contact, C into R: closed form; 6.02 dB an octave, whatever the load."""
    assert 20 * math.log10(abs(coupled(1e4, farads, ohm))) == pytest.approx(at_10_khz_db, abs=0.01)
    points = [quiet(hz, coupled(hz, farads, ohm)) for hz in (100.0, 1e3, 1e4, 2e4)]
    result = coupling_capacitance(points, KnownOhm(ohm=ohm, standard_ohm=0.0))
    assert result.capacitance_f.value == pytest.approx(farads, rel=1e-3)
    assert result.slope_db_per_octave is not None
    assert result.slope_db_per_octave.value == pytest.approx(6.02, abs=0.15)


def test_the_circuits_tolerance_is_the_capacitances() -> None:
    points = [quiet(hz, coupled(hz, 1e-12, 10e3)) for hz in (1e3, 1e4, 2e4)]
    result = coupling_capacitance(points, KnownOhm(ohm=10e3, standard_ohm=100.0))
    assert result.capacitance_f.standard == pytest.approx(1e-14, rel=0.01)
    assert result.capacitance_f.budget[0].name == "tolerance of the circuit"


def test_a_leak_is_no_capacitance() -> None:
    points = [quiet(hz, 1e-4) for hz in (1e3, 1e4, 2e4)]
    with pytest.raises(ReadingError, match=r"slope is -?0\.0 dB per octave.*a leak or a shared return"):
        coupling_capacitance(points, KnownOhm(ohm=10e3, standard_ohm=0.0))


def test_two_in_a_row_are_no_capacitance() -> None:
    points = [quiet(hz, 1e-4 * (hz / 1e3) ** 2) for hz in (1e3, 2e3, 4e3)]
    with pytest.raises(ReadingError, match="more than one couples"):
        coupling_capacitance(points, KnownOhm(ohm=10e3, standard_ohm=0.0))


def test_two_frequencies_above_the_floor_tell_a_capacitance_if_it_need_not_show_at_the_others() -> None:
    points = [quiet(hz, coupled(hz, 1e-12, 600), noise=3e-6) for hz in (100.0, 1e3, 1e4, 2e4)]
    result = coupling_capacitance(points, KnownOhm(ohm=600, standard_ohm=0.0))
    assert result.capacitance_f.low < 1e-12 < result.capacitance_f.high


def bound_f(level: float, hz: float, ohm: float) -> float:
    """What a level at one frequency bounds a capacitance to: closed form."""
    return level / math.sqrt(1 - level**2) / (2 * math.pi * hz * ohm)


def test_one_frequency_above_the_floor_gives_a_bound() -> None:
    """Two standard uncertainties above what the highest frequency shows."""
    points = [quiet(hz, coupled(hz, 1e-12, 600), noise=1.2e-5) for hz in (100.0, 1e3, 2e3, 2e4)]
    result = coupling_capacitance(points, KnownOhm(ohm=600, standard_ohm=6.0))
    seen = abs(coupled(2e4, 1e-12, 600)) + 2 * 1.2e-5 / math.sqrt(2)
    assert result.slope_db_per_octave is None
    assert result.capacitance_f.floor
    assert result.capacitance_f.high == pytest.approx(bound_f(seen, 2e4, 588.0), rel=1e-3)


def test_nothing_above_the_floor_gives_a_bound_if_the_driven_port_shows_a_signal() -> None:
    silent = [quiet(hz, 0.0, noise=1e-6, driven=0.5) for hz in (1e3, 2e3, 2e4)]
    result = coupling_capacitance(silent, KnownOhm(ohm=600, standard_ohm=0.0)).capacitance_f
    assert result.floor
    assert result.high == pytest.approx(bound_f(2e-6 / math.sqrt(2) / 0.5, 2e4, 600.0), rel=1e-3)
    dead = [quiet(hz, 0.0, noise=1e-6, driven=1e-6) for hz in (1e3, 2e3, 2e4)]
    with pytest.raises(ReadingError, match="the driven port shows no signal"):
        coupling_capacitance(dead, KnownOhm(ohm=600, standard_ohm=0.0))


def test_a_capacitance_that_should_show_at_a_silent_frequency_is_none() -> None:
    """Two in a row, seen where the slope is too unsure to tell: 12 dB an octave, closed form."""
    points = [quiet(hz, 1e-3 * (hz / 20e3) ** 2, noise=8e-6) for hz in (1e3, 15e3, 20e3)]
    with pytest.raises(ReadingError, match="more than one couples"):
        coupling_capacitance(points, KnownOhm(ohm=10e3, standard_ohm=0.0))
    quiet_at_5_khz = [quiet(hz, coupled(hz, 1e-12, 10e3), noise=1e-6) for hz in (10e3, 20e3)]
    quiet_at_5_khz.append(quiet(5e3, 0.0, noise=1e-6))
    with pytest.raises(ReadingError, match="at 5000 Hz the level is below"):
        coupling_capacitance(quiet_at_5_khz, KnownOhm(ohm=10e3, standard_ohm=0.0))


def test_a_slope_lost_in_noise_gives_a_bound() -> None:
    points = [quiet(hz, coupled(hz, 1e-12, 600), noise=5e-6) for hz in (9e3, 1e4, 1.1e4)]
    result = coupling_capacitance(points, KnownOhm(ohm=600, standard_ohm=0.0))
    assert result.slope_db_per_octave is None
    assert result.capacitance_f.floor
    assert 1e-12 < result.capacitance_f.high < 1.3e-12


def test_a_slope_that_chance_may_have_turned_gives_a_bound_and_one_that_it_hardly_can_is_refused() -> None:
    """At 1 kHz noise adds to a capacitance's level, or something else does: some 4.2 dB an octave.

    Closed form: at 20 kHz the bound is 1e-3 / (2 pi 20 kHz 10 kohm).
    """
    hertz, levels = (1e3, 20e3), (1e-4 * 1.25, 1e-3)
    load = KnownOhm(ohm=10e3, standard_ohm=0.0)
    noisy = [quiet(hz, level, 3e-5) for hz, level in zip(hertz, levels, strict=True)]
    bound = coupling_capacitance(noisy, load)
    assert bound.slope_db_per_octave is None
    assert bound.capacitance_f.high == pytest.approx(1e-3 / (2 * math.pi * 20e3 * 10e3), rel=0.08)
    clear = [quiet(hz, level, 1e-6) for hz, level in zip(hertz, levels, strict=True)]
    with pytest.raises(ReadingError, match="a leak or a shared return"):
        coupling_capacitance(clear, load)


def test_crosstalk_counts_from_the_driven_port() -> None:
    points = [quiet(hz, 0.5 * coupled(hz, 5e-12, 50), driven=0.5) for hz in (1e3, 1e4, 2e4)]
    result = coupling_capacitance(points, KnownOhm(ohm=50, standard_ohm=0.0))
    assert result.capacitance_f.value == pytest.approx(5e-12, rel=1e-3)


def test_a_capacitance_in_noise_is_neither_too_large_nor_too_sure() -> None:
    """By drawing, at 3, 7 and 15 standard uncertainties of the noise: behind an amplifier that hisses."""
    random = np.random.default_rng(1)
    noise = abs(coupled(1e4, 1e-12, 600)) / 15 * math.sqrt(2)
    results = []
    for _ in range(400):
        points = []
        for hz in (2e3, 5e3, 1e4):
            one = quiet(hz, coupled(hz, 1e-12, 600), noise=noise)
            real, imaginary = noise * random.normal(size=(2, 2))
            added = np.diag(real + 1j * imaginary)
            points.append(replace(one, transfer=replace(one.transfer, values=one.transfer.values + added)))
        results.append(coupling_capacitance(points, KnownOhm(ohm=600, standard_ohm=0.0)).capacitance_f)
    numbers = [(each.value - 1e-12) / each.standard for each in results if each.standard]
    assert np.mean([each.low <= 1e-12 <= each.high for each in results]) >= 0.93
    assert len(numbers) >= 200
    assert abs(float(np.median(numbers))) < 0.3
    assert 0.8 < float(np.sqrt(np.mean(np.square(numbers)))) < 1.2
