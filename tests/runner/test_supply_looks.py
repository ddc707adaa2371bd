"""What the supply shows is blamed on the unit only where neither the wire nor a late board explains it."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from harness.descriptions.load import load_job
from harness.descriptions.state import State
from harness.errors import BadReply
from harness.roles import Identity, SupplyReading
from harness.runner.stage import OverCurrentError, Stage

JOB = load_job(Path(__file__).parents[2] / "sequences" / "two_loop_switcher")
REST = State(on=())
REST_A, LOOP_A = (
    6e-3,
    29.9e-3,
)  # the pilot lamp; and two coils of 1028 ohm at 12 V beside it (12 V / 1028 ohm each)


@dataclass
class Bench:
    """A supply that shows these currents one after the other, a clock, a board that wants 15 ms."""

    currents_a: list[float]
    waited_s: list[float] = field(default_factory=list)
    settle_s: float = 0.015

    @property
    def identity(self) -> Identity:
        return Identity(role="supply", address="-", profile="-", text="-")

    def measure(self) -> SupplyReading:
        return SupplyReading(voltage_v=12.0, current_a=self.currents_a.pop(0))

    def wait(self, duration_s: float) -> None:
        self.waited_s.append(duration_s)

    def check(self) -> SupplyReading:
        self.supply = self.switchboard = self
        stage: Any = object.__new__(Stage)
        for name, value in {"job": JOB, "bench": self, "clock": self}.items():
            object.__setattr__(stage, name, value)
        seen: SupplyReading = stage.check_supply(REST, limit_a=0.4)
        return seen


def test_a_board_that_is_late_is_no_over_current() -> None:
    bench = Bench([LOOP_A, REST_A])
    assert bench.check().current_a == REST_A
    assert bench.waited_s == [pytest.approx(4 * (0.015 + 0.020))]


def test_a_current_that_stays_is_the_units() -> None:
    with pytest.raises(OverCurrentError, match=r"over-current in state rest: .* 29.9 mA"):
        Bench([LOOP_A, LOOP_A]).check()


def test_a_supply_at_its_limit_is_believed_after_a_second_look_at_once() -> None:
    bench = Bench([0.4, 0.4])
    with pytest.raises(OverCurrentError, match=r"400\.0 mA"):
        bench.check()
    assert bench.waited_s == []


def test_a_number_that_the_next_look_does_not_bear_out_is_the_benchs() -> None:
    with pytest.raises(BadReply, match="one of the two cannot be"):
        Bench([6.0, REST_A]).check()
