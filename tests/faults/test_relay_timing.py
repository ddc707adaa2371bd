"""Readings of changes of state as evidence: a relay that is late, bounces too long or leaves no gap."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest

from harness.faults.changes import WRONG, RelayTiming, cost
from harness.faults.diagnosis import Diagnosis
from harness.faults.evidence import JudgedChange, Moved
from harness.job.faults import parse_fault
from harness.report.explanation import make_explanation
from tests.faults.laboratory import Laboratory


def diagnose(laboratory: Laboratory, wrong: Mapping[tuple[str, str, str], Moved], **more: Any) -> Diagnosis:
    """A good unit's levels; wrong: quantity, change of state and channel of readings that fail, and what
    they say.
    """
    changes = tuple(
        JudgedChange(
            reading=change_reading,
            moved=wrong.get(
                (
                    change_reading.quantity.name,
                    change_reading.measurand.state,
                    change_reading.measurand.channel,
                ),
                "fine",
            ),
        )
        for change_reading in laboratory.plan.change_readings
        if not change_reading.quantity.name.startswith("click")
    )
    good = laboratory.evidence("", "M-1")
    return laboratory.diagnoser.diagnose(replace(good, changes=changes, **more), double=False)


@pytest.mark.parametrize(
    ("quantity", "change", "moved", "name"),
    [
        ("operate_time", "idle > loop_a", "late", "K1 slow to operate"),
        ("release_time", "loop_a > idle", "late", "K1 slow to release"),
    ],
)
def test_a_late_change_names_the_relay_whose_contact_it_waits_for(
    laboratory: Laboratory, quantity: str, change: str, moved: Moved, name: str
) -> None:
    result = diagnose(laboratory, {(quantity, change, "left"): moved})
    assert result.groups[0].names == (name,)
    assert result.explained
    assert not result.says_good


def test_a_long_bounce_both_ways_names_the_relay(laboratory: Laboratory) -> None:
    wrong: dict[tuple[str, str, str], Moved] = {
        ("bounce_time", change, "right"): "bounces" for change in ("idle > loop_b", "loop_b > idle")
    }
    result = diagnose(laboratory, wrong)
    assert result.groups[0].names == ("K7 long bounce",)


def test_a_welded_contact_is_predicted_to_leave_no_gap(laboratory: Laboratory) -> None:
    job, plan = laboratory.job, laboratory.plan
    changes = tuple(
        JudgedChange(
            reading=change_reading,
            moved="still" if change_reading.measurand.where == "left.out.hot" else "fine",
        )
        for change_reading in plan.change_readings
        if change_reading.quantity.name == "transfer_time"
        and change_reading.measurand.state == "idle > loop_b"
    )
    relay_timing = RelayTiming(job, plan)
    welded = parse_fault("K2.1.hot operated stuck closed", job.module, job.fixture)
    assert cost(relay_timing.predicted(welded, changes), changes) == 0.0
    assert cost(relay_timing.predicted((), changes), changes) == WRONG


def test_changes_that_no_fault_explains_are_said_to_be_so(laboratory: Laboratory) -> None:
    wrong: dict[tuple[str, str, str], Moved] = {
        ("operate_time", "idle > loop_a", "left"): "late",
        ("release_time", "loop_b > idle", "right"): "late",
        ("bounce_time", "swap > idle", "left"): "bounces",
    }
    result = diagnose(laboratory, wrong)
    assert not result.explained


def test_what_no_circuit_predicts_is_said_to_stay_unexplained(laboratory: Laboratory) -> None:
    result = diagnose(laboratory, {}, unweighed={"noise": 2, "distortion": 1})
    assert result.says_good
    words = make_explanation(result, None, laboratory.job.module, laboratory.job.fixture)
    (remark,) = [text for text in words.remarks if text.startswith("Not explained here")]
    assert "2 readings of noise" in remark
    assert "1 reading of distortion" in remark
