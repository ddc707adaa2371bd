"""`switchwalk measure` and `switchwalk reference`: one state, or the bench itself, measured without a test.

`measure` records nothing; `reference` records the bench's own response, for the runs of the next hours.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated

import typer

from harness.cli import options
from harness.cli.live.view import watched
from harness.cli.outcome import EXIT_OF
from harness.cli.person import PersonAtTheBench, ask_at_supply, require_person, simulation_for, tell
from harness.cli.terminal import output_may_be_gone, print_json, print_lines, say, stoppable
from harness.errors import UsageError
from harness.measure.reference import LIFE_S, Reference
from harness.measure.through import drift, harmonic_drift, noise_drift
from harness.measure.tones import Stimulus
from harness.plan.model import Plan, part_in_state
from harness.records.export import reading_to_json
from harness.records.run import StoredReference
from harness.records.store import RunStore, open_records
from harness.report.waveforms import COLD_LETTER, HOT_LETTER, draw_traces, text_trace
from harness.report.words import TERMINAL_CAUTIONS, reading_line
from harness.roles import Capture
from harness.session.events import Event, Hands, Remark
from harness.session.open_bench import OpenBench, at_bench
from harness.session.planned_job import PlannedJob, read_job
from harness.session.request.header import RunRequest
from harness.session.simulated import Simulation
from harness.session.unit_run import RunResult, UnitRun
from harness.units import counted

PERIODS = 3
MOST_DRAWN = 2  # setups whose waveforms are drawn in text; each takes a screen
TONELESS_S = 3e-3
USUAL_HZ = 1e3
NEIGHBOURS = (
    "Hot and cold are driven at two neighbouring frequencies, to tell them apart. So these traces don't "
    "show polarity or phase; the readings do."
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Trace:
    """What the viewed legs showed in one setup. ports: as viewed, each a pair of the capture's rows."""

    setup: str
    stimulus: Stimulus
    ports: tuple[str, ...]
    capture: Capture
    window_s: float


def measure(
    job: options.JobFolder,
    state: Annotated[
        str, typer.Argument(metavar="STATE", help="idle, unpowered, or control lines: loop_a+swap.")
    ],
    setup: Annotated[str | None, typer.Option(metavar="NAME", help="Measure only in this setup.")] = None,
    serial: Annotated[
        str,
        typer.Option(
            metavar="SERIAL", help="The unit's serial number, which decides a simulated unit's values."
        ),
    ] = "measured",
    bench: options.BenchPath = None,
    fixture: options.FixturePath = None,
    sequence: options.SequencePath = None,
    simulate: Annotated[bool, typer.Option("--simulate", help="Measure a simulated unit.")] = False,
    fault: options.Faults = None,
    speed: options.Speed = 1.0,
    png: Annotated[Path | None, typer.Option(metavar="FILE", help="Draw the waveforms to a file.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and nothing else.")] = False,
) -> None:
    """Measure one state once and print its readings and the level of each leg. Nothing is recorded."""
    if png is not None:
        _check_picture(png)
    described = read_job(job, bench, sequence_file=sequence, fixture_file=fixture)
    wanted = Simulation(serial=serial, faults=fault or (), speed=speed)

    def hands(planned: PlannedJob) -> Hands:
        require_person(part_in_state(planned.plan, state, setup))
        return PersonAtTheBench(planned.job)

    with (
        stoppable() as stopping,
        at_bench(
            described,
            bench_file=bench,
            simulation=simulation_for(described, bench, wanted, simulate=simulate),
            hands=hands,
            tell=tell,
            ask=ask_at_supply,
        ) as opened,
        TemporaryDirectory(prefix="switchwalk-") as scratch,
        open_records(Path(scratch) / "measured.sqlite") as store,
    ):
        part = part_in_state(opened.planned.plan, state, setup)
        if not as_json:
            typer.echo(f"{TERMINAL_CAUTIONS}\n")
        request = RunRequest(serial=serial, plan=part, resumable=False)
        with (
            watched(opened, stopping, None) as (observe, _),
            UnitRun.begin(opened, store, request, observe=observe) as unit_run,
        ):
            result = unit_run.complete()
        opened.close()
        traces = _traces(part, store, result.run_id)
    with output_may_be_gone():
        _show(result, traces, as_json=as_json)
    if png is not None:
        _draw(traces, png)
    raise typer.Exit(EXIT_OF[result.outcome])


