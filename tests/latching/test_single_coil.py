"""Latching relays with one coil, driven in either polarity: the line selector with such relays."""

import pytest

from harness.circuit.elements import BenchImpedances
from harness.errors import JobError
from harness.faults.coverage import judge_faults
from harness.faults.effects import armature, operated_relays, side_of, supply_current_a
from harness.job.faults import Fault, single_faults
from harness.job.job import Job, load_job
from harness.job.state import all_states
from harness.plan.build import build_plan
from harness.plan.pulses import control_line_states, held
from simulator import dynamics
from simulator.dynamics import RELEASED, SupplySetting
from simulator.faults import apply
from simulator.unit import build
from tests.jobs import edit
from tests.latching.selector import selector_in
from tests.latching.test_latching_faults import Unit

LATCHING = ("K1", "K2", "K3")


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    folder = selector_in(tmp_path_factory.mktemp("single") / "job", states=[])
    for control in ("reserve_off", "clear"):
        line = f'reset_control = "{control}"\n'
        edit(folder / "module.toml", line, f"{line}single_coil = true\n", every=True)
    return load_job(folder)


def coil_faults(job: Job) -> list[Fault]:
    every = single_faults(job.module, job.fixture)
    return [fault for fault in every if "coil" in fault.kind and fault.subject in LATCHING]


def test_one_coil_is_open_or_shorted_whichever_line_drives_it(job: Job) -> None:
    names = [fault.name for fault in coil_faults(job)]
    kinds = ("open", "open, stays set", "shorted")
    assert names == [f"{relay} coil {kind}" for relay in LATCHING for kind in kinds]


def test_relays_stand_and_draw_as_the_simulators_do(job: Job) -> None:
    """A run with a shorted coil ends before the first state."""
    module, states = job.module, all_states(job.module.state_controls)
    for fault_set in ((), *((fault,) for fault in coil_faults(job))):
        side = side_of(fault_set)
        unit = Unit(fault_set, RELEASED, module)
        for state in control_line_states(module):
            unit.drive(*held(module, state))
            assert supply_current_a(module, state, fault_set) == pytest.approx(unit.current_a, rel=0.05)
        for state, stands in unit.walk(states) if "shorted" not in str(fault_set) else ():
            operated = operated_relays(module, state, side)
            assert stands == {name: armature(name, operated[name], side) for name in stands}, state.name


def test_with_both_ends_on_the_supply_no_current_flows(job: Job) -> None:
    module = job.module
    built = build(module, "OB-1", apply([], module).damage)
    setting = SupplySetting(voltage_v=12.0, limit_a=0.2, on=True)
    both = dynamics.supply_state(module, built, setting, frozenset({"reserve_on", "reserve_off"}))
    assert both.current_a == pytest.approx(module.supply.quiescent_a)


def test_the_sequence_detects_every_fault_of_these_coils(job: Job) -> None:
    plan = build_plan(job, impedances=BenchImpedances())
    assert [each.name for each in judge_faults(job, plan, coil_faults(job)) if not each.seen] == []


def test_a_relay_that_does_not_latch_has_no_second_polarity(job: Job) -> None:
    edit(job.folder / "module.toml", 'control = "mute"\n', 'control = "mute"\nsingle_coil = true\n')
    with pytest.raises(JobError) as caught:
        load_job(job.folder)
    assert [mistake.message for mistake in caught.value.mistakes] == [
        "is of a latching relay whose one coil is driven in either polarity; expected set_control and "
        "reset_control beside it, or no single_coil"
    ]
