"""Which faults a sequence detects: straight plugs against coded ones, and everything around it.

Shares of detected faults are this project's own figures, with no outside source: the bounds only say how
far they may drift.
"""

from dataclasses import replace
from pathlib import Path
from typing import Literal

import numpy as np
import pytest

from harness.circuit.elements import BenchImpedances
from harness.compose.additions import cheapest_additions
from harness.errors import UsageError
from harness.faults.changes import weigh_changes
from harness.faults.contact_levels import ContactLevels, with_loads
from harness.faults.coverage import (
    OVER_CURRENT,
    Coverage,
    cover,
    hard_faults,
)
from harness.faults.effects import FaultSet
from harness.faults.margins import CLEAR, SURE, over_currents, weigh_margins
from harness.faults.provable import tight_limits
from harness.faults.suggestions.minimal import smallest_plan
from harness.job.faults import Fault, parse_fault
from harness.job.job import Job, load_job
from harness.job.state import State
from harness.plan.build import build_plan
from harness.reading import Limit
from tests.known import known

SWITCHER = Path(__file__).parents[2] / "sequences" / "two_loop_switcher"
BENCH = BenchImpedances()


LEVELS = (
    "Route and gain",
    "Polarity",
    "Phase",
    "Leg gain difference",
    "Channel gain difference",
    "Crosstalk",
    "Relay current",
)


@pytest.fixture(scope="module")
def whole() -> Job:
    return load_job(SWITCHER)


@pytest.fixture(scope="module")
def shipped(whole: Job) -> Job:
    """The shipped sequence's levels and currents, without what its checks of changes of state would add."""
    checks = tuple(check for check in whole.sequence.checks if check.name in LEVELS)
    return replace(whole, sequence=replace(whole.sequence, checks=checks))


@pytest.fixture(scope="module")
def by_hand() -> Job:
    return load_job(
        SWITCHER,
        sequence_file=SWITCHER / "by_hand_sequence.toml",
        fixture_file=SWITCHER / "by_hand_fixture.toml",
    )


@pytest.fixture(scope="module")
def shipped_coverage(shipped: Job) -> Coverage:
    return cover(shipped, build_plan(shipped, impedances=BENCH))


@pytest.fixture(scope="module")
def hand_coverage(by_hand: Job) -> Coverage:
    return cover(by_hand, build_plan(by_hand, impedances=BENCH))


def share(coverage: Coverage) -> float:
    return len(coverage.seen) / len(coverage.faults)


def unseen_names(coverage: Coverage) -> set[str]:
    return {one.fault.name for one in coverage.unseen}


def test_the_levels_of_the_shipped_sequence_see_nearly_every_hard_fault(shipped_coverage: Coverage) -> None:
    assert len(shipped_coverage.faults) >= 200
    assert share(shipped_coverage) >= 0.98


def test_a_welded_contact_leaves_no_gap(whole: Job, shipped_coverage: Coverage) -> None:
    """What no level shows, the checks of changes of state do: a contact that doesn't let go."""
    plan = build_plan(whole, impedances=BENCH)
    left = [(one.fault,) for one in shipped_coverage.unseen]
    result = weigh_changes(whole, plan, [*left, (), _named(whole, "K3 coil open")])
    assert all(one is not None and one.by.startswith("transfer time at ") for one in result[: len(left)])
    assert result[len(left)] is None  # a good unit breaks nothing of it
    assert result[-1] is None  # that relay's pole alone changes no level of the output by so much


def test_a_relay_that_never_moves_has_no_operate_time(whole: Job) -> None:
    plan = build_plan(whole, impedances=BENCH)
    (result,) = weigh_changes(whole, plan, [_named(whole, "K1 never operates")])
    assert known(result).by == "operate time at left.out, idle > loop_a"


