"""Faults have the same margins, and the same readings are diagnosed as they were when these were kept.

Faults are numbered in the order of `single_faults`, so that no name of one is kept.
Run this file as a module to keep what is computed now.
"""

import lzma
import pickle
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from benchmarks.simulated_runs import Bench
from harness.circuit.elements import BenchImpedances
from harness.faults.diagnosis import Diagnoser, telling
from harness.faults.margins import weigh_margins
from harness.job.faults import ONE_RESISTANCE_OHM, Fault, single_faults
from harness.plan.build import build_plan, trial_plan
from tests.frozen.kept import HERE, JOBS
from tests.frozen.made import SINCE, job_of

KEPT = HERE / "faults.pickle.xz"
IMPEDANCES = BenchImpedances(source_tolerance=0.0, quiet_vrms=0.0)  # as it was then
EVERY = {"two_loop_switcher": 17, "stepped_attenuator": 29, "source_selector": 17}  # which faults are judged
STATES = 4  # in so many of a sequence's states
UNITS = ((), (201,), (60, 200))
WITHIN = 1e-9


@cache
def kept() -> Any:
    return pickle.loads(lzma.decompress(KEPT.read_bytes()))


def margins_of(name: str) -> tuple[Any, Any]:
    job = job_of(name)
    job = replace(job, sequence=replace(job.sequence, states=job.sequence.states[:STATES]))
    plan = trial_plan(job, impedances=IMPEDANCES)
    faults = single_faults(job.module, job.fixture)[:: EVERY[name]]
    made = weigh_margins(job, plan, faults)
    there = [place for place, one in enumerate(made.readings) if one.quantity.name not in SINCE]
    return made.margins[:, [*there, -1]], made.good[there]


def diagnoses() -> list[dict[str, Any]]:
    """Of units with some faults, on a bench in memory."""
    job = job_of("two_loop_switcher")
    plan = build_plan(job, impedances=IMPEDANCES)
    faults = single_faults(job.module, job.fixture, contact_ohm=ONE_RESISTANCE_OHM)
    numbers = {replace(fault, resistance_ohm=None): number for number, fault in enumerate(faults)}
    bench = Bench(job, plan, seed=7)
    diagnoser = Diagnoser(job, plan, telling(plan, job))

    def numbered(fault: Fault) -> tuple[int, float | None]:
        """Number, and the resistance that is fitted, or the chance with which an open throw is open."""
        if fault.chance is not None:
            fault, more = replace(fault, kind="throw stuck open", chance=None), fault.chance
        else:
            more = fault.resistance_ohm or 0.0
        return numbers[replace(fault, resistance_ohm=None)], more

    made = []
    for unit in UNITS:
        result = diagnoser.diagnose(bench.run(f"F-{unit}", [faults[number] for number in unit]).evidence)
        made.append(
            {
                "groups": [
                    [sorted(map(numbered, each)) for each in group.fault_sets] for group in result.groups
                ],
                "posteriors": [group.posterior for group in result.groups],
                "others": [result.good, result.something_else, result.beyond],
            }
        )
    return made


@pytest.mark.parametrize("name", JOBS)
def test_faults_have_the_margins_that_they_had(name: str) -> None:
    for result, wanted in zip(margins_of(name), kept()[name], strict=True):
        np.testing.assert_allclose(result, wanted, rtol=WITHIN, atol=1e-12)


def test_the_same_readings_are_diagnosed_as_they_were() -> None:
    for result, wanted in zip(diagnoses(), kept()["diagnoses"], strict=True):
        assert result["groups"] == wanted["groups"]
        for key in ("posteriors", "others"):
            np.testing.assert_allclose(result[key], wanted[key], rtol=WITHIN, atol=1e-15)


if __name__ == "__main__":
    now = {name: margins_of(name) for name in JOBS} | {"diagnoses": diagnoses()}
    KEPT.write_bytes(lzma.compress(pickle.dumps(now)))
