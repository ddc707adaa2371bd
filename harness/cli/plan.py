"""`switchwalk plan`: what a run will do, before anything moves."""

import json
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.job import BenchPath, JobFolder
from harness.cli.lines import duration, say
from harness.units import counted
from harness.workbench.planning import planned

if TYPE_CHECKING:
    from harness.job.job import Job
    from harness.plan.estimate import Estimate
    from harness.plan.model import HookupVisit, Plan

AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for another program.")]


def plan(
    job: JobFolder,
    bench: BenchPath = None,
    steps: Annotated[bool, typer.Option("--steps", help="List every step, not only the hookups.")] = False,
    as_json: AsJson = False,
) -> None:
    """Print what a run of a job will do: hookups, states, acquisitions, relay operations, time."""
    from harness.plan.estimate import estimate
    from harness.workbench.job_files import read_job

    described = read_job(job, bench)
    made = planned(described, bench)
    board_settle_s = described.bench.switchboard.settle_s if described.bench else 0.0
    cost = estimate(
        made, described.module, settle_s=described.sequence.settle_s, board_settle_s=board_settle_s
    )
    if as_json:
        typer.echo(json.dumps(_as_json(described, made, cost), indent=2, ensure_ascii=False))
        return
    _print(described, made, cost, steps=steps)


def _print(job: "Job", made: "Plan", cost: "Estimate", *, steps: bool) -> None:
    typer.echo(f"{job.module.name} ({job.module.part} {job.module.revision}), {job.sequence.name}")
    typer.echo(
        f"{counted(cost.readings, 'reading')} from {counted(cost.acquisitions, 'acquisition')} in "
        f"{counted(len(made.visits), 'hookup')}; "
        f"{cost.state_changes} changes of state"
    )
    by_hand = f", and about {duration(cost.hands_s)} of moving leads" if cost.hands_s else ""
    typer.echo(f"about {duration(cost.unavoidable_s)} of settling and recording{by_hand}")
    typer.echo("")
    if made.through is not None:
        typer.echo(f"   {made.through.name}: {_made_by(made.through.select)}")
    for number, visit in enumerate(made.visits, start=1):
        say(f"{number:2d} {visit.hookup.name}: {_made_by(visit.hookup.select)}", hang=3)
        say(_leads(visit), indent=5)
        if steps:
            _print_steps(visit)
        else:
            count = sum(len(state.acquisitions) for state in visit.states)
            said = [f"{counted(len(visit.states), 'state')}, {counted(count, 'acquisition')}"]
            if visit.edges:
                said.append(counted(len(visit.edges), "change of state", "changes of state"))
            said += [
                f"{one.given.line} operated {counted(one.given.operations, 'time')}" for one in visit.cycles
            ]
            say("; ".join(said), indent=5)
    typer.echo("")
    typer.echo("operations of each relay:")
    for line in _columns([f"{name} {count}" for name, count in cost.operations.items()]):
        typer.echo(f"   {line}")


def _print_steps(visit: "HookupVisit") -> None:
    for state in visit.states:
        typer.echo(f"     {state.state.name}" + (", supply current" if state.judges_supply else ""))
        for acquisition in state.acquisitions:
            typer.echo(f"       {acquisition.number:4d}  {acquisition.stimulus}")
    for cycle in visit.cycles:
        say(f"{cycle.given.line} on and off {cycle.given.operations} times, {cycle.given.stimulus}", indent=5)
    for edge in visit.edges:
        typer.echo(f"     {edge.edge.name}")
        typer.echo(f"       {edge.number:4d}  {edge.stimulus}")


def _made_by(select: tuple[int, ...] | None) -> str:
    if select is None:
        return "a person moves the leads"
    plural = "s" if len(select) > 1 else ""
    return f"switchboard channel{plural} {', '.join(map(str, select))}"


def _leads(visit: "HookupVisit") -> str:
    hookup = visit.hookup
    views = ", ".join(
        f"inputs {2 * index + 1}-{2 * index + 2} on {port}" for index, port in enumerate(hookup.view)
    )
    for number in sorted(set(hookup.lines_on.values())):
        lines = ", ".join(line for line, on in hookup.lines_on.items() if on == number)
        views += f", input {number} on {lines}"
    links = f"; plugs {', '.join(hookup.links)}" if hookup.links else ""
    return f"generator on {hookup.drive}; {views}{links}"


def _columns(items: list[str], *, width: int = 76) -> list[str]:
    """Lay short items out in lines of equal columns."""
    cell = max((len(item) for item in items), default=0) + 2
    per_line = max(1, width // cell)
    return [
        "".join(item.ljust(cell) for item in items[start : start + per_line]).rstrip()
        for start in range(0, len(items), per_line)
    ]


def _as_json(job: "Job", made: "Plan", cost: "Estimate") -> dict[str, Any]:
    return {
        "module": job.module.part,
        "sequence": job.sequence.name,
        "readings": cost.readings,
        "acquisitions": cost.acquisitions,
        "state_changes": cost.state_changes,
        "unavoidable_s": cost.unavoidable_s,
        "hands_s": cost.hands_s,
        "operations": cost.operations,
        "through": made.through.name if made.through else None,
        "hookups": [
            {
                "name": visit.hookup.name,
                "select": list(visit.hookup.select) if visit.hookup.select is not None else None,
                "drive": str(visit.hookup.drive),
                "view": [str(port) for port in visit.hookup.view],
                "links": list(visit.hookup.links),
                "states": [
                    {
                        "state": state.state.name,
                        "supply_current": state.judges_supply,
                        "acquisitions": [
                            {"number": one.number, "stimulus": str(one.stimulus)}
                            for one in state.acquisitions
                        ],
                    }
                    for state in visit.states
                ],
                "cycles": [
                    {
                        "line": one.given.line,
                        "operations": one.given.operations,
                        "stimulus": str(one.given.stimulus),
                    }
                    for one in visit.cycles
                ],
                "edges": [
                    {"number": one.number, "edge": one.edge.name, "stimulus": str(one.stimulus)}
                    for one in visit.edges
                ],
            }
            for visit in made.visits
        ],
    }