def test_without_a_line_in_view_a_record_without_a_change_is_no_evidence(whole: Job) -> None:
    """A switchboard that is late shows the same; a welded contact, beside which others move, does not."""
    setups = tuple(replace(setup, controls_viewed={}) for setup in whole.fixture.setups)
    job = replace(whole, fixture=replace(whole.fixture, setups=setups))
    plan = build_plan(job, impedances=BENCH)
    welded = _named(job, "K1.1.hot released stuck closed")
    still, gapless = weigh_changes(job, plan, [_named(job, "control line loop_a dead"), welded])
    assert still is None
    assert known(gapless).by.startswith("transfer time at left.out.hot")


def test_what_is_not_seen_has_a_reason_and_a_remedy(shipped: Job, shipped_coverage: Coverage) -> None:
    """A contact welded onto a dead stub adds no route, so no level changes by more than its limit."""
    assert all("stuck closed" in name for name in unseen_names(shipped_coverage))
    assert all(
        ("expanded uncertainties" if one.is_barely_seen else "its largest effect is") in one.why
        for one in shipped_coverage.unseen
    )
    unseen = [one.fault for one in shipped_coverage.unseen]
    additions = cheapest_additions(shipped, unseen, impedances=BENCH)
    assert sum(len(addition.sees) for addition in additions) == len(unseen)
    assert additions[0].description == '"Route and gain" within "tolerance"'
    assert additions[0].cost_s == 0.0


def test_plain_plugs_and_output_probes_miss_what_matters(hand_coverage: Coverage) -> None:
    """About half of the faults pass the test by hand; own limits, no source."""
    assert 0.44 < share(hand_coverage) < 0.70
    missed = unseen_names(hand_coverage)
    for relay in ("K1", "K2", "K3", "K5", "K6", "K7", "K8", "K10"):
        assert f"{relay} never operates" in missed
    assert "K1 always operated" in missed
    assert "control lines loop_a and loop_b swapped" in missed


def test_a_loop_relay_that_never_moves_changes_nothing_with_straight_plugs(hand_coverage: Coverage) -> None:
    reasons = {one.fault.name: one.why for one in hand_coverage.unseen}
    assert reasons["K1 never operates"] == "changes nothing that the sequence measures"
    assert "supply current" in reasons["control line loop_a dead"]


def test_unequal_pads_are_what_the_hand_test_lacks(by_hand: Job, hand_coverage: Coverage) -> None:
    unseen = [one.fault for one in hand_coverage.unseen][::8]
    additions = cheapest_additions(by_hand, unseen, impedances=BENCH)
    first, *more = additions
    assert first.description.startswith("coded plugs")
    with_them = [addition for addition in more if addition.description.startswith("with these plugs")]
    assert sum(len(addition.sees) for addition in (first, *with_them)) > 0.9 * len(unseen)


def test_faults_that_read_alike_are_told_of_together(shipped_coverage: Coverage) -> None:
    groups = [set(group) for group in shipped_coverage.groups]
    assert {"K1.1.hot operated stuck open", "left.a_return.hot open"} in groups  # the same wire, broken
    assert {"left.a_return legs swapped", "left.pad_a legs swapped"} in groups
    assert shipped_coverage.distinct > 200
    counted = sum(map(len, groups)) + shipped_coverage.distinct - len(groups)
    assert counted == len(shipped_coverage.seen)


def test_a_shorted_coil_stops_the_run_before_the_plan(shipped: Job, shipped_coverage: Coverage) -> None:
    by = {fault.fault.name: fault.by for fault in shipped_coverage.faults}
    assert by["K3 coil shorted"] == OVER_CURRENT
    wrong = [_named(shipped, "control lines loop_a and swap swapped"), _named(shipped, "K3 coil open")]
    (swapped, state), (coil_open, _) = over_currents(shipped.module, wrong, coverage_factor=2.0)
    assert (swapped > SURE, state) == (True, "loop_a")
    assert coil_open < SURE


def _named(job: Job, name: str) -> FaultSet:
    return next((fault,) for fault in hard_faults(job) if fault.name == name)


