"""`switchwalk gauge` on a simulated bench: a study, a golden unit that blocks the bench, known faults."""

import json
import re
from pathlib import Path

import numpy as np
import pytest

from harness.records.run import RefusalOverridden
from harness.records.store import open_records
from harness.statistics.gauge import gauge_anova
from tests.cli.commands import Printed, exit_code, switchwalk
from tests.known import known
from tests.wire.standing_bench import SERIAL_PATTERN, tiny_job

STUDY = (
    "--units",
    "OB-0001,OB-0002",
    "--operators",
    "Ada,Grace",
    "--repeats",
    "2",
    "--batch",
    "spring study",
)


class Place:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.job = tiny_job(folder, serial_pattern=SERIAL_PATTERN)
        self.records = folder / "records.sqlite"

    def gauge(self, capsys: pytest.CaptureFixture[str], kind: str, *more: str) -> Printed:
        return self.does(capsys, ("gauge", kind), *more)

    def does(self, capsys: pytest.CaptureFixture[str], command: tuple[str, ...], *more: str) -> Printed:
        speed = () if "--from-records" in more else ("--speed", "20")
        place = (str(self.job), "--simulate", *speed, "--records", str(self.records))
        return switchwalk(capsys, *command, *place, *more)


@pytest.fixture
def place(tmp_path: Path) -> Place:
    return Place(tmp_path)


