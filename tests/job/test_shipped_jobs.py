"""The shipped jobs load, and say what their READMEs draw."""

from itertools import pairwise
from pathlib import Path

import pytest

from harness.bench_file import load_bench
from harness.job.job import Job, load_job
from harness.job.module import GROUND, Part
from tests.known import known

SEQUENCES = Path(__file__).parents[2] / "sequences"
EVERY_STATE = ("two_loop_switcher", "source_selector", "stepped_attenuator")  # is in their sequences
JOBS = (*EVERY_STATE, "monitor_panel")


@pytest.fixture(params=JOBS)
def job(request: pytest.FixtureRequest) -> Job:
    return load_job(SEQUENCES / request.param)


@pytest.mark.parametrize("name", EVERY_STATE)
def test_a_shipped_job_loads_with_all_its_states_and_the_supply_off(name: str) -> None:
    job = load_job(SEQUENCES / name)
    assert len(job.sequence.states) == 2 ** len(job.module.control_names) + 1
    assert job.sequence.states[-1].name == "unpowered"
    assert {file.name for file in job.files} == {"module.toml", "fixture.toml", "sequence.toml", "bench.toml"}


@pytest.mark.parametrize("name", EVERY_STATE)
def test_one_line_changes_from_each_state_to_the_next(name: str) -> None:
    job = load_job(SEQUENCES / name)
    powered = [set(state.on) for state in job.sequence.states if state.powered]
    assert all(len(here ^ there) == 1 for here, there in pairwise(powered))


def test_the_bench_file_holds_documentation_addresses_only(job: Job) -> None:
    # RFC 5737 keeps 192.0.2.0/24 for documentation.
    bench = known(job.bench)
    instruments = (bench.generator, bench.oscilloscope, bench.supply)
    assert all("192.0.2." in instrument.address for instrument in instruments)
    assert load_bench(job.folder / "bench.toml") == job.bench


def test_a_cheap_board_of_sixteen_channels_is_enough(job: Job) -> None:
    selected = [channel for setup in job.fixture.setups for channel in known(setup.select)]
    assert max([*job.fixture.controls.values(), *selected]) <= 16


def test_the_supply_can_feed_every_coil_at_once(job: Job) -> None:
    module = job.module
    coils = sum(module.supply.voltage_v / relay.type.coil_ohm for relay in module.relays)
    assert coils + module.supply.quiescent_a < module.supply.limit_a


def test_the_switcher_has_one_pole_for_each_leg_of_ten_relays() -> None:
    module = load_job(SEQUENCES / "two_loop_switcher").module
    assert [relay.name for relay in module.relays[:4]] == ["K1", "K6", "K2", "K7"]
    assert [pole.name for pole in module.relays[0].poles] == ["K1.1.hot", "K1.1.cold"]
    pole = module.relays[1].poles[1]
    assert (pole.common, pole.released, pole.operated) == (
        "right.a_out.cold",
        "right.a_send.cold",
        "right.a_return.cold",
    )


def test_every_leg_of_every_coded_plug_differs_from_every_other() -> None:
    loopbacks = load_job(SEQUENCES / "two_loop_switcher").fixture.loopbacks
    series = [
        leg.series_ohm
        for loopback in loopbacks.values()
        for legs in known(loopback.legs).values()
        for leg in legs.values()
    ]
    assert len(set(series)) == 8


def test_measured_plugs_replace_the_nominal_resistors() -> None:
    loopback = load_job(SEQUENCES / "two_loop_switcher").fixture.loopbacks["pad_a"]
    assert (loopback.plug, loopback.tolerance) == ("A1", 0.001)
    assert known(loopback.legs)["left"]["hot"].series_ohm == pytest.approx(391.2)


def test_muting_grounds_the_selectors_output() -> None:
    module = load_job(SEQUENCES / "source_selector").module
    mute = next(relay for relay in module.relays if relay.name == "K5")
    assert [pole.operated for pole in mute.poles] == [GROUND, GROUND]


def test_parts_stand_once_for_each_leg_and_once_across_a_pair() -> None:
    resistors = load_job(SEQUENCES / "source_selector").module.resistors
    assert resistors[0] == Part(
        name="R1.hot", a="left.bus.hot", b="left.dim_pad.hot", value=2700.0, tolerance=0.001
    )
    assert [part.name for part in resistors] == [
        *("R1.hot", "R1.cold", "R11.hot", "R11.cold"),
        *("R2.hot", "R2.cold", "R12.hot", "R12.cold"),
    ]


@pytest.mark.parametrize("step_db", [1, 2, 4, 8, 16, 32])
def test_the_attenuators_pads_are_the_nearest_e192_values(step_db: int) -> None:
    # T pad of 600 ohm (microwaves101.com): R1 = Z(K-1)/(K+1), R2 = 2ZK/(K²-1); an H arm is half of R1,
    # and a shunt whose middle is grounded is half of R2 on each leg.
    ratio = 10 ** (step_db / 20)
    arm, shunt = 300 * (ratio - 1) / (ratio + 1), 600 * ratio / (ratio**2 - 1)
    parts = load_job(SEQUENCES / "stepped_attenuator").module.resistors
    mid = f"left.pad_{step_db}_mid"
    arms = [part.value for part in parts if part.a == f"left.pad_{step_db}_in.hot"]
    shunts = [part.value for part in parts if part.a == f"{mid}.hot" and part.b == GROUND]
    assert arms == pytest.approx([arm], rel=0.007)  # E192 steps are 1.2 %
    assert shunts == pytest.approx([shunt], rel=0.007)


def test_every_section_of_the_attenuator_switches_its_legs_with_a_relay_each() -> None:
    relays = load_job(SEQUENCES / "stepped_attenuator").module.relays
    assert len(relays) == 24
    assert all(len({pole.leg for pole in relay.poles}) == 1 and len(relay.poles) == 2 for relay in relays)
