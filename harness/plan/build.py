"""Sequence, states, channels and hookups to a plan. Pure: nothing here knows a bench."""

from dataclasses import replace

from harness.circuit.elements import BenchImpedances
from harness.job.fixture import Hookup, PortName
from harness.job.job import Job
from harness.job.sequence import Check
from harness.job.state import State
from harness.plan import hookups, states, steady
from harness.plan.arrange import arrange
from harness.plan.cycles import cycles_of
from harness.plan.draft import Draft
from harness.plan.edge_routes import Routes
from harness.plan.edges import add_edges, edge_wants
from harness.plan.hookups import Need
from harness.plan.model import SILENCE, HookupVisit, Plan, PlannedReading, Stimulus
from harness.plan.unread import refuse_unread
from harness.quantities.steady import GainOptions
from harness.reading import Limit

# Where a check says nothing else, a port that should be silent must be at least this far down: well above
# what the stray capacitance of open signal-relay contacts lets through at 1 kHz, well below any signal.
DEFAULT_SILENT_BELOW_DB = -60.0

ONLY_WITH_SIGNAL = frozenset({"polarity", "phase", "balance", "balance_phase", "crosstalk"})


def build_plan(job: Job, *, impedances: BenchImpedances) -> Plan:
    """Plan a job: which hookups, states and acquisitions, and the readings that they serve.

    Raises JobError for every check that would give no reading somewhere it is asked for.
    """
    plan = trial_plan(job, impedances=impedances)
    refuse_unread(job, plan, impedances=impedances)
    return plan


def trial_plan(job: Job, *, impedances: BenchImpedances) -> Plan:
    """The same for a job that was made up, or recorded: checks that give no reading are left out of it."""
    draft = Draft(job=job, impedances=impedances)
    wanted = hookups.needs(job.module, job.fixture, job.sequence)
    assigned = hookups.choose(wanted)
    walk = states.ordered(job.sequence.states)
    readings: list[PlannedReading] = []
    for state in walk:
        for check in job.sequence.checks:
            if check.quantity.family == "supply" and state.powered and check.covers(state):
                readings.append(_supply_reading(check, state))
        for need in wanted:
            readings += _readings(draft, need, assigned[need], state)
    readings += _matches(draft, wanted, assigned, walk)
    routes = Routes(job=job, impedances=impedances)
    edges = edge_wants(routes)
    edged = tuple(dict.fromkeys(want.hookup for want in edges if want.places))
    acquiring = (*assigned.values(), *draft.hookups.values(), *edged)
    chosen = tuple(dict.fromkeys(acquiring)) or _any_hookup(job)
    cycles = tuple(
        cycle
        for need in wanted
        if need.check.quantity.family == "cycle"
        for cycle in cycles_of(draft, need, assigned[need])
    )
    visits = arrange(draft, hookups.ordered(chosen), walk, cycles=cycles, edged=edged)
    renumbered = {
        acquisition.number: number
        for number, acquisition in enumerate(
            (a for visit in visits for state in visit.states for a in state.acquisitions), start=1
        )
    }
    visits, edge_readings = add_edges(
        routes,
        edges,
        tuple(_renumber_visit(visit, renumbered) for visit in visits),
        first_number=len(renumbered) + 1,
    )
    return Plan(
        through=next((hookup for hookup in job.fixture.hookups if hookup.through), None),
        visits=visits,
        readings=tuple(_renumber_reading(reading, renumbered) for reading in readings),
        predictions={renumbered[number]: made for number, made in draft.predictions.items()},
        stimuli=tuple(
            dict.fromkeys(a.stimulus for a in draft.acquisitions.values() if a.stimulus.kind == "pair")
        ),
        edge_readings=edge_readings,
    )


def _any_hookup(job: Job) -> tuple[Hookup, ...]:
    """A sequence of supply currents alone still walks through its states in some hookup."""
    return tuple(hookup for hookup in job.fixture.hookups if not hookup.through)[:1]


def _supply_reading(check: Check, state: State) -> PlannedReading:
    return PlannedReading(
        check=check,
        quantity="supply_current",
        limit=check.limit,
        state=state,
        driven="",
        channel="",
        port="",
        acquisitions=(),
        route="",
    )


