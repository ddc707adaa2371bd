"""What a check of the bench prints, from plain values."""

from harness.cli.gauge_checks import Golden
from harness.cli.gauge_text import golden_lines
from harness.workbench.bench_block import BenchCheck


def said(outcome: str, *, good: bool) -> str:
    found = Golden(
        serial="OB-9001",
        bench="Van bench",
        run_id=1,
        outcome=outcome,
        history=(),
        shifts=(),
        check=BenchCheck(check="golden", good=good, why=f"OB-9001 ended in {outcome.upper()}"),
    )
    return " ".join(" ".join(golden_lines(found)).split())


def test_a_golden_unit_that_does_not_pass_begins_no_history_and_has_not_moved() -> None:
    assert "With this run its history begins." in said("pass", good=True)
    unproven = said("unproven", good=False)
    assert unproven.startswith("NOT IN PLACE bench 'Van bench' by golden unit OB-9001, run 1")
    assert "history begins." not in unproven
    assert "Runs and batches are refused on this bench" in unproven
