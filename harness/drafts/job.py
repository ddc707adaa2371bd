"""The four files of a new job."""

from collections.abc import Mapping
from pathlib import Path

from harness.drafts.answers import Answers, check_answers
from harness.drafts.fixture_text import BENCH_TEXT, fixture_text
from harness.drafts.module_text import module_text
from harness.drafts.sequence_text import sequence_text
from harness.errors import UsageError
from harness.job.load import BENCH, FIXTURE, MODULE, SEQUENCE


def job_texts(answers: Answers) -> Mapping[str, str]:
    """Write the four files, by name. Raises UsageError where the answers do not fit together."""
    check_answers(answers)
    return {
        MODULE: module_text(answers),
        FIXTURE: fixture_text(answers),
        SEQUENCE: sequence_text(answers),
        BENCH: BENCH_TEXT,
    }


def write_new(texts: Mapping[Path, str]) -> None:
    """Write files that are not there yet. Raises UsageError, before anything is written, where one is."""
    if there := [path for path in texts if path.exists() or path.is_symlink()]:
        raise UsageError(
            f"{', '.join(map(str, there))}: already there, and nothing is written over; expected a new name"
        )
    for path, text in texts.items():
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
        except OSError as error:
            raise UsageError(
                f"{path}: cannot be written: {error.strerror or error}; choose another place"
            ) from None
