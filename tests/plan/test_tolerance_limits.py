"""Limits from the tolerance of parts: so wide that good units keep all of them, and that faults don't."""

import math
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest, norm, rayleigh

from benchmarks.simulated_runs import WITHOUT_STRAYS, Bench
from benchmarks.tolerance_limits import beyond, with_tolerance
from harness.circuit.elements import BenchImpedances
from harness.errors import JobError
from harness.faults.coverage import hard_faults, judge_faults
from harness.faults.margins import SURE
from harness.job.job import Job, load_job
from harness.judge import judge
from harness.measure.budget import estimate
from harness.plan.build import build_plan, trial_plan
from harness.plan.limits import GoodUnit, tolerances_of
from harness.plan.model import Plan
from harness.quantities.estimates import LevelEstimates
from harness.quantities.tolerance import GOOD_SHARE, GoodSpread, GoodUnits
from harness.reading import Contribution, Limit
from simulator.imperfections import USUAL
from tests.jobs import SHIPPED, SWITCHER, Value, check_of, insert_switch, job_in, sequence
from tests.known import known

BENCH = BenchImpedances()
WITHIN = Limit(kind="within", unit="dB", tolerance=True)
LARGE_CHANCE = 1e-4  # of a binomial test that fails by chance alone


def good_units(readings: int, **more: frozenset[str]) -> GoodUnits:
    return GoodUnits(beyond=GoodUnits.beyond_of(readings), guard=2.0, stretch={}, **more)


def spread(parts: dict[str, float], *, bench: float = 0.0, any_way: bool = False) -> GoodSpread:
    return GoodSpread(
        terms="linear", nominal=0.0, typical=0.0, parts=parts, bench={"noise": bench}, any_way=any_way
    )


def of(job: Path, *checks: str, **keys: Value) -> Job:
    (job / "sequence.toml").write_text(sequence(*checks, level="0 dBu", **keys), encoding="utf-8")
    return load_job(job)


def test_the_reach_of_one_normal_reading_is_that_of_the_stated_share() -> None:
    """scipy's normal distribution; twenty parts alike make one."""
    many = {f"R{number}": 0.1 for number in range(20)}
    standard = math.hypot(*many.values(), 0.3)
    share = 1 - 2 * norm.sf(good_units(1).reach(spread(many, bench=0.3)) / standard)
    assert share == pytest.approx(GOOD_SHARE, abs=1e-12)


def test_the_reach_of_what_is_nearly_nothing_is_rayleighs() -> None:
    """scipy's Rayleigh distribution: of real and imaginary part, each with one standard uncertainty."""
    reach = good_units(40).reach(spread({}, bench=0.2, any_way=True))
    assert rayleigh.sf(reach, scale=0.2) == pytest.approx((1 - GOOD_SHARE) / 40)


def test_few_parts_reach_no_further_than_all_of_them_at_their_ends() -> None:
    """Closed form: an even distribution ends at √3 standard deviations."""
    assert good_units(1).reach(spread({"R1": 1.0})) == pytest.approx(math.sqrt(3))
    assert good_units(100).reach(spread({"R1": 1.0, "R2": -2.0})) == pytest.approx(3 * math.sqrt(3))


def test_contacts_are_nominal_or_more() -> None:
    """Closed form: many contacts, each anywhere between nominal and greatest, are in the middle together."""
    names = frozenset(f"K{number}" for number in range(200))
    parts = dict.fromkeys(names, 1 / math.sqrt(3))  # 1 from nominal to greatest
    middle = 200 * 0.5
    assert middle < good_units(1, contacts=names).reach(spread(parts)) < 200
    assert good_units(1).reach(spread(parts)) < middle


def test_a_limit_leaves_room_for_the_uncertainty_on_either_side() -> None:
    wide, narrow = (good_units(1).limit([spread({"R1": 1.0}, bench=bench)], WITHIN) for bench in (0.5, 0.0))
    assert known(wide.high) - known(narrow.high) > good_units(1).guard * 0.5
    assert known(wide.low) == -known(wide.high)
    assert (wide.kind, wide.tolerance) == ("between", True)


