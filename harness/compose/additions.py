"""What would see the faults that a sequence cannot: the cheapest additions, found by trying them.

Each candidate is a job of its own: the same unit with one more check, view, state or load, other plugs, or a
narrower limit. It is planned, and its readings are judged for the unseen faults alone.
"""

from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np

from harness.arrays import Flags
from harness.circuit.elements import BenchImpedances
from harness.compose.plugs import plug_sets
from harness.compose.table import suggested_check
from harness.errors import SwitchwalkError
from harness.faults.coverage import heavier_loads
from harness.faults.margins import SURE, weigh_margins
from harness.job.faults import Fault
from harness.job.fixture import Fixture, PortName, Setup
from harness.job.job import Job
from harness.job.sequence import Check, Tone
from harness.job.state import UNPOWERED_STATE, all_states
from harness.plan.build import build_plan
from harness.plan.draft import KnownPredictions
from harness.plan.setups import lead_moves
from harness.plan.states import HANDS_S, estimate_time
from harness.quantities.registry import SUGGESTED

LOADS_OHM = (600.0, 20.0)
NARROWER_DB = (0.1, 0.05, 0.02)
MOST_PAIRS = 120  # of additions that are tried, where no single one helps
EXTRA_STATES = 32  # no more states than this are tried one by one


@dataclass(frozen=True, kw_only=True)
class Trial:
    """Something that could be added; `hands_s` is what a person spends on it, once a unit.

    instead: it takes the place of what is there already, so it costs no more acquisitions. narrower: by how
    much a limit is narrowed; of equals, the least is best.
    """

    description: str
    job: Job
    hands_s: float = 0.0
    instead: bool = False
    narrower: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Addition:
    """An addition worth making: which more faults it sees, and what it costs in time, once a unit."""

    description: str
    sees: tuple[str, ...]
    cost_s: float


def cheapest_additions(
    job: Job,
    unseen: Sequence[Fault],
    *,
    impedances: BenchImpedances,
    executor: Executor | None = None,
    known: KnownPredictions | None = None,
) -> tuple[Addition, ...]:
    """Choose additions one by one: the one that sees most of what is still unseen for its time.

    For what no single one sees, two at once are tried, up to MOST_PAIRS of them. A trial that a good
    unit would not pass counts for nothing. known: what the plan of the job has predicted already.
    """
    if not unseen:
        return ()
    known = known or KnownPredictions()
    singles = (trial for make in (_narrower, _checks, _states, _plugs, _loads) for trial in make(job))
    chosen, left = _choose(singles, job, unseen, impedances, executor, known)
    if left:
        more, _ = _choose(islice(_pairs(job), MOST_PAIRS), job, left, impedances, executor, known)
        chosen += more
    return tuple(chosen)


def _choose(
    trials: Iterable[Trial],
    job: Job,
    unseen: Sequence[Fault],
    impedances: BenchImpedances,
    executor: Executor | None,
    known: KnownPredictions,
) -> tuple[list[Addition], list[Fault]]:
    """Choose among trials for the faults that are unseen; returns also those that are so after that."""
    tried = [(trial, *_try(trial, job, unseen, impedances, executor, known)) for trial in trials]
    left = np.ones(len(unseen), dtype=bool)
    chosen: list[Addition] = []

    def worth(entry: tuple[Trial, Flags, float]) -> tuple[float, float]:
        trial, seen, cost_s = entry
        return float((seen & left).sum()) / (1 + cost_s), -trial.narrower

    while left.any() and tried:
        trial, seen, cost_s = max(tried, key=worth)
        names = tuple(fault.name for fault, is_new in zip(unseen, seen & left, strict=True) if is_new)
        if not names:
            break
        chosen.append(Addition(description=trial.description, sees=names, cost_s=cost_s))
        left &= ~seen
    return chosen, [fault for fault, still in zip(unseen, left, strict=True) if still]


def _try(
    trial: Trial,
    job: Job,
    unseen: Sequence[Fault],
    impedances: BenchImpedances,
    executor: Executor | None,
    known: KnownPredictions,
) -> tuple[Flags, float]:
    """Which of the unseen faults a trial sees, and what it costs."""
    seen = np.zeros(len(unseen), dtype=bool)
    if impedances.drives_legs_together and any(
        check.quantity.legs_apart for check in trial.job.sequence.checks
    ):
        return seen, 0.0
    try:
        plan = build_plan(trial.job, impedances=impedances, known=known)
        if not plan.state_readings:
            return seen, 0.0
        possible = [
            fault
            for fault in unseen
            if not fault.kind.startswith("loopback") or fault.subject in trial.job.fixture.loopbacks
        ]
        made = weigh_margins(trial.job, plan, possible, executor=executor)
    except SwitchwalkError:
        return seen, 0.0
    by_good = (made.of_readings >= SURE) & (made.good >= SURE)
    seen[[unseen.index(fault) for fault in possible]] = by_good.any(axis=1)
    if trial.instead:
        return seen, 0.0
    return seen, estimate_time(plan, job).unavoidable_s + trial.hands_s


def _pairs(job: Job) -> Iterator[Trial]:
    """Two additions at once: what changes the circumstances first, then another of these or a way to look."""
    makers = (_plugs, _states, _loads, _checks, _narrower)
    for index, make in enumerate(makers[:3]):
        for outer in make(job):
            for inner in (trial for other in makers[index + 1 :] for trial in other(outer.job)):
                yield Trial(
                    description=f"{outer.description}, and with it {inner.description}",
                    job=inner.job,
                    hands_s=outer.hands_s + inner.hands_s,
                    instead=outer.instead and inner.instead,
                    narrower=inner.narrower,
                )


