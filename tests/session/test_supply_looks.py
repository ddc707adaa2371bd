"""What the supply shows is blamed on the unit only where neither the wire nor a late board explains it."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from harness.errors import BadReply, OverCurrentError
from harness.job.job import load_job
from harness.job.state import State
from harness.roles import Identity, SupplyReading
from harness.session.context import SupplyWatch

JOB = load_job(Path(__file__).parents[2] / "sequences" / "two_loop_switcher")
IDLE = State(on=())
SETTLE_S = 0.015 + 0.020  # the board's and the sequence's
IDLE_A, LOOP_A = (
    6e-3,
    29.9e-3,
)  # the pilot lamp; and two coils of 1028 ohm at 12 V beside it (12 V / 1028 ohm each)

LOOP_A_ON = State(on=("loop_a",))


@dataclass
class Bench:
    """A supply that shows these currents one after the other, a clock, a board that wants 15 ms."""

    currents_a: list[float]
    waited_s: list[float] = field(default_factory=list)
    settle_s: float = 0.015
    reads_back: bool = True
    voltages_v: list[float] = field(default_factory=list)

    @property
    def identity(self) -> Identity:
        return Identity(role="supply", address="-", profile="-", text="-")

    def measure(self) -> SupplyReading:
        return SupplyReading(
            voltage_v=self.voltages_v.pop(0) if self.voltages_v else 12.0, current_a=self.currents_a.pop(0)
        )

    def wait(self, duration_s: float) -> None:
        self.waited_s.append(duration_s)

    def check(self, state: State = IDLE) -> SupplyReading:
        plays: Any = self  # supply and switchboard
        watch = SupplyWatch(JOB.module, plays, plays, settle_s=SETTLE_S, wait=plays.wait)
        return watch.check(state, limit_a=0.4)


def test_a_board_that_is_late_is_no_over_current() -> None:
    bench = Bench([LOOP_A, IDLE_A])
    assert bench.check().current_a == IDLE_A
    assert bench.waited_s == pytest.approx([4 * SETTLE_S, SETTLE_S])


def test_a_current_that_stays_is_the_units() -> None:
    with pytest.raises(OverCurrentError, match=r"over-current in state idle: .* 29.9 mA"):
        Bench([LOOP_A, LOOP_A]).check()


def test_a_supply_at_its_limit_is_believed_after_a_second_look_at_once() -> None:
    bench = Bench([0.4, 0.4])
    with pytest.raises(OverCurrentError, match=r"400\.0 mA"):
        bench.check()
    assert bench.waited_s == []


def test_a_number_that_the_next_look_does_not_bear_out_is_the_benchs() -> None:
    with pytest.raises(BadReply, match="one of the two is impossible"):
        Bench([6.0, IDLE_A]).check()


def test_a_current_cut_before_its_exponent_is_the_benchs_below_zero_as_well() -> None:
    """A meter without a load reads a few microamperes to either side: "-5.1" of "-5.1E-05"."""
    with pytest.raises(BadReply, match="one of the two is impossible"):
        Bench([-5.1, IDLE_A]).check()


def test_a_board_that_answers_nothing_is_waited_for_until_its_line_draws() -> None:
    bench = Bench([IDLE_A, LOOP_A], reads_back=False)
    assert bench.check(LOOP_A_ON).current_a == LOOP_A
    assert bench.waited_s == pytest.approx([4 * SETTLE_S, SETTLE_S])


def test_a_line_that_draws_nothing_in_two_looks_is_the_units() -> None:
    bench = Bench([IDLE_A, IDLE_A + 0.001, LOOP_A], reads_back=False)
    assert bench.check(LOOP_A_ON).current_a == IDLE_A + 0.001


def test_a_board_that_read_back_is_not_waited_for() -> None:
    bench = Bench([IDLE_A])
    assert bench.check(LOOP_A_ON).current_a == IDLE_A
    assert bench.waited_s == []


def test_a_limit_that_a_late_board_brings_about_is_no_over_current() -> None:
    """The supply is limited for the next state while the unit is still in the one before."""
    assert Bench([0.4, IDLE_A], reads_back=False).check().current_a == IDLE_A


@pytest.mark.parametrize(
    ("currents_a", "voltages_v"),
    [
        ([1.228, 0.1228], [12.0, 1.2]),  # two answers one after the other lost their ends
        ([7.649, 7.651], [12.0, 12.0]),  # two currents did
        ([IDLE_A, IDLE_A], [1.2, 1.2]),  # two voltages did
    ],
)
def test_two_looks_that_no_supply_could_show_are_the_benchs(
    currents_a: list[float], voltages_v: list[float]
) -> None:
    with pytest.raises(BadReply, match="one of the two is impossible"):
        Bench(currents_a, voltages_v=voltages_v).check()


@pytest.mark.parametrize(("current_a", "voltage_v"), [(0.399, 3.1), (0.0, 0.01)])
def test_a_supply_in_its_limit_or_tripped_is_the_units(current_a: float, voltage_v: float) -> None:
    with pytest.raises(OverCurrentError, match="over-current in state idle"):
        Bench([current_a] * 2, voltages_v=[voltage_v] * 2).check()
