"""`switchwalk coverage`: what a sequence would see of every fault, what it would not, and what would see
it.
"""

from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import asdict
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer

from harness.cli import options
from harness.cli.terminal import TIED, hanging, print_lines, print_result, shown_progress, wrapped
from harness.compose.additions import Addition, cheapest_additions
from harness.errors import UsageError
from harness.faults.contact_levels import HeavierLoad, with_loads
from harness.faults.coverage import (
    Coverage,
    Doubles,
    FaultSeen,
    cover_doubles,
    judge_faults,
)
from harness.faults.coverage import cover as find_coverage
from harness.faults.margins import CLEAR
from harness.faults.provable import UNPROVABLE, tight_data, tight_sentences
from harness.faults.suggestions.minimal import Minimal, smallest_plan
from harness.job.job import Job
from harness.job.own_faults import own_suspects
from harness.plan.build import build_plan
from harness.plan.draft import KnownPredictions
from harness.plan.model import Plan
from harness.plan.states import TimeEstimate
from harness.session.planned_job import BALANCED, impedances_of, read_job
from harness.units import counted, format_value

ANSWERS_WITHIN = "10s"  # a scheduler
STEPS = ("planning", "predicting every fault", "trying more checks", "trying heavier loads")
STEP_MINIMAL = "searching for the fewest steps"
CONTACT_LOADS_OHM = (600.0, 20.0)
FEW = 12  # names in a line of text before "and more"
BARELY = 5  # faults that are listed as detected least clearly
CONTACT, OHM = 19, 8  # widths of columns


@contextmanager
def cluster(workers: str | None) -> Iterator[Executor | None]:
    """A cluster's workers as an executor; None without an address."""
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
        client = distributed.Client(workers, timeout=ANSWERS_WITHIN, set_as_default=False)
    except (OSError, ValueError) as error:
        raise UsageError(
            f"--workers {workers}: no scheduler answers there ({error}); expected an address such as "
            "tcp://10.0.0.5:8786, which `dask scheduler` prints"
        ) from error
    try:
        yield client.get_executor()
    finally:
        client.close()


def coverage(
    job: options.JobFolder,
    bench: options.BenchPath = None,
    sequence: options.SequencePath = None,
    fixture: options.FixturePath = None,
    minimal: Annotated[
        bool, typer.Option("--minimal", help="Print only the fewest steps that detect as much.")
    ] = False,
    every: Annotated[
        bool, typer.Option("--all", help="List every fault that is detected, and by which reading.")
    ] = False,
    fault: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME", help='Evaluate this fault too, or several at once ("A + B"); may be repeated.'
        ),
    ] = None,
    doubles: Annotated[
        bool, typer.Option("--doubles", help="Evaluate every pair of faults too; this takes minutes.")
    ] = False,
    workers: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Share the work with a Dask cluster's scheduler.")
    ] = None,
    as_json: options.AsJson = False,
) -> None:
    """Print the single-fault coverage of a job: faults detected, faults missed, and what would detect
    them.
    """
    described = read_job(job, bench, sequence_file=sequence, fixture_file=fixture)
    if minimal and not as_json:
        others = {"--all": every, "--fault": bool(fault), "--doubles": doubles}
        _print_minimal(described, bench, workers, others)
        return
    own = own_suspects(described, fault or ())
    with cluster(workers) as executor, shown_progress("coverage", *STEPS, *[STEP_MINIMAL] * minimal) as done:
        known = KnownPredictions()
        plan = build_plan(described, impedances=impedances_of(described, bench), known=known)
        done.next_step()
        result = find_coverage(described, plan, executor=executor)
        asked = judge_faults(described, plan, own, executor=executor) if own else ()
        done.next_step()
        additions = cheapest_additions(
            described,
            [seen.fault for seen in result.unseen],
            impedances=plan.impedances,
            executor=executor,
        )
        done.next_step()
        loads = with_loads(
            described, CONTACT_LOADS_OHM, impedances=plan.impedances, executor=executor, known=known
        )
        done.next_step()
        shorter = smallest_plan(described, plan, executor=executor) if minimal else None
    pairs = None
    if doubles:
        with cluster(workers) as executor:
            pairs = cover_doubles(
                described, plan, (*result.faults, *asked), executor=executor, progress=pairs_done
            )
    data = _coverage_data(result, additions, loads)
    lines = [*_asked_lines(asked), *_coverage_lines(described, plan, result, additions, loads, every=every)]
    if plan.impedances.drives_legs_together:
        lines += wrapped(f"{BALANCED}.")
    if asked:
        data["asked"] = [_fault_data(fault) for fault in asked]
    if pairs is not None:
        data["doubles"] = doubles_data(pairs)
        lines += double_lines(pairs)
    if shorter is not None:
        data["minimal"] = _minimal_data(shorter)
        lines += _minimal_lines(shorter)
    print_result(data, lines, as_json=as_json)


