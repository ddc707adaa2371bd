"""Dividers, pads, corners and open contacts against published tables."""

from cmath import phase
from dataclasses import replace
from math import degrees, log10, pi, sqrt

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.circuit.elements import BenchImpedances
from harness.circuit.expand import pad_resistors
from harness.circuit.predict import differential, predict
from harness.job.fixture import Fixture, Loopback, Termination
from harness.job.module import Amplifier, Module, Part
from harness.job.state import State
from harness.quantities.forms import converted
from tests.circuit import boards

IDLE = State(on=())


def ideal(source_ohm: float) -> BenchImpedances:
    """A source of this much between the legs, and a scope that doesn't load."""
    return BenchImpedances(source_ohm=source_ohm / 2, input_ohm=1e15, input_f=0.0)


def gain(
    module: Module, fixture: Fixture, source_ohm: float, frequency_hz: float = 1e3, state: State = IDLE
) -> complex:
    prediction = predict(
        module,
        fixture,
        fixture.setups[0],
        state,
        frequencies_hz=(frequency_hz, frequency_hz),
        impedances=ideal(source_ohm),
    )
    return complex(differential(prediction.transfer)[0])


def decibels(value: complex) -> float:
    return 20 * log10(abs(value))


# Loading loss 20 lg(RL / (Rs + RL)); closed form, to four places.
LOADING_OHM = (600, 2e3, 10e3, 20e3, 47e3, 100e3, 1e6)
LOADING_DB = {
    50: (-0.6952, -0.2145, -0.0433, -0.0217, -0.0092, -0.0043, -0.0004),
    100: (-1.3389, -0.4238, -0.0864, -0.0433, -0.0185, -0.0087, -0.0009),
    150: (-1.9382, -0.6282, -0.1293, -0.0649, -0.0277, -0.0130, -0.0013),
    300: (-3.5218, -1.2140, -0.2567, -0.1293, -0.0553, -0.0260, -0.0026),
    600: (-6.0206, -2.2789, -0.5061, -0.2567, -0.1102, -0.0520, -0.0052),
}


@pytest.mark.parametrize(
    ("source_ohm", "load_ohm", "loss_db"),
    [
        (source_ohm, load_ohm, loss_db)
        for source_ohm, row in LOADING_DB.items()
        for load_ohm, loss_db in zip(LOADING_OHM, row, strict=True)
    ],
)
def test_a_load_costs_what_the_loading_table_says(source_ohm: float, load_ohm: float, loss_db: float) -> None:
    fixture = boards.fixture(boards.setup(view=["left.in"]), loads={"in": boards.across(load_ohm)})
    assert decibels(gain(boards.module(), fixture, source_ohm)) == pytest.approx(loss_db, abs=6e-5)


def test_a_load_on_each_leg_is_twice_that_across_the_pair() -> None:
    across = boards.fixture(boards.setup(view=["left.in"]), loads={"in": boards.across(600)})
    legs = boards.fixture(boards.setup(view=["left.in"]), loads={"in": boards.each_leg(300)})
    assert gain(boards.module(), legs, 100) == pytest.approx(gain(boards.module(), across, 100), rel=1e-9)


# Pads at 600 ohm: H arm and T shunt. Formula and 50 ohm rows published by vias.org (T section) and
# microwaves101.com; the 600 ohm rows are those, scaled.
H_PADS = [
    (1, 17.25, 5200.04),
    (2, 34.39, 2582.88),
    (3, 51.30, 1703.11),
    (6, 99.68, 803.17),
    (10, 155.85, 421.64),
    (12, 179.54, 321.73),
    (14, 200.20, 249.36),
    (15, 209.41, 220.36),
    (20, 245.45, 121.21),
    (30, 281.61, 37.99),
    (40, 294.06, 12.00),
]


@pytest.mark.parametrize(("loss_db", "arm_ohm", "shunt_ohm"), H_PADS)
def test_an_h_pad_has_the_published_resistors(loss_db: float, arm_ohm: float, shunt_ohm: float) -> None:
    assert pad_resistors(loss_db, 600) == pytest.approx((arm_ohm, shunt_ohm), abs=0.006)


