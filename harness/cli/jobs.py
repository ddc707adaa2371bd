"""Commands on job files alone: print a job's plan, its truth table and its wiring."""

import dataclasses
from collections.abc import Iterable, Sequence
from itertools import groupby
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from harness.circuit.truth import TruthRow, chosen_rows, level_text, truth_table
from harness.cli import options
from harness.cli.terminal import WIDTH, duration, print_json, say, shown_progress
from harness.errors import UsageError
from harness.faults.provable import (
    COMPUTED,
    UNPROVABLE,
    computed_data,
    computed_limits,
    computed_sentences,
    tight_data,
    tight_limits,
    tight_sentences,
)
from harness.job.job import Job
from harness.job.module import Module
from harness.job.state import State, parse_state
from harness.plan.model import Plan, SetupVisit
from harness.plan.pulses import pulse_s
from harness.plan.states import TimeEstimate, estimate_time
from harness.report.page_files import refuse_other
from harness.report.setup_picture import drawing
from harness.session.planned_job import impedances_of, plan_job, read_job
from harness.toml_files.messages import unknown
from harness.units import counted
from harness.wiring.document import render_page, wiring_lines, wiring_of
from harness.wiring.routing import routing_page

FREQUENCY_HZ = 1e3
STATE_WIDTH = 24


def plan(
    job: options.JobFolder,
    bench: options.BenchPath = None,
    fixture: options.FixturePath = None,
    sequence: options.SequencePath = None,
    steps: Annotated[bool, typer.Option("--steps", help="List every step, not only the setups.")] = False,
    as_json: options.AsJson = False,
) -> None:
    """Print what a run of a job will do: setups, states, acquisitions, relay operations, time."""
    described = read_job(job, bench, sequence_file=sequence, fixture_file=fixture)
    with shown_progress("plan", f"planning {counted(len(described.sequence.checks), 'check')}"):
        planned = plan_job(described, bench)
        made = planned.plan
        tight, computed = tight_limits(described, made), computed_limits(described, made)
    cost = estimate_time(made, described)
    if as_json:
        data = _plan_data(described, made, cost) | {"notes": list(planned.notes)}
        print_json(data | {"tight": tight_data(tight), "limits": computed_data(computed)})
        return
    _print_plan(described, made, cost, steps=steps)
    for title, sentences in ((COMPUTED, computed_sentences(computed)), (UNPROVABLE, tight_sentences(tight))):
        for index, sentence in enumerate(sentences):
            if not index:
                say(f"\n{title}")
            say(sentence, indent=3, hang=2)
    for note in planned.notes:
        say(f"Note: {note}.")


def _print_plan(job: Job, made: Plan, cost: TimeEstimate, *, steps: bool) -> None:
    typer.echo(f"{job.module.title}, {job.sequence.name}")
    typer.echo(
        f"{counted(cost.readings, 'reading')} from {counted(cost.acquisitions, 'acquisition')} in "
        f"{counted(len(made.visits), 'setup')}; "
        f"{cost.state_changes} changes of state"
    )
    by_hand = f", and about {duration(cost.hands_s)} of moving leads" if cost.hands_s else ""
    typer.echo(f"about {duration(cost.unavoidable_s)} of settling and recording{by_hand}")
    typer.echo("")
    for through in made.throughs:
        say(f"{through.name}: {_made_by(through.select)}", indent=3)
    for number, visit in enumerate(made.visits, start=1):
        say(f"{number:2d} {visit.setup.name}: {_made_by(visit.setup.select)}", hang=3)
        say(_leads(visit), indent=5)
        if steps:
            _print_steps(visit)
        else:
            count = sum(len(state.acquisitions) for state in visit.states)
            message = [f"{counted(len(visit.states), 'state')}, {counted(count, 'acquisition')}"]
            if visit.changes:
                message.append(counted(len(visit.changes), "change of state", "changes of state"))
            message += [
                f"{cycle.given.control} operated {counted(cycle.given.operations, 'time')}"
                for cycle in visit.cycles
            ]
            say("; ".join(message), indent=5)
    typer.echo("")
    _print_pulses(job.module)
    typer.echo("operations of each relay:")
    for line in _columns([f"{name} {count}" for name, count in cost.operations.items()]):
        typer.echo(f"   {line}")


def _print_pulses(module: Module) -> None:
    """How latching relays come to stand as a state has them."""
    if not module.set_controls:
        return

    def spoken(controls: Sequence[str]) -> str:
        return ", ".join(f"{control} ({1e3 * pulse_s(module, control):.3g} ms)" for control in controls)

    say(
        f"latching relays: for every state pulses of {spoken(module.reset_controls)}, then of those among "
        f"{spoken(module.set_controls)} that it names, each at least as long; for a recorded change of state "
        "one pulse alone"
    )
    typer.echo("")


