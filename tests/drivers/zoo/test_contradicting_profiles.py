"""A profile that contradicts its scope is found by the bench check, which names the key.

The bench is the foreign one (tests/foreign), with a scope of the zoo in its place.
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from tests.cli.commands import switchwalk
from tests.drivers.own_profiles import profile_text
from tests.drivers.zoo.at_bench import at_bench
from tests.drivers.zoo.scope import Scope
from tests.drivers.zoo.scope_dialects import Labelled, SingleQueries, TenFields, VoltsInText
from tests.drivers.zoo.strange_scopes import NEXT_PIECES, NextPieces
from tests.drivers.zoo.test_scope_dialects import BIG, CODES_IN_TEXT
from tests.foreign.bench import ForeignBench
from tests.foreign.box import Unit
from tests.jobs import check_of, job_in

JOB = Path(__file__).parents[2] / "foreign" / "insert_box"


FOUR_INPUTS = {"inputs = 2": "inputs = 4"}


class FourInputs(Labelled):
    """As its dialect, for the bench's four leads."""

    inputs = 4


TEN_FIELDS = """[scaling]
scale = "field 8"
origin = "field 9"
reference = "field 10"
interval_s = "field 5"
"""
LAST = {'byte_order = "big"\n': 'byte_order = "big"\ncode_max = 65280\n'}


class FewBits(TenFields):
    """Words of 16 bits that hold 8: the low byte is always zero, so that the last code is FF00."""

    def codes(self, n: int, *, low: int, high: int) -> Any:
        return super().codes(n, low=low, high=high) // 256 * 256


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return job_in(tmp_path / "job", check_of("gain", within="0.2 dB"), of=JOB, states=["idle"])


def looked_at(
    capsys: pytest.CaptureFixture[str], job: Path, scope: Scope, name: str, changes: Mapping[str, str]
) -> dict[str, dict[str, Any]]:
    """What `switchwalk bench` says, by what it looked at."""
    text = profile_text(name, dict(changes)) if "\n" not in name else name
    (job.parent / "mine.toml").write_text(text, encoding="utf-8")
    bench = ForeignBench(Unit(), scope=at_bench(scope))
    with bench:
        file = bench.write(job.parent / "bench.toml", scope_profile="mine")
        printed = switchwalk(capsys, "bench", str(job), "--bench", str(file), "--json")
        assert bench.is_safe()
    result = json.loads(printed.out)
    assert printed.code == (0 if result["ready"] else 4)
    return {each["what"]: each for each in result["checked"]}


@pytest.mark.parametrize(
    ("make", "name", "changes"),
    [
        (TenFields, "preamble-oscilloscope", {}),
        (TenFields, "preamble-oscilloscope", BIG),
        (FewBits, "preamble-oscilloscope", BIG | LAST),
        (SingleQueries, "single-query-oscilloscope", {}),
        (VoltsInText, "text-list-oscilloscope", {}),
        (FourInputs, "labelled-preamble-oscilloscope", FOUR_INPUTS | CODES_IN_TEXT),
        (NextPieces, NEXT_PIECES, {}),
    ],
)
def test_a_right_profile_is_ready(
    capsys: pytest.CaptureFixture[str], job: Path, make: type[Scope], name: str, changes: dict[str, str]
) -> None:
    result = looked_at(capsys, job, make(), name, changes)
    assert {what: each["message"] for what, each in result.items() if not each["ok"]} == {}


