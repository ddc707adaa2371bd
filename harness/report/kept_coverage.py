"""What a job's plan sees of every hard fault, kept beside the records: it is the same for every unit."""

import hashlib
import json
from collections.abc import Sequence
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path

from harness.errors import CircuitError
from harness.faults.coverage import FaultSeen, hard_faults, judge_faults
from harness.job.faults import Fault
from harness.report.page_files import write_whole
from harness.report.second_process import SecondProcess
from harness.session.planned_job import PlannedJob

LARGEST_KEPT = 400_000  # faults times acquisitions: what is worked out once for all units of a job


class KeptCoverage:
    """What a plan sees of every hard fault, as it is kept in a folder, or worked out and kept there.

    Nothing is worked out for a job where that takes minutes.
    """

    def __init__(self, planned: PlannedJob, folder: Path) -> None:
        self._planned = planned
        self._path = folder / file_name(planned)
        faults = hard_faults(planned.job)
        quick = len(faults) * len(planned.plan.acquisitions) <= LARGEST_KEPT
        self._faults: Sequence[Fault] = faults if quick else ()

    @property
    def lacks(self) -> bool:
        """Whether it is still to be worked out."""
        return bool(self._faults) and not self._path.exists()

    def get(self, helper: SecondProcess | None) -> tuple[FaultSeen, ...]:
        """By fault; () for a job where that takes minutes. helper: may have worked it out meanwhile."""
        found = _read(self._path, self._faults)
        if found or not self._faults:
            return found
        if helper is not None:
            found = helper.coverage()
        planned = self._planned
        try:
            found = found or judge_faults(planned.job, planned.plan, impedances=planned.impedances)
        except CircuitError:
            return ()
        _write(self._path, found)
        return found


def file_name(planned: PlannedJob) -> str:
    """A name by all that coverage follows from; a simulated bench's file has other addresses each time."""
    job, bench = planned.job, planned.job.bench
    accuracy = None if bench is None else bench.oscilloscope.gain_accuracy
    parts = [
        version("switchwalk"),
        repr(planned.impedances),
        repr(accuracy),
        repr(planned.plan.through is None),
        *(file.sha256 for file in job.files[:3]),
    ]
    digest = hashlib.sha256("\n".join(parts).encode()).hexdigest()
    return f"coverage-{digest[:16]}.json"


def _read(path: Path, faults: Sequence[Fault]) -> tuple[FaultSeen, ...]:
    """What was kept of just these faults; () if it is not there, or not whole."""
    try:
        rows = json.loads(path.read_text(encoding="utf-8"))
        return tuple(
            FaultSeen(
                fault=fault,
                seen=bool(row["seen"]),
                by=str(row["by"]),
                margin=float(row["margin"]),
                readings=int(row["readings"]),
                why=str(row["why"]),
            )
            for fault, row in zip(faults, (rows[fault.name] for fault in faults), strict=True)
        )
    except (OSError, ValueError, KeyError, TypeError):
        return ()


def _write(path: Path, found: Sequence[FaultSeen]) -> None:
    """Keep it for the next unit; if that can't be, it is worked out again."""
    rows = {
        one.fault.name: {
            "seen": one.seen,
            "by": one.by,
            "margin": one.margin,
            "readings": one.readings,
            "why": one.why,
        }
        for one in found
    }
    with suppress(OSError):
        write_whole(path, json.dumps(rows, ensure_ascii=False, indent=1).encode("utf-8"))
