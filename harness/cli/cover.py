"""`switchwalk cover`: what a sequence would see of every fault, before the first unit is tested."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.cover_text import asked_lines, coverage_lines, minimal_lines, plug_lines
from harness.cli.options import BenchPath, JobFolder
from harness.workbench.cluster import cluster
from harness.workbench.planning import impedances_of

if TYPE_CHECKING:
    from harness.faults.additions import Addition
    from harness.faults.contacts import HeavierLoad
    from harness.faults.coverage import Coverage, FaultSeen, SuspectSeen
    from harness.faults.minimal import Minimal
    from harness.faults.plugs import PlugDesign
    from harness.plan.estimate import Estimate

CONTACT_LOADS_OHM = (600.0, 20.0)


def cover(
    job: JobFolder,
    bench: BenchPath = None,
    sequence: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Another sequence.toml than the job's own.", show_default=False),
    ] = None,
    fixture: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Another fixture.toml than the job's own.", show_default=False),
    ] = None,
    design: Annotated[
        bool, typer.Option("--design-plugs", help="Search E24 resistors for keyed loop plugs.")
    ] = False,
    minimal: Annotated[
        bool, typer.Option("--minimal", help="Find the fewest steps that see as much.")
    ] = False,
    every: Annotated[
        bool, typer.Option("--every", help="Name every fault that is seen, and by what.")
    ] = False,
    fault: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME",
            help='Judge this fault too, or several at once ("A + B"). May be repeated.',
            show_default=False,
        ),
    ] = None,
    workers: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS", help="Share the work with a Dask cluster's scheduler.", show_default=False
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for another program.")] = False,
) -> None:
    """Print, for every single fault, whether a job's sequence would see it, and what would."""
    from harness.faults.additions import cheapest_additions
    from harness.faults.contacts import with_loads
    from harness.faults.coverage import cover as find_coverage
    from harness.faults.coverage import judge_suspects
    from harness.faults.minimal import smallest_plan
    from harness.faults.plugs import design_plugs
    from harness.job.faults import parse_fault
    from harness.plan.build import build_plan
    from harness.workbench.job_files import read_job

    described = read_job(job, bench, sequence_file=sequence, fixture_file=fixture)
    own = [parse_fault(name, described.module, described.fixture) for name in fault or ()]
    impedances = impedances_of(described, bench)
    plan = build_plan(described, impedances=impedances)
    with cluster(workers) as executor:
        found = find_coverage(described, plan, impedances=impedances, executor=executor)
        asked = judge_suspects(described, plan, own, impedances=impedances, executor=executor) if own else ()
        additions = cheapest_additions(
            described, [one.fault for one in found.unseen], impedances=impedances, executor=executor
        )
        loads = with_loads(described, CONTACT_LOADS_OHM, impedances=impedances, executor=executor)
        shorter = (
            smallest_plan(described, plan, impedances=impedances, executor=executor) if minimal else None
        )
        plugs = (
            design_plugs(described, impedances=impedances, executor=executor, progress=_progress)
            if design
            else None
        )
    if as_json:
        data = as_data(found, additions, loads)
        if asked:
            data["asked"] = [_fault_data(one) for one in asked]
        if shorter is not None:
            data["minimal"] = _minimal_data(shorter)
        if plugs is not None:
            data["plugs"] = _plugs_data(plugs)
        typer.echo(json.dumps(data, indent=2, ensure_ascii=False))
        return
    for line in asked_lines(asked):
        typer.echo(line)
    for line in coverage_lines(described, plan, found, additions, loads, every=every):
        typer.echo(line)
    for line in minimal_lines(shorter) if shorter is not None else ():
        typer.echo(line)
    for line in plug_lines(plugs) if plugs is not None else ():
        typer.echo(line)


def _progress(done: int, total: int) -> None:
    typer.echo(f"\rplugs: {done} of {total} tried", err=True, nl=done == total)


def as_data(
    found: "Coverage", additions: "tuple[Addition, ...]", loads: "tuple[HeavierLoad, ...]"
) -> dict[str, Any]:
    """The coverage for another program."""
    return {
        "possible": len(found.faults),
        "seen": len(found.seen),
        "unseen": [one.fault.name for one in found.unseen],
        "groups": [list(group) for group in found.groups],
        "contacts": [
            {
                "contact": one.contact,
                "smallest_seen_ohm": one.smallest_seen_ohm,
                "by": one.by,
                "check": one.check,
            }
            for one in found.contacts
        ],
        "distinct": found.distinct,
        "faults": [_fault_data(one) for one in found.faults],
        "resistive": [_fault_data(one) for one in found.resistive],
        "tight": [{"reading": one.reading, "margin": one.margin} for one in found.tight],
        "additions": [{"add": one.words, "sees": list(one.sees), "cost_s": one.cost_s} for one in additions],
        "loads": [
            {
                "load_ohm": one.load_ohm,
                "smallest_seen_ohm": list(one.least_ohm),
                "healthy_pass": one.healthy,
            }
            for one in loads
        ],
    }


def _fault_data(one: "FaultSeen | SuspectSeen") -> dict[str, Any]:
    return {
        "fault": one.name,
        "seen": one.seen,
        "by": one.by,
        "margin": _finite(one.margin),
        "readings": one.readings,
        "why": one.why,
    }


def _finite(margin: float) -> float | None:
    """JSON has no infinity: a supply in its limit is as far out as can be, a reading of nothing has none."""
    return None if margin in (float("inf"), float("-inf")) else margin


def _minimal_data(shorter: "Minimal") -> dict[str, Any]:
    return {
        "proven": shorter.proven,
        "before": _cost_data(shorter.before),
        "after": _cost_data(shorter.after),
        "steps": [
            {
                "hookup": visit.hookup.name,
                "states": [state.state.name for state in visit.states],
                "edges": [edge.edge.name for edge in visit.edges],
                "acquisitions": sum(len(state.acquisitions) for state in visit.states),
            }
            for visit in shorter.plan.visits
        ],
    }


def _cost_data(cost: "Estimate") -> dict[str, Any]:
    return {
        "acquisitions": cost.acquisitions,
        "state_changes": cost.state_changes,
        "unavoidable_s": cost.unavoidable_s,
        "hands_s": cost.hands_s,
        "operations": sum(cost.operations.values()),
    }


def _plugs_data(plugs: "PlugDesign") -> dict[str, Any]:
    return {
        "tried": plugs.tried,
        "sets": [
            {
                "plugs": one.words,
                "possible": one.possible,
                "seen": one.seen,
                "distinct": one.distinct,
                "unseen": list(one.unseen),
                "states_alike": [list(pair) for pair in one.alike],
            }
            for one in (*plugs.others, plugs.best)
        ],
        "legs": {
            name: {
                channel: {
                    leg: {"series_ohm": part.series_ohm, "shunt_ohm": part.shunt_ohm}
                    for leg, part in legs.items()
                }
                for channel, legs in (link.legs or {}).items()
            }
            for name, link in plugs.best.links.items()
        },
    }