def _print_steps(visit: SetupVisit) -> None:
    for state in visit.states:
        typer.echo(f"     {state.state.name}" + (", supply current" if state.judges_supply else ""))
        for acquisition in state.acquisitions:
            typer.echo(f"       {acquisition.number:4d}  {acquisition.stimulus}")
    for cycle in visit.cycles:
        say(
            f"{cycle.given.control} on and off {cycle.given.operations} times, {cycle.given.stimulus}",
            indent=5,
        )
    for change in visit.changes:
        typer.echo(f"     {change.change.name}")
        typer.echo(f"       {change.number:4d}  {change.stimulus}")


def _made_by(select: tuple[int, ...] | None) -> str:
    if select is None:
        return "a person moves the leads"
    return f"switchboard channel{'s' if len(select) > 1 else ''} {', '.join(map(str, select))}"


def _leads(visit: SetupVisit) -> str:
    setup = visit.setup
    views = ", ".join(
        f"inputs {2 * index + 1}-{2 * index + 2} on {port}" for index, port in enumerate(setup.view)
    )
    for number in sorted(set(setup.controls_viewed.values())):
        controls = ", ".join(line for line, on in setup.controls_viewed.items() if on == number)
        views += f", input {number} on {controls}"
    loopbacks = f"; plugs {', '.join(setup.loopbacks)}" if setup.loopbacks else ""
    return f"generator on {setup.drive}; {views}{loopbacks}"


def _columns(items: list[str], *, width: int = 76) -> list[str]:
    """Lay short items out in lines of equal columns."""
    cell = max((len(item) for item in items), default=0) + 2
    per_line = max(1, width // cell)
    return [
        "".join(item.ljust(cell) for item in items[start : start + per_line]).rstrip()
        for start in range(0, len(items), per_line)
    ]


def _plan_data(job: Job, made: Plan, cost: TimeEstimate) -> dict[str, Any]:
    return {
        "module": job.module.part,
        "sequence": job.sequence.name,
        **dataclasses.asdict(cost),
        "through": made.through.name if made.through else None,
        "swapped_through": made.swapped_through.name if made.swapped_through else None,
        "setups": [
            {
                "name": visit.setup.name,
                "select": list(visit.setup.select) if visit.setup.select is not None else None,
                "drive": str(visit.setup.drive),
                "view": [str(port) for port in visit.setup.view],
                "loopbacks": list(visit.setup.loopbacks),
                "states": [
                    {
                        "state": state.state.name,
                        "supply_current": state.judges_supply,
                        "acquisitions": [
                            {"number": acquisition.number, "stimulus": str(acquisition.stimulus)}
                            for acquisition in state.acquisitions
                        ],
                    }
                    for state in visit.states
                ],
                "cycles": [
                    {
                        "control": cycle.given.control,
                        "operations": cycle.given.operations,
                        "stimulus": str(cycle.given.stimulus),
                    }
                    for cycle in visit.cycles
                ],
                "changes": [
                    {"number": change.number, "change": change.change.name, "stimulus": str(change.stimulus)}
                    for change in visit.changes
                ],
            }
            for visit in made.visits
        ],
    }


def table(
    job: options.JobFolder,
    port: Annotated[
        list[str] | None,
        typer.Option(metavar="PORT", help="Only this port, such as out or left.out; may be repeated."),
    ] = None,
    drive: Annotated[
        list[str] | None,
        typer.Option(metavar="PORT", help="Only what this port drives, such as left.in; may be repeated."),
    ] = None,
    state: Annotated[
        list[str] | None,
        typer.Option(metavar="STATE", help="Only this state, also one that is not tested; may be repeated."),
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="List ports that no setup views as well.")] = False,
    html: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write it as a page with every route drawn.")
    ] = None,
    bench: options.BenchPath = None,
    fixture: options.FixturePath = None,
    sequence: options.SequencePath = None,
    as_json: options.AsJson = False,
) -> None:
    """Print what the circuit predicts: for each state and port the route, level and polarity."""
    described = read_job(job, bench, sequence_file=sequence, fixture_file=fixture)
    _check_ports(described, port or (), drive or ())
    states = _states(described, state) if state else described.sequence.states
    rows = chosen_rows(
        truth_table(
            described.module,
            described.fixture,
            states,
            frequency_hz=FREQUENCY_HZ,
            impedances=impedances_of(described, bench),
        ),
        driven=drive or (),
        ports=port or (),
    )
    shown = rows if every else tuple(row for row in rows if row.setup is not None)
    if html is not None:
        _write_page(html, routing_page(described, shown, states, frequency_hz=FREQUENCY_HZ))
        say(f"routes: {html}", err=True)
    elif as_json:
        print_json(truth_data(described, shown))
    else:
        _print_truth(described, shown)
        if not shown:
            say("no row: no setup drives and views such a pair of ports")
        if left_out := len(rows) - len(shown):
            say(
                f"{counted(left_out, 'row')} left out, of ports that no setup views which drives there; "
                "--all lists them"
            )


