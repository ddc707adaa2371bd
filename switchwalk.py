"""What other Python code may import: read a job, plan it, run it on a bench, keep and read its records.

    from pathlib import Path
    import switchwalk

    job = switchwalk.load_job(Path("sequences/two_loop_switcher"))
    plan = switchwalk.build_plan(job, impedances=switchwalk.BenchImpedances())
    print(len(plan.readings), "readings from", len(plan.acquisitions), "acquisitions")

Documented in docs/python.md and docs/records.md.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from drivers.bench import open_bench
from drivers.by_hand import Ask, nobody
from harness.circuit.elements import BenchImpedances
from harness.circuit.predict import predict
from harness.errors import BenchError, JobError, RecordsError, RunStopped, SwitchwalkError, UsageError
from harness.job.job import Job, load_job
from harness.plan.build import build_plan
from harness.plan.model import Plan
from harness.reading import Reading
from harness.records.export import readings_frame, runs_frame
from harness.records.run import RunHeader
from harness.records.store import RunStore, open_records
from harness.report.run_report import Reporter
from harness.report.words import describe
from harness.report.write import write_report
from harness.session import open_bench as _bench
from harness.session.admission import admit, check_serial
from harness.session.events import Hands, Observer
from harness.session.open_bench import NoHands, OpenBench, choose_bench, unobserved
from harness.session.planned_job import read_job
from harness.session.request.header import RunRequest
from harness.session.unit_run import RunResult, UnitRun

__all__ = [
    "BenchError",
    "BenchImpedances",
    "Job",
    "JobError",
    "OpenBench",
    "Plan",
    "Reading",
    "RecordsError",
    "ReportedRun",
    "RunHeader",
    "RunRequest",
    "RunStopped",
    "SwitchwalkError",
    "UnitRun",
    "UsageError",
    "at_bench",
    "build_plan",
    "describe",
    "load_job",
    "open_bench",
    "open_records",
    "predict",
    "readings_frame",
    "run_unit",
    "runs_frame",
    "write_report",
]


@dataclass(frozen=True, kw_only=True)
class ReportedRun(RunResult):
    """A unit's run as it ended, its page, and the faults that would explain it best.

    likely: faults that are not told apart, the likeliest first; () if none is named.
    """

    report: Path
    likely: tuple[str, ...]


@contextmanager
def at_bench(
    job: str | Path,
    *,
    bench: str | Path | None = None,
    fixture: str | Path | None = None,
    sequence: str | Path | None = None,
    hands: Hands | None = None,
    ask: Ask = nobody,
    speed: float = 1.0,
) -> Iterator[OpenBench]:
    """Read a job and plan it for its bench; a simulated bench is started, and ended after.

    job: its folder. bench: a bench file, "simulated", or None for the job's own. fixture, sequence: files in
    place of the job's own. hands: who moves leads on a real bench, where no switchboard does. ask: has a
    person switch a relay supply that has no interface; called with what to do, it returns when that is done.
    speed: of a simulated bench's clock, times real time. Raises JobError with every mistake of the files,
    UsageError for what cannot be run, BenchError.
    """
    bench_file, simulation = choose_bench(bench, speed=speed)
    with _bench.at_bench(
        read_job(
            Path(job),
            bench_file,
            sequence_file=None if sequence is None else Path(sequence),
            fixture_file=None if fixture is None else Path(fixture),
        ),
        bench_file=bench_file,
        simulation=simulation,
        hands=NoHands if hands is None else lambda _: hands,
        ask=ask,
    ) as opened:
        yield opened


def run_unit(
    bench: OpenBench,
    records: RunStore,
    serial: str,
    *,
    operator: str | None = None,
    again: str = "",
    override: str = "",
    faults: Sequence[str] = (),
    observe: Observer = unobserved,
) -> ReportedRun:
    """Run the unit in the fixture through the whole job and write its page; the bench is left safe.

    again: why a unit that has passed is run again. override: why a bench whose last check was bad is used all
    the same, with an operator. faults: of a simulated unit. observe: sees every event of the run.
    Raises what is no verdict on the unit: UsageError, BenchError, RecordsError, each with its kinds.
    """
    check_serial(serial, bench.job.sequence)
    noted = admit(
        records, bench.job, serial, simulated=bench.simulated, who=operator, again=again, override=override
    )
    bench.place_unit(serial, faults)
    request = RunRequest(serial=serial, operator=operator, faults=tuple(faults), noted=noted)
    with bench, UnitRun.begin(bench, records, request, observe=observe) as run:
        result = run.complete()
    report = Reporter(bench.planned, records, records.location).write(result.run_id)
    likely = () if report.result is None else report.result.names
    return ReportedRun(**vars(result), report=report.page, likely=likely)
