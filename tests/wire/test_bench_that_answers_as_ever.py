"""Something goes wrong inside an instrument, and its answers say nothing of it: the unit is not blamed.

Instruments and wires are real processes and sockets. A relay board's relays that close late although it says
that they are closed, an output that a hand switched off and the like are common practice, no source.
"""

import json
import re
from collections.abc import Iterator
from math import hypot, log10
from pathlib import Path

import pytest

from harness.reading import Estimate, OperationFailed
from harness.records.store import open_records
from tests.jobs import check_of, edit, job_in
from tests.known import known
from tests.wire.standing_bench import ROOT, Bench, kept, nursery, standing_bench

FAULT = "K1 never operates"


def outcome(bench: Bench, serial: str) -> tuple[str, str]:
    run, _ = kept(bench, serial)
    with open_records(bench.records, read_only=True) as store:
        record = store.run(run)
    return record.outcome, record.reason


@pytest.mark.parametrize("after", [66])
@pytest.mark.parametrize(
    "trouble", ["oscilloscope stale", "supply off", "switchboard slow 60", "switchboard misses"]
)
def test_what_passes_by_costs_a_good_unit_nothing(bench: Bench, trouble: str, after: int) -> None:
    answers = after if trouble.startswith("oscilloscope") else after // 3
    bench.standing.trouble(f"{trouble} after {answers}")
    code, message = bench.nursery.run(*bench.run_arguments("GOOD"))
    assert code == 0, message
    assert outcome(bench, "GOOD")[0] == "pass"
    assert bench.standing.left_on() == []


@pytest.mark.parametrize("after", [18, 20])
def test_what_the_board_missed_is_closed_again_and_named(bench: Bench, after: int) -> None:
    """A selector, and a control line: each acknowledges, reads back closed and has not moved."""
    serial = f"MISSED-{after}"
    bench.standing.trouble(f"switchboard misses after {after}")
    code, message = bench.nursery.run(*bench.run_arguments(serial))
    assert code == 0, message
    run, _ = kept(bench, serial)
    with open_records(bench.records, read_only=True) as store:
        events = [event for event in store.events(run) if event.kind in ("bench fault", "supply trouble")]
    assert [event.kind for event in events] == ["bench fault" if after == 18 else "supply trouble"]


@pytest.mark.parametrize(
    "trouble",
    [
        "oscilloscope stale after 60",
        "supply off after 20",
    ],
)
def test_what_passes_by_hides_no_fault(bench: Bench, trouble: str) -> None:
    bench.standing.by_hand(unit="FAULTY", faults=[FAULT])
    bench.standing.trouble(trouble)
    code, message = bench.nursery.run(*bench.run_arguments("FAULTY"))
    assert code == 1, message
    assert outcome(bench, "FAULTY")[0] == "fail"


@pytest.mark.parametrize(
    "trouble",
    [
        "switchboard slow 400 after 26",
    ],
)
def test_what_passes_by_once_is_no_contact_that_fails_now_and_then(tmp_path: Path, trouble: str) -> None:
    check = check_of("intermittency", operations=8, below="1 %")
    job = job_in(tmp_path / "cycled", check, states=["loop_a"], name="Cycled")
    with standing_bench(job) as standing, nursery(tmp_path) as made:
        bench = Bench(tmp_path, job, standing, made)
        standing.trouble(trouble)
        made.run(*bench.run_arguments("GOOD"))
        _, readings = kept(bench, "GOOD")
    assert [fact for reading in readings for fact in reading.facts if isinstance(fact, OperationFailed)] == []
    assert {reading.verdict for reading in readings} <= {"pass", "unproven"}  # eight prove little


@pytest.fixture
def own_generator(bench: Bench) -> Iterator[None]:
    """A profile without `amplitude_query`, beside the bench file: levels are not read back."""
    own = bench.standing.bench_file.with_name("scpi-generator.toml")
    lines = (ROOT / "drivers" / "profiles" / own.name).read_text(encoding="utf-8").splitlines(keepends=True)
    own.write_text("".join(line for line in lines if "amplitude_query" not in line), encoding="utf-8")
    yield
    own.unlink()


