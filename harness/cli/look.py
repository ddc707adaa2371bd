"""`switchwalk look`: one state measured once and shown. Nothing of it is kept: a look is no test."""

import json
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.errand import EXIT_OF, Errand, begin_run, carry_out, leave_nothing_on
from harness.cli.hands import CAUTIONS, PersonAtTheBench, require_person
from harness.cli.options import BenchPath, Faults, Hasten, JobFolder, check_place
from harness.cli.stopping import output_may_be_gone
from harness.cli.wrapping import say
from harness.errors import UsageError
from harness.units import counted
from harness.workbench.planning import planned
from harness.workbench.simulated import simulated_bench

if TYPE_CHECKING:
    from harness.measure.tones import Stimulus
    from harness.plan.model import Plan
    from harness.records.store import RunStore
    from harness.roles import Capture
    from harness.session.events import Hands
    from harness.session.run import Ended

PERIODS = 3
TONELESS_S = 3e-3
USUAL_HZ = 1e3
NEIGHBOURS = (
    "Hot and cold are driven at two neighbouring frequencies, to be told apart: where one stands against the "
    "other in these traces says nothing of the unit's polarity or phase; the readings do."
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Trace:
    """What the viewed legs showed in one hookup. ports: as viewed, each a pair of the capture's rows."""

    hookup: str
    stimulus: "Stimulus"
    ports: tuple[str, ...]
    capture: "Capture"
    window_s: float


def look(
    job: JobFolder,
    state: Annotated[
        str,
        typer.Argument(metavar="STATE", help="rest, unpowered, or lines: loop_a+swap.", show_default=False),
    ],
    hookup: Annotated[
        str | None, typer.Option(metavar="NAME", help="In this hookup only.", show_default=False)
    ] = None,
    serial: Annotated[str, typer.Option(help="The unit's serial number; draws a simulated one.")] = "look",
    bench: BenchPath = None,
    simulate: Annotated[bool, typer.Option("--simulate", help="Look at a simulated unit.")] = False,
    fault: Faults = None,
    hasten: Hasten = 1.0,
    png: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw the traces to a file.", show_default=False)
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and nothing else.")] = False,
) -> None:
    """Measure one state once: its readings and what the legs showed. Nothing is kept of it."""
    from harness.job.load import load_job
    from harness.plan.remaining import part_in_state
    from harness.records.store import open_records
    from harness.workbench.job_files import read_job

    described = read_job(job, bench)
    check_place(described, bench, simulate=simulate, hasten=hasten, faults=fault or [])
    plan = part_in_state(planned(described, bench), state, hookup)
    if not simulate:
        leave_nothing_on(described, bench)
        require_person(plan)
    with ExitStack() as open_things:
        folder = open_things.enter_context(TemporaryDirectory(prefix="switchwalk-look-"))
        store = open_things.enter_context(open_records(Path(folder) / "look.sqlite"))
        hands: Hands = PersonAtTheBench(described)
        if simulate:
            hands = simulated = open_things.enter_context(
                simulated_bench(job, serial=serial, faults=fault or [], hasten=hasten)
            )
            bench = simulated.bench_file
            described = load_job(job, bench)
            plan = part_in_state(planned(described, bench), state, hookup)
        if not as_json:
            typer.echo(f"{CAUTIONS}\n")
        errand = Errand(
            job=described,
            plan=plan,
            serial=serial,
            operator=None,
            simulated=simulate,
            notes="",
            bench_file=bench,
            transcript=None,
            quiet=True,
            resumable=False,
        )
        run_id, ended = carry_out(errand, store, hands, begin_run(errand, store))
        traces = _traces(plan, store, run_id)
    with output_may_be_gone():
        _show(ended, traces, as_json=as_json)
    if png is not None:
        _draw(traces, png)
    raise typer.Exit(EXIT_OF[ended.outcome])


def _traces(plan: "Plan", store: "RunStore", run_id: int) -> list[Trace]:
    """For each hookup what was recorded with a tone nearest to the usual one, the loudest of those."""
    kept, records = store.waveforms(run_id), store.acquisitions(run_id)
    stimuli = {one.number: one.stimulus for one in plan.acquisitions}
    traces = []
    for hookup in {visit.hookup.name: visit.hookup for visit in plan.visits}.values():
        found = [
            (stimuli[records[number].number], capture)
            for number, capture in kept.items()
            if records[number].setup == hookup.name
        ]
        if not found:
            continue
        stimulus, capture = min(found, key=lambda one: _strangeness(one[0]))
        traces.append(
            Trace(
                hookup=hookup.name,
                stimulus=stimulus,
                ports=tuple(map(str, hookup.view)),
                capture=capture,
                window_s=PERIODS / stimulus.frequency_hz if _has_tone(stimulus) else TONELESS_S,
            )
        )
    return traces


def _has_tone(stimulus: "Stimulus") -> bool:
    return stimulus.kind in ("pair", "antiphase")


def _strangeness(stimulus: "Stimulus") -> tuple[bool, float, float]:
    return not _has_tone(stimulus), abs(stimulus.frequency_hz - USUAL_HZ), -stimulus.level_vrms


def _draw(traces: list[Trace], png: Path) -> None:
    from harness.report.waveforms import draw_traces

    if not traces:
        return
    drawn = draw_traces(
        [
            (f"{one.hookup}: {', '.join(one.ports)}; {one.stimulus}", one.capture, one.window_s)
            for one in traces
        ]
    )
    try:
        png.write_bytes(drawn)
    except OSError as error:
        raise UsageError(f"--png {png}: cannot be written ({error.strerror}); name another file") from error


def _show(ended: "Ended", traces: list[Trace], *, as_json: bool) -> None:
    from harness.records.export import reading_to_json
    from harness.report.words import reading_line

    if as_json:
        shown = {
            "outcome": ended.outcome,
            "reason": ended.reason,
            "readings": [reading_to_json(reading) for reading in ended.readings],
            "traces": [_trace_to_json(trace) for trace in traces],
        }
        typer.echo(json.dumps(shown, indent=2, ensure_ascii=False, allow_nan=False))
        return
    traced = {trace.hookup: trace for trace in traces}
    for hookup in dict.fromkeys(["", *(reading.setup for reading in ended.readings), *traced]):
        if hookup:
            typer.echo()
            say(hookup)
        for reading in ended.readings:
            if reading.setup == hookup:
                say(reading_line(reading), indent=2 if hookup else 0)
        if hookup in traced:
            _show_trace(traced[hookup])
    if any(trace.stimulus.kind == "pair" for trace in traces):
        typer.echo()
        say(NEIGHBOURS)
    if ended.reason:
        say(ended.reason, err=True)
    made = counted(len(ended.readings), "reading")
    typer.echo(f"\n{ended.outcome.upper()}  {made}; a look is no test: nothing is kept")


def _show_trace(trace: Trace) -> None:
    from harness.report.waveforms import COLD_LETTER, HOT_LETTER, text_trace

    capture = trace.capture
    for number, port in enumerate(trace.ports):
        typer.echo(f"\n{port} at {trace.stimulus}: hot {HOT_LETTER}, cold {COLD_LETTER}")
        hot, cold = capture.volts[2 * number : 2 * number + 2]
        for line in text_trace(hot, cold, interval_s=capture.interval_s, window_s=trace.window_s):
            typer.echo(line)


def _trace_to_json(trace: Trace) -> dict[str, object]:
    capture = trace.capture
    count = round(trace.window_s / capture.interval_s)
    legs = [f"{port}.{leg}" for port in trace.ports for leg in ("hot", "cold")]
    return {
        "hookup": trace.hookup,
        "stimulus": str(trace.stimulus),
        "interval_s": capture.interval_s,
        "volts": {leg: row[:count].tolist() for leg, row in zip(legs, capture.volts, strict=True)},
    }