def _stimulus(check: Check) -> Stimulus:
    if not check.quantity.driven:
        return SILENCE
    return Stimulus(kind="pair", frequency_hz=check.tone.frequency_hz, level_vrms=check.tone.level_vrms)


def _readings(draft: Draft, need: Need, hookup: Hookup, state: State) -> list[PlannedReading]:
    """The readings of one need in one state; none where the quantity has no meaning there."""
    check = need.check
    if check.quantity.between_channels or check.quantity.family == "cycle" or not check.covers(state):
        return []
    source = need.drive.channel if hookups.is_across(check) else need.channel
    live = draft.is_live(hookup, state, PortName(channel=source, net=need.port))
    if check.quantity.name in steady.QUANTITIES:
        return steady.readings(draft, need, hookup, state, live=live)
    quantity, limit = check.quantity.name, check.limit
    if not live and quantity in ONLY_WITH_SIGNAL:
        return []
    if live and quantity == "isolation":
        return []
    if not live and quantity == "gain":
        quantity = "isolation"
        asked = check.options.silent_below if isinstance(check.options, GainOptions) else None
        silent_db = DEFAULT_SILENT_BELOW_DB if asked is None else asked
        limit = Limit(kind="below", unit="dB", high=silent_db)
    numbers: tuple[int, ...] = (draft.acquire(hookup, state, _stimulus(check)),)
    partner = hookups.partner_of(hookup, draft.job.fixture) if check.quantity.inputs_swapped else None
    if partner is not None:
        numbers += (draft.acquire(partner, state, _stimulus(check)),)
    words = ""
    if quantity != "offset":
        words = draft.route(hookup, state, PortName(channel=source, net=need.port))
    return [
        PlannedReading(
            check=check,
            quantity=quantity,
            limit=limit,
            state=state,
            driven=need.drive.channel,
            channel=need.channel,
            port=port,
            acquisitions=numbers,
            route=words,
        )
        for port in _ports(quantity, need.port)
    ]


def _ports(quantity: str, port: str) -> tuple[str, ...]:
    """An offset is read on each leg and on the pair."""
    return (port, f"{port}.hot", f"{port}.cold") if quantity == "offset" else (port,)


def _matches(
    draft: Draft, wanted: tuple[Need, ...], assigned: dict[Need, Hookup], walk: tuple[State, ...]
) -> list[PlannedReading]:
    """Channel against channel: the same port, drive and plugs in the first channel and each other one."""
    first = draft.job.module.channels[0]
    found: list[PlannedReading] = []
    matches = [need for need in wanted if need.check.quantity.between_channels]
    for need in (need for need in matches if need.channel != first):
        hookup = assigned[need]
        partner = next(
            (
                other
                for other in matches
                if other.channel == first
                and (other.check, other.port, other.drive.net) == (need.check, need.port, need.drive.net)
                and set(assigned[other].links) == set(hookup.links)
            ),
            None,
        )
        if partner is None:
            continue
        for state in walk:
            live = draft.is_live(hookup, state, PortName(channel=need.channel, net=need.port))
            if not live or not need.check.covers(state):
                continue
            stimulus = _stimulus(need.check)
            found.append(
                PlannedReading(
                    check=need.check,
                    quantity=need.check.quantity.name,
                    limit=need.check.limit,
                    state=state,
                    driven=need.drive.channel,
                    channel=need.channel,
                    port=need.port,
                    acquisitions=(
                        draft.acquire(assigned[partner], state, stimulus),
                        draft.acquire(hookup, state, stimulus),
                    ),
                    route="",
                )
            )
    return found


def _renumber_visit(visit: HookupVisit, renumbered: dict[int, int]) -> HookupVisit:
    return replace(
        visit,
        states=tuple(
            replace(
                state,
                acquisitions=tuple(replace(a, number=renumbered[a.number]) for a in state.acquisitions),
            )
            for state in visit.states
        ),
    )


def _renumber_reading(reading: PlannedReading, renumbered: dict[int, int]) -> PlannedReading:
    return replace(reading, acquisitions=tuple(renumbered[number] for number in reading.acquisitions))
