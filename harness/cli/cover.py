"""`switchwalk cover`: what a sequence would see of every fault, before the first unit is tested."""

import json
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.job import BenchPath, JobFolder
from harness.cli.lines import WIDTH
from harness.errors import UsageError
from harness.quantities import counted
from harness.workbench.planning import impedances_of

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from harness.descriptions.fixture import Link
    from harness.descriptions.job import Job
    from harness.faults.additions import Addition
    from harness.faults.contacts import HeavierLoad
    from harness.faults.coverage import Coverage
    from harness.faults.minimal import Minimal
    from harness.faults.plugs import PlugDesign
    from harness.plan.estimate import Estimate
    from harness.plan.model import Plan

CONTACT_LOADS_OHM = (600.0, 20.0)
FEW = 12  # names in a line of text before "and more"


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
    from harness.faults.minimal import smallest_plan
    from harness.faults.plugs import design_plugs
    from harness.plan.build import build_plan
    from harness.workbench.job_files import read_job

    described = read_job(job, bench, sequence_file=sequence, fixture_file=fixture)
    impedances = impedances_of(described, bench)
    plan = build_plan(described, impedances=impedances)
    with _executor(workers) as executor:
        found = find_coverage(described, plan, impedances=impedances, executor=executor)
        additions = cheapest_additions(
            described, [one.fault for one in found.unseen], impedances=impedances, executor=executor
        )
        loads = with_loads(described, CONTACT_LOADS_OHM, impedances=impedances, executor=executor)
        shorter = smallest_plan(described, plan, impedances=impedances) if minimal else None
        plugs = design_plugs(described, impedances=impedances, progress=_progress) if design else None
    if as_json:
        data = as_data(found, additions, loads)
        if shorter is not None:
            data["minimal"] = _minimal_data(shorter)
        if plugs is not None:
            data["plugs"] = _plugs_data(plugs)
        typer.echo(json.dumps(data, indent=2, ensure_ascii=False))
        return
    for line in _lines(described, plan, found, additions, loads):
        typer.echo(line)
    for line in _minimal_lines(shorter) if shorter is not None else ():
        typer.echo(line)
    for line in _plug_lines(plugs) if plugs is not None else ():
        typer.echo(line)


@contextmanager
def _executor(workers: str | None) -> "Iterator[Executor | None]":
    """A cluster's workers as an executor; nothing where none are asked for."""
    if workers is None:
        yield None
        return
    try:
        distributed = import_module("distributed")
    except ImportError:
        raise UsageError(
            '--workers needs the package distributed: pip install "switchwalk[cluster]"'
        ) from None
    try:
        client = distributed.Client(workers, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        raise UsageError(
            f"--workers {workers}: no scheduler answers there ({error}); expected an address such as "
            "tcp://10.0.0.5:8786, which `dask scheduler` prints"
        ) from error
    try:
        yield client.get_executor()
    finally:
        client.close()


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
            {"contact": one.contact, "smallest_seen_ohm": one.smallest_seen_ohm, "by": one.by}
            for one in found.contacts
        ],
        "distinct": found.distinct,
        "faults": [
            {
                "fault": one.fault.name,
                "seen": one.seen,
                "by": one.by,
                "margin": _finite(one.margin),
                "readings": one.readings,
                "why": one.why,
            }
            for one in found.faults
        ],
        "tight": [{"reading": one.reading, "margin": one.margin} for one in found.tight],
        "additions": [{"add": one.words, "sees": list(one.sees), "cost_s": one.cost_s} for one in additions],
        "loads": [
            {
                "load_ohm": one.load_ohm,
                "best_ohm": one.best_ohm,
                "worst_ohm": one.worst_ohm,
                "healthy_pass": one.healthy,
            }
            for one in loads
        ],
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


def _lines(
    job: "Job",
    plan: "Plan",
    found: "Coverage",
    additions: "tuple[Addition, ...]",
    loads: "tuple[HeavierLoad, ...]",
) -> Iterator[str]:
    possible, seen = len(found.faults), len(found.seen)
    yield from _folded(f"{job.module.name} ({job.module.part} {job.module.revision}), {job.sequence.name}")
    yield from _folded(
        f"{seen} of {possible} faults seen ({100 * seen / max(possible, 1):.1f} %), by "
        f"{counted(plan.count, 'reading')}; they show {counted(found.distinct, 'different thing')}"
    )
    if found.tight:
        yield ""
        yield "Limits tighter than the spread of sound units, which may end unproven:"
        for tight in found.tight[:FEW]:
            yield from _folded(f"{tight.reading}: {tight.margin:.2f} expanded uncertainties", indent=2)
    if found.unseen:
        yield ""
        yield "Not seen:"
        for one in found.unseen:
            yield from _folded(f"{one.fault.name}: {one.why}", indent=2, more=6)
    yield from _addition_lines(found, additions)
    if found.groups:
        yield ""
        yield from _folded(f"Seen, and not told apart from each other ({len(found.groups)} groups):")
        for group in found.groups:
            yield from _folded(" | ".join(group), indent=2, more=6)
    yield from _contact_lines(found, loads)


