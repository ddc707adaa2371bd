"""A whole run with each shipped scope dialect: the same verdict, and the levels of the circuit.

The bench is the foreign one, with a scope of the zoo in its place; the levels are those of the box's own
circuit (tests/foreign/box.py), within their uncertainties.
"""

import json
from pathlib import Path

import pytest

from tests.cli.commands import switchwalk
from tests.drivers.own_profiles import profile_text
from tests.drivers.zoo.at_bench import at_bench
from tests.drivers.zoo.scope import Scope
from tests.drivers.zoo.scope_dialects import SingleQueries, VoltsInText
from tests.drivers.zoo.test_contradicting_profiles import FOUR_INPUTS, JOB, FourInputs
from tests.foreign.bench import ForeignBench
from tests.foreign.box import Unit
from tests.foreign.test_foreign_bench import hand_made_gain_db
from tests.jobs import check_of, job_in


@pytest.mark.parametrize(
    ("make", "name", "changes"),
    [
        (FourInputs, "labelled-preamble-oscilloscope", FOUR_INPUTS),
        (SingleQueries, "single-query-oscilloscope", {}),
        (VoltsInText, "text-list-oscilloscope", {"complete_after_s = 0.2": "complete_after_s = 0.05"}),
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
    job = job_in(tmp_path / "job", check_of("gain", within="0.3 dB"), of=JOB, states=["insert"])
    (tmp_path / "mine.toml").write_text(profile_text(name, changes), encoding="utf-8")
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