@pytest.mark.parametrize("loss_db", [row[0] for row in H_PADS])
def test_an_h_pad_between_600_ohm_and_600_ohm_loses_its_name(loss_db: float) -> None:
    pad = Loopback(
        name="pad",
        from_net="in",
        to_net="out",
        legs=None,
        pad_db=loss_db,
        pad_impedance_ohm=600.0,
        tolerance=0.0,
        plug=None,
    )
    setup = boards.setup(loopbacks=["pad"])
    fixture = boards.fixture(setup, loads={"out": boards.across(600)}, loopbacks=[pad])
    got = decibels(gain(boards.module(), fixture, 600)) - decibels(0.5)
    assert got == pytest.approx(-loss_db, abs=1e-6)


# O pads (balanced pi) at 600 ohm: arm in each leg, shunt at each end. Same sources as the H pads.
@pytest.mark.parametrize(
    ("loss_db", "arm_ohm", "shunt_ohm"),
    [(1, 34.62, 10434.58), (6, 224.11, 1805.71), (20, 1485.00, 733.33), (40, 14998.50, 612.12)],
)
def test_an_o_pad_between_600_ohm_and_600_ohm_loses_its_name(
    loss_db: float, arm_ohm: float, shunt_ohm: float
) -> None:
    module = boards.module(
        resistors=[
            *boards.in_series("R1", "in", "out", arm_ohm),
            boards.across_pair("R2", "in", shunt_ohm),
            boards.across_pair("R3", "out", shunt_ohm),
        ]
    )
    fixture = boards.fixture(boards.setup(), loads={"out": boards.across(600)})
    assert decibels(gain(module, fixture, 600) / 0.5) == pytest.approx(-loss_db, abs=1e-3)


# U pads r/(r + 2R) (closed form), fed from nothing and into nothing.
@pytest.mark.parametrize(
    ("series_ohm", "shunt_ohm", "expected_db"),
    [(2700, 600, -20.000), (4700, 1000, -20.341), (1500, 330, -20.079)],
)
def test_a_u_pad_divides(series_ohm: float, shunt_ohm: float, expected_db: float) -> None:
    module = boards.module(
        resistors=[
            *boards.in_series("R1", "in", "out", series_ohm),
            boards.across_pair("R2", "out", shunt_ohm),
        ]
    )
    fixture = boards.fixture(boards.setup())
    assert decibels(gain(module, fixture, 0.0)) == pytest.approx(expected_db, abs=6e-4)


def test_a_minimum_loss_pad_600_to_150_ohm_loses_11_439_db_of_power() -> None:
    """519.615 ohm in series, 173.205 ohm across; the classic matching pad, closed form."""
    module = boards.module(
        resistors=[
            *boards.in_series("R1", "in", "out", 519.615 / 2),
            boards.across_pair("R2", "out", 173.205),
        ]
    )
    fixture = boards.fixture(boards.setup(), loads={"out": boards.across(150)})
    available_w = 1 / (4 * 600)
    loss_db = 10 * log10(abs(gain(module, fixture, 600)) ** 2 / 150 / available_w)
    assert loss_db == pytest.approx(-11.439, abs=1e-3)


def test_a_bridged_t_pad_of_20_db() -> None:
    """600 ohm arms, 5400 ohm bridge, 66.667 ohm shunt (closed form), balanced by halving the series parts."""
    module = boards.module(
        resistors=[
            *boards.in_series("R1", "in", "middle", 300),
            *boards.in_series("R2", "middle", "out", 300),
            *boards.in_series("R3", "in", "out", 2700),
            boards.across_pair("R4", "middle", 66.667),
        ]
    )
    fixture = boards.fixture(boards.setup(), loads={"out": boards.across(600)})
    assert decibels(gain(module, fixture, 600) / 0.5) == pytest.approx(-20, abs=1e-3)


