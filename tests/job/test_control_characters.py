"""Characters that steer a terminal or hide in a name get into nothing that is read from outside."""

from pathlib import Path

import pytest

from drivers.profile import parse_profile
from harness.errors import JobError
from harness.job.job import load_job
from tests.jobs import edit, job_in

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("file", "old", "new", "key", "character"),
    [
        ("module.toml", 'part = "', 'part = "\\u001b]0;owned\\u0007', "module.part", "U+001B"),
        ("module.toml", 'part = "', 'part = "\u202e', "module.part", "U+202E"),
        ("fixture.toml", 'name = "', 'name = "\\u009b2J', "fixture.name", "U+009B"),
        ("sequence.toml", 'settle = "', 'settle = "\\n', "sequence.settle", "U+000A"),
        ("sequence.toml", "settle = ", '"set\\u200btle" = ', "sequence", "U+200B"),
        ("bench.toml", 'name = "', 'name = "\\u0000', "bench.name", "U+0000"),
    ],
)  # fmt: skip
def test_in_a_jobs_file_they_are_mistakes_at_their_place(
    tmp_path: Path, file: str, old: str, new: str, key: str, character: str
) -> None:
    job = job_in(tmp_path / "job")
    line = edit(job / file, old, new)
    with pytest.raises(JobError) as caught:
        load_job(job)
    (mistake,) = caught.value.mistakes
    assert (mistake.file, mistake.key) == (file, key)
    assert f"found an invisible character ({character})" in mistake.message
    assert mistake.line == line or '"set' in new
    assert str(caught.value).replace("\n", "").isprintable()


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('description = "', 'description = "\\u001b[2J', "description"),
        ('description = "', '"\\u001b[2J" = 1\ndescription = "', ""),
        ('answer = "', 'answer = "\\u202e', "answer"),
    ],
)
def test_in_a_profile_as_well(old: str, new: str, key: str) -> None:
    text = (ROOT / "drivers" / "profiles" / "text-switchboard.toml").read_text("utf-8")
    assert old in text
    with pytest.raises(JobError, match=r"found an invisible character \(U\+") as caught:
        parse_profile(text.replace(old, new, 1), "own.toml")
    assert caught.value.mistakes[0].key == key


def test_letters_of_every_language_and_spaces_that_do_not_break_are_text(tmp_path: Path) -> None:
    strange = ("module.toml", 'part = "', 'part = "Übertragung\u00a0№ 3, 検査 ')
    job = job_in(tmp_path / "job", edits=[strange])
    assert load_job(job).module.part.startswith("Übertragung\u00a0№ 3")