def _print_minimal(job: Job, bench: Path | None, workers: str | None, others: dict[str, bool]) -> None:
    """Print the fewest steps alone. Raises UsageError for options that ask for the rest of the coverage."""
    if given := [name for name, asked in others.items() if asked]:
        raise UsageError(
            f"--minimal prints the fewest steps alone; expected {given[0]} in a command of its own, or "
            "--json, which has all of it"
        )
    with cluster(workers) as executor, shown_progress("coverage", STEPS[0], STEP_MINIMAL) as done:
        plan = build_plan(job, impedances=impedances_of(job, bench))
        done.next_step()
        shorter = smallest_plan(job, plan, executor=executor)
    print_lines([*wrapped(f"{job.module.title}, {job.sequence.name}"), *_minimal_lines(shorter)])


def doubles_data(pairs: Doubles) -> dict[str, Any]:
    """Pairs of faults for another program."""
    return {
        "possible": pairs.possible,
        "seen": pairs.possible - pairs.missed,
        "hidden": [fault.name for fault in pairs.hidden],
    }


def pairs_done(done: int, total: int) -> None:
    """Print how many pairs have been evaluated."""
    typer.echo(f"\rpairs: {done} of {total} evaluated", err=True, nl=done == total)


def _coverage_data(
    result: Coverage, additions: tuple[Addition, ...], loads: tuple[HeavierLoad, ...]
) -> dict[str, Any]:
    """The coverage for another program."""
    return {
        "possible": len(result.faults),
        "seen": len(result.seen),
        "unseen": [fault.name for fault in result.unseen],
        "groups": [list(group) for group in result.groups],
        "contacts": [
            {
                "contact": contact.contact,
                "smallest_seen_ohm": contact.smallest_seen_ohm,
                "by": contact.by,
                "check": contact.check,
            }
            for contact in result.contacts
        ],
        "distinct": result.distinct,
        "faults": [_fault_data(fault) for fault in result.faults],
        "resistive": [_fault_data(fault) for fault in result.resistive],
        "tight": tight_data(result.tight),
        "additions": [
            {"add": addition.description, "sees": list(addition.sees), "cost_s": addition.cost_s}
            for addition in additions
        ],
        "loads": [
            {
                "load_ohm": load.load_ohm,
                "smallest_seen_ohm": list(load.least_ohm),
                "good_units_pass": load.good,
            }
            for load in loads
        ],
    }


def _fault_data(fault: FaultSeen) -> dict[str, Any]:
    return {
        "fault": fault.name,
        "seen": fault.seen,
        "by": fault.by,
        "margin": _finite(fault.margin),
        "readings": fault.readings,
        "why": fault.why,
    }


def _finite(margin: float) -> float | None:
    """JSON has no infinity: a supply in its limit is as far out as can be, a reading of nothing has none."""
    return None if margin in (float("inf"), float("-inf")) else margin


def _minimal_data(shorter: Minimal) -> dict[str, Any]:
    return {
        "proven": shorter.proven,
        "before": _cost_data(shorter.before),
        "after": _cost_data(shorter.after),
        "steps": [
            {
                "setup": visit.setup.name,
                "states": [state.state.name for state in visit.states],
                "changes": [change.change.name for change in visit.changes],
                "acquisitions": sum(len(state.acquisitions) for state in visit.states),
            }
            for visit in shorter.plan.visits
        ],
    }


def _cost_data(cost: TimeEstimate) -> dict[str, Any]:
    return asdict(cost) | {"operations": sum(cost.operations.values())}


