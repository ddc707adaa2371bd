"""Capacitance by crosstalk: known capacitors between the channels, as ngspice couples them, come back."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from harness.circuit.elements import BenchImpedances, pin_name
from harness.circuit.expand import build_circuit
from harness.job.fixture import Setup
from harness.job.job import load_job
from harness.job.module import LEGS, node_name
from harness.job.sequence import Check, Tone
from harness.job.state import State
from harness.measure.budget import Component
from harness.measure.transfer import Transfer
from harness.plan.build import build_plan
from harness.plan.model import Planned, driven_channel
from harness.quantities.contacts import CouplingCapacitanceOptions, coupling_capacitance
from harness.quantities.forms import PortTransfer
from harness.quantities.registry import QUANTITIES
from harness.reading import Limit
from tests.circuit.spice import Block, from_elements, transfers

SEQUENCES = Path(__file__).resolve().parents[2] / "sequences"
IDLE, HZ, NOISE = State(on=()), (2e4, 5e4, 1e5), 1e-9  # of the drive, on each leg


def planned(name: str) -> tuple[tuple[Planned, Setup], ...]:
    job = load_job(SEQUENCES / name)
    asked = Check(
        name="Coupling", quantity=QUANTITIES["coupling_capacitance"], at=("out",),
        tone=Tone(frequency_hz=1e3, level_vrms=1.228), limit=Limit(kind="below", unit="F", high=1e-10),
        options=CouplingCapacitanceOptions.model_construct(frequencies=HZ, coupling="crosstalk"),
        states=(IDLE,),
    )  # fmt: skip
    job = replace(job, sequence=replace(job.sequence, checks=(asked,)))
    plan = build_plan(job, impedances=BenchImpedances())
    numbers = {acquisition.number: acquisition.setup for acquisition in plan.acquisitions}
    setups = {setup.name: setup for setup in job.fixture.setups}
    return tuple((reading, setups[numbers[reading.captures[0]]]) for reading in plan.readings)


def solved(name: str, setup: Setup, farads: tuple[float, float], folder: Path) -> np.ndarray:
    """Transfers by ngspice, with a capacitor between the channels' hot and cold legs at the output."""
    job = load_job(SEQUENCES / name)
    block = from_elements(build_circuit(job.module, job.fixture, setup, IDLE, BenchImpedances()))
    extra = tuple(
        ("C", *(pin_name(node_name(channel, "out", leg)) for channel in ("left", "right")), repr(value))
        for leg, value in zip(LEGS, farads, strict=True)
    )
    whole = Block(
        lines=(*block.lines, *extra), drive=block.drive, source_ohm=block.source_ohm, view=block.view
    )
    return transfers([whole], HZ, folder)[0]


def seen(values: np.ndarray) -> Transfer:
    """The transfers of all legs, with noise on each."""
    parts = tuple(
        Component(
            name="noise",
            origin="noise",
            source=f"{row} {part}",
            delta=np.full(2, NOISE) * unit * _row(row, len(values)),
        )
        for row in range(len(values))
        for part, unit in (("re", 1), ("im", 1j))
    )
    return Transfer(values=values, components=parts, phase_known=True, polarity_known=True)


def _row(row: int, rows: int) -> np.ndarray:
    return np.asarray(np.eye(rows)[row][:, np.newaxis])


@pytest.mark.parametrize("name", ["two_loop_switcher", "source_selector", "stepped_attenuator"])
@pytest.mark.parametrize("farads", [(3.3e-12, 3.3e-12), (2e-12, 6e-12)])
def test_known_capacitors_between_the_channels_come_back(
    name: str, farads: tuple[float, float], tmp_path: Path
) -> None:
    readings = planned(name)
    assert {driven_channel(one) for one, _ in readings} == {"left", "right"}
    one, setup = next(result for result in readings if driven_channel(result[0]) == "left")
    assert one.given.load is not None
    result = solved(name, setup, farads, tmp_path)
    looks = [
        PortTransfer(transfer=seen(values), view=view)
        for view, values in zip(one.given.views, result, strict=True)
    ]
    made = coupling_capacitance(looks, replace(one.given.load, standard_ohm=0.0))
    # Unlike legs: each carries half of the pair's drive, so that their mean is what couples.
    assert made.capacitance_f.value == pytest.approx(sum(farads) / 2, rel=0.02)
    assert made.slope_db_per_octave is not None
    assert made.slope_db_per_octave.value == pytest.approx(6.02, abs=0.1)
