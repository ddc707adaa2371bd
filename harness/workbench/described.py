"""A job with its plan, and what follows from these alone: worked out once for a run or for a batch."""

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from harness.errors import CircuitError, JobError, RecordsError
from harness.report.page_files import write_whole

if TYPE_CHECKING:
    from harness.circuit.elements import BenchImpedances
    from harness.faults.coverage import FaultSeen
    from harness.faults.diagnosis import Diagnoser
    from harness.job.faults import Fault
    from harness.job.job import Job
    from harness.plan.model import Acquisition, Plan
    from harness.records.run import RunHeader, RunRecord
    from harness.workbench.beside import Beside

LARGEST_AT_RUN_END = 60_000  # faults times acquisitions: what a report waits for without being asked
LARGEST_KEPT = 400_000  # the same, for what is worked out once for all units of a job


@dataclass(frozen=True, kw_only=True, eq=False)
class Described:
    """A job, its plan, and what its bench loads the unit with. notes: what had to be taken as usual."""

    job: "Job"
    plan: "Plan"
    impedances: "BenchImpedances"
    notes: tuple[str, ...] = ()
    _diagnosers: "dict[tuple[int, ...], Diagnoser]" = field(default_factory=dict)
    _beside: "list[Beside]" = field(default_factory=list)

    def is_quick(self, acquisitions: int) -> bool:
        """Whether all faults in so many acquisitions are a matter of about a second."""
        from harness.job.faults import ONE_RESISTANCE_OHM, single_faults

        faults = single_faults(self.job.module, self.job.fixture, contact_ohm=ONE_RESISTANCE_OHM)
        return acquisitions * len(faults) <= LARGEST_AT_RUN_END

    def diagnoser(self, acquisitions: "Sequence[Acquisition]") -> "Diagnoser":
        """What all faults would show in these acquisitions; kept. Raises CircuitError."""
        from harness.faults.diagnosis import Diagnoser

        key = tuple(each.number for each in acquisitions)
        if key not in self._diagnosers:
            self._diagnosers[key] = Diagnoser(self.job, self.plan, acquisitions, impedances=self.impedances)
        return self._diagnosers[key]

    def faults_seen(self, folder: Path) -> "tuple[FaultSeen, ...]":
        """What the plan would see of every hard fault; kept in `folder` for the next run of this job.

        It is the same for every unit, and takes a second or several; () for a job where it takes minutes.
        """
        from harness.faults.coverage import judge_faults

        kept = self._coverage_in(folder)
        found = _read_kept(kept, self._hard_faults)
        if found or not self._hard_faults:
            return found
        if self.beside is not None:
            found = self.beside.coverage()
        try:
            found = found or judge_faults(self.job, self.plan, impedances=self.impedances)
        except CircuitError:
            return ()
        _write_kept(kept, found)
        return found

    @property
    def beside(self) -> "Beside | None":
        """The other process that helps with the reports of this job, while there is one."""
        return next(iter(self._beside), None)

    @contextmanager
    def helped(self, folder: Path) -> Iterator[None]:
        """Let another process work out what `faults_seen` will give, if nothing is kept of it."""
        from harness.workbench.beside import Beside

        if not self._hard_faults or self._coverage_in(folder).exists():
            yield
            return
        with Beside() as beside:
            beside.foresee(self.job, self.plan, self.impedances)
            self._beside.append(beside)
            try:
                yield
            finally:
                self._beside.clear()

    @cached_property
    def _hard_faults(self) -> "tuple[Fault, ...]":
        """Those that coverage is told of; () where that would take minutes."""
        from harness.faults.coverage import hard_faults

        faults = hard_faults(self.job)
        return faults if len(faults) * len(self.plan.acquisitions) <= LARGEST_KEPT else ()

    def _coverage_in(self, folder: Path) -> Path:
        return folder / f"coverage-{self._digest}.json"

    @cached_property
    def _digest(self) -> str:
        """Of all that coverage follows from; a simulated bench's file has other addresses each time."""
        import hashlib
        from importlib.metadata import version

        job, bench = self.job, self.job.bench
        accuracy = None if bench is None else bench.oscilloscope.gain_accuracy
        parts = [
            version("switchwalk"),
            repr(self.impedances),
            repr(accuracy),
            repr(self.plan.through is None),
        ]
        parts += [file.sha256 for file in job.files[:3]]
        return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]


def _read_kept(path: Path, faults: "Sequence[Fault]") -> "tuple[FaultSeen, ...]":
    """What was kept of just these faults; () where it is not there, or not whole."""
    from harness.faults.coverage import FaultSeen

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


def _write_kept(path: Path, found: "tuple[FaultSeen, ...]") -> None:
    """Keep it for the next unit; where that can't be, it is worked out again."""
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


def recorded_description(record: "RunRecord") -> Described:
    """A run's job as it was recorded. Raises RecordsError where its files no longer read."""
    from harness.plan.build import trial_plan
    from harness.records.evidence import recorded_job

    job = recorded_job(record)
    impedances, notes = _recorded_impedances(job, record.header)
    plan = trial_plan(job, impedances=impedances)
    return Described(job=job, plan=plan, impedances=impedances, notes=notes)


@contextmanager
def _profiles(header: "RunHeader") -> Iterator[Path]:
    """A folder with a person's own profiles of a run: as they were kept with it, or where they were then."""
    from drivers.profile_files import NAME
    from harness.records.evidence import JOB_FILES

    kept = header.files[len(JOB_FILES) :]
    if not kept:
        yield Path(header.bench_file).parent if header.bench_file else Path(header.job_folder)
        return
    with TemporaryDirectory(prefix="switchwalk-") as folder:
        for file in kept:
            if not NAME.fullmatch(file.name):  # records are no more to be trusted than other files
                raise RecordsError(f"{file.name!r} is kept with the run as a profile, and is no name of one")
            (Path(folder) / file.name).write_text(file.text, encoding="utf-8")
        yield Path(folder)


def _recorded_impedances(job: "Job", header: "RunHeader") -> "tuple[BenchImpedances, tuple[str, ...]]":
    """What the recorded bench loads the unit with, by its profiles: a person's own were kept with the run.

    They are not in runs of earlier versions. Where one is not found beside the bench file any more either,
    the usual impedances are taken, with a note.
    """
    from harness.circuit.elements import BenchImpedances
    from harness.workbench.bench_check import check_bench

    if job.bench is None:
        return BenchImpedances(), ()
    try:
        with _profiles(header) as folder:
            return check_bench(job, job.bench, folder), ()
    except JobError as error:
        usual = BenchImpedances()
        return usual, (
            f"The bench's profiles are not at hand ({error.mistakes[0].message}), so "
            f"sources of {usual.source_ohm:g} ohm and inputs of {usual.input_ohm / 1e6:g} Mohm are taken.",
        )
