"""A gauge study laid out from recorded runs: the AIAG manual's example, run by run."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from harness.records.run import Outcome
from harness.records.store import open_records
from harness.statistics.gauge import cross, studies
from tests.records.outside_broadcast import ENDED, HEADER, READING, changed
from tests.statistics.msa import MSA

GAIN = changed(READING, acquisitions=(), limit_low=-4.0, limit_high=4.0)


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """The manual's study, an operator for each appraiser; one trial too many; one unit that only A ran."""
    path = tmp_path / "records.sqlite"
    with open_records(path) as store:

        def add(serial: str, operator: str, outcome: Outcome, value: float, hour: int) -> None:
            started = HEADER.started + timedelta(hours=hour)
            run = store.begin(replace(HEADER, serial=serial, operator=operator, started=started))
            store.add_readings(
                run,
                [
                    changed(GAIN, value=value),
                    changed(GAIN, check="Polarity", quantity="polarity", unit="", value=1.0),
                ],
            )
            store.finish(run, outcome, "", ENDED + timedelta(hours=hour))

        for trial in range(3):
            for appraiser, name in enumerate("ABC"):
                for unit in range(10):
                    value = float(MSA[unit, appraiser, trial])
                    add(f"OB-{unit:02d}", name, "pass", value, 10 * trial + appraiser)
        add("OB-00", "B", "stopped", 9.0, 40)
        add("OB-00", "B", "pass", 9.0, 41)
        add("OB-77", "A", "pass", 9.0, 42)
    return path


def test_the_manuals_study_comes_out_of_the_records(place: Path) -> None:
    with open_records(place, read_only=True) as store:
        lines = store.lines()
        crossing = cross(lines, by="operator")
        result = studies(crossing, store.series(line.run_id for line in lines))
    assert (len(crossing.units), crossing.appraisers, crossing.trials) == (10, ("A", "B", "C"), 3)
    assert crossing.left_out == 2
    gain = next(one for one in result if one.key.check == READING.key.check).study
    assert gain is not None
    assert gain.gauge.sigma == pytest.approx(0.30237, abs=6e-6)
    assert gain.gauge.tolerance_percent == pytest.approx(22.68, abs=0.005)
    assert gain.categories == 4
    polarity = next(one for one in result if one.key.check == "Polarity")
    assert (polarity.study, polarity.reason) == (None, "a polarity has no spread to study")


def test_runs_that_do_not_cross_say_how_far_they_do(place: Path) -> None:
    with open_records(place, read_only=True) as store:
        lines = store.lines()
    with pytest.raises(ValueError, match="11 units with 1 bench, 1 time each"):
        cross(lines, by="bench")
