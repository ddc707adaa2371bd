"""Coverage in words, for 80 columns: what is seen, what isn't, and what would see it."""

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING

from harness.cli.wrapping import WIDTH
from harness.units import counted

if TYPE_CHECKING:
    from harness.faults.additions import Addition
    from harness.faults.contacts import HeavierLoad
    from harness.faults.coverage import Coverage, Seen, SuspectSeen
    from harness.faults.minimal import Minimal
    from harness.faults.plugs import PlugDesign
    from harness.job.fixture import Link
    from harness.job.job import Job
    from harness.plan.model import Plan

FEW = 12  # names in a line of text before "and more"
BARELY = 5  # faults that are named as seen least clearly
CONTACT, OHM = 19, 8  # widths of columns
STUCK = "\N{NO-BREAK SPACE}"


def asked_lines(asked: "tuple[SuspectSeen, ...]") -> Iterator[str]:
    """What would see the faults that were asked for by name."""
    for one in asked:
        said = f"seen, {_seen_by(one)}" if one.seen else f"not seen: {one.why}"
        yield from _folded(f"{_whole(one.name)}: {said}", more=6)
    if asked:
        yield ""


def coverage_lines(
    job: "Job",
    plan: "Plan",
    found: "Coverage",
    additions: "tuple[Addition, ...]",
    loads: "tuple[HeavierLoad, ...]",
    *,
    every: bool,
) -> Iterator[str]:
    """What a plan sees. every: name each fault that is seen, and not only those that are so least clearly."""
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
    yield from _unseen_lines(found)
    yield from _addition_lines(found, additions)
    yield from _seen_lines(found, every=every)
    if found.groups:
        yield ""
        yield from _folded(f"Seen, and not told apart from each other ({len(found.groups)} groups):")
        for group in found.groups:
            yield from _folded(" | ".join(map(_whole, group)), indent=2, more=6)
    yield from _contact_lines(found, loads)


def _unseen_lines(found: "Coverage") -> Iterator[str]:
    """Faults with why they are not seen; those of one reason together."""
    if not found.unseen:
        return
    yield ""
    yield "Not seen:"
    reasons: dict[str, list[str]] = {}
    for one in found.unseen:
        reasons.setdefault(one.why, []).append(_whole(one.name))
    for why, names in reasons.items():
        if len(names) == 1:
            yield from _folded(f"{names[0]}: {why}", indent=2, more=6)
        else:
            yield from _folded(f"{why} ({len(names)}):", indent=2, more=6)
            yield from _folded(" | ".join(names), indent=6)


def _seen_lines(found: "Coverage", *, every: bool) -> Iterator[str]:
    """Faults with the reading that sees each best: how many times its ± that would be past its limit."""
    told = found.seen if every else sorted(found.seen, key=lambda one: one.margin)[:BARELY]
    if not told:
        return
    yield ""
    yield from _folded(
        f"{'Seen' if every else 'Seen least clearly'}, by how many times its ± a reading would be past its "
        f"limit{'' if every else ' (--every names all)'}:"
    )
    for one in told:
        yield from _folded(f"{_whole(one.fault.name)}: {_seen_by(one)}", indent=2, more=6)


def _seen_by(one: "Seen") -> str:
    others = "" if one.readings < 2 else f", and {one.readings - 1} more"
    margin = "" if one.margin == float("inf") else f"{one.margin:.3g} by "
    return f"{margin}{one.by}{others}"


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
    yield from _folded(f"Resistive contacts, counted apart; seen of {len(found.contacts)}: {_shares(found)}")
    yield ""
    heavy = "".join(f"{f'{load.load_ohm:g} ohm':>{OHM + 2}}" for load in loads)
    if loads:
        yield " " * (2 + CONTACT + OHM + 2) + "  with another load, to half a decade"
    yield f"  {'least ohm seen at':<{CONTACT}}{'as it is':>{OHM + 2}}{heavy}  seen first by"
    for place, one in enumerate(found.contacts):
        least = (one.smallest_seen_ohm, *(load.least_ohm[place] for load in loads))
        cells = "".join(f"{_ohm(ohm):>{OHM + 2}}" for ohm in least)
        start = f"  {one.contact:<{CONTACT}}{cells}  "
        check = textwrap.wrap(one.check, WIDTH - len(start)) or [""]
        yield f"{start}{check[0]}".rstrip()
        yield from (" " * len(start) + more for more in check[1:])
    narrow = [f"{load.load_ohm:g} ohm" for load in loads if not load.healthy]
    if narrow:
        yield from _folded(
            f"With {' or '.join(narrow)} some limits must be wider for sound units.", indent=2, more=2
        )


def _shares(found: "Coverage") -> str:
    """`1 ohm in none, 10 ohm in 2, 100 ohm in 32`."""
    seen: dict[float, int] = {}
    for one in found.resistive:
        ohm = one.fault.resistance_ohm or 0.0
        seen[ohm] = seen.get(ohm, 0) + one.seen
    return ", ".join(f"{_ohm(ohm)} in {count or 'none'}" for ohm, count in seen.items())


def _ohm(ohm: float | None) -> str:
    from harness.units import format_value

    return "never" if ohm is None else format_value(float(f"{ohm:.2g}"), "ohm")


def minimal_lines(shorter: "Minimal") -> Iterator[str]:
    """The fewest steps that see as much, and what they save."""
    before, after = shorter.before, shorter.after
    yield ""
    best = "the fewest" if shorter.proven else "the fewest found in the time given"
    yield from _folded(f"Steps that see the same {shorter.seen} faults, {best}:")
    steps: dict[str, list[str]] = {}
    for visit in shorter.plan.visits:
        names = [*(state.state.name for state in visit.states), *(edge.edge.name for edge in visit.edges)]
        steps.setdefault(visit.hookup.name, []).extend(names)
    for hookup, names in steps.items():
        yield from _folded(f"{hookup}: {', '.join(dict.fromkeys(names))}", indent=2, more=6)
    yield ""
    yield f"  {'':<26}{'as it is':>10}{'fewest':>10}"
    rows = (
        ("acquisitions", str(before.acquisitions), str(after.acquisitions)),
        ("settling and recording", f"{before.unavoidable_s:.1f} s", f"{after.unavoidable_s:.1f} s"),
        ("moving leads", f"{before.hands_s:.0f} s", f"{after.hands_s:.0f} s"),
        ("relay operations", *(str(sum(one.operations.values())) for one in (before, after))),
    )
    for what, old, new in rows:
        if old != "0 s":
            yield f"  {what:<26}{old:>10}{new:>10}"
    yield from _folded(
        "They prove the parts, not the whole: figures of the states left out are not measured.", indent=2
    )


def plug_lines(plugs: "PlugDesign") -> Iterator[str]:
    """What each set of plugs would show, and the best of them for fixture.toml."""
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


def _whole(name: str) -> str:
    """A name that no line ends within."""
    return name.replace(" ", STUCK)


def _folded(text: str, *, indent: int = 0, more: int | None = None) -> list[str]:
    lines = textwrap.wrap(
        text,
        WIDTH,
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent if more is None else more),
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace(STUCK, " ") for line in lines]
