"""A fault counts as detected if nearly every unit with it fails, whatever its parts and bench are like."""

from collections.abc import Iterator

import numpy as np
import pytest

from benchmarks.simulated_runs import Bench
from harness.circuit.elements import BenchImpedances
from harness.faults.coverage import FaultSeen, judge_faults
from harness.faults.margins import CLEAR, SURE, weigh_margins
from harness.job.faults import Fault, parse_fault
from harness.job.job import Job, load_job
from harness.plan.build import build_plan
from harness.plan.model import Plan
from tests.jobs import check_of, insert_switch, sequence

BENCH = BenchImpedances()
UNITS = 120
OHMS = np.geomspace(10.0, 1e4, 301)

Level = tuple[Job, Plan]


@pytest.fixture(scope="module")
def level(tmp_path_factory: pytest.TempPathFactory) -> Level:
    """One level behind a contact that may be bad."""
    folder = insert_switch(tmp_path_factory.mktemp("job"))
    checks = sequence(check_of("gain", within="0.3 dB"), level="0 dBu", states=["idle"], channels=["left"])
    (folder / "sequence.toml").write_text(checks, encoding="utf-8")
    job = load_job(folder)
    return job, build_plan(job, impedances=BENCH)


def bad_contact(job: Job, ohm: float) -> Fault:
    pole = next(relay for relay in job.module.relays if relay.poles[0].released).poles[0]
    (fault,) = parse_fault(f"{pole.name} released {ohm:g} ohm", job.module, job.fixture)
    return fault


def of_margin(level: Level, margin: float) -> FaultSeen:
    """The bad contact that is so far past the limit, between two that were tried."""
    job, plan = level
    margins = weigh_margins(job, plan, [bad_contact(job, ohm) for ohm in OHMS]).best
    first = int(np.argmax(margins > margin))
    steps = slice(first - 1, first + 1)
    ohm = float(np.exp(np.interp(margin, margins[steps], np.log(OHMS[steps]))))
    (seen,) = judge_faults(job, plan, [bad_contact(job, ohm)])
    assert seen.margin == pytest.approx(margin, rel=0.05)
    return seen


def verdicts(level: Level, seen: FaultSeen) -> Iterator[str]:
    """Of units with parts of their own, each on a bench with errors of its own, by the simulator's solver."""
    job, plan = level
    for number in range(UNITS):
        bench = Bench(job, plan, seed=number, lead_seed=number)
        yield bench.run(f"U{number}", seen.fault_set).verdict


def test_a_fault_that_counts_as_detected_fails_every_unit_that_has_it(level: Level) -> None:
    """Own simulation: the parts and errors are drawn as benchmarks/simulated_runs.py says."""
    seen = of_margin(level, 1.05 * CLEAR)
    assert (seen.seen, seen.is_barely_seen) == (True, False)
    assert set(verdicts(level, seen)) == {"fail"}


def test_one_that_is_barely_past_its_limit_does_not_count_and_says_by_how_much(level: Level) -> None:
    """Own simulation: some units with it fail, and some do not."""
    seen = of_margin(level, 1.05 * SURE)
    assert (seen.seen, seen.is_barely_seen) == (False, True)
    assert f"{seen.margin:.3g} expanded uncertainties" in seen.why
    assert {"fail", "unproven"} <= set(verdicts(level, seen))


def test_one_that_is_inside_its_limit_is_none_of_these(level: Level) -> None:
    seen = of_margin(level, 0.5 * SURE)
    assert not seen.seen
    assert not seen.is_barely_seen
    assert not seen.by
