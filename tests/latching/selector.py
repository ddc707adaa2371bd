"""The line selector of these tests: latching relays, one alone and two that share a reset line."""

import shutil
from collections.abc import Iterable
from pathlib import Path

from harness.job.job import Job, load_job
from tests.jobs import Edit, edit, sequence

SELECTOR = Path(__file__).parent / "line_selector"


def selector() -> Job:
    return load_job(SELECTOR)


def selector_in(folder: Path, *checks: str, states: Iterable[str], edits: Iterable[Edit] = ()) -> Path:
    """The selector's folder with a sequence of these checks in these states."""
    shutil.copytree(SELECTOR, folder)
    if checks:
        text = sequence(*checks, states=list(states))
        (folder / "sequence.toml").write_text(text, encoding="utf-8")
    for file, before, after in edits:
        edit(folder / file, before, after)
    return folder
