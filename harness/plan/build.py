"""Sequence, states, channels and hookups to a plan. Pure: nothing here knows a bench."""

from dataclasses import dataclass, field, replace

from harness.circuit.elements import BenchImpedances
from harness.circuit.predict import Prediction, predict_states
from harness.circuit.routes import route
from harness.descriptions.fixture import Hookup, PortName
from harness.descriptions.job import Job
from harness.descriptions.sequence import Check, Limit, Quantity
from harness.descriptions.state import State
from harness.measure.tones import choose_tones
from harness.plan import hookups, states
from harness.plan.edges import add_edges, edge_hookups
from harness.plan.hookups import Need
from harness.plan.model import SILENCE, Acquisition, HookupVisit, Plan, PlannedReading, StateVisit, Stimulus

# Where a check says nothing else, a port that should be silent must be at least this far down: well above
# what the stray capacitance of open signal-relay contacts lets through at 1 kHz, well below any signal.
DEFAULT_SILENT_BELOW_DB = -60.0

ONLY_WITH_SIGNAL: frozenset[Quantity] = frozenset(
    {"polarity", "phase", "balance", "crosstalk", "channel_match"}
)


@dataclass
class _Draft:
    """What has been planned so far; an acquisition is shared by every reading that can use it."""

    job: Job
    impedances: BenchImpedances
    acquisitions: dict[tuple[str, str, Stimulus], Acquisition] = field(default_factory=dict)
    predictions: dict[int, Prediction] = field(default_factory=dict)
    routes: dict[tuple[str, str, PortName], str] = field(default_factory=dict)
    predicted: dict[tuple[str, float], dict[str, Prediction]] = field(default_factory=dict)

    def acquire(self, hookup: Hookup, state: State, stimulus: Stimulus) -> int:
        """Number of the acquisition for this hookup, state and stimulus; planned at the first call."""
        key = (hookup.name, state.name, stimulus)
        if key not in self.acquisitions:
            number = len(self.acquisitions) + 1
            self.acquisitions[key] = Acquisition(
                number=number, hookup=hookup.name, state=state, stimulus=stimulus
            )
            if stimulus.kind == "pair":
                self.predictions[number] = self._predict(hookup, state, stimulus.frequency_hz)
        return self.acquisitions[key].number

    def is_live(self, hookup: Hookup, state: State, port: PortName) -> bool:
        """Whether the circuit leads the drive to a viewed port in a state."""
        prediction = self._predict(hookup, state, self.job.sequence.checks[0].tone.frequency_hz)
        return prediction.live[hookup.view.index(port)]

    def route(self, hookup: Hookup, state: State, port: PortName) -> str:
        """The route to a port in words, found once."""
        key = (hookup.name, state.name, port)
        if key not in self.routes:
            self.routes[key] = route(self.job.module, self.job.fixture, hookup, state, port)
        return self.routes[key]

    def _predict(self, hookup: Hookup, state: State, frequency_hz: float) -> Prediction:
        """Predict at a frequency; all states of a hookup at once, since most of the work is shared."""
        key = (hookup.name, frequency_hz)
        if key not in self.predicted:
            walk = self.job.sequence.states
            found = predict_states(
                self.job.module,
                self.job.fixture,
                hookup,
                walk,
                frequencies_hz=choose_tones(frequency_hz).frequencies_hz,
                impedances=self.impedances,
            )
            self.predicted[key] = dict(zip((state.name for state in walk), found, strict=True))
        return self.predicted[key][state.name]


