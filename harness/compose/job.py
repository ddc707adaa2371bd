"""From the chosen columns to a job: setups with the channels that make them, states and checks."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from harness.compose.at_hand import AtHand
from harness.compose.search import Found
from harness.compose.table import CheckTried, by_tolerance
from harness.compose.views import View, setups_of
from harness.job.fixture import Fixture, PortName, Setup
from harness.job.job import Job
from harness.job.sequence import Check, Tone
from harness.job.state import IDLE_STATE, State
from harness.plan.states import ordered
from harness.quantities.quantity import AnyQuantity
from harness.quantities.registry import QUANTITIES
from harness.quantities.tolerance import TOLERANCE
from harness.reading import Limit


@dataclass(frozen=True, kw_only=True)
class Selected:
    """Setups with the switchboard channels that make them.

    meanings: what each channel connects, in words; empty if a person moves the leads. why_by_hand: why a
    person does although channels are free; "".
    """

    setups: tuple[Setup, ...]
    meanings: Mapping[int, str]
    why_by_hand: str = ""


def composed_job(found: Found, at_hand: AtHand) -> tuple[Job, Selected]:
    """The job that has these columns and no more."""
    base = found.table.base
    views = tuple(dict.fromkeys(column.view for column in found.chosen))
    selected = _selected(base, views, found.table.drives, at_hand.selectors or ())
    states = ordered(tuple(dict.fromkeys(column.state for column in found.chosen)) or (IDLE_STATE,))
    fixture: Fixture = replace(base.fixture, setups=selected.setups)
    checks = _checks(base, found, states)
    whole = {check.quantity for column in found.chosen for check in column.checks}
    for quantity in (quantity for quantity in whole if not quantity.at_ports):
        checks.append(
            Check(
                name="Relay current",
                quantity=quantity,
                at=(),
                tone=base.sequence.checks[0].tone,
                limit=by_tolerance(quantity)[0],
                options=quantity.options(),
            )
        )
    sequence = replace(base.sequence, states=states, checks=tuple(checks))
    return replace(base, fixture=fixture, sequence=sequence), selected


def _selected(
    base: Job, views: Sequence[View], drives: Sequence[PortName], free: tuple[int, ...]
) -> Selected:
    """Give every setup a channel of its own; with too few, each drive one and each view one; with fewer still
    each input, each further channel of the module, and each view.
    """
    throughs = tuple(setup for setup in base.fixture.setups if setup.through)
    loopbacks = tuple(base.fixture.loopbacks)
    by_view = {view: setups_of(base.module, view, drives, loopbacks) for view in views}
    made = tuple(setup for setups in by_view.values() for setup in setups)
    if not free:
        return Selected(setups=(*throughs, *made), meanings={})
    if len(free) >= len(throughs) + len(made):
        setups = tuple(
            replace(setup, select=(number,)) for setup, number in zip((*throughs, *made), free, strict=False)
        )
        names = {number: setup.name for setup, number in zip(setups, free, strict=False)}
        return Selected(setups=setups, meanings=names)
    shapes = _shapes(by_view)
    ways = _by_drive(drives), _by_net(drives)
    fitting = (way for way in ways if len(throughs) + len(_parts(way)) + len(shapes) <= len(free))
    way = next(fitting, None)
    if way is None:
        why = (
            f"{len(free)} switchboard channels are free, and "
            f"{len(throughs) + len(_parts(ways[-1])) + len(shapes)} or more are needed to make the setups by "
            "relays"
        )
        return Selected(setups=(*throughs, *made), meanings={}, why_by_hand=why)
    number = iter(free)
    chosen = [replace(through, select=(next(number),)) for through in throughs]
    meanings = {(setup.select or ())[0]: setup.name for setup in chosen}
    of_part = {words: next(number) for words in _parts(way)}
    of_shape = {words: next(number) for words in shapes}
    meanings |= {channel: words for words, channel in of_part.items()}
    meanings |= {channel: f"{words}, in the driven channel" for words, channel in of_shape.items()}
    for setup in made:
        if setup.drive is not None:
            parts = (of_part[words] for words in way[setup.drive])
            chosen.append(replace(setup, select=(*parts, of_shape[_shape(setup)])))
    return Selected(setups=tuple(chosen), meanings=meanings)


Way = Mapping[PortName, tuple[str, ...]]  # what must be connected for a drive, in words


def _by_drive(drives: Sequence[PortName]) -> Way:
    return {drive: (f"the generator on {drive}",) for drive in drives}


def _by_net(drives: Sequence[PortName]) -> Way:
    """An input for all channels, and what takes generator and scope from the first channel to another."""
    first = drives[0].channel
    return {
        drive: (
            f"the generator on {drive.net}",
            *([] if drive.channel == first else [f"{drive.channel} in place of {first}"]),
        )
        for drive in drives
    }


def _parts(way: Way) -> list[str]:
    return list(dict.fromkeys(words for parts in way.values() for words in parts))


def _shape(setup: Setup) -> str:
    """What a setup views, without the channel that is driven."""
    own = setup.drive.channel if setup.drive else ""
    return "view " + " and ".join(
        ("input" if port == setup.drive else port.net)
        if port.channel == own
        else f"{port.net} of another channel"
        for port in setup.view
    )


def _shapes(by_view: Mapping[View, Sequence[Setup]]) -> list[str]:
    return list(dict.fromkeys(_shape(setup) for setups in by_view.values() for setup in setups))


@dataclass(frozen=True, kw_only=True)
class _Kind:
    """What columns' checks must have in common to be one check of a file."""

    quantity: AnyQuantity
    limit: Limit | None
    nets: tuple[str, ...]
    frequency_hz: float