def _asked_lines(asked: tuple[FaultSeen, ...]) -> Iterator[str]:
    """What would see the faults that were asked for by name."""
    for fault in asked:
        message = f"detected, {_seen_by(fault)}" if fault.seen else f"missed: {fault.why}"
        yield from wrapped(f"{_whole(fault.name)}: {message}", hang=6)
    if asked:
        yield ""


def _coverage_lines(
    job: Job,
    plan: Plan,
    result: Coverage,
    additions: tuple[Addition, ...],
    loads: tuple[HeavierLoad, ...],
    *,
    every: bool,
) -> Iterator[str]:
    """What a plan detects. every: list all detected faults, not only the least clearly detected."""
    possible, seen = len(result.faults), len(result.seen)
    yield from wrapped(f"{job.module.title}, {job.sequence.name}")
    yield from wrapped(
        f"{seen} of {possible} faults detected ({100 * seen / max(possible, 1):.1f} %), by "
        f"{counted(plan.count, 'reading')}, in {counted(result.distinct, 'distinguishable group')}"
    )
    if result.tight:
        yield ""
        yield from wrapped(UNPROVABLE)
        for sentence in tight_sentences(result.tight):
            yield from wrapped(sentence, indent=2, hang=4)
    yield from missed_lines(result.unseen)
    yield from _addition_lines(result, additions)
    yield from _seen_lines(result, every=every)
    if result.groups:
        yield ""
        yield from wrapped(f"Detected, but not told apart ({len(result.groups)} groups):")
        for group in result.groups:
            yield from wrapped(" | ".join(map(_whole, group)), indent=2, hang=4)
    yield from _contact_lines(result, loads)


def double_lines(pairs: Doubles) -> Iterator[str]:
    """Pairs of faults of which one hides the other."""
    yield ""
    seen = pairs.possible - pairs.missed
    yield from wrapped(f"{seen} of {counted(pairs.possible, 'pair')} of faults detected.")
    if pairs.hidden:
        yield from wrapped(f"Missed, though one of the two alone is detected ({len(pairs.hidden)}):")
        for fault in pairs.hidden[:FEW]:
            yield from wrapped(f"{_whole(fault.name)}: {fault.why}", indent=2, hang=4)


def missed_lines(unseen: Sequence[FaultSeen]) -> Iterator[str]:
    """Missed faults by the reason why they are missed, those first that are nearly detected."""
    barely = sorted((fault for fault in unseen if fault.is_barely_seen), key=lambda fault: fault.margin)
    if barely:
        yield ""
        yield from wrapped(
            "Not counted, since some units with them may pass: by how many expanded uncertainties a reading "
            f"would be past its limit, of {CLEAR:g} that are needed ({len(barely)}):"
        )
        for fault in barely:
            yield from wrapped(f"{_whole(fault.name)}: {_seen_by(fault)}", indent=2, hang=4)
    missed = [fault for fault in unseen if not fault.is_barely_seen]
    if not missed:
        return
    yield ""
    yield "Missed:"
    reasons: dict[str, list[str]] = {}
    for fault in missed:
        reasons.setdefault(fault.why, []).append(_whole(fault.name))
    for why, names in reasons.items():
        if len(names) == 1:
            yield from wrapped(f"{names[0]}: {why}", indent=2, hang=4)
        else:
            yield from wrapped(f"{why} ({len(names)}):", indent=2, hang=4)
            yield from wrapped(" | ".join(names), indent=6, hang=0)


def _seen_lines(result: Coverage, *, every: bool) -> Iterator[str]:
    """Faults with the reading that detects each best, and by how many expanded uncertainties."""
    listed = result.seen if every else sorted(result.seen, key=lambda fault: fault.margin)[:BARELY]
    if not listed:
        return
    yield ""
    yield from wrapped(
        f"{'Detected' if every else 'Detected least clearly'}, by how many expanded uncertainties a reading "
        f"would be past its limit{'' if every else ' (--all lists all)'}:"
    )
    for fault in listed:
        yield from wrapped(f"{_whole(fault.name)}: {_seen_by(fault)}", indent=2, hang=4)


def _seen_by(fault: FaultSeen) -> str:
    others = "" if fault.readings < 2 else f", and {fault.readings - 1} more"
    margin = "" if fault.margin == float("inf") else f"{fault.margin:.3g} by "
    return f"{margin}{fault.by}{others}"


