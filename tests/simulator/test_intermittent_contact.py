"""A contact that fails now and then: its name, how often it does, and what the check of operations sees."""

from pathlib import Path

import pytest
from scipy.stats import binomtest

from harness.errors import UsageError
from harness.job.faults import Fault, parse_fault
from harness.job.job import Job, load_job
from harness.reading import Reading
from harness.records.store import open_records
from simulator.dynamics import OPEN, OPERATED, RELEASED, Motion, SupplySetting
from simulator.faults import apply
from simulator.unit import Timing
from simulator.world import Clock, World
from tests.cli.commands import exit_code
from tests.jobs import with_checks_of

SEQUENCES = Path(__file__).resolve().parents[2] / "sequences"
TIMING = Timing(
    operate_s=2e-3, release_s=2e-3, gap_s=5e-4, bounce_s=1e-3, skew_s=(0.0, 1e-4), shares=(1.0, 0.9)
)
SIMULATED = ("--serial", "OB-7", "--simulate", "--speed", "20")


class Standing(Clock):
    """A clock that goes where it is told."""

    at_s = 0.0

    def now(self) -> float:
        return self.at_s


@pytest.fixture(scope="module")
def job() -> Job:
    return load_job(SEQUENCES / "two_loop_switcher")


@pytest.mark.parametrize(
    ("name", "chance"),
    [
        ("K3.1.hot operated intermittent", 1 / 3),
        ("K3.1.hot released intermittent 10 %", 0.1),
        ("K10.1.cold operated intermittent 0.5 %", 0.005),
    ],
)
def test_its_name_is_short_and_reads_back(job: Job, name: str, chance: float) -> None:
    (fault,) = parse_fault(name.lower(), job.module, job.fixture)
    assert (fault.kind, fault.name) == ("throw intermittent", name)
    assert fault.chance == pytest.approx(chance)


@pytest.mark.parametrize("chance", ["0 %", "101 %", "often"])
def test_a_chance_that_is_none_is_refused(job: Job, chance: str) -> None:
    with pytest.raises(UsageError, match=r"expected|percentage"):
        parse_fault(f"K3.1.hot operated intermittent {chance}", job.module, job.fixture)


@pytest.mark.parametrize("seed", range(3))
def test_it_misses_as_often_as_said_and_its_other_pole_and_throw_never(seed: int) -> None:
    motion = Motion(TIMING, position=RELEASED, seed=seed, misses={0: {OPERATED: 0.2}})
    good = Motion(TIMING, position=RELEASED, seed=seed)
    missed, operations = 0, 1000
    for number in range(operations):
        for at_s, target in ((number + 0.0, OPERATED), (number + 0.5, RELEASED)):
            motion.command(at_s, target)
            good.command(at_s, target)
            first, other = motion.at(at_s + 0.1)
            assert other == target
            assert first in ((target, OPEN) if target == OPERATED else (target,))
            missed += first == OPEN
        assert motion.at(number + 0.9) == good.at(number + 0.9)
    # 99.9 % of a binomial of 0.2 in 1,000 (scipy)
    assert binomtest(missed, operations, 0.2).pvalue > 1e-3


def test_between_two_operations_it_stays_what_it_was(job: Job) -> None:
    """It is the operation that fails, not the moment: while nothing moves, the contact does not change."""
    clock = Standing()
    (fault,) = parse_fault("K1.1.hot operated intermittent 50 %", job.module, job.fixture)
    world = World(job, clock, serial="I1", wrong=apply([fault], job.module), bench_seed=1)
    world.set_supply(SupplySetting(voltage_v=12.0, limit_a=0.4, on=True))
    seen = set()
    for number in range(12):
        for channels in (frozenset({8, 1}), frozenset({8})):
            clock.at_s = number + (0.0 if 1 in channels else 0.5)
            world.set_channels(channels)
            if 1 in channels:
                assert len(world.stretches(clock.at_s + 0.1, clock.at_s + 0.4)) == 1
                seen.add(world._motions[0].at(clock.at_s + 0.1))
    assert seen == {(OPERATED, OPERATED), (OPEN, OPERATED)}


def test_a_fault_is_a_fault_of_one_relay(job: Job) -> None:
    wrong = apply(
        [Fault(kind="throw intermittent", subject="K1.1.hot", throw="operated", chance=0.5)], job.module
    )
    assert wrong.damage.intermittent == {("K1.1.hot", "operated"): 0.5}


@pytest.fixture(scope="module")
def readings(tmp_path_factory: pytest.TempPathFactory) -> list[Reading]:
    """Of the shipped check, at a unit whose K1 fails in nine of ten operations."""
    folder = tmp_path_factory.mktemp("intermittent")
    job = with_checks_of(SEQUENCES / "two_loop_switcher", folder / "job", "intermittency")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)

        code = exit_code("run", str(job), *SIMULATED, "--fault", "K1.1.hot operated intermittent 90 %")
    assert code == 1
    with open_records(folder / "switchwalk-records" / "records.sqlite", read_only=True) as store:
        return store.readings(1)


def test_the_check_of_operations_sees_it_at_the_line_and_channel_that_it_is_in(
    readings: list[Reading],
) -> None:
    messages = [reading for reading in readings if reading.key.measurand.quantity == "intermittency"]
    bad = [message for message in messages if message.estimate is not None and message.estimate.value]
    assert [(one.key.measurand.where, one.key.measurand.state, one.verdict) for one in bad] == [
        ("left.out", "loop_a", "fail")
    ]
    assert "operated: hot leg" in bad[0].reason


def test_its_bounds_are_clopper_and_pearsons(readings: list[Reading]) -> None:
    messages = [reading for reading in readings if reading.key.measurand.quantity == "intermittency"]
    for one in (message.estimate for message in messages):
        assert one is not None
        failures = round(10 * one.value)
        # scipy's exact interval: Clopper and Pearson
        upper = binomtest(failures, 10, alternative="less").proportion_ci(0.95, method="exact").high
        both = binomtest(failures, 10).proportion_ci(0.95, method="exact")
        assert one.high == pytest.approx(upper, abs=1e-9)
        assert one.low == pytest.approx(both.low, abs=1e-9)