ByState = Mapping[State, Sequence[CheckTried]]


def _checks(base: Job, found: Found, states: Sequence[State]) -> list[Check]:
    """One check for each quantity, frequency and set of ports."""
    kinds: dict[_Kind, dict[State, list[CheckTried]]] = {}
    for column in found.chosen:
        for check in (check for check in column.checks if check.quantity.at_ports):
            across = check.quantity.across(check.quantity.options())
            kind = _Kind(
                quantity=check.quantity,
                limit=check.limit,
                nets=column.view.nets[:1] if across else column.view.nets,
                frequency_hz=column.frequency_hz,
            )
            kinds.setdefault(kind, {}).setdefault(column.state, []).append(check)
    alike: dict[tuple[_Kind, frozenset[State]], tuple[str, ...]] = {}
    for kind, by_state in kinds.items():
        key = replace(kind, nets=()), frozenset(by_state)
        nets = _read_everywhere(base, kind, by_state)
        alike[key] = tuple(dict.fromkeys((*alike.get(key, ()), *nets)))
    usual_hz, order = base.sequence.checks[0].tone.frequency_hz, list(QUANTITIES)
    checks = [
        _check(base, replace(kind, nets=nets), by_state, states)
        for (kind, by_state), nets in alike.items()
        if nets
    ]
    checks.sort(key=lambda check: (check.tone.frequency_hz != usual_hz, order.index(check.quantity.name)))
    return _named(checks)


def _read_everywhere(base: Job, kind: _Kind, by_state: ByState) -> tuple[str, ...]:
    """The nets that are read in every channel that has them: a check that lacks one would be refused."""
    read = {entry for checks in by_state.values() for check in checks for entry in check.read}
    return tuple(
        net
        for net in kind.nets
        if all(
            (channel, net) in read for channel in base.sequence.channels if base.module.has_port(channel, net)
        )
    )


def _check(base: Job, kind: _Kind, by_state: Collection[State], states: Sequence[State]) -> Check:
    quantity, options = kind.quantity, kind.quantity.options()
    if quantity.judges_silent_ports:
        options = quantity.options.model_validate({"silent_ports_below": TOLERANCE})
    return Check(
        name=quantity.spoken.capitalize(),
        quantity=quantity,
        at=kind.nets,
        tone=Tone(frequency_hz=kind.frequency_hz, level_vrms=base.sequence.checks[0].tone.level_vrms),
        limit=kind.limit,
        options=options,
        states=None if set(by_state) >= set(states) else tuple(s for s in states if s in by_state),
    )


def _named(checks: Sequence[Check]) -> list[Check]:
    """Each with a name of its own: by ports and frequency, as far as these tell it apart."""
    named: list[Check] = []
    for check in checks:
        rivals = [other for other in checks if other.quantity == check.quantity]
        name = check.name
        if len({other.at for other in rivals}) > 1:
            name += f" at {' and '.join(check.at)}"
        if len({other.tone.frequency_hz for other in rivals}) > 1:
            name += f", {check.tone.frequency_hz:g} Hz"
        if len({other.limit.kind for other in rivals if other.limit}) > 1 and check.limit is not None:
            name += f", {check.limit.kind}"
        if name in {other.name for other in named}:
            name += f" ({len(named) + 1})"
        named.append(replace(check, name=name))
    return named
