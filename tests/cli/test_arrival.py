"""What the relay supply's current tells of the unit that came into the fixture."""

from pathlib import Path

import pytest

from harness.job.job import load_job
from harness.session.control_currents import draws_nothing, draws_the_same

JOB = Path(__file__).resolve().parents[2] / "sequences" / "two_loop_switcher"
MODULE = load_job(JOB).module
# 6 mA released, and about what two and eight coils of 1028 ohm draw at 12 V: the shipped job's own lines.
UNIT_A = {"idle": 6.0e-3, "loop_a": 29.4e-3, "loop_b": 29.1e-3, "swap": 75.9e-3}


@pytest.mark.parametrize(
    ("now_a", "nothing"),
    [
        (UNIT_A, False),
        ({"idle": 0.0, "loop_a": 0.0, "loop_b": 0.0, "swap": 0.0}, True),
        ({"idle": 1e-4, "loop_a": 0.0, "loop_b": -1e-4, "swap": 1e-4}, True),  # a meter's own zero
        # lines dead, and yet there is a unit
        ({"idle": 6.0e-3, "loop_a": 6.0e-3, "loop_b": 6.0e-3, "swap": 6.0e-3}, False),
        ({"idle": 0.0, "loop_a": 23.4e-3, "loop_b": 0.0, "swap": 0.0}, False),
    ],
)
def test_no_unit_draws_nothing_in_idle_and_on_no_line(now_a: dict[str, float], nothing: bool) -> None:
    assert draws_nothing(MODULE, now_a) is nothing


@pytest.mark.parametrize(
    ("change", "same"),
    [
        ({}, True),
        ({"loop_a": 29.4e-3 * 1.002}, True),  # a meter's repeatability
        ({"loop_a": 29.4e-3 * 1.02}, False),  # coils of another unit
        ({"idle": 6.4e-3}, False),
    ],
)
def test_the_unit_before_is_known_by_its_currents(change: dict[str, float], same: bool) -> None:
    assert draws_the_same(UNIT_A, {**UNIT_A, **change}) is same


def test_the_first_unit_is_never_the_one_before() -> None:
    assert not draws_the_same({}, UNIT_A)