@pytest.mark.usefixtures("own_generator")
@pytest.mark.parametrize(
    "trouble",
    [
        "oscilloscope dead 3 after 150",
        "oscilloscope inverted 4 after 150",
    ],
)
def test_what_stays_stops_the_run_and_is_named(bench: Bench, trouble: str) -> None:
    """After the through reference was taken; before a unit fails, it is looked at once more."""
    bench.standing.trouble(trouble)
    code, message = bench.nursery.run(*bench.run_arguments("GOOD"))
    assert code == 4, message
    ended, reason = outcome(bench, "GOOD")
    assert ended == "stopped"
    assert "the bench has changed during the run, so the unit has no verdict: " in reason, message
    run, _ = kept(bench, "GOOD")
    code, message = bench.nursery.run(*bench.resume_arguments(run, "GOOD"))
    assert code == 2
    assert "was stopped because the bench had changed" in " ".join(message.split())
    assert bench.standing.left_on() == []


@pytest.mark.usefixtures("own_generator")
@pytest.mark.parametrize("trouble", ["generator silent 1 after 30"])
def test_a_driven_port_that_does_not_show_what_is_driven_stops_the_run(bench: Bench, trouble: str) -> None:
    bench.standing.trouble(trouble)
    code, message = bench.nursery.run(*bench.run_arguments("GOOD"))
    assert code == 4, message
    assert outcome(bench, "GOOD")[0] == "stopped"
    assert bench.standing.left_on() == []


@pytest.mark.parametrize(
    ("trouble", "named"),
    [
        ("supply trips after 12", "its own protection switches it off"),
        ("switchboard closed 1 after 20", "the switchboard did not open a channel"),
    ],
)
def test_a_supply_or_a_relay_that_stays_as_it_is_stops_the_run(
    bench: Bench, trouble: str, named: str
) -> None:
    bench.standing.trouble(trouble)
    code, message = bench.nursery.run(*bench.run_arguments("GOOD"))
    ended, reason = outcome(bench, "GOOD")
    assert (code, ended) == (4, "stopped"), message
    assert named in reason
    assert bench.standing.left_on() == []


def test_outputs_that_drift_apart_after_the_through_reference_stay_within_the_uncertainty(
    tmp_path: Path,
) -> None:
    """Each by 800 millionths: the legs' ratio by 20 log10(1.0008/0.9992) = 0.014 dB (closed form)."""
    job = job_in(
        tmp_path / "job",
        check_of("leg_gain_difference", within="0.2 dB"),
        states=["idle"],
        name="Legs",
    )
    values: dict[str, dict[str, Estimate]] = {}
    with standing_bench(job) as standing, nursery(tmp_path) as made:
        bench = Bench(tmp_path, job, standing, made)
        edit(standing.bench_file, "hot = 1", 'level_drift = "0.2 %"\nhot = 1')
        path = tmp_path / "messages.jsonl"
        for serial in ("STEADY", "APART"):
            standing.by_hand(unit="SAME")
            code, message = made.run(*bench.run_arguments(serial), "--transcript", str(path))
            assert code == 0, message
            values[serial] = {
                str(each.key.measurand.port): known(each.estimate) for each in kept(bench, serial)[1]
            }
            lines = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
            switched_on = next(
                n for n, line in enumerate(lines) if line.get("bytes", "").startswith("OUTPut ON")
            )
            before = [line for line in lines[:switched_on] if line["instrument"] == "generator"]
            after = sum(line["direction"] == "in" for line in before)
            standing.trouble(f"generator apart 800 after {after}")
    for name, steady in values["STEADY"].items():
        apart = values["APART"][name]
        # 4: once in 16 000 readings
        scatter = 4 * hypot(
            *(
                line.standard
                for each in (steady, apart)
                for line in each.budget
                if line.name in ("noise", "repeatability", "through reference")
            )
        )
        assert apart.value - steady.value == pytest.approx(20 * log10(1.0008 / 0.9992), abs=scatter)
        assert apart.low <= steady.value <= apart.high
        assert "generator drift" in {line.name for line in apart.budget}


@pytest.mark.parametrize("after", [40])
def test_a_generator_that_gives_less_than_was_set_stops_the_run_with_both_figures(
    bench: Bench, after: int
) -> None:
    """Its level is read back after it was set; 3 dB less is 0.708 of it (closed form)."""
    bench.standing.trouble(f"generator weak after {after}")
    code, message = bench.nursery.run(*bench.run_arguments("GOOD"))
    assert code == 4, message
    ended, reason = outcome(bench, "GOOD")
    assert ended == "stopped"
    told = re.search(r"the level of output [12] was set to (\S+) and reads back (\S+), -3\.0 dB", reason)
    assert told is not None, reason
    assert float(told[2]) / float(told[1]) == pytest.approx(0.5**0.5, rel=1e-4)
    assert bench.standing.left_on() == []
