"""Every shipped job, in every state, against ngspice: differential and per leg, at 20 Hz, 1 kHz and 20 kHz.

Within 0.001 dB where the path is made, within 0.1 dB where it is not.
"""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.circuit.elements import BenchImpedances
from harness.circuit.predict import differential, predict_states
from harness.job.fixture import Fixture, Loopback, Setup
from harness.job.job import Job, load_job
from harness.job.module import Amplifier, Module
from harness.job.state import all_states
from tests.circuit import boards, spice
from tests.latching.selector import selector

SEQUENCES = Path(__file__).parents[2] / "sequences"
FREQUENCIES_HZ = (20.0, 1e3, 20e3)
MADE_ABOVE = 1e-6
NOTHING = 1e-13  # -260 dB: of less than this a differential keeps no digits in any double-precision solver
BENCH = BenchImpedances()
JOBS = ("two_loop_switcher", "source_selector", "stepped_attenuator")


def compare(
    module: Module,
    fixture: Fixture,
    setups: list[Setup],
    make_block: Callable[..., Any],
    folder: Path,
    *,
    nothing: float = NOTHING,
) -> tuple[float, float]:
    """Largest differences in dB, where the path is made and where it is not."""
    states = [*all_states(module.state_controls)]
    cases = [(setup, state) for setup in setups for state in states]
    blocks = [make_block(module, fixture, setup, state, BENCH) for setup, state in cases]
    solved = spice.transfers(blocks, FREQUENCIES_HZ, folder)
    predicted = [
        [
            prediction.transfer
            for setup in setups
            for prediction in predict_states(
                module, fixture, setup, states, frequencies_hz=(frequency_hz, frequency_hz), impedances=BENCH
            )
        ]
        for frequency_hz in FREQUENCIES_HZ
    ]
    made_db, silent_db = [0.0], [0.0]
    for case, theirs in enumerate(solved):
        ours = np.array([row[case] for row in predicted])
        for a, b in (
            (ours, theirs),
            (differential(ours), spice.differential(theirs)),
        ):
            assert (np.abs(a[np.abs(b) < nothing]) < 2 * nothing).all()
            heard = np.abs(b) >= nothing
            difference_db = np.abs(20 * np.log10(np.abs(a[heard]) / np.abs(b[heard])))
            made = np.abs(b[heard]) > MADE_ABOVE
            made_db += difference_db[made].tolist()
            silent_db += difference_db[~made].tolist()
    print(
        f"{len(made_db) - 1} values of made paths within {max(made_db):.1e} dB,",
        f"{len(silent_db) - 1} of others within {max(silent_db):.1e} dB",
    )
    return max(made_db), max(silent_db)


@pytest.mark.parametrize("name", JOBS)
def test_a_shipped_job_agrees_with_ngspice_in_every_state(name: str, tmp_path: Path) -> None:
    agrees_with_ngspice(load_job(SEQUENCES / name), tmp_path)


def test_relays_that_stand_set_or_reset_agree_with_ngspice(tmp_path: Path) -> None:
    agrees_with_ngspice(selector(), tmp_path)


def agrees_with_ngspice(job: Job, folder: Path) -> None:
    circuits = {  # setups that differ in what a circuit doesn't know, as swapped inputs, are solved once
        (setup.drive, setup.view, setup.loopbacks, setup.source_added): setup
        for setup in job.fixture.setups
        if setup.drive is not None
    }
    for setup in circuits.values():  # one by one: a deck of all would cost ngspice more than their sum
        made_db, silent_db = compare(job.module, job.fixture, [setup], spice.described_block, folder)
        assert made_db < 0.001
        assert silent_db < 0.1


@pytest.mark.parametrize("name", [*JOBS, "monitor_panel"])
def test_ngspice_solves_the_harness_s_own_elements_alike(name: str, tmp_path: Path) -> None:
    job = load_job(SEQUENCES / name)
    setup = next(setup for setup in job.fixture.setups if setup.drive is not None)
    made_db, silent_db = compare(job.module, job.fixture, [setup], spice.element_block, tmp_path)
    assert made_db < 0.001
    assert silent_db < 0.1


def test_pads_amplifiers_and_an_order_of_two_relays_agree_with_ngspice(tmp_path: Path) -> None:
    """What no shipped job has: an H pad (against an O pad), an amplifier, a capacitor, legs to ground."""
    pad = Loopback(
        name="pad",
        from_net="a_send",
        to_net="a_return",
        legs=None,
        pad_db=6.0,
        pad_impedance_ohm=600.0,
        tolerance=0.01,
        plug=None,
    )
    straight = replace(pad, name="plain", from_net="b_send", to_net="b_return", pad_db=0.0)
    module = boards.module(
        ports=("in", "aux", "out", "a_send", "a_return", "b_send", "b_return"),
        controls=["a", "b"],
        relays=[
            boards.change_over("K1", "a", "a_out", "in", "a_return"),
            boards.change_over("K2", "a", "in", None, "a_send"),
            boards.change_over("K3", "b", "middle", "a_out", "b_return"),
            boards.change_over("K4", "b", "a_out", None, "b_send"),
        ],
        resistors=boards.in_series("R1", "middle", "amp", 1e3),
        capacitors=[boards.across_pair("C1", "amp", 10e-9)],
        amplifiers=[
            Amplifier(
                name="U1",
                channel="left",
                from_net="amp",
                to_net="out",
                gain=-2.0,
                input_ohm=20e3,
                output_ohm=100.0,
                common_mode_rejection_db=60.0,
            )
        ],
    )
    setup = boards.setup(view=["left.out", "left.a_send"], loopbacks=["pad", "plain"])
    fixture = boards.fixture(
        setup, loads={"out": boards.each_leg(300)}, undriven=boards.across(600), loopbacks=[pad, straight]
    )
    made_db, silent_db = compare(module, fixture, [setup], spice.described_block, tmp_path)
    assert made_db < 0.001
    assert silent_db < 0.1
