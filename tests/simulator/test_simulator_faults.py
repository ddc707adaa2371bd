"""Faults done to the simulated unit: each is the physical thing that its name says."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.job.faults import Fault, parse_fault, single_faults
from harness.job.job import Job, load_job
from simulator.circuit import Network
from simulator.dynamics import OPERATED, RELEASED, SupplySetting, energised, supply_state
from simulator.faults import apply
from simulator.unit import build
from simulator.wiring import Leads, connect

JOBS = ("two_loop_switcher", "source_selector", "stepped_attenuator", "monitor_panel")
SEQUENCES = Path(__file__).parents[2] / "sequences"
ON = SupplySetting(voltage_v=12.0, limit_a=0.4, on=True)
INSERT, OUTPUTS = "insert", "outputs"


def levels(
    job: Job, faults: tuple[Fault, ...], setup_name: str, on: Sequence[Any] = (), hz: float = 1000.0
) -> NDArray[np.complex128]:
    """Volts at the scope's inputs (rows) per volt of the hot and cold e.m.f. (columns)."""
    wrong = apply(faults, job.module)
    built = build(job.module, "F1", wrong.damage)
    setup = next(h for h in job.fixture.setups if h.name == setup_name)
    parts = connect(
        job.module,
        job.fixture,
        built,
        plugs=wrong.plugs,
        setup=setup,
        leads=Leads(inputs=4, probe=1.0, seed=1),
    )
    controls = energised(job.module, built, frozenset(on))
    positions = [
        [built.held.get(relay.name, OPERATED if relay.control in controls else RELEASED)] * len(relay.poles)
        for relay in job.module.relays
    ]
    return Network(parts).solve_at(built.closed(positions), (True, True), (hz,))[0, : len(parts.probes), :2]


@pytest.fixture(scope="module")
def job(job_folder: Path) -> Job:
    return load_job(job_folder)


def faulty(job: Job, name: str, setup: str, on: Sequence[Any] = ()) -> NDArray[np.complex128]:
    return levels(job, parse_fault(name, job.module, job.fixture), setup, on)


@pytest.mark.parametrize("name", JOBS)
def test_every_kind_of_fault_of_the_shipped_jobs_can_be_put_in(name: str) -> None:
    job = load_job(SEQUENCES / name)
    setup = next(h.name for h in job.fixture.setups if not h.through)
    of_a_kind = {fault.kind: fault for fault in single_faults(job.module, job.fixture)}
    assert len(of_a_kind) > 10
    for fault in of_a_kind.values():
        assert np.isfinite(levels(job, (fault,), setup)).all(), fault.name


def test_a_broken_leg_into_a_floating_load_copies_the_other_leg() -> None:
    """Closed form: 10 Mohm/(10 Mohm + 10 kohm) is -0.009 dB, 1 Mohm/(1 Mohm + 10 kohm) is -0.086 dB."""
    job = load_job(SEQUENCES / "two_loop_switcher")
    setup = "drive left, view both outputs"
    good = levels(job, (), setup)
    broken = faulty(job, "left.out.cold open", setup)
    copy_db = 20 * np.log10(abs(broken[1, 0] / good[0, 0]))
    assert copy_db == pytest.approx(-0.09, abs=0.09)
    assert abs(np.angle(broken[1, 0] / good[0, 0], deg=True)) < 1
    assert abs(broken[1, 1]) < 1e-3  # nothing of its own


@pytest.mark.parametrize("setup", [OUTPUTS, "by hand"])
def test_a_good_unit_drives_its_own_legs(job: Job, setup: str) -> None:
    seen = abs(levels(job, (), setup))
    assert seen[0, 0] > 0.98
    assert seen[1, 1] > 0.98


def test_legs_swapped_swap_hot_and_cold(job: Job) -> None:
    seen = abs(faulty(job, "left.out legs swapped", OUTPUTS))
    assert seen[0, 1] > 0.98
    assert seen[1, 0] > 0.98
    assert seen[0, 0] < 1e-3


def test_swapped_twice_is_straight_again(job: Job) -> None:
    seen = abs(faulty(job, "left.out legs swapped + left.in legs swapped", OUTPUTS))
    assert seen[0, 0] > 0.98


def test_channels_swapped_bring_the_tone_to_the_other_channel(job: Job) -> None:
    seen = abs(faulty(job, "out channels swapped", OUTPUTS))
    assert seen[2, 0] > 0.98
    assert seen[0, 0] < 1e-3


def test_a_grounded_leg_is_silent_and_the_other_is_not(job: Job) -> None:
    """That leg lies below -60 dB: own limit, no source."""
    seen = faulty(job, "left.out.hot grounded", OUTPUTS)
    assert 20 * np.log10(abs(seen[0, 0])) < -60
    assert abs(seen[1, 1]) > 0.98


