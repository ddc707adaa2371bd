"""What would see the faults that a sequence cannot: the cheapest additions, found by trying them.

Each candidate is a job of its own: the same unit with one more check, view, state or load, other plugs, or a
narrower limit. It is planned, and its readings are judged for the unseen faults alone.
"""

from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from harness.circuit.elements import BenchImpedances
from harness.errors import SwitchwalkError
from harness.faults.margins import SURE, weigh_margins
from harness.faults.signatures import signatures
from harness.job.faults import Fault
from harness.job.fixture import Fixture, LoopbackLeg, PortName, Setup, Termination
from harness.job.job import Job
from harness.job.module import LEGS, Leg
from harness.job.sequence import Check, Tone
from harness.job.state import State, all_states
from harness.plan.build import build_plan
from harness.plan.setups import lead_moves
from harness.plan.states import HANDS_S, estimate_time
from harness.quantities.quantity import AnyQuantity, Suggestion
from harness.quantities.registry import SUGGESTED

Flags = NDArray[np.bool_]

LOADS_OHM = (600.0, 20.0)
NARROWER_DB = (0.1, 0.05, 0.02)
MOST_PAIRS = 120  # of additions that are tried, where no single one helps
EXTRA_STATES = 32  # no more states than this are tried one by one


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """Something that could be added; `hands_s` is what a person spends on it, once a unit.

    instead: it takes the place of what is there already, so it costs no more acquisitions. narrower: by how
    much a limit is narrowed; of equals, the least is best.
    """

    words: str
    job: Job
    hands_s: float = 0.0
    instead: bool = False
    narrower: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Addition:
    """An addition worth making: which more faults it sees, and what it costs in time, once a unit."""

    words: str
    sees: tuple[str, ...]
    cost_s: float


def cheapest_additions(
    job: Job,
    unseen: Sequence[Fault],
    *,
    impedances: BenchImpedances,
    executor: Executor | None = None,
) -> tuple[Addition, ...]:
    """Choose additions one by one: the one that sees most of what is still unseen for its time.

    For what no single one sees, two at once are tried, up to MOST_PAIRS of them. A candidate that a good
    unit would not pass is none.
    """
    if not unseen:
        return ()
    everything = np.ones(len(unseen), dtype=bool)
    chosen, left = _choose(_candidates(job), everything, job, unseen, impedances, executor)
    if left.any():
        more, left = _choose(islice(_pairs(job), MOST_PAIRS), left, job, unseen, impedances, executor)
        chosen += more
    return tuple(chosen)


def _choose(
    candidates: Iterable[Candidate],
    left: Flags,
    job: Job,
    unseen: Sequence[Fault],
    impedances: BenchImpedances,
    executor: Executor | None,
) -> tuple[list[Addition], Flags]:
    """Choose among candidates for the faults that are left; gives what is left after that."""
    wanted = [fault for fault, still in zip(unseen, left, strict=True) if still]
    tried = [(candidate, *_try(candidate, job, wanted, impedances, executor)) for candidate in candidates]
    open_still = np.ones(len(wanted), dtype=bool)
    chosen: list[Addition] = []
    while open_still.any():
        best = max(
            tried,
            key=lambda one: (float((one[1] & open_still).sum()) / (1 + one[2]), -one[0].narrower),
            default=None,
        )
        if best is None or not (best[1] & open_still).any():
            break
        candidate, seen, cost_s = best
        chosen.append(
            Addition(
                words=candidate.words,
                sees=tuple(wanted[int(place)].name for place in np.flatnonzero(seen & open_still)),
                cost_s=cost_s,
            )
        )
        open_still &= ~seen
    after = left.copy()
    after[left] = open_still
    return chosen, after


def _try(
    candidate: Candidate,
    job: Job,
    unseen: Sequence[Fault],
    impedances: BenchImpedances,
    executor: Executor | None,
) -> tuple[Flags, float]:
    """Which of the unseen faults a candidate sees, and what it costs."""
    nothing = np.zeros(len(unseen), dtype=bool)
    try:
        plan = build_plan(candidate.job, impedances=impedances)
        if not plan.state_readings:
            return nothing, 0.0
        known = [
            fault for fault in unseen if fault.kind[:8] != "loopback" or _has_loopback(candidate.job, fault)
        ]
        shown = signatures(candidate.job, plan, known, impedances=impedances, executor=executor)
        made = weigh_margins(candidate.job, plan, shown)
    except SwitchwalkError:
        return nothing, 0.0
    good = made.good >= SURE
    seen = ((made.margins[:, :-1] >= SURE) & good).any(axis=1)
    nothing[[unseen.index(fault) for fault in known]] = seen
    if candidate.instead:
        return nothing, 0.0
    return nothing, estimate_time(plan, job).unavoidable_s + candidate.hands_s


def _has_loopback(job: Job, fault: Fault) -> bool:
    return fault.subject in job.fixture.loopbacks


def _candidates(job: Job) -> Iterator[Candidate]:
    for make in (_narrower, _checks, _states, _plugs, _loads):
        yield from make(job)


