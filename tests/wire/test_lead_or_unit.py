"""A pin that is open and a wire that is off show the same: the unit fails, and the wire is named as well."""

from pathlib import Path

from harness.records.run import LeadsLookedAt
from harness.records.store import open_records
from tests.jobs import edit
from tests.wire.standing_bench import Bench, kept, nursery, standing_bench, tiny_job


def test_a_fault_that_a_wire_of_the_fixture_explains_as_well_fails_and_names_both(tmp_path: Path) -> None:
    """Each leg has a load of its own, so that nothing reaches an open pin from the other leg."""
    job = tiny_job(tmp_path)
    edit(job / "fixture.toml", 'out = "10 kohm"', 'out = { legs = "10 kohm" }')
    with standing_bench(job) as standing, nursery(tmp_path) as made:
        bench = Bench(tmp_path, job, standing, made)
        standing.by_hand(unit="OPEN", faults=["left.out.hot open"])
        code, message = made.run(*bench.run_arguments("OPEN"))
    assert code == 1, message
    assert "left.out.hot open" in message
    run, _ = kept(bench, "OPEN")
    with open_records(bench.records, read_only=True) as store:
        named = [each.event for each in store.events(run) if isinstance(each.event, LeadsLookedAt)]
    assert [event.leads for event in named] == [("input 3",)]