def test_shorted_legs_leave_the_share_of_each(job: Job) -> None:
    """Equal sources on one node: half of each leg's e.m.f., the difference below -60 dB."""
    seen = faulty(job, "left.out legs shorted", OUTPUTS)
    assert abs(seen[0]) == pytest.approx(0.5, abs=0.01)
    assert 20 * np.log10(abs(seen[0, 0] - seen[1, 0])) < -60


def test_bridged_channels_share_a_leg(job: Job) -> None:
    """The other channel's source is not connected here: it shows the whole signal."""
    seen = faulty(job, "out.hot bridged", OUTPUTS)
    assert abs(seen[2, 0]) == pytest.approx(abs(seen[0, 0]), rel=1e-3)


@pytest.mark.parametrize(
    ("fault", "on", "expected"),
    [  # idle route 0.99; insert route through 1 kohm 0.83; an open contact nearly nothing
        ("K1 never operates", (INSERT,), 0.99),
        ("K1 coil open", (), 0.99),
        ("K1 always operated", (), 0.826),
        ("control line insert dead", (INSERT,), 0.99),
        ("control lines insert and mute swapped", (INSERT,), 0.0),
        ("K1.1.hot stuck released", (INSERT,), 0.99),
        ("K1.1.hot stuck operated", (), 0.826),
        ("K1.1.hot released stuck open", (), 0.0),
        ("K1.1.hot released 50 ohm", (), 0.9804),
        ("left.plug missing", (INSERT,), 0.0),
        ("left.in.hot open", (), 0.0),
        ("R1.hot shorted", (INSERT,), 0.99),
        ("R1.hot open", (INSERT,), 0.0),
        ("R1.hot tenfold", (INSERT,), 0.332),
        ("R1.hot a tenth", (INSERT,), 0.971),
    ],
)
def test_a_fault_changes_the_route_as_it_must(job: Job, fault: str, on: tuple[str], expected: float) -> None:
    """5 kohm a leg behind 50 ohm: 0.990; with 1 kohm more 0.826, with 10 kohm 0.332 (divider rule)."""
    seen = faulty(job, fault, OUTPUTS, on)
    assert abs(seen[0, 0]) == pytest.approx(expected, abs=0.006)


def test_a_crossed_plug_inverts_the_insert(job: Job) -> None:
    seen = abs(faulty(job, "left.plug legs swapped", OUTPUTS, (INSERT,)))
    assert seen[0, 1] == pytest.approx(0.826, abs=0.006)


def test_a_stuck_closed_contact_joins_both_throws() -> None:
    job = load_job(SEQUENCES / "two_loop_switcher")
    setup = "drive left, view both outputs"
    states = [levels(job, (), setup, on)[0, 0] for on in ((), ("loop_a",))]
    welded = faulty(job, "K1.1.hot released stuck closed", setup, ("loop_a",))[0, 0]
    assert abs(welded - states[1]) > 0.01


def test_the_plugs_of_two_channels_swapped() -> None:
    """Left then reads as right does, but for the idle loop B, whose own plug loads the line a little."""
    job = load_job(SEQUENCES / "two_loop_switcher")
    left, right = "drive left, view both outputs", "drive right, view both outputs"
    swapped = faulty(job, "pad_a channels swapped", left, ("loop_a",))
    assert abs(swapped[0, 0]) == pytest.approx(abs(levels(job, (), right, ("loop_a",))[0, 0]), rel=0.02)
    assert abs(swapped[0, 0]) < 0.9 * abs(levels(job, (), left, ("loop_a",))[0, 0])


@pytest.mark.parametrize(
    ("fault", "coils"),
    [("K1 coil open", 1), ("K1 never operates", 2), ("control line insert dead", 0), ("K3 coil open", 2)],
)
def test_the_current_tells_coils_from_mechanics(job: Job, fault: str, coils: int) -> None:
    wrong = apply(parse_fault(fault, job.module, job.fixture), job.module)
    built = build(job.module, "F1", wrong.damage)
    state = supply_state(job.module, built, ON, energised(job.module, built, frozenset({INSERT})))
    assert state.current_a == pytest.approx(0.005 + coils * 12 / 1028, rel=0.05)
    assert state.voltage_v == ON.voltage_v  # not limiting


def test_values_stay_within_what_the_type_allows(job: Job) -> None:
    for serial in range(20):
        built = build(job.module, f"V{serial}", apply((), job.module).damage)
        kinds = [relay.type for relay in job.module.relays]
        assert all(0.05 <= contact.closed_ohm <= 0.1 for contact in built.contacts)
        for kind, timing in zip(kinds, built.timings, strict=True):
            assert 0 < timing.gap_s < timing.operate_s <= kind.operate_max_s
            assert timing.release_s <= kind.release_max_s
            assert timing.bounce_s <= kind.bounce_max_s
        assert all(abs(r.value / 1000 - 1) <= 0.01 for r in built.resistors)
