"""A hundredth of `benchmarks/lead_slips.py`: good units, leads on wrong pins, and each is named."""

import random
from contextlib import ExitStack
from pathlib import Path

import pytest

from benchmarks.lead_slips import Bench


@pytest.mark.parametrize("kind", ["inverting amplifier", "amplifier +6 dB by hand"])
def test_no_good_unit_fails_by_leads_on_wrong_pins_and_they_are_named(tmp_path: Path, kind: str) -> None:
    with ExitStack() as stack:
        bench = Bench(kind, tmp_path, stack)
        results = [bench.run(random.Random(f"test {number}")) for number in range(3)]
    failed = [result for result in results if result.outcome == "fail"]
    assert failed == [] or "by hand" not in kind
    assert [result for result in failed if not result.named] == []  # a fault of the unit would show the same
    assert [result for result in results if result.changed and not result.named] == []
    assert any(result.changed for result in results)
