"""What other Python code may import: read a job, plan it, run it on a bench, keep and read its records.

    from pathlib import Path
    import switchwalk

    job = switchwalk.load_job(Path("sequences/two_loop_switcher"))
    plan = switchwalk.build_plan(job, impedances=switchwalk.BenchImpedances())
    print(len(plan.readings), "readings from", len(plan.acquisitions), "acquisitions")

Names are imported when they are first used, so that importing this module costs nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from drivers.bench import open_bench
    from harness.circuit.elements import BenchImpedances
    from harness.circuit.predict import predict
    from harness.errors import (
        BenchError,
        JobError,
        RecordsError,
        RunStopped,
        SwitchwalkError,
        UsageError,
    )
    from harness.job.job import Job
    from harness.job.load import load_job
    from harness.plan.build import build_plan
    from harness.plan.model import Plan
    from harness.reading import Reading
    from harness.records.export import readings_frame, runs_frame
    from harness.records.run import RunHeader
    from harness.records.store import open_records
    from harness.report.words import describe
    from harness.report.write import write_report
    from harness.session.run import run_plan
    from harness.workbench.unit import RunResult, UnitAtBench, unit_at_bench

__all__ = [
    "BenchError",
    "BenchImpedances",
    "Job",
    "JobError",
    "Plan",
    "Reading",
    "RecordsError",
    "RunHeader",
    "RunResult",
    "RunStopped",
    "SwitchwalkError",
    "UnitAtBench",
    "UsageError",
    "build_plan",
    "describe",
    "load_job",
    "open_bench",
    "open_records",
    "predict",
    "readings_frame",
    "run_plan",
    "runs_frame",
    "unit_at_bench",
    "write_report",
]

_HOMES = {
    "BenchError": "harness.errors",
    "BenchImpedances": "harness.circuit.elements",
    "Job": "harness.job.job",
    "JobError": "harness.errors",
    "Plan": "harness.plan.model",
    "Reading": "harness.reading",
    "RecordsError": "harness.errors",
    "RunHeader": "harness.records.run",
    "RunResult": "harness.workbench.unit",
    "RunStopped": "harness.errors",
    "SwitchwalkError": "harness.errors",
    "UnitAtBench": "harness.workbench.unit",
    "UsageError": "harness.errors",
    "build_plan": "harness.plan.build",
    "describe": "harness.report.words",
    "load_job": "harness.job.load",
    "open_bench": "drivers.bench",
    "open_records": "harness.records.store",
    "predict": "harness.circuit.predict",
    "readings_frame": "harness.records.export",
    "run_plan": "harness.session.run",
    "runs_frame": "harness.records.export",
    "unit_at_bench": "harness.workbench.unit",
    "write_report": "harness.report.write",
}


def __getattr__(name: str) -> Any:
    """Import a public name from its home."""
    if name not in _HOMES:
        raise AttributeError(f"module 'switchwalk' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