def test_every_contact_has_the_least_resistance_that_is_seen(
    shipped: Job, shipped_coverage: Coverage
) -> None:
    """Closed form: 10 ohm more behind 100 ohm into 10 kohm is 20 lg(1 + 10/10100) = 0.0086 dB: ohms hide."""
    result = {contact.contact: contact.smallest_seen_ohm for contact in shipped_coverage.contacts}
    assert len(result) == 40
    assert all(ohm is not None and 10 < ohm < 200 for ohm in result.values())
    plan = build_plan(shipped, impedances=BENCH)
    wanted = known(result["K5.1.hot released"])
    for factor, seen in ((0.8, False), (1.0, True)):
        fault = _resistive("K5.1.hot", "released", factor * wanted)
        made = weigh_margins(shipped, plan, [fault])
        assert (made.best[0] >= SURE) == seen


def _resistive(pole: str, throw: Literal["released", "operated"], ohm: float) -> Fault:
    return Fault(kind="throw resistance", subject=pole, throw=throw, resistance_ohm=ohm)


def test_a_heavier_load_shows_smaller_resistances(shipped: Job, shipped_coverage: Coverage) -> None:
    best = min(known(contact.smallest_seen_ohm) for contact in shipped_coverage.contacts)
    (load,) = with_loads(shipped, [600.0], impedances=BENCH)
    assert len(load.least_ohm) == len(shipped_coverage.contacts)
    assert min(ohm for ohm in load.least_ohm if ohm is not None) < best


def test_bad_contacts_are_listed_at_three_resistances_and_counted_apart(shipped_coverage: Coverage) -> None:
    """And judged as the least resistance has it: what is seen at some ohms is seen at more."""
    least = {contact.contact: known(contact.smallest_seen_ohm) for contact in shipped_coverage.contacts}
    assert len(shipped_coverage.resistive) == 3 * len(least)
    assert not any(fault.fault.kind == "throw resistance" for fault in shipped_coverage.faults)
    for one in shipped_coverage.resistive:
        ohm = known(one.fault.resistance_ohm)
        assert ohm in (1.0, 10.0, 100.0)
        assert one.seen == (ohm >= least[f"{one.fault.subject} {one.fault.throw}"]), one.fault.name


def test_a_contact_that_no_state_uses_is_never_seen(shipped: Job) -> None:
    lone = replace(shipped.sequence, states=(State(on=()),))
    job = replace(shipped, sequence=lone)
    result = ContactLevels(job, build_plan(job, impedances=BENCH)).smallest_seen()
    assert {one.contact: one.smallest_seen_ohm for one in result}["K1.1.hot operated"] is None


def test_states_that_are_left_out_are_the_addition(shipped: Job) -> None:
    lone = replace(shipped.sequence, states=(State(on=()), State(on=("loop_a",))))
    job = replace(shipped, sequence=lone)
    faults = [fault for fault in hard_faults(job) if fault.subject == "K2" and "never" in fault.name]
    additions = cheapest_additions(job, faults, impedances=BENCH)
    assert additions[0].description.startswith("state loop_b: ")
    assert [fault.name for fault in faults] == list(additions[0].sees)


def test_a_limit_within_the_spread_of_good_parts_is_called_out(shipped: Job) -> None:
    narrow = Limit(kind="within", unit="dB", high=0.005)
    checks = tuple(
        replace(check, limit=narrow) if check.quantity.name == "leg_gain_difference" else check
        for check in shipped.sequence.checks
    )
    job = replace(shipped, sequence=replace(shipped.sequence, checks=checks))
    plan = build_plan(job, impedances=BENCH)
    tight = tight_limits(job, plan)
    assert tight
    assert all(one.reading.startswith("leg gain difference") and one.margin < 1 for one in tight)
    good = weigh_margins(job, plan, []).good
    assert [one.margin for one in tight] == pytest.approx(good[good < 1].tolist(), rel=0.02)