def _addition_lines(result: Coverage, additions: tuple[Addition, ...]) -> Iterator[str]:
    if not result.unseen:
        return
    yield ""
    if not additions:
        yield from wrapped(
            "None of the checks, states, views, plugs and loads that were tried would detect them."
        )
        return
    yield "Cheapest additions that would detect them, in this order:"
    for addition in additions:
        cost = f"{addition.cost_s:.1f} s more" if addition.cost_s else "no more time"
        more = counted(len(addition.sees), "fault")
        yield from wrapped(f"{addition.description}: {more} more, {cost}", indent=2, hang=4)
    left = len(result.unseen) - sum(len(addition.sees) for addition in additions)
    if left:
        yield from wrapped(f"nothing that was tried would detect the other {left}", indent=2)


def _contact_lines(result: Coverage, loads: tuple[HeavierLoad, ...]) -> Iterator[str]:
    if not result.contacts:
        return
    yield ""
    yield from wrapped(
        f"Resistive contacts, counted separately; detected of {len(result.contacts)}: {_shares(result)}"
    )
    yield ""
    heavy = "".join(f"{f'{load.load_ohm:g} ohm':>{OHM + 2}}" for load in loads)
    if loads:
        yield " " * (2 + CONTACT + OHM + 2) + "  with another load, to half a decade"
    yield f"  {'smallest detected':<{CONTACT}}{'as it is':>{OHM + 2}}{heavy}  first detected by"
    for index, contact in enumerate(result.contacts):
        least = (contact.smallest_seen_ohm, *(load.least_ohm[index] for load in loads))
        cells = "".join(f"{_ohm(ohm):>{OHM + 2}}" for ohm in least)
        start = f"  {contact.contact:<{CONTACT}}{cells}  "
        yield from hanging(start, contact.check)
    narrow = [f"{load.load_ohm:g} ohm" for load in loads if not load.good]
    if narrow:
        limits = f"With {' or '.join(narrow)} some limits must be wider for good units."
        yield from wrapped(limits, indent=2, hang=0)


def _shares(result: Coverage) -> str:
    """`1 ohm in none, 10 ohm in 2, 100 ohm in 32`."""
    seen: dict[float, int] = {}
    for fault in result.resistive:
        ohm = fault.fault.resistance_ohm or 0.0
        seen[ohm] = seen.get(ohm, 0) + fault.seen
    return ", ".join(f"{_ohm(ohm)} in {count or 'none'}" for ohm, count in seen.items())


def _ohm(ohm: float | None) -> str:
    return "never" if ohm is None else format_value(float(f"{ohm:.2g}"), "ohm")


def _minimal_lines(shorter: Minimal) -> Iterator[str]:
    """The fewest steps that see as much, and what they save."""
    before, after = shorter.before, shorter.after
    yield ""
    best = "the fewest" if shorter.proven else "the fewest found in the available time"
    yield from wrapped(f"Steps that detect the same {shorter.seen} faults, {best}:")
    steps: dict[str, list[str]] = {}
    for visit in shorter.plan.visits:
        names = [
            *(state.state.name for state in visit.states),
            *(change.change.name for change in visit.changes),
        ]
        steps.setdefault(visit.setup.name, []).extend(names)
    for setup, names in steps.items():
        yield from wrapped(f"{setup}: {', '.join(dict.fromkeys(names))}", indent=2, hang=4)
    yield ""
    yield f"  {'':<26}{'as it is':>10}{'fewest':>10}"
    rows = (
        ("acquisitions", str(before.acquisitions), str(after.acquisitions)),
        ("settling and recording", f"{before.unavoidable_s:.1f} s", f"{after.unavoidable_s:.1f} s"),
        ("moving leads", f"{before.hands_s:.0f} s", f"{after.hands_s:.0f} s"),
        ("relay operations", *(str(sum(cost.operations.values())) for cost in (before, after))),
    )
    for what, old, new in rows:
        if old != "0 s":
            yield f"  {what:<26}{old:>10}{new:>10}"
    yield from wrapped("They detect faults of single parts; the states left out are not measured.", indent=2)


def _whole(name: str) -> str:
    """A name that no line ends within."""
    return name.replace(" ", TIED)
