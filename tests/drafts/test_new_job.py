"""`switchwalk new`: what it writes is valid, runs at once and passes; nothing is written over."""

import tomllib
from math import log10
from pathlib import Path

import pytest

from harness.drafts.job_text import TEMPLATES, Answers, job_texts
from harness.job.job import load_job
from tests.cli.commands import switchwalk


def ohms(text: str) -> float:
    number, unit = text.split()
    return float(number) * {"ohm": 1.0, "kohm": 1e3}[unit]


FITTING = [
    Answers(channels=channels, controls=controls, loops=loops, relays_per_control=relays)
    for channels in (1, 2, 3, 8)
    for loops in range(5)
    for controls in range(max(1, loops), loops + 3)
    for relays in {1, channels}
]


@pytest.mark.parametrize("answers", FITTING, ids=str)
def test_whatever_is_answered_the_four_files_are_a_valid_job(answers: Answers, tmp_path: Path) -> None:
    for name, text in job_texts(answers).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    job = load_job(tmp_path)
    assert job.module.control_names == answers.control_names
    assert len(job.module.relays) == answers.controls * answers.relays_per_control
    assert len(job.fixture.loopbacks) == answers.loops


def test_a_new_job_passes_on_the_simulator_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    made = switchwalk(capsys, "new", "insert", "--template", "mono-insert")
    assert (made.code, made.out) == (0, "")
    run = switchwalk(capsys, "run", "insert", "--serial", "OB-0001", "--simulate")
    assert run.code == 0, run.out + run.err
    assert "PASS" in run.out


def test_options_say_what_a_person_would_answer(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "job"
    printed = switchwalk(capsys, "new", str(folder), "--channels", "1", "--loops", "2", "--controls", "3")
    assert printed.code == 0
    assert load_job(folder).module.control_names == ("loop_1", "loop_2", "mute")


@pytest.mark.parametrize("channels", [3, 8])
def test_no_two_legs_of_a_loop_have_the_same_loss_nor_two_loops_of_a_leg(channels: int) -> None:
    """Half a decibel is between them. R in series, S to ground: 20 lg (1 + R/S), closed form."""
    text = job_texts(Answers(channels=channels, controls=4, loops=4, relays_per_control=1))["fixture.toml"]
    loopbacks = tomllib.loads(text)["loopbacks"]
    losses = {
        (name, channel, leg): 20 * log10(1 + ohms(end["series"]) / ohms(end["shunt"]))
        for name, loopback in loopbacks.items()
        for channel, legs in loopback["legs"].items()
        for leg, end in legs.items()
    }
    assert len(losses) == 4 * channels * 2
    for (name, *leg), loss in losses.items():
        rivals = [other for (its, *its_leg), other in losses.items() if (its == name) != (its_leg == leg)]
        assert min(abs(loss - other) for other in rivals) > 0.5


@pytest.mark.parametrize("name", ["module.toml", "fixture.toml", "sequence.toml", "bench.toml"])
def test_a_file_that_is_there_is_never_written_over(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / name).write_text("mine", encoding="utf-8")
    printed = switchwalk(capsys, "new", str(tmp_path), "--template", next(iter(TEMPLATES)))
    assert printed.code == 2
    assert name in printed.err
    assert [each.name for each in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--channels", "9"], "expected 1 to 8"),
        (["--loops", "9"], "0 to 4"),
        (["--loops", "2", "--controls", "1"], "expected 2 to 4"),
        (["--relays-per-line", "7"], "relays per control line"),
        (["--template", "disco"], "stereo-loops"),
    ],
)
def test_answers_that_do_not_fit_are_told_before_anything_is_written(
    options: list[str], message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    printed = switchwalk(capsys, "new", str(tmp_path / "job"), *options)
    assert printed.code == 2
    assert message in printed.err
    assert not (tmp_path / "job").exists()