@pytest.fixture(scope="module")
def switch(tmp_path_factory: pytest.TempPathFactory) -> tuple[Job, Plan]:
    job = of(
        insert_switch(tmp_path_factory.mktemp("job")),
        check_of("gain", within="tolerance", silent_ports_below="tolerance"),
        check_of("leg_gain_difference", within="tolerance"),
        check_of("supply_current", at=(), within="tolerance"),
        states=["idle", "insert", "mute"],
        channels=["left"],
    )
    return job, build_plan(job, impedances=BENCH)


def levels(plan: Plan, quantity: str) -> Limit:
    return known(next(each for each in plan.readings if each.quantity.name == quantity).limit)


def test_good_units_in_closed_form_keep_all_limits_together(switch: tuple[Job, Plan]) -> None:
    """Closed form: each leg is a divider of an output, two contacts and a load; 20 000 units are drawn.

    Each value lies anywhere within its tolerance, each contact anywhere between nominal and greatest, and the
    bench's error is drawn by what is predicted of it. A unit counts that no reading judges other than pass.
    """
    job, plan = switch
    rng, count = np.random.default_rng(3), 20_000
    contact = 0.05 + 0.05 * rng.uniform(size=(4, count))
    output = 50 * (1 + 0.01 * rng.uniform(-1, 1, (2, count)))
    load = 5e3 * (1 + 0.01 * rng.uniform(-1, 1, (2, count)))
    into = 1 / (1 / load + 1 / 1e6)
    hot, cold = into / (into + output + contact[:2] + contact[2:])
    shown = {"gain": (hot + cold) / 2, "leg_gain_difference": hot / cold}
    kept = np.ones(count, dtype=bool)
    for reading, (one, *_) in tolerances_of(job, plan).readings:
        if reading.quantity.name not in shown or reading.measurand.state != "idle":
            continue
        limit, standard = known(reading.limit), one.bench_standard
        magnitude = shown[reading.quantity.name] * (1 + standard / one.nominal * rng.normal(size=count))
        db = 20 * np.log10(magnitude)
        room = 20 * np.log10(1 + 2 * standard / magnitude)
        kept &= (db - room > known(limit.low)) & (db + room < known(limit.high))
    assert binomtest(int(kept.sum()), count, GOOD_SHARE, "less").pvalue > LARGE_CHANCE


def test_what_is_drawn_by_the_derivatives_stays_within_reach() -> None:
    """Own simulation, `benchmarks/tolerance_limits.py`: all readings of a unit have its parts in common."""
    job = with_tolerance(load_job(SWITCHER))
    made = tolerances_of(job, build_plan(job, impedances=BENCH))
    assert len(made.readings) > 150
    lost, count = beyond(made, 4000, np.random.default_rng(2)), 4000
    assert binomtest(lost, count, 1 - GOOD_SHARE, "greater").pvalue > LARGE_CHANCE


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> tuple[Job, Plan]:
    """The shipped switcher in few states, all its limits from the tolerance of parts."""
    folder = job_in(
        tmp_path_factory.mktemp("short") / "job",
        check_of("gain", at=("out", "a_send"), within="tolerance", silent_ports_below="tolerance"),
        check_of("leg_gain_difference", within="tolerance"),
        check_of("phase", within="tolerance"),
        check_of("crosstalk", frequency="10 kHz", below="tolerance"),
        check_of("common_mode_rejection", above="tolerance", states=("idle",)),
        check_of("supply_current", at=(), within="tolerance"),
        states=("idle", "loop_a", "swap"),
    )
    job = load_job(folder)
    return job, build_plan(job, impedances=BENCH)


@pytest.mark.parametrize("imperfections", [WITHOUT_STRAYS, USUAL], ids=["no strays", "usual strays"])
def test_good_units_of_another_solver_pass(short: tuple[Job, Plan], imperfections: object) -> None:
    """The simulator draws the parts of unit and bench, and has its own circuit solver."""
    for seed in range(4):
        bench = Bench(*short, seed=seed, lead_seed=seed, imperfections=imperfections)  # type: ignore[arg-type]
        assert bench.run(f"G-{seed}", ()).not_passed == ()


def test_every_fault_that_is_seen_fails_on_another_solver(short: tuple[Job, Plan]) -> None:
    job, plan = short
    judged = judge_faults(job, plan, hard_faults(job))
    seen = [each for each in judged if each.seen]
    assert len(seen) > 200
    least = sorted(seen, key=lambda each: each.margin)
    assert all(each.margin >= SURE for each in seen)
    bench = Bench(job, plan, seed=7, lead_seed=7, imperfections=USUAL)
    for each in (*least[:12], *seen[::24]):
        assert bench.run("F-1", each.fault_set).verdict == "fail", each.name