def _states(job: Job, names: Iterable[str]) -> tuple[State, ...]:
    """States as a person names them. Raises UsageError."""
    module = job.module
    sets, resets = module.set_controls, module.reset_controls
    try:
        return tuple(
            dict.fromkeys(
                parse_state(name, module.state_controls, sets=sets, resets=resets) for name in names
            )
        )
    except ValueError as error:
        raise UsageError(f"--state: {error}") from None


def _check_ports(job: Job, ports: Sequence[str], driven: Sequence[str]) -> None:
    """Raises UsageError for a port that the module does not have, or that no setup drives."""
    nets = [each.net for each in job.module.ports]
    known = [*nets, *(f"{channel}.{net}" for channel in job.module.channels for net in nets)]
    for name in ports:
        if name not in known:
            raise UsageError(f"--port: found {name}: {unknown('port', name, nets, where='module.toml')}")
    drives = list(dict.fromkeys(str(each.drive) for each in job.fixture.setups if each.drive is not None))
    for name in driven:
        if name not in (*drives, *(each.partition(".")[2] for each in drives)):
            raise UsageError(
                f"--drive: found {name}: {unknown('driven port', name, drives, where=job.fixture.name)}"
            )


def _write_page(path: Path, page: str) -> None:
    refuse_other(path)
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise UsageError(
            f"{path}: cannot be written: {error.strerror or error}; choose another file"
        ) from None


def _print_truth(job: Job, rows: Sequence[TruthRow]) -> None:
    console = Console(highlight=False)
    console.print(
        f"{job.module.title}: differential level "
        f"at {FREQUENCY_HZ:g} Hz,\nre the generator's e.m.f., with the fixture's loads and plugs",
        soft_wrap=True,
    )
    for driven, group in groupby(rows, key=lambda row: row.driven):
        console.print(f"\nDriven at {driven}")
        console.print(truth_as_table(tuple(group)))


def truth_data(job: Job, rows: Sequence[TruthRow]) -> dict[str, Any]:
    """The table for another program."""
    return {
        "module": job.module.part,
        "revision": job.module.revision,
        "frequency_hz": FREQUENCY_HZ,
        "rows": [dataclasses.asdict(row) for row in rows],
    }


def truth_as_table(rows: Sequence[TruthRow]) -> Table:
    """The rows of one driven port, made for 80 columns; a state is named at its first row."""
    result = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1))
    result.add_column("state", no_wrap=True)
    result.add_column("port", no_wrap=True)
    result.add_column("dB", no_wrap=True, justify="right")
    result.add_column("polarity", no_wrap=True)
    result.add_column("route")
    before = ""
    for row in rows:
        name = "" if row.state == before else _folded_state(row.state)
        before = row.state
        port = row.port.partition(".")[2]
        if row.setup is None:
            result.add_row(name, port, "", "", "not viewed by any setup that drives here")
        else:
            result.add_row(name, port, level_text(row), row.polarity or "", row.route)
    return result


def _folded_state(state: str) -> str:
    """Break a state's name after a `+` if it is longer than its column."""
    controls = [""]
    for line in state.split("+"):
        joined = f"{controls[-1]}+{line}" if controls[-1] else line
        if len(joined) < STATE_WIDTH:  # room for the + that follows
            controls[-1] = joined
        else:
            controls.append(line)
    return "+\n".join(controls)


def wiring(
    job: options.JobFolder,
    bench: options.BenchPath = None,
    fixture: options.FixturePath = None,
    sequence: options.SequencePath = None,
    html: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write it as a page with drawings.")
    ] = None,
    setups: Annotated[
        bool, typer.Option("--setups", help="Also draw the leads of every test setup.")
    ] = False,
    as_json: options.AsJson = False,
) -> None:
    """Print the fixture's pin lists, its loopback plugs with the resistors to buy, and the bill of
    materials.
    """
    described = read_job(job, bench, sequence_file=sequence, fixture_file=fixture)
    document = wiring_of(described)
    drawings = [drawing(described, setup) for setup in described.fixture.setups]
    if html is not None:
        _write_page(html, render_page(document, drawings))
        say(f"wiring: {html}", err=True)
        return
    if as_json:
        print_json(dataclasses.asdict(document))
        return
    leads = [line for drawn in drawings for line in ("", *drawn.splitlines())] if setups else []
    for line in (*wiring_lines(document), *leads):
        if len(line) <= WIDTH:
            typer.echo(line)
        else:
            say(line.lstrip(), indent=len(line) - len(line.lstrip()), hang=4)
