"""`switchwalk reference`: what the bench itself adds, measured once and kept for the next hours' runs."""

from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.hands import CAUTIONS, PersonAtTheBench
from harness.cli.options import BenchPath, Hasten, JobFolder, RecordsPlace
from harness.cli.stopping import stoppable
from harness.errors import UsageError
from harness.workbench.held import WallClock, header_of
from harness.workbench.planning import planned, profile_folder
from harness.workbench.simulated import simulated_bench

if TYPE_CHECKING:
    from harness.job.job import Job
    from harness.measure.reference import Reference
    from harness.plan.model import Plan
    from harness.records.run import KeptReference
    from harness.session.events import Event, Hands


def reference(
    job: JobFolder,
    bench: BenchPath = None,
    simulate: Annotated[bool, typer.Option("--simulate", help="Use a simulated bench.")] = False,
    hasten: Hasten = 1.0,
    records: RecordsPlace = None,
    temperature: Annotated[
        float | None,
        typer.Option(
            metavar="CELSIUS", help="The room's temperature, to be kept with it.", show_default=False
        ),
    ] = None,
) -> None:
    """Measure the through hookup at every tone of a job, keep it, and show the drift since the last one."""
    from harness.job.load import load_job
    from harness.records.run import DEFAULT_RECORDS, KeptReference
    from harness.records.store import open_records
    from harness.workbench.job_files import read_job

    if simulate and bench is not None:
        raise UsageError("--simulate brings a bench of its own; leave --bench out")
    described = read_job(job, bench)
    with ExitStack() as open_things:
        store = open_things.enter_context(open_records(records or DEFAULT_RECORDS))
        typer.echo(CAUTIONS)
        hands: Hands = PersonAtTheBench(described)
        if simulate:
            simulated = open_things.enter_context(
                simulated_bench(job, serial="none", faults=[], hasten=hasten)
            )
            described = load_job(job, simulated.bench_file)
            bench, hands = simulated.bench_file, simulated
        if described.bench is None:
            raise UsageError(f"{job}: no bench.toml in the job; give --bench FILE, or --simulate")
        plan = planned(described, bench)
        if plan.through is None:
            raise UsageError(
                "fixture.toml has no through hookup: add a [[hookup]] with through = true, in which the "
                "generator goes straight to every scope pair"
            )
        before = store.latest_reference(described.bench.name, simulated=simulate)
        found = _measure(described, plan, bench, hands)
        taken = datetime.now(UTC)
        store.keep_reference(
            KeptReference(
                taken=taken,
                bench=described.bench.name,
                temperature_c=temperature,
                simulated=simulate,
                content=found.to_dict(),
            )
        )
    _say(found, taken, described.bench.name)
    _say_drift(found, before)


def _measure(job: "Job", plan: "Plan", bench_file: Path | None, hands: "Hands") -> "Reference":
    """Open the bench and go through the through stage; its acquisitions are no run's and are not kept."""
    from drivers.bench import open_bench
    from harness.records.store import open_records
    from harness.session.run import stage_of
    from harness.session.through import take_reference

    def say(event: "Event") -> None:
        text = getattr(event, "text", None)
        if text:
            typer.echo(text)

    if job.bench is None:
        raise UsageError("this job has no bench")
    with (
        stoppable(),
        TemporaryDirectory(prefix="switchwalk-") as scratch,
        open_records(Path(scratch) / "scratch.sqlite") as store,
        open_bench(job.bench, folder=profile_folder(job, bench_file)) as bench,
    ):
        header = header_of(
            job,
            plan,
            bench,
            serial="reference",
            operator=None,
            simulated=False,
            notes="",
            bench_file=bench_file,
        )
        run = store.begin(header)
        stage = stage_of(plan, job, bench, store, run, hands=hands, observe=say, clock=WallClock())
        found = take_reference(stage)
    if found is None:
        raise UsageError(
            "the sequence has nothing that is measured with a tone: there is nothing to refer to"
        )
    return found


def _say(found: "Reference", taken: datetime, bench: str) -> None:
    from harness.measure.reference import LIFE_S

    expires = taken + timedelta(seconds=LIFE_S)
    typer.echo("")
    also = [
        word for word, there in (("noise", found.bare.noise), ("harmonics", found.bare.harmonics)) if there
    ]
    own = f" and the bench's own {' and '.join(also)}" if also else ""
    typer.echo(f"through reference of {bench!r}: {len(found.tones)} tones{own}, kept")
    typer.echo(f"good until {expires:%Y-%m-%d %H:%M} UTC, with the same leads and the same two instruments")


def _say_drift(found: "Reference", before: "KeptReference | None") -> None:
    from harness.measure.reference import Reference
    from harness.measure.reference_drift import drift, harmonic_drift, noise_drift

    if before is None:
        typer.echo("there is no earlier one to compare with")
        return
    last = Reference.from_dict(before.content)
    at = "" if before.temperature_c is None else f", at {before.temperature_c:g} degrees Celsius"
    typer.echo(f"drift since {before.taken:%Y-%m-%d %H:%M} UTC{at}:")
    if last.instruments != found.instruments:
        typer.echo("  that was with other instruments: nothing can be said")
        return
    for tone in drift(found, last):
        typer.echo(
            f"  {tone.frequency_hz:8.6g} Hz, {tone.level_vrms:.3g} V: input {tone.input} "
            f"{tone.change_db:+.4f} ± {2 * tone.standard_db:.4f} dB, cold to hot {tone.legs_db:+.4f} dB"
        )
    for noise in noise_drift(found, last):
        typer.echo(
            f"  noise, inputs {noise.inputs[0]}-{noise.inputs[1]}: {noise.now_dbu:.1f} dBu, "
            f"{noise.change_db:+.2f} ± {2 * noise.standard_db:.2f} dB"
        )
    for one in harmonic_drift(found, last):
        typer.echo(
            f"  harmonics of {one.frequency_hz:g} Hz, {one.level_vrms:.3g} V, inputs "
            f"{one.inputs[0]}-{one.inputs[1]}: {one.now:.3%}, "
            f"change {one.change:.3%} ± {2 * one.standard:.3%}"
        )