@pytest.fixture(scope="module")
def studied(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """Records that hold a study, made once for all that look at it."""
    made = Place(tmp_path_factory.mktemp("gauge"))
    asked = ("gauge", "study", made.job, *STUDY, "--simulate", "--speed", "20", "--records", made.records)
    assert exit_code(*asked) == 0
    return made


def test_a_study_runs_every_unit_by_every_operator_and_goes_on_where_it_was(
    studied: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    message = json.loads(studied.gauge(capsys, "study", *STUDY, "--json").out)
    assert (message["appraisers"], message["trials"], message["by"]) == (["Ada", "Grace"], 2, "operator")
    assert sorted(message["units"]) == ["OB-0001", "OB-0002"]
    assert len({run for unit in message["runs"] for operator in unit for run in operator}) == 8
    again = studied.gauge(capsys, "study", *STUDY)  # all its runs are there
    assert "Gauge study spring study" in again.out
    assert max(map(len, again.out.splitlines())) <= 80
    assert again.code == 0
    with open_records(studied.records, read_only=True) as store:
        assert len(store.lines()) == 8
        assert {line.purpose for line in store.lines()} == {"gauge"}


def test_its_figures_are_those_of_the_runs_that_it_names(
    studied: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    message = json.loads(studied.gauge(capsys, "study", *STUDY, "--from-records", "--json").out)
    crossed = [one for one in message["readings"] if one["study"]]
    shares = [one["study"]["gauge"]["tolerance_percent"] or 0.0 for one in crossed]
    assert shares == sorted(shares, reverse=True)
    current = next(one for one in crossed if one["key"]["state"] == "loop_a" and one["unit"] == "A")
    runs = np.array(message["runs"])
    with open_records(studied.records, read_only=True) as store:
        values = {
            run: known(reading.estimate).value
            for run in runs.ravel().tolist()
            for reading in store.readings(run)
            if (reading.key.measurand.quantity, reading.key.measurand.state) == ("supply_current", "loop_a")
        }
    data = np.vectorize(values.__getitem__)(runs).astype(np.float64)
    expected = gauge_anova(data)
    assert current["study"]["repeatability"]["sigma"] == pytest.approx(expected.repeatability.sigma)
    assert current["study"]["categories"] == expected.categories
    assert expected.categories >= 5  # units' coils differ by more than a supply's meter scatters


def test_what_does_not_cross_is_said(studied: Place, capsys: pytest.CaptureFixture[str]) -> None:
    units = ("--units", "OB-0001,OB-0002")
    by_day = studied.gauge(capsys, "study", *units, "--from-records", "--by", "bench")
    assert by_day.code == 2
    assert "the runs cross 2 units with 1 bench, " in by_day.err
    assert "two or more operators" in studied.gauge(capsys, "study", *units).err
    assert "Missing option '--units'" in studied.gauge(capsys, "study").err
    assert studied.gauge(capsys, "study", "--units", "OB-0001,OB-0001", "--from-records").code == 2


def test_studies_of_the_bench_are_no_tests_of_units(
    studied: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    printed = switchwalk(capsys, "trends", "--simulated", "--records", str(studied.records))
    assert "no unit has a complete run of its own" in printed.err


def test_a_golden_unit_blocks_a_bench_that_has_moved_until_it_is_in_place_again(
    place: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    golden = ("golden", "OB-9001", "--operator", "Ada")
    first = place.gauge(capsys, *golden)
    assert (first.code, "With this run its history begins." in first.out) == (0, True)
    unknown = place.gauge(capsys, *golden, "--fault", "K99 never works")
    assert (unknown.code, unknown.err[:30]) == (2, 'no such fault: "K99 never work')
    # 60 ohm in a path of 10 kohm: still within the limits of 0.2 dB, and far from where it was
    moved = place.gauge(capsys, *golden, "--fault", "K1.1.hot released 60 ohm")
    assert moved.code == 4
    assert re.search(
        r"^BENCH DRIFTED  bench 'Simulated bench' by golden unit OB-9001, run 2$", moved.out, re.M
    )
    assert re.search(r"^[1-3] of \d readings of OB-9001 moved: ", moved.out, re.M)
    assert "Route and gain: idle left.out 1 kHz" in " ".join(moved.out.split())
    assert max(map(len, moved.out.splitlines())) <= 80
    unit = ("--serial", "OB-0005")
    refused = place.does(capsys, ("run",), *unit)
    assert refused.code == 4
    assert "Units are not tested on it" in refused.err
    serials = place.folder / "serials.txt"
    serials.write_text("OB-0005\n", encoding="utf-8")
    assert place.does(capsys, ("batch",), "--serials", str(serials)).code == 4
    assert place.does(capsys, ("run",), *unit, "--override", "a lead, seen to").code == 4  # who says so?
    override = ("--override", "a lead, seen to", "--operator", "Grace")
    assert place.does(capsys, ("batch",), "--serials", str(serials), *override).code == 0
    with open_records(place.records, read_only=True) as store:
        (event,) = store.latest_events(RefusalOverridden).values()
    assert event.text.startswith("Grace overrode the checks of the bench: a lead, seen to.")
    message = json.loads(place.gauge(capsys, *golden, "--json").out)
    assert (message["bench_ok"], message["history"]) == (True, [1])  # what had moved is no history
    assert place.does(capsys, ("run",), "--serial", "OB-0006", "--json").code == 0


def test_known_faults_must_fail_by_their_names(place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    faults = place.folder / "known.txt"
    known = ("# switched", "OB-9002, K1 never operates", "OB-9002, left.out.cold open", "")
    faults.write_text("\n".join(known), encoding="utf-8")
    good = json.loads(place.gauge(capsys, "known-bad", str(faults), "--json").out)
    # Among faults that these two states can't tell apart, noise decides which is named first.
    first, second = (one["named"] for one in good["faults"])
    assert first[0] == "K1 never operates"
    assert "left.out.cold open" in second
    assert good["good"]


UNSEEN = "right.in legs swapped"  # no check of polarity here


def test_a_fault_that_the_sequence_misses_is_its_fault_and_not_the_benchs(
    place: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    faults = place.folder / "known.txt"
    faults.write_text(f"OB-9002, {UNSEEN}\n", encoding="utf-8")
    alone = place.gauge(capsys, "known-bad", str(faults))
    assert alone.code == 2
    said = " ".join(alone.out.split())
    assert "1 fault missed by the sequence and not tested, which says nothing about the bench." in said
    assert f"OB-9002, {UNSEEN}: " in said
    faults.write_text(f"OB-9002, {UNSEEN}\nOB-9002, K1 never operates\n", encoding="utf-8")
    both = place.gauge(capsys, "known-bad", str(faults), "--json")
    message = json.loads(both.out)
    assert (both.code, message["good"]) == (2, True)
    assert [one["fault"] for one in message["faults"]] == ["K1 never operates"]
    assert [one["fault"] for one in message["missed"]] == [UNSEEN]
    assert place.does(capsys, ("run",), "--serial", "OB-0007").code == 0


def test_a_list_of_known_faults_with_mistakes_is_told_line_by_line(
    place: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    faults = place.folder / "wrong.txt"
    faults.write_text("OB-9002 K1\nOB-9002, K1 never opperates\nPA-1, K1 coil open\n", encoding="utf-8")
    told = place.gauge(capsys, "known-bad", str(faults))
    assert told.code == 2
    first, second, third = told.err.splitlines()
    assert first.startswith(f"{faults}:1: expected SERIAL, FAULT")
    assert "K1 never operates" in second
    assert f"{faults}:3: the sequence wants the pattern" in third
