"""How the steady quantities are planned: sources, swapped inputs, frequencies; and dry before loud."""

from dataclasses import replace
from pathlib import Path

import pytest

from harness.circuit.elements import BenchImpedances
from harness.errors import JobError
from harness.job.job import Job, load_job
from harness.job.sequence import Check, Tone
from harness.job.state import State
from harness.plan.build import build_plan, is_low_level
from harness.plan.model import Plan
from harness.quantities.registry import QUANTITIES
from harness.reading import Limit

ROOT = Path(__file__).resolve().parents[2]
SEQUENCES = ROOT / "sequences"
WITH_PARTNERS = ROOT / "tests" / "frozen" / "jobs" / "two_loop_switcher"  # setups twice, with inputs swapped
IDLE = State(on=())


def job_with(name: str | Path, *checks: Check) -> Job:
    job = load_job(SEQUENCES / name)
    return replace(job, sequence=replace(job.sequence, checks=checks))


def check(name: str, limit: Limit, **more: object) -> Check:
    """more: options of the quantity."""
    quantity = QUANTITIES[name]
    return Check(
        name=name,
        quantity=quantity,
        at=("out",),
        tone=Tone(frequency_hz=1e3, level_vrms=1.228),
        limit=limit,
        options=quantity.options(**more),
        line=1,
        states=(IDLE,),
    )


def planned(job: Job) -> Plan:
    return build_plan(job, impedances=BenchImpedances())


DB = Limit(kind="above", unit="dB", low=40.0)
OHM = Limit(kind="below", unit="ohm", high=2.4)


@pytest.mark.parametrize("name", ["two_loop_switcher", "source_selector", "stepped_attenuator"])
def test_nothing_louder_than_a_contact_bears_comes_before_the_last_dry_record(name: str) -> None:
    plan = planned(load_job(SEQUENCES / name))
    kinds = [is_low_level(acquisition.stimulus) for acquisition in plan.acquisitions]
    assert any(kinds)
    assert kinds == sorted(kinds, reverse=True)
    louder = next(index for index, visit in enumerate(plan.visits) if any(
        not is_low_level(acquisition.stimulus) for state in visit.states for acquisition in state.acquisitions
    ))  # fmt: skip
    assert not any(visit.cycles for visit in plan.visits[louder:])


def test_a_response_has_a_reading_for_each_frequency_but_the_one_it_refers_to() -> None:
    hz = (20.0, 1000.0, 20_000.0)
    plan = planned(
        job_with("stepped_attenuator", check("response", DB, frequencies=[f"{each} Hz" for each in hz]))
    )
    assert {reading.measurand.frequency_hz for reading in plan.readings} == {20.0, 20_000.0}
    assert {stimulus.frequency_hz for stimulus in plan.stimuli} == set(hz)


def test_rejection_and_balance_are_taken_both_ways_round_where_the_fixture_can() -> None:
    plan = planned(
        job_with(WITH_PARTNERS, check("common_mode_rejection", DB), check("leg_gain_difference", DB))
    )
    setups = {acquisition.number: acquisition.setup for acquisition in plan.acquisitions}
    for reading in plan.readings:
        one, other = (setups[number] for number in reading.captures)
        assert other == f"{one}, scope inputs swapped"


def test_an_unequal_source_is_taken_with_either_leg_unlike() -> None:
    plan = planned(job_with(WITH_PARTNERS, check("common_mode_rejection", DB, source="unequal")))
    setups = {acquisition.number: acquisition.setup for acquisition in plan.acquisitions}
    for reading in plan.readings:
        names = [setups[number] for number in reading.captures]
        assert [("10 ohm in hot" in name, "10 ohm in cold" in name) for name in names] == [
            (True, False), (True, False), (False, True), (False, True),
        ]  # fmt: skip


def test_with_a_swapped_through_setup_one_record_is_enough() -> None:
    plan = planned(
        job_with("two_loop_switcher", check("common_mode_rejection", DB), check("leg_gain_difference", DB))
    )
    assert [setup.inputs_swapped for setup in plan.throughs] == [False, True]
    assert not any(visit.setup.inputs_swapped for visit in plan.visits)
    assert {len(reading.captures) for reading in plan.readings} == {1}


def test_the_attenuators_path_lies_between_a_hundred_and_six_hundred_ohm() -> None:
    plan = planned(job_with("stepped_attenuator", check("contact_resistance", OHM)))
    for reading in plan.readings:
        assert reading.given.source is not None
        assert reading.given.load is not None
        assert reading.given.source.ohm == 100.0
        # 2 x 300 ohm of load and 2 x 1 Mohm of scope, side by side
        assert reading.given.load.ohm == pytest.approx(600 * 2e6 / (2e6 + 600), rel=1e-4)


@pytest.mark.parametrize("name", ["two_loop_switcher", "source_selector"])
def test_a_path_with_other_parts_in_it_is_refused_as_not_observable(name: str) -> None:
    with pytest.raises(JobError, match="not observable here: in state idle"):
        planned(job_with(name, check("contact_resistance", OHM)))


def test_a_capacitance_is_read_where_one_open_contact_couples() -> None:
    limit = Limit(kind="below", unit="F", high=1e-11)
    state = State(on=("select_low",))
    plan = planned(
        job_with(
            "source_selector",
            replace(check("coupling_capacitance", limit), states=(state,)),
        )
    )
    # Source 1 lies behind one open contact, source 4 too; source 2 is through, source 3 behind two in a row.
    setups = {acquisition.number: acquisition.setup for acquisition in plan.acquisitions}
    sources = {setups[reading.captures[0]].split(" source ")[1][0] for reading in plan.readings}
    assert sources == {"1", "4"}
    for reading in plan.readings:
        assert reading.given.load is not None
        assert reading.given.load.ohm == pytest.approx(
            50.0, rel=0.03
        )  # both legs' 50 ohm, less the loads' share
