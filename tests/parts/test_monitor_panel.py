"""The shipped monitor panel: what its parts make of a signal, in closed form, and how its job is composed."""

from math import log10

import numpy as np
import pytest

from harness.circuit.expand import build_circuit
from harness.circuit.predict import differential
from harness.circuit.solve import transfer
from harness.compose.composed import compose
from harness.job.fixture import PortName, Setup
from harness.job.job import load_job
from harness.job.state import parse_state
from tests.compose.bench_at_hand import at_the_bench
from tests.jobs import SHIPPED
from tests.parts.box import BENCH

JOB = load_job(SHIPPED / "monitor_panel")


def levels_db(view: list[str], state: str) -> list[float]:
    """Of the pairs in view with left source A driven, re the generator's e.m.f."""
    setup = Setup(name="try", drive=PortName.of("left.in_a"), view=tuple(map(PortName.of, view)))
    module = JOB.module
    on = parse_state(state, module.state_controls, sets=module.set_controls, resets=module.reset_controls)
    circuit = build_circuit(module, JOB.fixture, setup, on, BENCH)
    return [20 * log10(level) for level in np.abs(differential(transfer(circuit, (1e3, 1e3))))]


def test_the_line_is_six_decibels_above_the_source_less_what_its_load_takes() -> None:
    """100 ohm into 10 kohm; contacts and joints before the driver are 0.1 ohm in 48 kohm and more."""
    source_db, line_db = levels_db(["left.in_a", "left.line"], "idle")
    assert line_db - source_db == pytest.approx(6 + 20 * log10(10e3 / 10.1e3), abs=2e-3)


def test_both_monitors_have_the_same_sum() -> None:
    driven_db, other_db = levels_db(["left.monitor", "right.monitor"], "mono")
    assert other_db == pytest.approx(driven_db, abs=1e-6)


def test_the_sum_is_half_of_one_channel_behind_the_resistors() -> None:
    """Thevenin's theorem: half the volts behind 500 ohm a leg, into both monitors' 12 kohm."""
    stereo_db, other_db = levels_db(["left.monitor", "right.monitor"], "idle")
    assert other_db < -100
    mono_db, _ = levels_db(["left.monitor", "right.monitor"], "mono")
    assert mono_db - stereo_db == pytest.approx(20 * log10(1 / 2 * 6e3 / 7e3), abs=0.02)


def test_the_mute_hardly_loads_the_line() -> None:
    """It puts 2 kohm across the programme behind 100 ohm of the source, in place of 12 kohm."""
    muted_db = levels_db(["left.in_a", "left.line"], "mute")[1]
    idle_db = levels_db(["left.in_a", "left.line"], "idle")[1]
    assert 20 * log10((1 / 100 + 1 / 12e3) / (1 / 100 + 1 / 2e3)) == pytest.approx(
        muted_db - idle_db, abs=0.02
    )


def test_composed_again_the_job_stays_as_it_is_and_detects_all_that_shows() -> None:
    """340 faults of 352, as with the job that was written by hand before (by `switchwalk coverage`).

    The other twelve join the mono bus, or the other end of a summing resistor, to something while nothing
    else is on that bus.
    """
    made = compose(JOB.folder, at_the_bench(JOB.folder))
    assert {fate for file in made.files.values() for _, fate in file.fates} == {"kept"}
    assert len(made.promise.seen) == 340
    assert {fault.name.split(".")[0] for fault in made.promise.unseen} == {"K4", "K9"}
    assert made.promise.moves == 0
