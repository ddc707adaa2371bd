"""Hostile bytes for what reads files: a job's, profiles, records; and names that people type."""

import contextlib
import os
import shutil
import tempfile
from functools import cache
from pathlib import Path

from drivers.profile import load_profile
from harness.errors import JobError, RecordsError, SwitchwalkError
from harness.job.faults import parse_fault
from harness.job.job import Job, load_job
from harness.records.store import open_records
from tests.records.outside_broadcast import ACQUISITION, ENDED, HEADER, READING, capture

ROOT = Path(__file__).resolve().parents[2]
JOBS = tuple(sorted(path.parent for path in (ROOT / "sequences").glob("*/module.toml")))
FILES = ("module.toml", "fixture.toml", "sequence.toml", "bench.toml")


@cache
def scratch() -> Path:
    """A folder in memory where there is such a place; gone with the process."""
    import atexit

    memory = Path("/dev/shm")
    place = Path(tempfile.mkdtemp(prefix="hostile-", dir=memory if os.access(memory, os.W_OK) else None))
    atexit.register(shutil.rmtree, place, ignore_errors=True)
    return place


def _job_with(name: str, content: bytes) -> Path:
    folder = scratch() / "job"
    if not folder.exists():
        folder.mkdir()
        for file in FILES:
            shutil.copy(JOBS[-1] / file, folder / file)
    (folder / name).write_bytes(content)
    return folder


def description(data: bytes) -> None:
    """The first byte says which file of a job the rest stands for; the others are good."""
    name = FILES[data[0] % 4] if data else FILES[0]
    folder = _job_with(name, data[1:])
    try:
        with contextlib.suppress(JobError):
            load_job(folder)
    finally:
        shutil.copy(JOBS[-1] / name, folder / name)


ROLES = ("generator", "oscilloscope", "supply", "switchboard")


def profile(data: bytes) -> None:
    """A profile of somebody's own, beside the bench file; its commands are lines of plain text."""
    (scratch() / "own.toml").write_bytes(data[1:])
    try:
        made = load_profile("own", role=ROLES[data[0] % 4] if data else ROLES[0], folder=scratch())
    except JobError:
        return
    for _, command in getattr(made, "commands", ()):
        text = getattr(command, "text", "")
        if not isinstance(text, str) or not text.isascii() or not (text.isprintable()):
            raise AssertionError(f"a command that is no line of plain text: {text!r}")


def profile_name(data: bytes) -> None:
    """A profile's name never leads out of the folder of the bench file."""
    name = data.decode("utf-8", "replace")
    outside = scratch() / "stays" / "inside"
    outside.mkdir(parents=True, exist_ok=True)
    (scratch() / "outside.toml").write_text('kind = "supply"\n', encoding="utf-8")
    with contextlib.suppress(JobError):
        load_profile(name, role="supply", folder=outside)
        if name not in SHIPPED_SUPPLIES:
            raise AssertionError(f"profile {name!r} was found where none is")


SHIPPED_SUPPLIES = ("scpi-supply",)


@cache
def shipped_job() -> Job:
    return load_job(JOBS[-1])


def fault_name(data: bytes) -> None:
    """The name of a fault, as it is typed at the command line."""
    with contextlib.suppress(SwitchwalkError):
        parse_fault(data.decode("utf-8", "replace"), shipped_job().module, shipped_job().fixture)


@cache
def _good_records() -> bytes:
    place = scratch() / "good.sqlite"
    with open_records(place) as store:
        run = store.begin(HEADER)
        store.add_reference(run, {"gain": [1.0]})
        acquisition = store.add_acquisition(run, ACQUISITION)
        store.add_waveform(run, acquisition, capture(seed=1, samples=100))
        store.add_readings(run, [READING])
        store.finish(run, "pass", "", ENDED)
    return place.read_bytes()


def record_file(data: bytes) -> None:
    """A file of records in which bytes were changed: four bytes say where (three) and to what."""
    content = bytearray(_good_records())
    for start in range(0, len(data) - 3, 4):
        content[int.from_bytes(data[start : start + 3], "big") % len(content)] = data[start + 3]
    place = scratch() / "records.sqlite"
    for left in scratch().glob("records.sqlite-*"):
        left.unlink()
    place.write_bytes(content)
    with contextlib.suppress(RecordsError), open_records(place, read_only=True) as store:
        store.units()
        for run in store.runs():
            store.readings(run.run_id)
            store.acquisitions(run.run_id)
            store.events(run.run_id)
            store.references(run.run_id)
            store.waveforms(run.run_id)
        store.verify()
