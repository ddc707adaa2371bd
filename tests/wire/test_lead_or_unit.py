"""A pin that is open and a lead that is off show the same: the unit fails if it is the same after a look."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.reading import LeadOrUnit
from tests.jobs import edit
from tests.wire.standing_bench import Bench, kept, nursery, standing_bench, tiny_job

OPEN_PIN = "left.out.hot open"


@pytest.fixture(scope="module")
def loaded_by_leg(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """Each leg has a load of its own, so that nothing reaches an open pin from the other leg."""
    place = tmp_path_factory.mktemp("loaded")
    job: Path = tiny_job(place)
    edit(job / "fixture.toml", 'out = "10 kohm"', 'out = { legs = "10 kohm" }')
    with standing_bench(job) as standing, nursery(place) as made:
        yield Bench(place, job, standing, made)


@pytest.mark.parametrize(("then", "ends_with"), [([OPEN_PIN], 1), ([], 0)])
def test_what_a_lead_explains_as_well_is_the_units_if_it_is_the_same_again(
    loaded_by_leg: Bench, then: list[str], ends_with: int
) -> None:
    bench, serial = loaded_by_leg, f"OPEN-{len(then)}"
    bench.standing.by_hand(unit=serial, faults=[OPEN_PIN])
    code, message = bench.nursery.run(*bench.run_arguments(serial))
    assert code == 3, message
    assert "Look at the lead and test the unit again" in " ".join(message.split())
    _, readings = kept(bench, serial)
    named = [fact for reading in readings for fact in reading.facts if isinstance(fact, LeadOrUnit)]
    assert OPEN_PIN in named[0].faults
    bench.standing.by_hand(unit=serial, faults=then)
    code, message = bench.nursery.run(*bench.run_arguments(serial))
    assert code == ends_with, message
