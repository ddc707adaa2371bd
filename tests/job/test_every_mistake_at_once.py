"""One mistake hides no other: whatever else is wrong, each is told as it is where it stands alone."""

from collections.abc import Sequence
from pathlib import Path

import pytest

from harness.bench_file import BenchFile
from harness.errors import JobError, Mistake
from harness.job.job import load_job
from harness.job.module import ModuleFile
from harness.job.read_fixture import FixtureFile
from harness.job.sequence import SequenceFile
from harness.quantities.registry import QUANTITIES
from harness.toml_files.located import JobFile, read_located
from harness.toml_files.source import Source
from tests.job.test_job_mistakes import SPOILT
from tests.jobs import SWITCHER

FILES = ("module.toml", "fixture.toml", "sequence.toml", "bench.toml")
TEXTS = {name: (SWITCHER / name).read_text(encoding="utf-8") for name in FILES}
Change = tuple[str, str, str]  # (file, what is right, what is written instead)


def told(folder: Path, changes: Sequence[Change]) -> list[Mistake]:
    """The mistakes of the shipped job with some changes, each made where the original has it."""
    for name, original in TEXTS.items():
        text = original
        places = sorted(
            (original.index(right), right, wrong) for file, right, wrong in changes if file == name
        )
        for at, right, wrong in reversed(places):
            text = text[:at] + wrong + text[at + len(right) :]
        (folder / name).write_text(text, encoding="utf-8")
    with pytest.raises(JobError) as caught:
        load_job(folder)
    return list(caught.value.mistakes)


def without_lines(mistakes: Sequence[Mistake]) -> set[tuple[str, str, str]]:
    return {(each.file, each.key, each.message) for each in mistakes}


@pytest.mark.parametrize("step", [7, 20])
def test_two_mistakes_are_told_as_each_of_them_is_alone(tmp_path: Path, step: int) -> None:
    rows = [row[:3] for row in SPOILT]
    alone = [without_lines(told(tmp_path, [row])) for row in rows]
    for one in range(len(rows)):
        other = (one + step) % len(rows)
        both = without_lines(told(tmp_path, [rows[one], rows[other]]))
        assert both == alone[one] | alone[other], (rows[one], rows[other])


def test_a_wrong_level_hides_none_of_fourteen_wrong_states(tmp_path: Path) -> None:
    level = ("sequence.toml", 'level = "+4 dBu"', 'level = "+4 dBx"')
    states = 'quantity = "gain"\nstates = ' + str(["lop_a"] * 14)
    mistakes = told(tmp_path, [level, ("sequence.toml", 'quantity = "gain"', states)])
    assert [each.key for each in mistakes] == [
        "sequence.tone.level",
        *(f"check[1].states[{number}]" for number in range(1, 15)),
    ]


@pytest.mark.parametrize(
    ("change", "key", "ending"),
    [
        (('states = ["all", "unpowered"]', 'states = ["idel"]'), "sequence.states[1]", "did you mean idle?"),
        (('quantity = "gain"', 'quantity = "gain"\nstates = ["loop_a+swop"]'), "check[1].states[1]",
         "did you mean loop_a+swap?"),
        (('quantity = "gain"', 'quantity = "gain"\nstates = ["unpowred"]'), "check[1].states[1]",
         "did you mean unpowered?"),
    ],
)  # fmt: skip
def test_a_misspelt_state_is_told_with_the_one_that_was_meant(
    tmp_path: Path, change: tuple[str, str], key: str, ending: str
) -> None:
    (first, *_) = [each for each in told(tmp_path, [("sequence.toml", *change)]) if each.key == key]
    assert first.message.endswith(ending)


def test_a_misspelt_table_is_read_as_the_one_that_was_meant(tmp_path: Path) -> None:
    mistakes = told(
        tmp_path,
        [
            ("bench.toml", "[oscilloscope]", "[osciloscope]"),
            ("bench.toml", 'probe = "1x"', 'probe = "1"'),
            ("fixture.toml", "[loads]", "[load]"),
            ("fixture.toml", 'out = "10 kohm"', 'ouut = "10 kohm"'),
            ("sequence.toml", 'quantity = "gain"', 'quantty = "gian"'),
            ("sequence.toml", 'within = "0.2 dB"', 'within = "0.2 V"'),
        ],
    )
    assert [(each.file, each.key) for each in mistakes] == [
        ("fixture.toml", "load"),
        ("fixture.toml", "load.ouut"),
        ("sequence.toml", "check[1].quantty"),
        ("sequence.toml", "check[1].quantty"),
        ("sequence.toml", "check[1].within"),
        ("bench.toml", "osciloscope"),
        ("bench.toml", "osciloscope.probe"),
    ]


@pytest.mark.parametrize("text", ["", "x = 1"])
@pytest.mark.parametrize("model", [ModuleFile, FixtureFile, SequenceFile, BenchFile])
def test_a_file_of_nothing_is_built_of_stand_ins_and_told(model: type, text: str) -> None:
    mistakes: list[Mistake] = []
    source = Source(
        name="a.toml", file=JobFile.of("a.toml", text.encode()), located=read_located(text), mistakes=mistakes
    )
    assert isinstance(source.read(model), model)
    assert mistakes


@pytest.mark.parametrize("name", QUANTITIES)
def test_options_of_the_wrong_kind_stop_nothing(name: str) -> None:
    source = Source(name="a.toml", file=JobFile.of("a.toml", b""), located=read_located(""), mistakes=[])
    options = QUANTITIES[name].options
    wrong = dict.fromkeys(options.model_fields, 1.5)
    assert isinstance(source.read(options, wrong, ("check", 0)), options)