@pytest.mark.parametrize(
    ("over_corner", "expected_db", "expected_deg"),
    [(0.1, -0.04321, -5.7106), (1.0, -3.0103, -45.0), (10.0, -20.0432, -84.2894)],
)
def test_a_capacitor_across_the_pair_makes_a_first_order_corner(
    over_corner: float, expected_db: float, expected_deg: float
) -> None:
    """-10 lg(1 + (f/fc)²) and -atan(f/fc), with fc = 1/(2π·2R·C)."""
    module = boards.module(
        resistors=boards.in_series("R1", "in", "out", 1e3),
        capacitors=[boards.across_pair("C1", "out", 10e-9)],
    )
    corner_hz = 1 / (2 * pi * 2e3 * 10e-9)
    got = gain(module, boards.fixture(boards.setup()), 0.0, over_corner * corner_hz)
    assert decibels(got) == pytest.approx(expected_db, abs=2e-4)
    assert degrees(phase(got)) == pytest.approx(expected_deg, abs=2e-3)


@pytest.mark.parametrize(("frequency_hz", "rejection_db"), [(1e3, 74.49), (20e3, 48.49)])
def test_cables_of_unlike_capacitance_cost_rejection(frequency_hz: float, rejection_db: float) -> None:
    """1000 and 1100 pF to ground behind 300 ohm a leg: 1/|1/(1 + jwRC) - 1/(1 + jwRC')|; closed form."""
    module = boards.module(
        resistors=boards.in_series("R1", "in", "out", 300),
        capacitors=[
            Part(name=f"C.{leg}", a=f"left.out.{leg}", b="ground", value=farads, tolerance=0.0)
            for leg, farads in (("hot", 1000e-12), ("cold", 1100e-12))
        ],
    )
    setup = boards.setup()
    prediction = predict(
        module, boards.fixture(setup), setup, IDLE,
        frequencies_hz=(frequency_hz, frequency_hz), impedances=ideal(0.0),
    )  # fmt: skip
    assert -decibels(complex(converted(prediction.transfer, (0, 1)))) == pytest.approx(
        rejection_db, abs=0.005
    )


# Bound of an open contact of 1 pF into a load, dB: |jωCR / (1 + jωCR)|; closed form.
@pytest.mark.parametrize(
    ("frequency_hz", "load_ohm", "expected_db"),
    [
        (1e3, 50, -130.06),
        (1e3, 600, -108.47),
        (1e3, 10e3, -84.04),
        (1e3, 1e6, -44.04),
        (10e3, 20e3, -58.02),
        (20e3, 10e3, -58.02),
        (20e3, 1e6, -18.08),
    ],
)
def test_an_open_contact_leaks_what_its_capacitance_passes(
    frequency_hz: float, load_ohm: float, expected_db: float
) -> None:
    module = boards.module(controls=["on"], relays=[boards.change_over("K1", "on", "in", None, "out")])
    fixture = boards.fixture(boards.setup(), loads={"out": boards.each_leg(load_ohm)})
    assert decibels(gain(module, fixture, 0.0, frequency_hz)) == pytest.approx(expected_db, abs=6e-3)


def test_scope_inputs_in_parallel_load_a_through_setup() -> None:
    """50 ohm into two inputs of 1 Mohm beside each other; closed form."""
    setup = boards.setup(None, ["left.out", "left.in"])
    prediction = predict(
        boards.module(),
        boards.fixture(setup),
        setup,
        IDLE,
        frequencies_hz=(1e3, 1e3),
        impedances=BenchImpedances(input_f=0.0),
    )
    assert prediction.transfer[:, 0] == pytest.approx([5e5 / (5e5 + 50), 0, 5e5 / (5e5 + 50), 0])
    assert prediction.transfer[:, 1] == pytest.approx([0, 5e5 / (5e5 + 50), 0, 5e5 / (5e5 + 50)])
    assert prediction.live == (True, True)


def test_an_amplifier_has_its_gain_its_impedances_and_its_common_mode_rejection() -> None:
    """Gain -2 from 10 kohm into 600 ohm behind 100 ohm, 40 dB of rejection; worked by hand."""
    module = boards.module(
        amplifiers=[
            Amplifier(
                name="U1",
                channel="left",
                from_net="in",
                to_net="out",
                gain=-2.0,
                input_ohm=10e3,
                output_ohm=100.0,
                common_mode_rejection_db=40.0,
            )
        ]
    )
    setup = boards.setup()
    fixture = boards.fixture(setup, loads={"out": boards.across(600)})
    prediction = predict(module, fixture, setup, IDLE, frequencies_hz=(1e3, 1e3), impedances=ideal(100.0))
    answer = prediction.transfer[0] - prediction.transfer[1]
    assert differential(prediction.transfer)[0] == pytest.approx(-2 * 10e3 / 10100 * 600 / 700, rel=1e-4)
    # both legs driven alike: no current flows between them, all of it is common mode at the input
    assert abs(answer.sum()) == pytest.approx(2 * 600 / 700 * 0.01, rel=1e-4)
    assert prediction.live == (True,)