def test_good_units_keep_the_shipped_limits(shipped_coverage: Coverage) -> None:
    assert shipped_coverage.tight == ()


def test_the_fewest_steps_see_the_same(shipped: Job, shipped_coverage: Coverage) -> None:
    plan = build_plan(shipped, impedances=BENCH)
    shorter = smallest_plan(shipped, plan)
    assert shorter.proven
    assert shorter.seen == len(shipped_coverage.seen)
    assert shorter.after.acquisitions < shorter.before.acquisitions / 4
    assert sum(shorter.after.operations.values()) < sum(shorter.before.operations.values())
    made = weigh_margins(shipped, shorter.plan, hard_faults(shipped))
    assert int((made.best >= CLEAR).sum()) == shorter.seen
    first = shorter.plan.visits[0]
    without = replace(
        shorter.plan, visits=(replace(first, states=first.states[1:]), *shorter.plan.visits[1:])
    )
    kept = {a.number for a in without.acquisitions}
    judged = {state.state.name for visit in without.visits for state in visit.states if state.judges_supply}
    left = (
        r
        for r in without.readings
        if (set(r.captures) <= kept if r.captures else r.measurand.state in judged)
    )
    without = replace(without, readings=tuple(left))
    made = weigh_margins(shipped, without, hard_faults(shipped))
    assert int((made.best >= CLEAR).sum()) < shorter.seen


def test_a_sequence_that_sees_nothing_cannot_be_shortened(whole: Job, shipped: Job) -> None:
    offset = tuple(check for check in whole.sequence.checks if check.quantity.name == "dc_offset")
    job = replace(shipped, sequence=replace(shipped.sequence, checks=offset))
    plan = build_plan(job, impedances=BENCH)
    with pytest.raises(UsageError, match="detects no fault"):
        smallest_plan(job, plan)


@pytest.mark.parametrize(("name", "least"), [("source_selector", 0.98), ("stepped_attenuator", 0.9)])
def test_the_other_shipped_jobs_see_most_of_theirs(name: str, least: float) -> None:
    job = load_job(SWITCHER.parent / name)
    plan = build_plan(job, impedances=BENCH)
    faults = hard_faults(job)[::3]
    made = weigh_margins(job, plan, faults)
    seen = float((made.best >= CLEAR).mean())
    print(f"{name}: {100 * seen:.1f} % of {len(faults)} seen")
    assert seen > least - 0.03
    assert not np.isnan(made.margins).any()


def test_two_additions_are_found_where_neither_alone_would_help(by_hand: Job) -> None:
    # The dead relay shows where its loop is in circuit, and there only by unlike plugs.
    looks = tuple(check for check in by_hand.sequence.checks if check.quantity.name == "gain")
    job = replace(by_hand, sequence=replace(by_hand.sequence, states=(State(on=()),), checks=looks))
    (fault,) = parse_fault("K1 never operates", job.module, job.fixture)
    (addition,) = cheapest_additions(job, [fault], impedances=BENCH)
    assert addition.sees == ("K1 never operates",)
    first, second = addition.description.split(", and with it ")
    assert first.startswith(("coded plugs", "state "))
    assert second != first


def test_a_contact_resistance_check_sees_a_bad_contact_that_levels_would_let_pass() -> None:
    job = load_job(SWITCHER.parent / "stepped_attenuator")
    checks = tuple(check for check in job.sequence.checks if check.quantity.name == "contact_resistance")
    job = replace(job, sequence=replace(job.sequence, states=(State(on=()),), checks=checks))
    plan = build_plan(job, impedances=BENCH)
    pole = job.module.relays[0].poles[0].name
    margins = []
    for ohm in (0.1, 10.0, 100.0):
        fault = parse_fault(f"{pole} released {ohm} ohm", job.module, job.fixture)
        margins.append(weigh_margins(job, plan, [fault]).best[0])
    assert margins[0] < SURE < margins[1] < margins[2]