def test_the_limits_are_the_same_at_each_computation(switch: tuple[Job, Plan]) -> None:
    job, plan = switch
    again = build_plan(job, impedances=BENCH)
    assert [each.limit for each in again.readings] == [each.limit for each in plan.readings]


def test_a_supply_current_is_bounded_by_its_lots_ends(switch: tuple[Job, Plan]) -> None:
    """Closed form: a lot's coils are within 4 %, of 12 V over 1028 ohm; the meter is within 1 %."""
    _, plan = switch
    (limit,) = [
        known(each.limit)
        for each in plan.readings
        if each.quantity.name == "supply_current" and each.measurand.state == "insert"
    ]
    coils, whole = 2 * 12 / 1028, 5e-3 + 2 * 12 / 1028
    assert 0.04 * coils < known(limit.high) - whole < 0.04 * coils + 0.05 * whole


def test_silent_ports_are_judged_by_what_leaks_through_good_contacts(switch: tuple[Job, Plan]) -> None:
    """Closed form: 1 pF of an open contact into 5 kohm at 1 kHz is -90 dB; strays add some of as much."""
    _, plan = switch
    for quantity in ("isolation", "leg_isolation"):
        limit = levels(plan, quantity)
        assert limit.kind == "below"
        assert -120 < known(limit.high) < -65


def test_limits_by_the_value_alone_need_no_room(switch: tuple[Job, Plan]) -> None:
    job, plan = switch
    simple = replace(job, sequence=replace(job.sequence, decision="simple"))
    one, other = (levels(each, "gain") for each in (plan, build_plan(simple, impedances=BENCH)))
    assert known(one.low) < known(other.low) < known(other.high) < known(one.high)


@pytest.mark.parametrize(
    ("check", "message"),
    [
        (
            check_of("noise", below="tolerance"),
            'found "tolerance": nothing predicts how far good units differ in noise; expected a value',
        ),
        (
            check_of("click_peak", below="tolerance"),
            "nothing predicts how far good units differ in click peak",
        ),
        (
            check_of("gain", below="tolerance"),
            'a limit of gain comes from the tolerance of parts as within = "tolerance" only',
        ),
        (
            check_of("crosstalk", above="tolerance"),
            'a limit of crosstalk comes from the tolerance of parts as within = "tolerance" or '
            'below = "tolerance" only',
        ),
        (check_of("gain", within="tolerances"), 'found "tolerances"'),
        (check_of("gain", within="0.2 dB", silent_ports_below="tolerances"), 'found "tolerances"'),
    ],
)
def test_what_nothing_predicts_takes_no_such_limit(tmp_path: Path, check: str, message: str) -> None:
    folder = shutil.copytree(SWITCHER, tmp_path / "job")
    with pytest.raises(JobError) as caught:
        of(folder, check)
    assert message in str(caught.value)


def test_a_good_unit_at_its_reach_is_proven_and_one_beyond_its_limit_fails() -> None:
    """JCGM 106: pass if the whole interval is inside."""
    made, one = good_units(1), spread({"R1": 1.0}, bench=0.1)
    limit = made.limit([one], Limit(kind="within", unit="V", tolerance=True))
    lines = [Contribution(name="noise", standard=0.1)]

    def verdict(value: float) -> str:
        return judge(estimate(value, lines, 2.0), limit.low, limit.high)

    assert verdict(made.reach(one)) == "pass"
    assert verdict(known(limit.high) + 0.21) == "fail"


def test_a_drivers_tolerance_is_the_same_at_every_frequency() -> None:
    """Closed form: a factor on both levels leaves their ratio as it is; on one level it is all there."""
    job = load_job(SHIPPED / "monitor_panel")
    plan = trial_plan(job, impedances=BenchImpedances())
    unit = GoodUnit(job, plan)
    spread = {
        reading.quantity.name: estimates.level.parts_standard[0] / abs(estimates.level.value[0])
        for reading in plan.state_readings
        if reading.measurand.port == "line"
        and reading.measurand.state == "idle"
        and isinstance(estimates := reading.quantity.predict(reading, unit), LevelEstimates)
    }
    assert spread["gain"] > 0.01 / math.sqrt(3)  # the driver's 1 %, and more
    assert spread["response"] < 1e-6
