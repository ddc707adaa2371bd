"""A whole run with each shipped scope dialect: the same verdict, and the levels of the circuit.

The bench is the foreign one, with a scope of the zoo in its place; the levels are those of the box's own
circuit (tests/foreign/box.py), within their uncertainties.
"""

import json
import re
from pathlib import Path

import pytest

from tests.cli.commands import switchwalk
from tests.drivers.own_profiles import profile_text
from tests.drivers.zoo.at_bench import at_bench
from tests.drivers.zoo.evening_scopes import WORDS, Words
from tests.drivers.zoo.scope import Scope
from tests.drivers.zoo.scope_dialects import Labelled, Lettered, SingleQueries, VoltsInText
from tests.drivers.zoo.strange_scopes import DECIMAL_COMMAS, NEXT_PIECES, DecimalCommas, NextPieces
from tests.drivers.zoo.test_contradicting_profiles import FOUR_INPUTS, JOB
from tests.drivers.zoo.test_scope_dialects import LETTERED
from tests.foreign.bench import ForeignBench
from tests.foreign.box import Unit
from tests.foreign.test_foreign_bench import hand_made_gain_db
from tests.jobs import check_of, job_in

# The bench's levels need finer ranges and a longer record than its page has.
LETTERED_OF_THE_BENCH = LETTERED.replace("[0.125,", "[0.015625, 0.03125, 0.0625, 0.125,").replace(
    "record_length_max = 1000", "record_length_max = 4000"
)
OF_ONE_PORT = (check_of("gain", within="0.3 dB"), check_of("channel_gain_difference", within="0.3 dB"))


class LongLettered(Lettered):
    """As its dialect, with a longer memory."""

    memory = 4000


def view_one_port(job: Path) -> None:
    """Let every setup view its first port alone, as a scope with two inputs can."""
    fixture = job / "fixture.toml"
    text = re.sub(
        r'view = \["([a-z_.]+)", "[a-z_.]+"\]', r'view = ["\1"]', fixture.read_text(encoding="utf-8")
    )
    fixture.write_text(text, encoding="utf-8")


@pytest.mark.parametrize(
    ("make", "name", "changes"),
    [
        (Labelled, "labelled-preamble-oscilloscope", {}),
        (SingleQueries, "single-query-oscilloscope", {}),
        (VoltsInText, "text-list-oscilloscope", {"complete_after_s = 0.2": "complete_after_s = 0.05"}),
        (NextPieces, NEXT_PIECES, {}),
        (DecimalCommas, DECIMAL_COMMAS, {}),
        (Words, WORDS, {}),
        (LongLettered, LETTERED_OF_THE_BENCH, {}),
    ],
)
def test_a_good_unit_passes_with_the_levels_of_its_circuit(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    make: type[Scope],
    name: str,
    changes: dict[str, str],
) -> None:
    monkeypatch.chdir(tmp_path)
    job = job_in(tmp_path / "job", *OF_ONE_PORT, of=JOB, states=["insert"])
    if make.inputs == 2:
        view_one_port(job)
    text = name if "\n" in name else profile_text(name, changes)
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    unit = Unit()
    bench = ForeignBench(unit, scope=at_bench(make()))
    with bench:
        file = bench.write(tmp_path / "bench.toml", scope_profile="mine")
        printed = switchwalk(capsys, "run", str(job), "--serial", "Z-1", "--bench", str(file))
        assert bench.is_safe()
    assert printed.code == 0, printed.out + printed.err
    readings = json.loads(switchwalk(capsys, "show", "1", "--json").out)["readings"]
    gains = [reading for reading in readings if reading["quantity"] == "gain" and not reading["floor"]]
    assert len(gains) >= 2
    (difference,) = [each for each in readings if each["quantity"] == "channel_gain_difference"]
    left, right = (
        next(hand_made_gain_db(unit, gain) for gain in gains if f"drive {channel}" in gain["setup"])
        for channel in ("left", "right")
    )
    assert abs(difference["value"] - (right - left)) < 4 * difference["standard"]  # the plugs' pads differ
    for gain in gains:
        assert abs(gain["value"] - hand_made_gain_db(unit, gain)) < 4 * gain["standard"]


def test_a_check_that_a_short_memory_cannot_record_is_refused_in_the_plan(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    job = job_in(
        tmp_path / "job",
        check_of("gain", within="0.3 dB"),
        check_of("noise", below="-60 dBu"),
        of=JOB,
        states=["insert"],
    )
    (tmp_path / "mine.toml").write_text(
        profile_text("labelled-preamble-oscilloscope", FOUR_INPUTS), encoding="utf-8"
    )
    with ForeignBench(Unit()) as bench:
        file = bench.write(tmp_path / "bench.toml", scope_profile="mine")
        printed = switchwalk(capsys, "plan", str(job), "--bench", str(file))
    assert printed.code == 2
    assert "'Noise': the scope records 2500 samples at most, asked for 200000 in 0.1 s" in printed.err
    assert printed.err.count("the scope records") == 1


def test_what_two_inputs_cannot_show_is_said_in_the_plan(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Gain, and its difference between the channels, need one port at a time; a phase needs two."""
    (tmp_path / "mine.toml").write_text(profile_text("labelled-preamble-oscilloscope"), encoding="utf-8")
    said = {}
    for name, checks in (("one", OF_ONE_PORT), ("two", (*OF_ONE_PORT, check_of("phase", within="5 deg")))):
        job = job_in(tmp_path / name, *checks, of=JOB, states=["insert"])
        view_one_port(job)
        with ForeignBench(Unit()) as bench:
            file = bench.write(tmp_path / "bench.toml", scope_profile="mine")
            said[name] = switchwalk(capsys, "plan", str(job), "--bench", str(file))
    assert said["one"].code == 0, said["one"].err
    assert (
        "Note: The scope has 2 inputs and shows one port at a time. What compares two ports in one record "
        "can't be measured: phase, leg phase error, channel phase difference, crosstalk."
    ) in " ".join(said["one"].out.split())
    assert said["two"].code == 2
    assert "phase is measured against the drive" in said["two"].err
    assert "mine has 2 inputs and shows one port at a time" in said["two"].err