def build_plan(job: Job, *, impedances: BenchImpedances) -> Plan:
    """Plan a job: which hookups, states and acquisitions, and the readings that they serve."""
    draft = _Draft(job=job, impedances=impedances)
    wanted = hookups.needs(job.module, job.fixture, job.sequence)
    assigned = hookups.choose(wanted)
    walk = states.ordered(job.sequence.states)
    readings: list[PlannedReading] = []
    for state in walk:
        for check in job.sequence.checks:
            if check.quantity == "supply_current" and state.powered:
                readings.append(_supply_reading(check, state))
        for need in wanted:
            readings += _readings(draft, need, assigned[need], state)
    readings += _matches(draft, wanted, assigned, walk)
    chosen = tuple(dict.fromkeys((*assigned.values(), *edge_hookups(job)))) or _any_hookup(job)
    visits = _visits(draft, chosen, walk)
    renumbered = {
        acquisition.number: number
        for number, acquisition in enumerate(
            (a for visit in visits for state in visit.states for a in state.acquisitions), start=1
        )
    }
    visits, edge_readings = add_edges(
        job,
        tuple(_renumber_visit(visit, renumbered) for visit in visits),
        impedances=impedances,
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
    if check.quantity == "offset":
        return SILENCE
    return Stimulus(kind="pair", frequency_hz=check.tone.frequency_hz, level_vrms=check.tone.level_vrms)


def _readings(draft: _Draft, need: Need, hookup: Hookup, state: State) -> list[PlannedReading]:
    """The readings of one need in one state; none where the quantity has no meaning there."""
    check = need.check
    if check.quantity == "channel_match":
        return []
    source = need.channel if check.quantity != "crosstalk" else need.drive.channel
    live = draft.is_live(hookup, state, PortName(channel=source, net=need.port))
    quantity, limit = check.quantity, check.limit
    if not live and quantity in ONLY_WITH_SIGNAL:
        return []
    if live and quantity == "isolation":
        return []
    if not live and quantity == "gain":
        quantity = "isolation"
        silent_db = DEFAULT_SILENT_BELOW_DB if check.silent_below_db is None else check.silent_below_db
        limit = Limit(kind="below", unit="dB", high=silent_db)
    number = draft.acquire(hookup, state, _stimulus(check))
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
            acquisitions=(number,),
            route=words,
        )
        for port in _ports(quantity, need.port)
    ]


def _ports(quantity: Quantity, port: str) -> tuple[str, ...]:
    """An offset is read on each leg and on the pair."""
    return (port, f"{port}.hot", f"{port}.cold") if quantity == "offset" else (port,)


def _matches(
    draft: _Draft, wanted: tuple[Need, ...], assigned: dict[Need, Hookup], walk: tuple[State, ...]
) -> list[PlannedReading]:
    """Channel match: the same port, drive and plugs in the first channel and in each other one."""
    first = draft.job.module.channels[0]
    found: list[PlannedReading] = []
    matches = [need for need in wanted if need.check.quantity == "channel_match"]
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
            if not draft.is_live(hookup, state, PortName(channel=need.channel, net=need.port)):
                continue
            stimulus = _stimulus(need.check)
            found.append(
                PlannedReading(
                    check=need.check,
                    quantity="channel_match",
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


def _visits(draft: _Draft, chosen: tuple[Hookup, ...], walk: tuple[State, ...]) -> tuple[HookupVisit, ...]:
    """Hookups in order; the walk through the states goes forth in one and back in the next."""
    visits: list[HookupVisit] = []
    seen: set[str] = set()
    last: Stimulus | None = None
    for index, hookup in enumerate(hookups.ordered(chosen)):
        made: list[StateVisit] = []
        for state in walk if index % 2 == 0 else tuple(reversed(walk)):
            here = tuple(
                acquisition
                for (name, state_name, _), acquisition in draft.acquisitions.items()
                if name == hookup.name and state_name == state.name
            )
            # The generator is changed as seldom as possible: what it does already comes first.
            here = tuple(sorted(here, key=lambda acquisition: acquisition.stimulus != last))
            last = here[-1].stimulus if here else last
            judges = state.name not in seen
            if here or (judges and index == 0):
                made.append(StateVisit(state=state, acquisitions=here, judges_supply=judges))
                seen.add(state.name)
        if made or hookup in edge_hookups(draft.job):
            visits.append(HookupVisit(hookup=hookup, states=tuple(made)))
    return tuple(visits)


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
