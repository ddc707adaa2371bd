"""What a part's tolerance does to the transfer, against solving again with the part changed."""

from dataclasses import replace
from math import sqrt
from pathlib import Path

import numpy as np
import pytest

from harness.circuit.elements import BenchImpedances, Circuit, Element, GeneratorLeg
from harness.circuit.expand import build_circuit
from harness.circuit.predict import predict_circuit
from harness.job.job import load_job
from harness.job.module import Amplifier
from harness.job.state import State
from tests.circuit import boards

SEQUENCES = Path(__file__).parents[2] / "sequences"
FREQUENCIES_HZ = (980.0, 1020.0)
STEP = 1e-4  # of one standard uncertainty, each way


def nudged(circuit: Circuit, name: str, step: float) -> Circuit:
    def nudge(element: Element) -> Element:
        if element.name != name:
            return element
        resistance_ohm = element.resistance_ohm
        if resistance_ohm is not None:
            resistance_ohm += step * element.resistance_spread_ohm
        return replace(
            element,
            resistance_ohm=resistance_ohm,
            capacitance_f=element.capacitance_f + step * element.capacitance_spread_f,
        )

    def nudge_output(leg: GeneratorLeg) -> GeneratorLeg:
        off = step * leg.output_spread_ohm if leg.name == name else 0.0
        return replace(leg, output_ohm=leg.output_ohm + off)

    return replace(
        circuit,
        elements=tuple(nudge(element) for element in circuit.elements),
        generator=tuple(nudge_output(leg) for leg in circuit.generator),
    )


def assert_spreads_are_derivatives(circuit: Circuit) -> None:
    prediction = predict_circuit(circuit, frequencies_hz=FREQUENCIES_HZ)
    assert prediction.spreads.shape == (len(prediction.spread_names), *prediction.transfer.shape)
    largest = np.abs(prediction.spreads).max()
    for name, spread in zip(prediction.spread_names, prediction.spreads, strict=True):
        up, down = (
            predict_circuit(nudged(circuit, name, step), frequencies_hz=FREQUENCIES_HZ).transfer
            for step in (STEP, -STEP)
        )
        assert (up - down) / (2 * STEP) == pytest.approx(spread, rel=1e-5, abs=largest * 1e-6), name


@pytest.mark.parametrize("name", ["two_loop_switcher", "source_selector", "stepped_attenuator"])
def test_spreads_of_a_shipped_job_are_derivatives(name: str) -> None:
    job = load_job(SEQUENCES / name)
    setup = next(setup for setup in job.fixture.setups if setup.drive is not None)
    state = job.sequence.states[len(job.sequence.states) // 2]
    circuit = build_circuit(job.module, job.fixture, setup, state, BenchImpedances())
    assert_spreads_are_derivatives(circuit)


def test_spreads_of_capacitors_and_behind_an_amplifier_are_derivatives() -> None:
    """An amplifier's equations are not symmetric: what a leg owes to a part is no mirror of the drive."""
    module = boards.module(
        resistors=boards.in_series("R1", "in", "middle", 1e3, 0.05),
        capacitors=[boards.across_pair("C1", "middle", 47e-9, 0.1)],
        amplifiers=[
            Amplifier(
                name="U1",
                channel="left",
                from_net="middle",
                to_net="out",
                gain=3.0,
                input_ohm=20e3,
                output_ohm=100.0,
                common_mode_rejection_db=40.0,
            )
        ],
    )
    setup = boards.setup(view=["left.in", "left.out"])
    fixture = boards.fixture(setup, loads={"out": boards.each_leg(300, 0.01)})
    circuit = build_circuit(module, fixture, setup, State(on=()), BenchImpedances())
    assert predict_circuit(circuit, frequencies_hz=FREQUENCIES_HZ).spread_names == (
        "R1.hot",
        "R1.cold",
        "C1",
        "load left.out.hot",
        "load left.out.cold",
        "generator hot",
        "generator cold",
    )
    assert_spreads_are_derivatives(circuit)


def test_a_contact_is_as_uncertain_as_its_limit_allows() -> None:
    """50 mohm typical, 100 mohm at most: 50 mohm/√3 in each leg; into 600 ohm twice that over 700 ohm."""
    module = boards.module(controls=["on"], relays=[boards.change_over("K1", "on", "in", "out", None)])
    setup = boards.setup()
    fixture = boards.fixture(setup, loads={"out": boards.across(600)})
    circuit = build_circuit(
        module, fixture, setup, State(on=()), BenchImpedances(input_ohm=1e12, source_tolerance=0.0)
    )
    prediction = predict_circuit(circuit, frequencies_hz=FREQUENCIES_HZ)
    assert prediction.spread_names == ("K1.1.hot.released", "K1.1.cold.released")
    pairs = prediction.spreads[:, 0] - prediction.spreads[:, 1]
    differential = (pairs[:, 0] - pairs[:, 1]) / 2
    expected = -600 / 700**2 * 0.05 / sqrt(3)
    assert np.real(differential) == pytest.approx([expected, expected], rel=1e-3)