def _addition_lines(found: "Coverage", additions: "tuple[Addition, ...]") -> Iterator[str]:
    if not found.unseen:
        return
    yield ""
    if not additions:
        yield from _folded("Nothing that was tried would see them: no check, state, view, plug or load.")
        return
    yield "Cheapest additions that would, in this order:"
    for one in additions:
        cost = f"{one.cost_s:.1f} s more" if one.cost_s else "no more time"
        plural = "s" if len(one.sees) > 1 else ""
        yield from _folded(f"{one.words}: {len(one.sees)} fault{plural} more, {cost}", indent=2, more=6)
    left = len(found.unseen) - sum(len(one.sees) for one in additions)
    if left:
        yield from _folded(f"nothing that was tried would see the other {left}", indent=2)


def _contact_lines(found: "Coverage", loads: "tuple[HeavierLoad, ...]") -> Iterator[str]:
    if not found.contacts:
        return
    yield ""
    yield "Resistive contacts, counted apart: the least series resistance that is seen"
    cells = [f"{one.contact}  {_ohm(one.smallest_seen_ohm)}" for one in found.contacts]
    cell = max(map(len, cells)) + 3
    per_line = max(1, (WIDTH - 2) // cell)
    for start in range(0, len(cells), per_line):
        yield "  " + "".join(text.ljust(cell) for text in cells[start : start + per_line]).rstrip()
    for load in loads:
        remark = "" if load.healthy else "; some limits must then be wider for sound units"
        yield from _folded(
            f"with {load.load_ohm:g} ohm across the loaded ports: {_ohm(load.best_ohm)} at the best, "
            f"{_ohm(load.worst_ohm)} at the worst{remark}",
            indent=2,
            more=6,
        )


def _ohm(ohm: float | None) -> str:
    from harness.quantities import format_value

    return "never" if ohm is None else format_value(float(f"{ohm:.2g}"), "ohm")


def _minimal_lines(shorter: "Minimal") -> Iterator[str]:
    before, after = shorter.before, shorter.after
    yield ""
    best = "the fewest" if shorter.proven else "the fewest found in the time given"
    yield from _folded(f"Steps that see the same {shorter.seen} faults, {best}:")
    for visit in shorter.plan.visits:
        states = [state.state.name for state in visit.states]
        edges = [edge.edge.name for edge in visit.edges]
        yield from _folded(f"{visit.hookup.name}: {', '.join(states + edges)}", indent=2, more=6)
    yield from _folded(
        f"{after.acquisitions} acquisitions instead of {before.acquisitions}, "
        f"{after.unavoidable_s:.1f} s of settling and recording instead of {before.unavoidable_s:.1f} s, "
        f"{after.hands_s:.0f} s of moving leads instead of {before.hands_s:.0f} s, "
        f"{sum(after.operations.values())} relay operations instead of {sum(before.operations.values())}",
        indent=2,
    )
    yield from _folded(
        "They prove the parts, not the whole: figures of the states left out are not measured.", indent=2
    )


def _plug_lines(plugs: "PlugDesign") -> Iterator[str]:
    yield ""
    yield from _folded(f"Loop plugs, by what the outputs alone see ({plugs.tried} sets tried):")
    for one in (*plugs.others, plugs.best):
        yield from _folded(
            f"{one.words}: {one.seen} of {one.possible} faults, {one.distinct} different things", indent=2
        )
        if one.alike:
            pairs = "; ".join(f"{first} = {second}" for first, second in one.alike[:3])
            more = f" and {len(one.alike) - 3} more pairs" if len(one.alike) > 3 else ""
            yield from _folded(f"states that read alike: {pairs}{more}", indent=6)
    yield ""
    yield "For fixture.toml:"
    for link in plugs.best.links.values():
        yield from _toml(link)


def _toml(link: "Link") -> Iterator[str]:
    yield f"[links.{link.name}]"
    yield f'from = "{link.from_net}"'
    yield f'to = "{link.to_net}"'
    for channel, legs in (link.legs or {}).items():
        parts = ", ".join(
            f'{leg} = {{ series = "{part.series_ohm:g} ohm", shunt = "{part.shunt_ohm or 0:g} ohm" }}'
            for leg, part in legs.items()
        )
        yield f"legs.{channel} = {{ {parts} }}"


def _folded(text: str, *, indent: int = 0, more: int | None = None) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent if more is None else more),
        break_long_words=False,
        break_on_hyphens=False,
    )