def test_an_undriven_input_is_ended_as_the_fixture_says() -> None:
    """A contact joins the driven input to another; there its 600 ohm are seen, as 100 ohm into 600 ohm."""
    module = boards.module(
        ports=["in", "aux", "out"],
        controls=["join"],
        relays=[boards.change_over("K1", "join", "in", "aux", None)],
    )
    setup = boards.setup(view=["left.in"])
    fixture = boards.fixture(setup, undriven=boards.each_leg(300))
    assert decibels(gain(module, fixture, 100)) == pytest.approx(-1.3389, abs=4e-4)
    joined = State(on=("join",))
    assert decibels(gain(module, fixture, 100, state=joined)) == pytest.approx(0.0, abs=1e-6)


def test_one_leg_lost_into_a_grounded_load_costs_6_db() -> None:
    """The lost leg's half is missing: 20 lg ½ = -6.0206 dB."""
    whole, broken = broken_cold_leg(boards.each_leg(5e3), 1e6)
    lost = (broken[0, 0] - broken[1, 0] - broken[0, 1] + broken[1, 1]) / (whole[0, 0] + whole[1, 1])
    assert decibels(lost) == pytest.approx(-6.0206, abs=2e-3)
    assert abs(broken[1, 1]) < 1e-4


@pytest.mark.parametrize(("input_ohm", "copy_db"), [(1e6, -0.09), (10e6, -0.01)])
def test_a_broken_leg_into_a_floating_load_shows_a_copy_of_the_other_leg(
    input_ohm: float, copy_db: float
) -> None:
    """Closed form: 1 Mohm/(1 Mohm + 10 kohm) is -0.086 dB, 10 Mohm/(10 Mohm + 10 kohm) is -0.009 dB."""
    _, broken = broken_cold_leg(boards.across(10e3), input_ohm)
    hot, cold = broken[:, 0]
    assert decibels(cold / hot) == pytest.approx(copy_db, abs=5e-3)
    assert abs(degrees(phase(cold / hot))) < 2


def broken_cold_leg(
    load: Termination, input_ohm: float
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Transfers with both legs made, and with the cold one broken at its contact."""
    relay = boards.change_over("K1", "broken", "out", "in", None)
    hot, cold = relay.poles
    module = boards.module(
        controls=["broken"],
        relays=[replace(relay, control="never", poles=(hot,)), replace(relay, name="K2", poles=(cold,))],
    )
    setup = boards.setup()
    fixture = boards.fixture(setup, loads={"out": load})
    whole, broken = (
        predict(
            module,
            fixture,
            setup,
            state,
            frequencies_hz=(1e3, 1e3),
            impedances=BenchImpedances(input_ohm=input_ohm),
        ).transfer
        for state in (IDLE, State(on=("broken",)))
    )
    return whole, broken


def test_a_leak_holds_what_floats_behind_a_chain_of_contacts() -> None:
    """A part that only 1 pF joins to the drive keeps the exact capacitive share, 20 S joints or not.

    Share = C / (C + leaks / jω): 12 nodes, each 1e-12 S; closed form.
    """
    nets = [f"n{index}" for index in range(10)]
    relays = [boards.change_over("K0", "on", "in", None, nets[0])]
    relays += [
        boards.change_over(f"K{index + 1}", "never", near, far, None)
        for index, (near, far) in enumerate(zip(nets, [*nets[1:], "out"], strict=True))
    ]
    module = boards.module(controls=["on"], relays=relays)
    frequency_hz = 0.5
    got = gain(module, boards.fixture(boards.setup()), 0.0, frequency_hz)
    coupling = 2j * pi * frequency_hz * 1e-12
    # ten nets, `out` and its pin leak; the scope of this ideal bench adds 1e-15 S
    assert got == pytest.approx(coupling / (coupling + 12e-12 + 1e-15), rel=1e-9)
    assert abs(got) < 1 / sqrt(2)
