"""Which setups a sequence needs, and in which order they are made."""

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest

from harness.errors import JobError, Mistake
from harness.job.fixture import Fixture, PortName, Setup, rows_of
from harness.job.job import Job
from harness.job.module import Module
from harness.job.sequence import Check


def input_numbers(setup: Setup) -> tuple[int, ...]:
    """Numbers of the scope's inputs in the order of the viewed legs: hot, cold, hot, cold."""
    hot, cold = (1, 0) if setup.inputs_swapped else (0, 1)
    return tuple(first + leg for first in range(1, 2 * len(setup.view), 2) for leg in (hot, cold))


def through_setup(fixture: Fixture, *, inputs_swapped: bool) -> Setup | None:
    """The through setup that a run uses, with the scope's inputs swapped or not; None if there is none."""
    throughs = (each for each in fixture.setups if each.through and each.inputs_swapped == inputs_swapped)
    return next(throughs, None)


def drive_rows(setup: Setup, ports: Sequence[PortName] | None = None) -> tuple[int, int] | None:
    """Rows that show the driven port, where these ports are shown (None: those of the setup); else None."""
    shown = setup.view if ports is None else ports
    if setup.drive is None or setup.drive not in shown:
        return None
    return rows_of(setup.drive, shown)


@dataclass(frozen=True, kw_only=True)
class CheckAtPort:
    """A check at one port under one drive, and the setups that it could be measured in.

    second: the setup whose records show what else the check compares, if no candidate does; both are counted
    from the generator's sync.
    """

    check: Check
    drive: PortName
    channel: str
    port: str
    candidates: tuple[Setup, ...]
    second: Setup | None = None


def _same_circuit(one: Setup, other: Setup) -> bool:
    """Whether two setups differ at most in what they view."""
    return one.drive == other.drive and set(one.loopbacks) == set(other.loopbacks)


def _viewed_ports(
    check: Check, module: Module, drive: PortName, channel: str, port: str
) -> frozenset[PortName]:
    """What a setup must have in view for this check.

    Phases are against the drive, so the drive is in view; so it is for the polarity of a module with an
    amplifier, which can invert without swapping the legs. Crosstalk compares one port of both channels.
    """
    wanted = {PortName(channel=channel, net=port)}
    if check.quantity.drive_in_view(amplified=module.may_invert):
        wanted.add(drive)
    if check.quantity.across(check.options):
        wanted.add(PortName(channel=drive.channel, net=port))
    return frozenset(wanted)


def checks_at_ports(job: Job) -> tuple[CheckAtPort, ...]:
    """Every check at every port it asks for, once for each circuit (drive and loopbacks) that can show it.

    Raises JobError for a port that no setup shows as the check needs it.
    """
    module, fixture, sequence = job.module, job.fixture, job.sequence
    usable = [
        setup
        for setup in fixture.setups
        if not setup.through
        and not setup.inputs_swapped
        and setup.drive is not None
        and setup.drive.channel in sequence.channels
    ]
    circuits: list[Setup] = []
    for setup in usable:
        if not any(_same_circuit(setup, seen) for seen in circuits):
            circuits.append(setup)
    result: list[CheckAtPort] = []
    mistakes: list[Mistake] = []
    for check in sequence.checks:
        if check.quantity.family == "change":
            continue  # planned by themselves, after the levels
        served: list[CheckAtPort] = []
        for circuit in circuits:
            unequal_legs = check.quantity.source_added(check.options)
            same = [
                setup
                for setup in usable
                if _same_circuit(setup, circuit) and unequal_legs == (setup.source_added is not None)
            ]
            served += _needs_in_circuit(check, module, fixture, same, has_sync=job.has_sync)
        ports = {need.port for need in served}
        mistakes += [
            _not_viewed(check, port, has_sync=job.has_sync) for port in check.at if port not in ports
        ]
        result += served
    if mistakes:
        raise JobError(mistakes)
    return tuple(_once_per_port(result))


def _not_viewed(check: Check, port: str, *, has_sync: bool) -> Mistake:
    other = ", or another one with the same drive and plugs that views it" if has_sync else ""
    return check.mistake(
        f"no setup shows the {check.quantity.spoken} of {port}; where the unit can invert, polarity and "
        f"phase are read against the drive: add a [[setup]] that views the driven port as well{other}"
    )