def _pairs(job: Job) -> Iterator[Candidate]:
    """Two additions at once: what changes the circumstances first, then another of these or a way to look."""
    makers = (_plugs, _states, _loads, _checks, _narrower)
    for index, make in enumerate(makers[:3]):
        for outer in make(job):
            for inner in (one for other in makers[index + 1 :] for one in other(outer.job)):
                yield Candidate(
                    words=f"{outer.words}, and with it {inner.words}",
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


def suggested_check(suggestion: tuple[AnyQuantity, Suggestion], at: tuple[str, ...], tone: Tone) -> Check:
    """A check of a quantity as it is suggested, at some nets."""
    quantity, made = suggestion
    return Check(
        name=quantity.name, quantity=quantity, at=at, tone=tone, limit=made.limit, options=quantity.options()
    )


def _narrower(job: Job) -> Iterator[Candidate]:
    """The same checks with narrower limits."""
    for check in job.sequence.checks:
        limit = check.limit
        if limit is None or limit.kind != "within" or limit.unit != "dB" or limit.high is None:
            continue
        for width in NARROWER_DB:
            if width < limit.high:
                tighter = replace(check, limit=replace(limit, high=width))
                words = f'"{check.name}" within {width:g} dB'
                yield Candidate(
                    words=words, job=_with_checks(job, [tighter]), instead=True, narrower=limit.high / width
                )


def _checks(job: Job) -> Iterator[Candidate]:
    """Every quantity at every port, with the setups there are or one more for each channel."""
    have = {(check.quantity, net) for check in job.sequence.checks for net in check.at}
    viewed = {port.net for setup in job.fixture.setups for port in setup.view}
    for quantity, suggestion in SUGGESTED:
        if not quantity.at_ports:
            if all(check.quantity != quantity for check in job.sequence.checks):
                check = suggested_check((quantity, suggestion), (), _tone(job))
                yield Candidate(words=suggestion.words, job=_with_checks(job, [check]))
            continue
        for port in job.module.ports:
            if port.role == "input" or (quantity, port.net) in have:
                continue
            check = suggested_check((quantity, suggestion), (port.net,), _tone(job))
            fixture, hands_s, how = job.fixture, 0.0, ""
            across = quantity.across(check.options)
            if port.net not in viewed or across:
                fixture, hands_s = _viewing(job, port.net, both=across)
                how = ", with a view of it"
            yield Candidate(
                words=f"{quantity.spoken} at {port.net}{how}",
                job=_with_checks(job, [check], fixture),
                hands_s=hands_s,
            )


def _viewing(job: Job, net: str, *, both: bool) -> tuple[Fixture, float]:
    """Copies of each driving setup that view a net: of the driven channel, or of all of them."""
    made: dict[tuple[PortName, tuple[str, ...]], Setup] = {}
    hands_s = 0.0
    for setup in job.fixture.setups:
        if setup.drive is None or setup.drive.channel not in job.sequence.channels:
            continue
        channels = (setup.drive.channel, *job.module.channels) if both else (setup.drive.channel,)
        view = tuple(PortName(channel=channel, net=net) for channel in dict.fromkeys(channels))
        copy = replace(setup, name=f"{setup.name}, {net}", view=view)
        if made.setdefault((setup.drive, setup.loopbacks), copy) is copy and setup.select is None:
            hands_s += HANDS_S * lead_moves(setup, copy)
    throughs = tuple(setup for setup in job.fixture.setups if setup.through)
    return replace(job.fixture, setups=(*throughs, *made.values())), hands_s


def _states(job: Job) -> Iterator[Candidate]:
    """One more state, with the checks as they are."""
    missing = [
        state
        for state in (*all_states(job.module.control_names), State(on=(), powered=False))
        if state not in job.sequence.states
    ]
    for state in missing[:EXTRA_STATES]:
        yield Candidate(
            words=f"state {state.name}", job=replace(job, sequence=replace(job.sequence, states=(state,)))
        )


def _plugs(job: Job) -> Iterator[Candidate]:
    """Unequal pads in place of plugs that are alike in every leg: a low one first, a high one after it."""
    alike = [loopback for loopback in job.fixture.loopbacks.values() if loopback.legs is None]
    if not alike:
        return
    loopbacks = dict(job.fixture.loopbacks)
    for index, loopback in enumerate(alike):
        loopbacks[loopback.name] = replace(loopback, legs=_unequal(job, 400.0 * 5**index), pad_db=None)
    yield Candidate(
        words="unequal pads, different in every leg, instead of "
        f"{', '.join(loopback.name for loopback in alike)} "
        "(--design-plugs chooses them)",
        job=replace(job, fixture=replace(job.fixture, loopbacks=loopbacks)),
        instead=True,
    )


def _unequal(job: Job, ohm: float) -> dict[str, dict[Leg, LoopbackLeg]]:
    legs: dict[str, dict[Leg, LoopbackLeg]] = {}
    for index, channel in enumerate(job.module.channels):
        legs[channel] = {}
        for other, leg in enumerate(LEGS):
            series_ohm = ohm * (1 + 0.6 * index + 0.25 * other)
            legs[channel][leg] = LoopbackLeg(series_ohm=series_ohm, shunt_ohm=2.5 * ohm)
    return legs


def _loads(job: Job) -> Iterator[Candidate]:
    """The checks as they are, once more with heavier loads."""
    for ohm in LOADS_OHM:
        loads = {
            net: Termination(across_ohm=ohm, leg_ohm=None, tolerance=load.tolerance)
            for net, load in job.fixture.loads.items()
        }
        if loads:
            words = f"the checks once more with {ohm:g} ohm across {', '.join(loads)}"
            moves = HANDS_S * len(job.sequence.channels)
            yield Candidate(
                words=words, job=replace(job, fixture=replace(job.fixture, loads=loads)), hands_s=moves
            )
