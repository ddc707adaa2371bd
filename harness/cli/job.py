"""What several commands do with a job before their own work."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from harness.circuit.elements import BenchImpedances
    from harness.descriptions.job import Job
    from harness.plan.model import Plan

JobFolder = Annotated[
    Path,
    typer.Argument(
        metavar="JOB", help="Folder with module.toml, fixture.toml and sequence.toml.", show_default=False
    ),
]
BenchPath = Annotated[
    Path | None,
    typer.Option(
        "--bench", metavar="FILE", help="Another bench.toml than the job's own.", show_default=False
    ),
]


def impedances_of(job: "Job", bench: Path | None) -> "BenchImpedances":
    """What the bench's instruments load the module with; the usual ones where the job names no bench.

    An attenuating probe multiplies the input's resistance and divides its capacitance.
    """
    from drivers.profile import GeneratorProfile, OscilloscopeProfile
    from drivers.profile_files import load_profile
    from harness.circuit.elements import BenchImpedances

    if job.bench is None:
        return BenchImpedances()
    folder = profile_folder(job, bench)
    generator = load_profile(job.bench.generator.profile, role="generator", folder=folder)
    oscilloscope = load_profile(job.bench.oscilloscope.profile, role="oscilloscope", folder=folder)
    if not isinstance(generator, GeneratorProfile) or not isinstance(oscilloscope, OscilloscopeProfile):
        raise TypeError("a profile is of the role it was loaded for")
    return BenchImpedances(
        source_ohm=generator.output_impedance_ohm,
        input_ohm=oscilloscope.input_impedance_ohm * job.bench.oscilloscope.probe,
        input_f=oscilloscope.input_capacitance_f / job.bench.oscilloscope.probe,
    )


def profile_folder(job: "Job", bench: Path | None) -> Path:
    """Where a person's own instrument profiles are looked for: beside the bench file in use."""
    return job.folder if bench is None else bench.parent


def planned(job: "Job", bench: Path | None) -> "Plan":
    """Plan a job for its bench."""
    from harness.plan.build import build_plan

    return build_plan(job, impedances=impedances_of(job, bench))
