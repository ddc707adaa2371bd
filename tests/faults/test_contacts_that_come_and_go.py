"""A contact that comes and goes, a control line operated again and again, and a record that is out of
line.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from harness.faults.diagnosis import Diagnosis
from harness.faults.evidence import Evidence, JudgedCycle, Missed
from harness.plan.model import Acquisition
from harness.records.run import Explanation
from harness.report.explanation import make_explanation
from tests.faults.laboratory import Laboratory

Failed = dict[tuple[str, str], tuple[float, Missed]]  # by control line and channel

HOT: Missed = frozenset({("operated", "hot leg")})


def mixed(
    laboratory: Laboratory, name: str, serial: str, moments: Callable[[Acquisition], object]
) -> Evidence:
    """One unit's evidence, with the fault in those acquisitions that `moments` chooses.

    Errors that the two have in common count as different ones, which makes them a little wider.
    """
    good, faulty = laboratory.evidence("", serial), laboratory.evidence(name, serial)
    there = np.array([bool(moments(each)) for each in good.acquisitions])
    assert there.any()
    assert not there.all()
    pick = there[:, None, None]
    return replace(
        good,
        values=np.where(pick, faulty.values, good.values),
        noise=np.where(pick, faulty.noise, good.noise),
        shared=np.concatenate([np.where(pick, 0, good.shared), np.where(pick, faulty.shared, 0)]),
    )


def cycles(laboratory: Laboratory, failed: Failed) -> tuple[JudgedCycle, ...]:
    """Every cycle of the plan; failed: line and channel of those with failures, and what is seen of them."""
    return tuple(
        JudgedCycle(cycle=cycle, failed=share, missed=missed, judged=share > 0.5)
        for visit in laboratory.plan.visits
        for cycle in visit.cycles
        for share, missed in [failed.get((cycle.given.control, cycle.measurand.channel), (0.0, frozenset()))]
    )


def words_of(laboratory: Laboratory, result: Diagnosis) -> Explanation:
    return make_explanation(result, None, laboratory.job.module, laboratory.job.fixture)


@pytest.mark.parametrize(("contact", "control"), [("K7.1.cold operated", "loop_b")])
def test_a_contact_that_is_open_in_some_records_is_named(
    laboratory: Laboratory, contact: str, control: str
) -> None:
    rng = np.random.default_rng(11)
    fault = f"{contact} stuck open"
    evidence = mixed(laboratory, fault, "I-1", lambda each: control in each.state.on and rng.random() < 0.5)
    result = laboratory.diagnose(evidence, double=False)
    assert result.groups[0].names[0] == f"{contact} intermittent"
    assert result.explained
    assert "conducts after some operations" in words_of(laboratory, result).groups[0].faults[0][1]


def test_operations_that_fail_now_and_then_name_the_contact_that_they_make(laboratory: Laboratory) -> None:
    """Released the load floats: whichever leg is open, both carry the same, and nothing is between them."""
    failed: Failed = {("loop_b", "right"): (0.3, frozenset({("released", "between the legs")}))}
    evidence = replace(laboratory.evidence("", "I-2"), cycles=cycles(laboratory, failed))
    result = laboratory.diagnose(evidence)
    assert set(result.groups[0].names) == {
        "K7.1.hot released intermittent",
        "K7.1.cold released intermittent",
    }
    assert result.explained
    assert not result.says_good


def test_operations_tell_the_contacts_of_one_path_apart(laboratory: Laboratory) -> None:
    """Open, K1's and K4's contacts look alike where both are in the path; only K1 moves with its line."""
    evidence = mixed(
        laboratory,
        "K1.1.hot operated stuck open",
        "I-3",
        lambda each: each.state.name == "loop_a" and each.setup == "drive left, view input and output",
    )
    failed: Failed = {("loop_a", "left"): (0.4, HOT)}
    alike = laboratory.diagnose(evidence, double=False)
    told = laboratory.diagnose(replace(evidence, cycles=cycles(laboratory, failed)), double=False)
    assert len(alike.groups[0].names) > 1
    assert "K1.1.hot operated intermittent" in alike.groups[0].names
    assert "with more operations" in words_of(laboratory, alike).next_probe
    assert told.groups[0].names == ("K1.1.hot operated intermittent",)


@pytest.mark.parametrize(
    ("name", "share", "left"),
    [
        ("K1 never operates", 0.5, {"intermittency": 1}),
        ("K3 never operates", 1.0, {"intermittency": 1}),
    ],
)
def test_a_relay_that_never_operates_explains_that_every_operation_failed(
    laboratory: Laboratory, name: str, share: float, left: dict[str, str | int]
) -> None:
    seen = tuple(
        replace(each, judged=bool(each.failed))
        for each in cycles(laboratory, {("loop_a", "left"): (share, HOT)})
    )
    result = laboratory.diagnose(replace(laboratory.evidence(name, "I-4"), cycles=seen), double=False)
    assert result.groups[0].names[0] == name
    assert result.unweighed == left
    message = any(text.startswith("Not explained here") for text in words_of(laboratory, result).remarks)
    assert message == bool(left)


@pytest.mark.parametrize("name", ["K2.1.cold stuck released", ""])
def test_one_record_out_of_line_is_left_out_and_told_of(laboratory: Laboratory, name: str) -> None:
    """As where the switchboard was late: in one record the unit still stands in the state before."""
    evidence = laboratory.evidence(name, "I-5")
    place = next(n for n, each in enumerate(evidence.acquisitions) if each.state.name == "swap")
    values = evidence.values.copy()
    values[place] = values[place - 1]
    assert evidence.acquisitions[place].setup == evidence.acquisitions[place - 1].setup
    result = laboratory.diagnose(replace(evidence, values=values), double=False)
    assert result.explained
    assert result.says_good == (not name)
    assert not name or result.groups[0].names == (name,)
    (note,) = result.notes
    assert note.startswith("One record agrees with no other and was left out: drive left")
    assert "state swap" in note
