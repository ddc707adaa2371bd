"""The through reference of a unit serves the next ones of a batch while a look shows the bench unmoved."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import pytest

from harness.measure.reference import Reference
from harness.records.run import Purpose, ThroughReused
from harness.records.store import RunStore, open_records
from harness.session.open_bench import OpenBench, at_bench
from harness.session.planned_job import read_job
from harness.session.repeats.through_again import MOST_S, MOST_UNITS, BatchThrough
from harness.session.request.header import RunRequest
from harness.session.simulated import Simulation
from harness.session.unit_run import run_one_of_many
from tests.jobs import ROUTE_AND_GAIN, job_in
from tests.known import known


@dataclass(frozen=True, kw_only=True)
class Ran:
    """A run: its through records, whether it used another unit's reference, and its readings' widths."""

    records: int
    reused: ThroughReused | None
    widths: tuple[float, ...]
    outcome: str


@dataclass(frozen=True, kw_only=True)
class Place:
    bench: OpenBench
    store: RunStore

    def run(self, serial: str, *, purpose: Purpose = "") -> Ran:
        self.bench.place_unit(serial, ())
        result = run_one_of_many(self.bench, self.store, RunRequest(serial=serial, purpose=purpose))
        made = self.store.acquisitions(result.run_id).values()
        event = self.store.latest_events(ThroughReused, [result.run_id]).get(result.run_id)
        estimates = [known(reading.estimate) for reading in result.readings]
        return Ran(
            records=sum(each.purpose == "through reference" for each in made),
            reused=None if event is None else event.event,
            widths=tuple(each.high - each.low for each in estimates if not each.floor),
            outcome=result.outcome,
        )

    @property
    def kept(self) -> BatchThrough:
        return known(self.bench.batch_through)

    def keep(self, kept: BatchThrough) -> None:
        self.bench.batch_through = kept


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    folder = tmp_path_factory.mktemp("batch")
    job = job_in(folder / "job", ROUTE_AND_GAIN, states=["idle", "loop_a"], name="Short")
    with (
        at_bench(read_job(job), simulation=Simulation(speed=20.0)) as bench,
        open_records(folder / "records.sqlite") as store,
    ):
        yield Place(bench=bench, store=store)


@pytest.fixture(scope="module")
def first(place: Place) -> Ran:
    return place.run("OB-1")


def test_the_next_unit_uses_the_reference_of_the_first_and_its_records_say_so(
    place: Place, first: Ran
) -> None:
    second = place.run("OB-2")
    assert (first.outcome, second.outcome) == ("pass", "pass")
    assert first.reused is None
    assert known(second.reused).units == 1
    assert 0 <= known(second.reused).age_s < MOST_S
    # The leads at the low level, then three records of one tone, instead of a ladder.
    assert second.records <= 5 < first.records
    assert place.kept.units == 2
    # One standard deviation of a record and noise are in both: the second's come from the same reference.
    assert second.widths == pytest.approx(first.widths, rel=0.25)


def test_a_bench_that_has_moved_is_measured_anew(place: Place, first: Ran) -> None:
    kept = place.kept
    place.keep(replace(kept, reference=scaled(kept.reference, 1.01)))
    again = place.run("OB-3")
    assert again.reused is None
    assert again.records > 5
    assert (place.kept.units, again.outcome) == (1, "pass")


def scaled(reference: Reference, factor: float) -> Reference:
    """As if one input had had another gain when it was taken."""
    tones = tuple(
        replace(tone, source=(tone.source[0] * factor, *tone.source[1:])) for tone in reference.tones
    )
    return replace(reference, tones=tones)


def test_it_is_renewed_after_so_many_units_and_so_much_time(place: Place, first: Ran) -> None:
    kept = place.kept
    aged = replace(kept.reference, taken_s=kept.reference.taken_s - MOST_S)
    for stale in (replace(kept, units=MOST_UNITS), replace(kept, reference=aged)):
        place.keep(stale)
        assert place.run("OB-4").reused is None
        assert place.kept.units == 1


def test_a_plan_that_may_need_other_ranges_has_its_own(place: Place, first: Ran) -> None:
    place.keep(replace(place.kept, acquisitions=frozenset()))
    assert place.run("OB-4").reused is None


def test_a_study_of_the_bench_has_a_reference_for_each_run(place: Place, first: Ran) -> None:
    place.run("OB-5", purpose="gauge")
    assert place.bench.batch_through is None