# fmt: off
WRONG: list[tuple[type[Scope], str, dict[str, str], tuple[str, str], str, str]] = [
    (TenFields, "preamble-oscilloscope", BIG, ('"big"', '"little"'), "oscilloscope", "byte_order"),
    (FewBits, "preamble-oscilloscope", BIG, ('"big"', '"little"'), "oscilloscope", "byte_order"),
    (
        SingleQueries, "single-query-oscilloscope", {},
        ("sample_signed = true", "sample_signed = false"), "oscilloscope", "sample_signed",
    ),
    (
        TenFields, "preamble-oscilloscope", BIG,
        ("sample_bits = 16", "sample_signed = true\nsample_bits = 16"), "oscilloscope", "sample_signed",
    ),
    (
        TenFields, "preamble-oscilloscope", {},
        ("[commands]\n", "sample_bits = 16\nbyte_order = 'big'\n[commands]\n"),
        "oscilloscope", "sample_bits",
    ),
    (TenFields, "preamble-oscilloscope", BIG, ("bits = 16", "bits = 8"), "oscilloscope", "sample_bits"),
    (
        SingleQueries, "single-query-oscilloscope", {},
        ("codes_per_division = 25", "codes_per_division = 250"), "oscilloscope", "codes_per_division",
    ),
    (
        SingleQueries, "single-query-oscilloscope", {},
        ("codes_per_division = 25", "codes_per_division = 30"), "through", "scaling.codes_per_division",
    ),
    (
        SingleQueries, "single-query-oscilloscope", {},
        ("codes_per_division = 25", "codes_per_division = 25\nreference = 128"),
        "oscilloscope", "scaling.reference",
    ),
    (
        SingleQueries, "single-query-oscilloscope", {},
        ("codes_per_division = 25", "codes_per_division = 25\nreference = 10"),
        "oscilloscope", "scaling.reference",
    ),
    (
        SingleQueries, "single-query-oscilloscope", {},
        ("scale - origin", "scale + origin"), "oscilloscope", "scaling.formula",
    ),
    (
        SingleQueries, "single-query-oscilloscope", {},
        ("{minus_v}", "{v}"), "oscilloscope", "commands.offset",
    ),
    (
        FourInputs, "labelled-preamble-oscilloscope", FOUR_INPUTS | CODES_IN_TEXT,
        ('"text_codes"', '"text_volts"'), "oscilloscope", "samples",
    ),
    (
        VoltsInText, "text-list-oscilloscope", {},
        ('"inputs_in_turn"', '"inputs_interleaved"'), "through", "answer_holds",
    ),
    (
        SingleQueries, "single-query-oscilloscope", {},
        ('data_query = "C{n}:WF?', 'data_query = "C1:WF?'), "oscilloscope", "data_query",
    ),
    (
        SingleQueries, "single-query-oscilloscope", {},
        ("points_per_read = 5000", "points_per_read = 10000"), "oscilloscope", "points_per_read",
    ),
    (
        SingleQueries, "single-query-oscilloscope", {},
        ("first_sample = 0", "first_sample = 1"), "oscilloscope", "first_sample",
    ),
    (
        SingleQueries, "single-query-oscilloscope", {},
        ('"DAT2,"', '"DAT3,"'), "oscilloscope", "block_prefix",
    ),
    (
        VoltsInText, "text-list-oscilloscope", {},
        ("text_in_block = true", "text_in_block = false"), "oscilloscope", "text_in_block",
    ),
    (
        VoltsInText, "text-list-oscilloscope", {},
        ('"ACQ:SRAT?"', '"ACQ:SRAT? times 2"'), "oscilloscope", "rate_hz",
    ),
    (
        FourInputs, "labelled-preamble-oscilloscope", FOUR_INPUTS | CODES_IN_TEXT,
        ("code_min = -128", "code_min = 0"), "oscilloscope", "code_min",
    ),
    (
        TenFields, "preamble-oscilloscope", {},
        ("[commands]\n", TEN_FIELDS + "fields = 9\n[commands]\n"), "oscilloscope", "scaling.fields",
    ),
    (
        FewBits, "preamble-oscilloscope", BIG,
        ('byte_order = "big"', 'byte_order = "big"\ncode_max = 65535'), "through", "code_max",
    ),
]
# fmt: on


@pytest.mark.parametrize(("make", "name", "right", "wrong", "seen_by", "key"), WRONG)
def test_a_wrong_key_is_named(
    capsys: pytest.CaptureFixture[str],
    job: Path,
    make: type[Scope],
    name: str,
    right: dict[str, str],
    wrong: tuple[str, str],
    seen_by: str,
    key: str,
) -> None:
    result = looked_at(capsys, job, make(), name, dict(right) | {wrong[0]: wrong[1]})
    not_ok = [what for what, each in result.items() if each["ok"] is False]
    assert not_ok == [seen_by], result
    assert key in result[seen_by]["message"]
    assert "'mine'" in result[seen_by]["cause"]


def test_a_run_with_a_wrong_scale_ends_without_a_reading(
    capsys: pytest.CaptureFixture[str], job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(job.parent)
    wrong = {"codes_per_division = 25": "codes_per_division = 30"}
    (job.parent / "mine.toml").write_text(profile_text("single-query-oscilloscope", wrong), encoding="utf-8")
    with ForeignBench(Unit(), scope=at_bench(SingleQueries())) as bench:
        file = bench.write(job.parent / "bench.toml", scope_profile="mine")
        printed = switchwalk(capsys, "run", str(job), "--serial", "Z-1", "--bench", str(file))
    assert printed.code == 4
    assert "every input shows 0.83" in printed.err
    assert "scaling.codes_per_division" in printed.err
    assert json.loads(switchwalk(capsys, "show", "1", "--json").out)["readings"] == []
