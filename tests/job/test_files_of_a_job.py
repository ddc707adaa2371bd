"""Files that don't read or aren't there: told as any mistake is, and they hide no other."""

from pathlib import Path

import pytest

from harness.bench_file import load_bench
from harness.errors import JobError, Mistake
from harness.job.job import load_job
from tests.cli.commands import switchwalk
from tests.job.spoilt import mistakes_of, spoil
from tests.jobs import SWITCHER
from tests.known import known


def test_a_slip_of_syntax_is_a_mistake_like_any_other(job: Path) -> None:
    line = spoil(job, "module.toml", 'name = "Two-loop', "name = Two-loop")
    spoil(job, "fixture.toml", "swap = 3", "swap = 2")
    told = mistakes_of(job)
    assert told[0].startswith(f"module.toml:{line}: not TOML from here on: ")
    assert any("switchboard channel 2 already energises loop_b" in mistake for mistake in told)
    assert not any("sequence.toml" in mistake for mistake in told)


def test_a_quote_that_is_not_closed_is_told_as_that(job: Path) -> None:
    line = spoil(job, "module.toml", 'voltage = "12 V"', 'voltage = "12 V')
    assert mistakes_of(job)[0] == f"module.toml:{line}: not TOML from here on: a quote is not closed"


def test_a_file_in_another_encoding_is_told_at_its_line(job: Path) -> None:
    (job / "sequence.toml").write_bytes(b'[sequence]\nname = "Pr\xfcfung"\n')
    assert mistakes_of(job)[0] == (
        "sequence.toml:2: a byte that is not UTF-8; expected the file saved as UTF-8"
    )


def test_a_table_left_out_is_told_once(job: Path) -> None:
    text = (job / "bench.toml").read_text()
    (job / "bench.toml").write_text(text[: text.index("[switchboard]")])
    assert mistakes_of(job) == ["bench.toml: switchboard: missing; expected a table [switchboard]"]


def test_files_from_windows_read_alike(job: Path) -> None:
    for file in ("module.toml", "fixture.toml"):
        text = (job / file).read_text()
        (job / file).write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert load_job(job).module == load_job(SWITCHER).module


def test_a_folder_without_a_job_is_told_with_the_files_it_needs(tmp_path: Path) -> None:
    assert mistakes_of(tmp_path) == [
        f"{tmp_path}: no job here; expected a folder with module.toml, fixture.toml, sequence.toml and, "
        "unless --bench is given, bench.toml"
    ]
    assert mistakes_of(tmp_path / "nowhere")[0].startswith(
        f"{tmp_path / 'nowhere'}: no such folder; expected"
    )


def test_one_missing_file_does_not_hide_the_others_mistakes(job: Path) -> None:
    (job / "sequence.toml").unlink()
    line = spoil(job, "fixture.toml", "swap = 3", "swap = 2")
    assert mistakes_of(job) == [
        f"fixture.toml:{line}: controls.swap: switchboard channel 2 already energises loop_b",
        f"sequence.toml: missing in {job}, where `switchwalk compose {job}` writes it; expected module.toml, "
        "fixture.toml, sequence.toml and, unless --bench is given, bench.toml",
    ]


def test_a_file_that_was_named_and_is_missing_is_named_once(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "folder.toml").mkdir()
    for name, what in (("absent.toml", "no such file"), ("folder.toml", "a folder")):
        printed = switchwalk(capsys, "plan", str(SWITCHER), "--sequence", str(tmp_path / name))
        assert printed.code == 2
        assert printed.err == f"{tmp_path / name}: {what}; expected another sequence.toml\n"


def test_mistakes_of_a_file_are_told_by_line_whoever_found_them() -> None:
    found = [("b.toml", 9), ("a.toml", 3), ("b.toml", None), ("a.toml", 1), ("b.toml", 2)]
    error = JobError([Mistake(file=file, line=line, message="wrong") for file, line in found])
    assert [(each.file, each.line) for each in error.mistakes] == [
        ("b.toml", None), ("b.toml", 2), ("b.toml", 9), ("a.toml", 1), ("a.toml", 3),
    ]  # fmt: skip
    assert str(error).splitlines()[1] == "b.toml:2: wrong"


def test_a_job_without_a_bench_loads_without_one(job: Path) -> None:
    (job / "bench.toml").unlink()
    assert load_job(job).bench is None


def test_another_bench_takes_the_place_of_the_jobs_own(job: Path, tmp_path: Path) -> None:
    other = tmp_path / "studio.toml"
    other.write_text((job / "bench.toml").read_text().replace("Van bench", "Studio bench"))
    (job / "bench.toml").write_text("not read at all")
    loaded = load_job(job, other)
    assert known(loaded.bench).name == "Studio bench"
    assert loaded.files[-1].name == "studio.toml"
    assert mistakes_of(SWITCHER, tmp_path / "absent.toml") == [f"{tmp_path / 'absent.toml'}: no such file"]


def test_a_bench_file_alone_is_held_to_the_same_rules(job: Path) -> None:
    spoil(job, "bench.toml", 'profile = "scpi-supply"', 'profil = "scpi-supply"')
    with pytest.raises(JobError, match="did you mean profile"):
        load_bench(job / "bench.toml")