def partner_of(setup: Setup, fixture: Fixture) -> Setup | None:
    """The same setup with the scope's pairs the other way round, if the fixture has it."""
    return next((other for other in fixture.setups if other.is_swap_of(setup)), None)


def _needs_in_circuit(
    check: Check, module: Module, fixture: Fixture, setups: Sequence[Setup], *, has_sync: bool
) -> Iterable[CheckAtPort]:
    drive = setups[0].drive if setups else None
    if drive is None:
        return
    others = [channel for channel in module.channels if channel != drive.channel]
    for channel in others if check.quantity.across(check.options) else [drive.channel]:
        for port in check.at:
            wanted = _viewed_ports(check, module, drive, channel, port)
            candidates = tuple(setup for setup in setups if wanted <= set(setup.view))
            second = None
            if not candidates and has_sync:
                candidates, second = _by_two_records(wanted, PortName(channel=channel, net=port), setups)
            # A quantity that compares two legs is served best by setups with a swapped partner.
            if check.quantity.inputs_swapped:
                candidates = tuple(s for s in candidates if partner_of(s, fixture)) or candidates
            if candidates:
                yield CheckAtPort(
                    check=check,
                    drive=drive,
                    channel=channel,
                    port=port,
                    candidates=candidates,
                    second=second,
                )


def _by_two_records(
    wanted: Collection[PortName], port: PortName, setups: Sequence[Setup]
) -> tuple[tuple[Setup, ...], Setup | None]:
    """The setups that view the port of a check, and one that views all else; none without such a one."""
    others = set(wanted) - {port}
    second = next((setup for setup in setups if others <= set(setup.view)), None)
    return () if second is None else tuple(each for each in setups if port in each.view), second


def _once_per_port(result: Iterable[CheckAtPort]) -> Iterable[CheckAtPort]:
    """A port's offset is measured with the generator silent, so one circuit is enough for it."""
    offsets: dict[tuple[str, str, str], CheckAtPort] = {}
    for need in result:
        if need.check.quantity.driven:
            yield need
            continue
        key = (need.check.name, need.channel, need.port)
        if key in offsets:
            need = replace(offsets[key], candidates=offsets[key].candidates + need.candidates)
        offsets[key] = need
    yield from offsets.values()


def choose(wanted: Sequence[CheckAtPort]) -> dict[CheckAtPort, Setup]:
    """Assign each need to a setup, with few of them: always the one that serves most of what is open.

    Ties go to the setup named first in the fixture's file, so the same job always gives the same plan.
    """
    open_needs = list(wanted)
    assigned: dict[CheckAtPort, Setup] = {}
    while open_needs:
        counts = Counter(setup.name for need in open_needs for setup in need.candidates)
        best = max(counts, key=counts.__getitem__)
        for need in open_needs:
            serving = next((setup for setup in need.candidates if setup.name == best), None)
            if serving is not None:
                assigned[need] = serving
        open_needs = [need for need in open_needs if need not in assigned]
    return assigned


def lead_moves(one: Setup | None, other: Setup) -> int:
    """How many things a person moves between two setups: the drive, each viewed port, each plug."""
    if one is None:
        return (other.drive is not None) + len(other.view) + len(other.loopbacks)
    views: int = sum(before != after for before, after in zip_longest(one.view, other.view))
    if one.inputs_swapped != other.inputs_swapped:
        views = max(views, len(other.view), 1)
    source = (one.drive, one.source_added) != (other.drive, other.source_added)
    return source + views + len(set(one.loopbacks) ^ set(other.loopbacks))


def ordered(setups: Sequence[Setup]) -> tuple[Setup, ...]:
    """Those that relays select first, as they stand; then those that need hands, nearest neighbour first."""
    order = [setup for setup in setups if setup.select is not None]
    by_hand = [setup for setup in setups if setup.select is None]
    while by_hand:
        last = order[-1] if order else None
        order.append(min(by_hand, key=lambda setup: lead_moves(last, setup)))
        by_hand.remove(order[-1])
    return tuple(order)
