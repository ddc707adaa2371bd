"""Scopes of other manuals, by the profiles that `profile new` wrote: their volts, and what wrong keys do."""

import re
from pathlib import Path

import pytest

from drivers.profile import OscilloscopeProfile
from drivers.scope.oscilloscope_profile import Scaling
from harness.errors import BenchError
from tests.drivers.zoo.evening_scopes import PLAIN_MILLIVOLTS, WORDS, PlainMillivolts, Words
from tests.drivers.zoo.rig import opened, wanted, worst_error_v
from tests.drivers.zoo.scope import Habits, Scope
from tests.drivers.zoo.test_contradicting_profiles import JOB, WRONG, looked_at
from tests.drivers.zoo.test_strange_scopes import WRONG_STRANGERS
from tests.jobs import check_of, job_in


def plain_millivolts() -> Scope:
    return PlainMillivolts(Habits(ending=b"\r\n"))


@pytest.mark.parametrize(
    ("make", "text", "inputs", "bits"),
    [(plain_millivolts, PLAIN_MILLIVOLTS, (1, 3), 12), (Words, WORDS, (1, 2), 8)],
    ids=["plain millivolts", "words"],
)
@pytest.mark.parametrize("offset_v", [0.0, -0.4])
@pytest.mark.parametrize("v_per_div", [0.5, 1.0])
def test_a_known_sine_comes_back_in_volts(
    make: type[Scope], text: str, inputs: tuple[int, ...], bits: int, offset_v: float, v_per_div: float
) -> None:
    scope = make()
    with opened(scope, text) as driver:
        capture = driver.capture(wanted(*inputs, v_per_div=v_per_div, offset_v=offset_v))
    assert (scope.unknown, scope.errors) == ([], [])
    assert worst_error_v(capture, scope) <= 0.51 * v_per_div / 25 * 2.0 ** (8 - bits) + 1e-6


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return job_in(tmp_path / "job", check_of("gain", within="0.2 dB"), of=JOB, states=["idle"])


def test_the_bench_check_is_content_with_the_right_profile(
    capsys: pytest.CaptureFixture[str], job: Path
) -> None:
    result = looked_at(capsys, job, plain_millivolts(), PLAIN_MILLIVOLTS, {})
    assert {what: each["message"] for what, each in result.items() if not each["ok"]} == {}


WRONG_MILLIVOLTS = [
    (('"big"', '"little"'), "byte_order"),
    (("sample_signed = false", "sample_signed = true"), "sample_signed"),
    (("sample_bits = 16", "sample_bits = 8"), "sample_bits"),
    (('{n} times 0.001"\ncodes', '{n}"\ncodes'), "scaling.scale"),
    (("codes_per_division = 6400", "codes_per_division = 400"), "codes_per_division"),
    (("reference = 32768", "reference = 2048"), "scaling.reference"),
    (("SHIFT?,{n} times 0.001", "SHIFT?,{n} times -0.001"), "scaling.origin"),
    (("STEP? times 1e-9", "STEP? times 1e-6"), "scaling.interval_s"),
    (("DUMP?,{n}", "DUMP?,1"), "data_query"),
    (("block_terminated = true", "block_terminated = false"), "block_terminated"),
]


@pytest.mark.parametrize(("wrong", "key"), WRONG_MILLIVOLTS)
def test_the_bench_check_names_a_wrong_key(
    capsys: pytest.CaptureFixture[str], job: Path, wrong: tuple[str, str], key: str
) -> None:
    assert wrong[0] in PLAIN_MILLIVOLTS
    result = looked_at(capsys, job, plain_millivolts(), PLAIN_MILLIVOLTS.replace(*wrong), {})
    assert [what for what, each in result.items() if each["ok"] is False] == ["oscilloscope"], result
    assert key in result["oscilloscope"]["message"]


def two_records(text: str) -> None:
    """Of the scope of words, the second with another voltage in the middle."""
    with opened(Words(), text) as driver:
        for offset_v in (0.0, 0.5):
            driver.capture(wanted(1, 2, offset_v=offset_v))


WRONG_WORDS = [
    (('origin = ":CH{n}:POS? times 25"\n', ""), "scaling.origin"),
    (("times 25", "times -25"), "scaling.origin"),
    (("{minus_div}", "{div}"), "commands.offset"),
    (('block_prefix = "CH{n}:"', 'block_prefix = "CH1:"'), "samples"),
    (('rate_hz = ":ACQ:RATE?"', 'rate_hz = ":ACQ:RATE? times 1000"'), "interval_s or rate_hz"),
    (("{v_per_div:prefixed}", "{v_per_div}"), "-224"),
]


@pytest.mark.parametrize(("wrong", "key"), WRONG_WORDS)
def test_a_key_that_contradicts_the_scope_of_words_is_named(wrong: tuple[str, str], key: str) -> None:
    assert wrong[0] in WORDS
    with pytest.raises(BenchError) as caught:
        two_records(WORDS.replace(*wrong))
    assert key in str(caught.value)


NOT_SEEN = {"x_origin_s", "x_reference"}
"""When the trigger was: a record that is not triggered can't show it."""


def test_every_key_of_the_samples_is_named_when_it_is_wrong() -> None:
    fields = list(OscilloscopeProfile.model_fields)
    of_samples = fields[fields.index("samples") : fields.index("complete_answer")]
    keys = {*of_samples, "expects", *Scaling.model_fields}
    told = [row[-1] for row in WRONG] + [row[-1] for row in WRONG_STRANGERS]
    told += [row[-1] for row in (*WRONG_MILLIVOLTS, *WRONG_WORDS)]
    named = set(re.findall(r"[a-z_]+", " ".join(told)))
    assert keys - named - NOT_SEEN == set()
