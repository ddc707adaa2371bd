"""The diagnosis names what was put into simulated units, and says when nothing in its list would do."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import multivariate_normal

from harness.faults.effects import suspect_name
from harness.faults.evidence import Spread
from harness.faults.suggestions.probes import best_probe, expected_information
from harness.job.faults import Fault, parse_fault, single_faults
from harness.job.job import load_job
from harness.report.explanation import explain, make_explanation, shown_groups
from tests.faults.laboratory import SEED, Laboratory

SEQUENCES = Path(__file__).parents[2] / "sequences"
EVERY = 12  # of the list, half as many as this are tried; benchmarks/diagnosis.py takes all


def but_for_resistance(fault_set: tuple[Fault, ...]) -> set[tuple[object, ...]]:
    return {(f.kind, f.subject, f.channel, f.leg, f.throw, f.other) for f in fault_set}


@pytest.mark.parametrize("start", range(0, EVERY, 2))
def test_a_fault_of_the_list_is_named_first(laboratory: Laboratory, start: int) -> None:
    number = start * len(laboratory.faults) // EVERY
    fault = laboratory.faults[number]
    result = laboratory.diagnose(laboratory.evidence(fault.name, f"T-{number}"), double=False)
    named = [but_for_resistance(fault_set) for fault_set in result.groups[0].fault_sets]
    assert but_for_resistance((fault,)) in named, (fault.name, result.groups[:2])
    assert result.explained
    assert not result.says_good


@pytest.mark.parametrize("serial", ["H-1", "H-2"])
def test_a_good_unit_raises_no_alarm(laboratory: Laboratory, serial: str) -> None:
    result = laboratory.diagnose(laboratory.evidence("", serial))
    assert result.says_good
    assert result.explained
    assert not result.doubles


@pytest.mark.parametrize(
    "names",
    [
        "K2 coil open + left.out.hot open",
        "left.a_send.hot open + right.out legs swapped",
        "K2.1.hot operated 10 ohm + right.b_return.cold grounded",
    ],
)
def test_two_faults_at_once_are_both_named(laboratory: Laboratory, names: str) -> None:
    result = laboratory.diagnose(laboratory.evidence(names))
    wanted = but_for_resistance(parse_fault(names, laboratory.job.module, laboratory.job.fixture))
    assert result.doubles
    assert wanted in [but_for_resistance(fault_set) for fault_set in result.groups[0].fault_sets]


def test_without_double_no_pair_is_tried(laboratory: Laboratory) -> None:
    result = laboratory.diagnose(laboratory.evidence("K2 coil open + left.out.hot open"), double=False)
    assert not result.doubles
    assert not result.explained
    assert all(len(fault_set) == 1 for group in result.groups for fault_set in group.fault_sets)


@pytest.mark.parametrize("ohm", [3, 150])
def test_a_bad_contact_is_given_its_resistance(laboratory: Laboratory, ohm: int) -> None:
    result = laboratory.diagnose(laboratory.evidence(f"K2.1.hot operated {ohm} ohm"))
    (first,) = result.groups[0].fault_sets[0]
    assert (first.subject, first.throw) == ("K2.1.hot", "operated")
    assert first.resistance_ohm == pytest.approx(ohm, rel=0.25)


def test_what_is_on_no_list_is_said_to_be_so(laboratory: Laboratory) -> None:
    evidence = laboratory.evidence("")
    rng = np.random.default_rng(SEED)
    values = evidence.values * rng.uniform(0.5, 1.0, evidence.values.shape)
    result = laboratory.diagnose(replace(evidence, values=values))
    assert not result.explained
    assert result.something_else > 0.99
    words = make_explanation(result, None, laboratory.job.module, laboratory.job.fixture)
    assert words.headline.startswith("No fault on the list explains these readings")


def test_a_shorted_coil_is_narrowed_to_its_line_by_the_supply_alone(laboratory: Laboratory) -> None:
    result = laboratory.diagnose(laboratory.evidence("K1 coil shorted"))
    assert set(result.groups[0].names) == {"K1 coil shorted", "K6 coil shorted"}
    assert result.over_current == "loop_a"


def test_swapped_lines_are_told_from_a_shorted_coil_by_the_volts_that_are_left(
    laboratory: Laboratory,
) -> None:
    result = laboratory.diagnose(laboratory.evidence("control lines loop_a and swap swapped"))
    assert result.groups[0].names == ("control lines loop_a and swap swapped",)


def test_what_only_picofarads_tell_apart_is_one_group_and_the_next_probe_would_split_it(
    laboratory: Laboratory,
) -> None:
    result = laboratory.diagnose(laboratory.evidence("K2.1.cold operated stuck open"))
    assert set(result.groups[0].names) == {"left.b_return.cold open", "K2.1.cold operated stuck open"}
    probe = best_probe(laboratory.job, laboratory.plan, shown_groups(result))
    assert probe is not None
    assert probe.point == "the board's side of left.b_return"
    assert probe.information > 0.4


@pytest.mark.parametrize("job", ["two_loop_switcher", "source_selector", "stepped_attenuator"])
def test_every_fault_has_words_of_its_own_that_name_its_subject(job: str) -> None:
    described = load_job(SEQUENCES / job)
    faults = single_faults(described.module, described.fixture)
    message = [explain((fault,), described.module, described.fixture) for fault in faults]
    assert len(set(message)) == len(message)
    for fault, words in zip(faults, message, strict=True):
        subject = fault.subject.split(".")[0]
        assert subject in words, suspect_name((fault,))
        assert fault.channel is None or fault.channel in words


def test_the_words_of_a_coil_that_draws_nothing_point_at_its_pins(laboratory: Laboratory) -> None:
    (fault,) = parse_fault("K3 coil open", laboratory.job.module, laboratory.job.fixture)
    words = explain((fault,), laboratory.job.module, laboratory.job.fixture)
    assert words.startswith("relay K3, left: its coil draws no current, so it does not move: look at ")


def test_expected_information_is_the_entropy_where_a_reading_tells_all() -> None:
    # log 2, log 4: the entropy of equally likely fault sets
    assert expected_information(np.array([0.5, 0.5]), np.array([[0, 1e4], [1e4, 0]])) == pytest.approx(
        math.log(2)
    )
    apart = 1e4 * (1 - np.eye(4))
    assert expected_information(np.full(4, 0.25), apart) == pytest.approx(math.log(4))
    assert expected_information(np.full(4, 0.25), np.zeros((4, 4))) == pytest.approx(0.0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_likelihood_is_that_of_the_whole_covariance_at_the_strays_that_suit_best(seed: int) -> None:
    """Against scipy's multivariate normal density, and its minimiser over what is fitted."""
    rng = np.random.default_rng(seed)
    known, fitted = rng.normal(size=(5, 12)), rng.normal(size=(3, 12))
    residual = rng.normal(size=12)
    density = multivariate_normal(mean=np.zeros(12), cov=np.eye(12) + known.T @ known)

    def lost(strays: NDArray[np.float64]) -> float:
        return float(strays @ strays / 2 - density.logpdf(residual - strays @ fitted))

    least = minimize(lost, np.zeros(3), tol=1e-12).fun
    fit = Spread(known, fitted, np.zeros(12)).fit(residual)
    assert fit.log_likelihood == pytest.approx(6 * math.log(2 * math.pi) - least, abs=1e-6)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_chi_squared_is_that_of_the_whole_covariance(seed: int) -> None:
    """In closed form, with the covariance written out."""
    rng = np.random.default_rng(seed)
    known, fitted = rng.normal(size=(5, 12)), rng.normal(size=(3, 12))
    residual = rng.normal(size=12)
    blur = rng.uniform(0, 3, 12)
    covariance = np.diag(1 + blur) + known.T @ known + fitted.T @ fitted
    fit = Spread(known, fitted, blur).fit(residual)
    assert fit.chi_squared == pytest.approx(residual @ np.linalg.solve(covariance, residual), rel=1e-9)


def test_strays_that_might_show_and_do_not_speak_against_no_fault() -> None:
    """Closed form: nothing is left over at strays of nothing, whatever they might have changed."""
    rng = np.random.default_rng(4)
    known, strays = rng.normal(size=(5, 12)), 100 * rng.normal(size=(8, 12))
    nothing = np.zeros(12)
    without = Spread(known, strays[:0], nothing).fit(nothing)
    assert Spread(known, strays, nothing).fit(nothing).log_likelihood == pytest.approx(without.log_likelihood)