def _tone(job: Job) -> Tone:
    return next(
        (check.tone for check in job.sequence.checks if check.quantity.takes_tone),
        Tone(frequency_hz=1e3, level_vrms=1.228),
    )


def _with_checks(job: Job, checks: Sequence[Check], fixture: Fixture | None = None) -> Job:
    return replace(job, sequence=replace(job.sequence, checks=tuple(checks)), fixture=fixture or job.fixture)


def _narrower(job: Job) -> Iterator[Trial]:
    """The same checks with narrower limits."""
    for check in job.sequence.checks:
        limit = check.limit
        if limit is None or limit.kind != "within" or limit.unit != "dB" or limit.high is None:
            continue
        for width in NARROWER_DB:
            if width < limit.high:
                tighter = replace(check, limit=replace(limit, high=width))
                yield Trial(
                    description=f'"{check.name}" within {width:g} dB',
                    job=_with_checks(job, [tighter]),
                    instead=True,
                    narrower=limit.high / width,
                )


def _checks(job: Job) -> Iterator[Trial]:
    """Every quantity at every port, with the setups there are or one more for each channel."""
    have = {(check.quantity, net) for check in job.sequence.checks for net in check.at}
    viewed = {port.net for setup in job.fixture.setups for port in setup.view}
    for quantity, suggestion in SUGGESTED:
        if not quantity.at_ports:
            if all(check.quantity != quantity for check in job.sequence.checks):
                check = suggested_check(quantity, suggestion.limit, (), _tone(job))
                yield Trial(description=suggestion.description, job=_with_checks(job, [check]))
            continue
        for port in job.module.ports:
            if port.role == "input" or (quantity, port.net) in have:
                continue
            check = suggested_check(quantity, suggestion.limit, (port.net,), _tone(job))
            fixture, hands_s, how = job.fixture, 0.0, ""
            across = quantity.across(check.options)
            if port.net not in viewed or across:
                fixture, hands_s = _viewing(job, port.net, both=across)
                how = ", with a view of it"
            yield Trial(
                description=f"{quantity.spoken} at {port.net}{how}",
                job=_with_checks(job, [check], fixture),
                hands_s=hands_s,
            )


def _viewing(job: Job, net: str, *, both: bool) -> tuple[Fixture, float]:
    """Copies of each driving setup that view a net: of the driven channel, or beside that of each other."""
    made: dict[tuple[PortName, tuple[str, ...], str], Setup] = {}
    hands_s = 0.0
    for setup in job.fixture.setups:
        if setup.drive is None or setup.drive.channel not in job.sequence.channels:
            continue
        own = setup.drive.channel
        its = [channel for channel in job.module.channels if job.module.has_port(channel, net)]
        beside = [(own, other) for other in its if other != own] if both else [(own,)]
        for channels in beside if own in its else ():
            view = tuple(PortName(channel=channel, net=net) for channel in channels)
            name = f"{setup.name}, {net}" if len(beside) == 1 else f"{setup.name}, {net} of {channels[-1]}"
            copy = replace(setup, name=name, view=view)
            key = setup.drive, setup.loopbacks, channels[-1]
            if made.setdefault(key, copy) is copy and setup.select is None:
                hands_s += HANDS_S * lead_moves(setup, copy)
    throughs = tuple(setup for setup in job.fixture.setups if setup.through)
    return replace(job.fixture, setups=(*throughs, *made.values())), hands_s


def _states(job: Job) -> Iterator[Trial]:
    """One more state, with the checks as they are."""
    missing = [
        state
        for state in (*all_states(job.module.state_controls), UNPOWERED_STATE)
        if state not in job.sequence.states
    ]
    for state in missing[:EXTRA_STATES]:
        yield Trial(
            description=f"state {state.name}",
            job=replace(job, sequence=replace(job.sequence, states=(state,))),
        )


def _plugs(job: Job) -> Iterator[Trial]:
    """Coded plugs, as the composer begins with, in place of plugs that are alike in every leg."""
    coded = {(one.from_net, one.to_net): one for one in next(plug_sets(job.module, (), few=True)).values()}
    alike = [
        loopback
        for loopback in job.fixture.loopbacks.values()
        if loopback.legs is None and (loopback.from_net, loopback.to_net) in coded
    ]
    if not alike:
        return
    other = {
        loopback.name: replace(loopback, legs=coded[loopback.from_net, loopback.to_net].legs, pad_db=None)
        for loopback in alike
    }
    yield Trial(
        description="coded plugs, different in every leg, instead of "
        f"{', '.join(loopback.name for loopback in alike)} (`switchwalk compose` chooses them)",
        job=replace(job, fixture=replace(job.fixture, loopbacks={**job.fixture.loopbacks, **other})),
        instead=True,
    )


def _loads(job: Job) -> Iterator[Trial]:
    """The checks as they are, once more with heavier loads."""
    for ohm in LOADS_OHM:
        loads = heavier_loads(job, ohm)
        if loads:
            description = f"the checks once more with {ohm:g} ohm across {', '.join(loads)}"
            moves = HANDS_S * len(job.sequence.channels)
            yield Trial(
                description=description,
                job=replace(job, fixture=replace(job.fixture, loads=loads)),
                hands_s=moves,
            )