def reference(
    job: options.JobFolder,
    bench: options.BenchPath = None,
    fixture: options.FixturePath = None,
    sequence: options.SequencePath = None,
    simulate: options.Simulate = False,
    speed: options.Speed = 1.0,
    records: options.RecordsLocation = options.RECORDS,
    temperature: Annotated[
        float | None, typer.Option(metavar="CELSIUS", help="The room's temperature, recorded with it.")
    ] = None,
) -> None:
    """Measure the through setup at every tone of a job, keep it, and show the drift since the last one."""
    described = read_job(job, bench, sequence_file=sequence, fixture_file=fixture)
    with (
        stoppable(),
        open_records(records) as store,
        at_bench(
            described,
            bench_file=bench,
            simulation=simulation_for(described, bench, Simulation(speed=speed), simulate=simulate),
            hands=lambda planned: PersonAtTheBench(planned.job),
            tell=tell,
            ask=ask_at_supply,
        ) as opened,
    ):
        if opened.planned.plan.through is None:
            raise UsageError(
                "fixture.toml has no through setup: add a [[setup]] with through = true, in which the "
                "generator goes straight to every scope pair"
            )
        typer.echo(TERMINAL_CAUTIONS)
        opened.instruments()  # which say whether they are simulated
        simulated = opened.simulated
        before = store.latest_reference(opened.file.name, simulated=simulated)
        result = _measure_bench(opened)
        taken = datetime.now(UTC)
        store.keep_reference(
            StoredReference(
                taken=taken,
                bench=opened.file.name,
                temperature_c=temperature,
                simulated=simulated,
                content=result.to_dict(),
            )
        )
    _say_reference(result, taken, opened.file.name)
    _say_drift(result, before)


def _traces(plan: Plan, store: RunStore, run_id: int) -> list[Trace]:
    """For each setup what was recorded with a tone nearest to the usual one, the loudest of those."""
    kept, records = store.waveforms(run_id), store.acquisitions(run_id)
    stimuli = {acquisition.number: acquisition.stimulus for acquisition in plan.acquisitions}
    traces = []
    for setup in {visit.setup.name: visit.setup for visit in plan.visits}.values():
        result = [
            (stimuli[records[number].number], capture)
            for number, capture in kept.items()
            if records[number].setup == setup.name
        ]
        if not result:
            continue
        stimulus, capture = min(result, key=lambda recorded: _strangeness(recorded[0]))
        traces.append(
            Trace(
                setup=setup.name,
                stimulus=stimulus,
                ports=tuple(map(str, setup.view)),
                capture=capture,
                window_s=PERIODS / stimulus.frequency_hz if stimulus.has_tone else TONELESS_S,
            )
        )
    return traces


def _strangeness(stimulus: Stimulus) -> tuple[bool, float, float]:
    return not stimulus.has_tone, abs(stimulus.frequency_hz - USUAL_HZ), -stimulus.level_vrms


def _check_picture(png: Path) -> None:
    """Refuse, before anything is measured, a picture that could not be written. Raises UsageError."""
    if png.suffix.lower() != ".png":
        raise UsageError(f"--png {png}: expected a name that ends with .png")
    if png.is_dir():
        raise UsageError(f"--png {png}: is a folder; expected the name of a file in it")
    if not png.parent.is_dir():
        raise UsageError(f"--png {png}: there is no folder {png.parent}; make it, or name another file")


def _draw(traces: list[Trace], png: Path) -> None:
    if not traces:
        return
    drawn = draw_traces(
        [
            (f"{trace.setup}: {', '.join(trace.ports)}; {trace.stimulus}", trace.capture, trace.window_s)
            for trace in traces
        ]
    )
    try:
        png.write_bytes(drawn)
    except OSError as error:
        raise UsageError(f"--png {png}: cannot be written ({error.strerror}); name another file") from error


