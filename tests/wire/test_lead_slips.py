"""A hundredth of `benchmarks/lead_slips.py`: good units, leads on wrong pins, and each is named."""

from contextlib import ExitStack
from pathlib import Path

import pytest

from benchmarks.lead_jobs import SHIPPED
from benchmarks.lead_slips import Bench, Places, is_named
from harness.job.job import load_job


@pytest.mark.parametrize("kind", ["inverting amplifier", "amplifier +6 dB by hand"])
def test_no_good_unit_fails_by_leads_on_wrong_pins_and_they_are_named(tmp_path: Path, kind: str) -> None:
    with ExitStack() as stack:
        bench = Bench(kind, tmp_path, stack)
        results = [bench.run(number, "test") for number in range(3)]
    failed = [result for result in results if result.outcome == "fail"]
    assert failed == [] or "by hand" not in kind
    assert [result for result in failed if not result.named] == []  # a fault of the unit would show the same
    assert [result for result in results if result.changed and not result.named] == []
    assert any(result.changed for result in results)


@pytest.mark.parametrize(
    ("said", "named"),
    [
        ("setup 'drive right, view both outputs': the generator's hot and cold leads are swapped", True),
        ("setup 'drive left, view both outputs': the generator's hot and cold leads are swapped", False),
        ("setup 'drive right, view both outputs': input 1 shows nothing", False),
    ],
)
def test_a_lead_of_the_generator_is_named_by_its_setup(said: str, named: bool) -> None:
    job = load_job(SHIPPED / "two_loop_switcher")
    hot, cold = "pin right.in.hot", "pin right.in.cold"
    swapped: Places = {f"generator {hot}": (cold,), f"generator {cold}": (hot,)}
    assert is_named(swapped, job, said, stopped=False) == named