def _show(result: RunResult, traces: list[Trace], *, as_json: bool) -> None:
    if as_json:
        shown = {
            "outcome": result.outcome,
            "reason": result.reason,
            "readings": [reading_to_json(reading) for reading in result.readings],
            "traces": [_trace_to_json(trace) for trace in traces],
        }
        print_json(shown)
        return
    traced = {trace.setup: trace for trace in traces}
    drawn = {trace.setup for trace in traces[:MOST_DRAWN]}
    for setup in dict.fromkeys(["", *(reading.setup for reading in result.readings), *traced]):
        if setup:
            typer.echo()
            say(setup)
        for reading in result.readings:
            if reading.setup == setup:
                say(reading_line(reading), indent=2 if setup else 0)
        if setup in drawn:
            _show_trace(traced[setup])
    if len(traces) > MOST_DRAWN:
        typer.echo()
        say(
            f"The waveforms of {MOST_DRAWN} of {counted(len(traces), 'setup')} are drawn; --setup NAME draws "
            "those of one setup, --png FILE those of all."
        )
    if any(trace.stimulus.tells_legs_apart for trace in traces):
        typer.echo()
        say(NEIGHBOURS)
    if result.reason:
        say(result.reason, err=True)
    made = counted(len(result.readings), "reading")
    typer.echo(f"\n{result.outcome.upper()}  {made}; no test of the unit: nothing is kept")


def _show_trace(trace: Trace) -> None:
    capture = trace.capture
    for number, port in enumerate(trace.ports):
        typer.echo(f"\n{port} at {trace.stimulus}: hot {HOT_LETTER}, cold {COLD_LETTER}")
        hot, cold = capture.volts[2 * number : 2 * number + 2]
        print_lines(text_trace(hot, cold, interval_s=capture.interval_s, window_s=trace.window_s))


def _trace_to_json(trace: Trace) -> dict[str, object]:
    capture = trace.capture
    count = round(trace.window_s / capture.interval_s)
    legs = [f"{port}.{leg}" for port in trace.ports for leg in ("hot", "cold")]
    return {
        "setup": trace.setup,
        "stimulus": str(trace.stimulus),
        "interval_s": capture.interval_s,
        "volts": {leg: row[:count].tolist() for leg, row in zip(legs, capture.volts, strict=True)},
    }


def _measure_bench(bench: OpenBench) -> Reference:
    """Take the through reference; its acquisitions are not recorded."""

    def say_remarks(event: Event) -> None:
        if isinstance(event, Remark):
            typer.echo(event.text)

    with (
        TemporaryDirectory(prefix="switchwalk-") as scratch,
        open_records(Path(scratch) / "scratch.sqlite") as store,
        UnitRun.begin(
            bench, store, RunRequest(serial="reference", resumable=False), observe=say_remarks
        ) as run,
    ):
        result = run.measure_bench()
        bench.close()
    if result is None:
        raise UsageError("the sequence measures nothing with a tone, so it needs no reference")
    return result


def _say_reference(result: Reference, taken: datetime, bench: str) -> None:
    expires = taken + timedelta(seconds=LIFE_S)
    typer.echo("")
    bench_alone = (("noise", result.residuals.noise), ("harmonics", result.residuals.harmonics))
    also = [word for word, there in bench_alone if there]
    own = f" and the bench's own {' and '.join(also)}" if also else ""
    typer.echo(f"through reference of {bench!r}: {len(result.tones)} tones{own}, kept")
    typer.echo(f"valid until {expires:%Y-%m-%d %H:%M} UTC, with the same leads and the same two instruments")


def _say_drift(result: Reference, before: StoredReference | None) -> None:
    if before is None:
        typer.echo("there is no earlier one to compare with")
        return
    last = Reference.from_dict(before.content)
    at = "" if before.temperature_c is None else f", at {before.temperature_c:g} degrees Celsius"
    typer.echo(f"drift since {before.taken:%Y-%m-%d %H:%M} UTC{at}:")
    if last.instruments != result.instruments:
        typer.echo("  that was taken with other instruments, so they can't be compared")
        return
    for tone in drift(result, last):
        typer.echo(
            f"  {tone.frequency_hz:8.6g} Hz, {tone.level_vrms:.3g} V: input {tone.input} "
            f"{tone.change_db:+.4f} ± {2 * tone.standard_db:.4f} dB, cold to hot {tone.legs_db:+.4f} dB"
        )
    for noise in noise_drift(result, last):
        typer.echo(
            f"  noise, inputs {noise.inputs[0]}-{noise.inputs[1]}: {noise.now_dbu:.1f} dBu, "
            f"{noise.change_db:+.2f} ± {2 * noise.standard_db:.2f} dB"
        )
    for harmonics in harmonic_drift(result, last):
        typer.echo(
            f"  harmonics of {harmonics.frequency_hz:g} Hz, {harmonics.level_vrms:.3g} V, inputs "
            f"{harmonics.inputs[0]}-{harmonics.inputs[1]}: {harmonics.now:.3%}, "
            f"change {harmonics.change:.3%} ± {2 * harmonics.standard:.3%}"
        )
