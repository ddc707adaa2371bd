"""Sequence, states, channels and setups to a plan. Pure: nothing here knows a bench.

A check that would give no reading at a port or in a state is refused before a run, with what helps.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import islice
from typing import cast

from harness.circuit.elements import BenchImpedances
from harness.errors import JobError, Mistake
from harness.job.fixture import PortName, Setup
from harness.job.job import Job
from harness.job.sequence import Check
from harness.job.state import IDLE_STATE, State, StateChange, single_control_states
from harness.measure.tones import Stimulus
from harness.plan import setups, states
from harness.plan.draft import CheckInState, Draft, KnownPredictions
from harness.plan.limits import with_limits
from harness.plan.model import Acquisition, Plan, Planned, SetupVisit, StateVisit, driven_channel
from harness.plan.pulses import as_recorded, control_line_states, pulsed_states, pulses_between, pulses_in
from harness.plan.setups import CheckAtPort
from harness.plan.state_changes import (
    Routes,
    add_changes,
    best_view,
    change_wants,
    changes_of,
    fits,
    fitting_setups,
    races_of,
)
from harness.plan.states import LIMIT_REACHED, expected_current_a
from harness.plan.swing import over_driven
from harness.quantities.change import as_of_change
from harness.quantities.cycle import CycleLevels, OfCycle, OfOperations, levels_of
from harness.quantities.quantity import LOW_LEVEL_VRMS, PlannedReading
from harness.quantities.registry import AT_SILENT_PORTS
from harness.quantities.supply import OfState
from harness.reading import Limit, Measurand, ReadingKey


def is_low_level(stimulus: Stimulus) -> bool:
    """Whether a stimulus leaves the film on a bad contact as it is."""
    return stimulus.tells_legs_apart and stimulus.level_vrms <= LOW_LEVEL_VRMS * (1 + 1e-9)


def arrange(
    draft: Draft,
    ordered: tuple[Setup, ...],
    walk: tuple[State, ...],
    *,
    cycles: tuple[PlannedReading[OfOperations], ...],
    changing: tuple[Setup, ...],
) -> tuple[SetupVisit, ...]:
    """Walk through the states of each setup, forwards in one and backwards in the next.

    Volts mend bad contacts, so low-level captures come before anything louder: in every setup that relays
    select before the first loud one, in one that needs hands before it is driven louder itself. Control lines
    are operated again and again before a visit's states. changing: setups in which changes of state are
    recorded.
    """
    walking = _StateWalk(draft, walk)
    visits: list[SetupVisit] = []
    cycles_in = {setup.name: tuple(c for c in cycles if c.given.setup == setup.name) for setup in ordered}
    for setup in (setup for setup in ordered if setup.select is not None):
        low = walking.visit(setup, low_level=True)
        if low or cycles_in[setup.name]:
            visits.append(SetupVisit(setup=setup, states=low, cycles=cycles_in[setup.name]))
    for setup in ordered:
        by_hand = setup.select is None
        visited = walking.visit(setup, low_level=True) if by_hand else ()
        visited += walking.visit(setup, low_level=False)
        own_cycles = cycles_in[setup.name] if by_hand else ()
        if visited or own_cycles or setup in changing:
            visits.append(SetupVisit(setup=setup, states=visited, cycles=own_cycles))
    return tuple(visits)


class _StateWalk:
    """A walk through the states, setup by setup: its direction, the generator's last stimulus, and the states
    whose supply current has been read.
    """

    def __init__(self, draft: Draft, walk: tuple[State, ...]) -> None:
        self._walk = walk
        self._drafted: dict[tuple[str, str], list[Acquisition]] = {}
        for (setup, state, _), acquisition in draft.acquisitions.items():
            self._drafted.setdefault((setup, state), []).append(acquisition)
        self._last: Stimulus | None = None
        self._supply_read: set[str] = set()
        self._loud = False  # whether a walk that reads every state's supply current has been made

    def visit(self, setup: Setup, *, low_level: bool) -> tuple[StateVisit, ...]:
        """The states of one setup, those recorded at a low level or the others; turns the walk round."""
        everywhere = not low_level and not self._loud
        visits: list[StateVisit] = []
        for state in sorted(self._walk, key=lambda state: bool(state.pulsed)):
            acquisitions = self._acquisitions(setup, state, low_level=low_level)
            judges = not low_level and state.name not in self._supply_read
            if acquisitions or (judges and everywhere):
                visits.append(StateVisit(state=state, acquisitions=acquisitions, judges_supply=judges))
                if judges:
                    self._supply_read.add(state.name)
        self._loud = self._loud or not low_level
        if visits:
            self._walk = self._walk[::-1]
        return tuple(visits)

    def _acquisitions(self, setup: Setup, state: State, *, low_level: bool) -> tuple[Acquisition, ...]:
        """Captures in a state, those under the generator's last stimulus first, so that it is seldom set."""
        acquisitions = [
            acquisition
            for acquisition in self._drafted.get((setup.name, state.name), ())
            if is_low_level(acquisition.stimulus) == low_level
        ]
        acquisitions.sort(key=lambda acquisition: acquisition.stimulus != self._last)
        self._last = acquisitions[-1].stimulus if acquisitions else self._last
        return tuple(acquisitions)


# Unless the check says otherwise, a port that should be silent must be at least this far down: well above
# what the stray capacitance of open signal-relay contacts lets through at 1 kHz, well below any signal.
USUAL_OF_SILENT_PORTS = Limit(kind="below", unit="dB", high=-60.0)
SILENT = 0.01  # of a leg's drive: a control line that is operated between two states below this shows nothing


def build_plan(job: Job, *, impedances: BenchImpedances, known: KnownPredictions | None = None) -> Plan:
    """Plan a job: which setups, states and acquisitions, and the readings that they serve.

    known: what plans of jobs like this one have predicted. Raises JobError for every check that would give
    no reading somewhere it is asked for, or that would drive an amplifier beyond its output, and for a module
    that can't be tested.
    """
    _refuse_module(job)
    plan = trial_plan(job, impedances=impedances, known=known)
    _refuse_unread(job, plan)
    if mistakes := list(over_driven(job, plan)):
        raise JobError(mistakes)
    return plan


def _refuse_module(job: Job) -> None:
    """Raise JobError for what would make every good unit fail."""
    module = job.module
    mistakes: list[Mistake] = []
    pulses = pulses_in(module, job.sequence.states)
    walked = dict.fromkeys((*job.sequence.states, *control_line_states(module), *pulses))
    most = max(walked, key=lambda state: expected_current_a(module, state))
    most_a = expected_current_a(module, most)
    if most_a >= LIMIT_REACHED * module.supply.limit_a:
        mistakes.append(
            Mistake(
                file="module.toml",
                key="supply.limit",
                message=f"{1e3 * module.supply.limit_a:.0f} mA is not enough: in state {most.name} the "
                f"module draws {1e3 * most_a:.0f} mA ({1e3 * module.supply.quiescent_a:.0f} mA quiescent, "
                "the rest its coils), so the supply would be in current limit. Raise the limit",
            )
        )
    if mistakes:
        raise JobError(mistakes)


def trial_plan(job: Job, *, impedances: BenchImpedances, known: KnownPredictions | None = None) -> Plan:
    """The same for a job that is tried, or was recorded: checks that give no reading are left out of it."""
    draft = Draft(job=job, impedances=impedances, known=(known or KnownPredictions()).of(job, impedances))
    wanted = setups.checks_at_ports(job)
    assigned = setups.choose(wanted)
    served = [(need, assigned[need]) for need in wanted]  # a need's hash goes through all of its check
    walk = states.ordered(job.sequence.states)
    readings: list[Planned] = []
    for state in walk:
        for check in job.sequence.checks:
            if states.is_judged(job, check, state):
                readings.append(_of_supply(job, check, state))
        for need, setup in served:
            readings += _of_state(draft, need, setup, state)
    readings += _of_channels(draft, wanted, assigned, walk)
    pulses = _judged_pulses(job)
    readings += [_of_supply(job, check, state) for state, checks in pulses.items() for check in checks]
    routes = Routes(job=job, impedances=impedances)
    changes = change_wants(routes)
    changing = tuple(dict.fromkeys(want.setup for want in changes if want.legs))
    acquiring = (*assigned.values(), *draft.setups.values(), *changing)
    # A sequence of supply currents alone still walks through its states in some setup.
    any_setup = tuple(setup for setup in job.fixture.setups if not setup.through)[:1]
    chosen = tuple(dict.fromkeys(acquiring)) or any_setup
    cycles = tuple(
        cycle
        for need, setup in served
        if need.check.quantity.family == "cycle"
        for cycle in cycles_of(draft, need, setup)
    )
    visits = arrange(draft, setups.ordered(chosen), (*walk, *pulses), cycles=cycles, changing=changing)
    acquired = (each for visit in visits for state in visit.states for each in state.acquisitions)
    renumbered = {each.number: number for number, each in enumerate(acquired, start=1)}
    visits, change_readings = add_changes(
        routes,
        changes,
        tuple(_renumber_visit(visit, renumbered) for visit in visits),
        first_number=len(renumbered) + 1,
    )
    plan = Plan(
        through=setups.through_setup(job.fixture, inputs_swapped=False),
        swapped_through=setups.through_setup(job.fixture, inputs_swapped=True),
        visits=visits,
        readings=(
            *(
                replace(reading, captures=tuple(renumbered[number] for number in reading.captures))
                for reading in readings
            ),
            *change_readings,
            *(cycle for visit in visits for cycle in visit.cycles),
        ),
        predictions={renumbered[number]: made for number, made in draft.predictions.items()},
        stimuli=draft.stimuli,
        impedances=impedances,
    )
    return with_limits(job, plan)


def _judged_pulses(job: Job) -> dict[State, list[Check]]:
    """Each control line of latching relays while it is driven, with the checks of what is drawn then.

    That is the only time at which these coils draw anything. A check that names its states asks for no other.
    """
    checks = [
        check for check in job.sequence.checks if check.quantity.family == "supply" and check.states is None
    ]
    return dict.fromkeys(pulsed_states(job.module), checks) if checks else {}


def _of_supply(job: Job, check: Check, state: State) -> Planned:
    return PlannedReading(
        key=ReadingKey(check=check.name, measurand=Measurand(quantity=check.quantity.name, state=state.name)),
        quantity=check.quantity,
        limit=check.limit,
        captures=(),
        given=OfState(expected_a=expected_current_a(job.module, state)),
    )


def _of_state(draft: Draft, need: CheckAtPort, setup: Setup, state: State) -> Iterator[Planned]:
    """The readings of one need in one state; none if the quantity has no meaning there."""
    check = need.check
    if check.quantity.between_channels or not check.covers(state):
        return
    in_state = CheckInState.of(draft, need, setup, state)
    yield from check.quantity.readings(in_state)
    if check.quantity.judges_silent_ports and not in_state.live:
        limit = check.options.of_silent_ports or USUAL_OF_SILENT_PORTS
        for other in AT_SILENT_PORTS:
            yield from other.readings(in_state.judged_by(other, limit))


def _of_channels(
    draft: Draft, wanted: Iterable[CheckAtPort], assigned: Mapping[CheckAtPort, Setup], walk: Iterable[State]
) -> Iterator[Planned]:
    """Channel against channel: the same port, drive and plugs in the first channel and each other one."""
    module = draft.job.module
    matches = [need for need in wanted if need.check.quantity.between_channels]
    for need in matches:
        first = next(channel for channel in module.channels if module.has_port(channel, need.port))
        if need.channel == first:
            continue
        setup = assigned[need]
        partner = next(
            (
                other
                for other in matches
                if other.channel == first
                and (other.check, other.port, other.drive.net) == (need.check, need.port, need.drive.net)
                and set(assigned[other].loopbacks) == set(setup.loopbacks)
            ),
            None,
        )
        if partner is None:
            continue
        for state in (state for state in walk if need.check.covers(state)):
            other = CheckInState.of(draft, partner, assigned[partner], state)
            in_state = CheckInState.of(draft, need, setup, state, first=other)
            yield from need.check.quantity.readings(in_state)


def _renumber_visit(visit: SetupVisit, renumbered: dict[int, int]) -> SetupVisit:
    states = (
        replace(
            state, acquisitions=tuple(replace(a, number=renumbered[a.number]) for a in state.acquisitions)
        )
        for state in visit.states
    )
    return replace(visit, states=tuple(states))


def cycles_of(draft: Draft, need: CheckAtPort, setup: Setup) -> Iterator[PlannedReading[OfOperations]]:
    """A reading for each control line, operated from idle, with a signal at the port before or after.

    A control line that leaves the port silent both times is left out: no failure could be seen there, and
    "none in ten operations" would mean nothing.
    """
    tone = need.check.tone
    rows = setup.rows(PortName(channel=need.channel, net=need.port))

    def levels(state: State) -> CycleLevels:
        predicted, alone = (
            levels_of((made.transfer[:, 0] - made.transfer[:, 1]) / 2 * tone.level_vrms, rows)
            for made in (
                draft.predict(setup, state, tone.frequency_hz),
                draft.predict_uncoupled(setup, state, tone.frequency_hz),
            )
        )
        return predicted.with_coupled(alone)

    for control in draft.job.module.state_controls:
        state = State(on=(control,))
        if not need.check.covers(state):
            continue
        released, operated = levels(IDLE_STATE), levels(state)
        most = max(reading.legs_vrms[row] for reading in (released, operated) for row in rows)
        if most > SILENT * tone.level_vrms / 2:
            in_state = CheckInState.of(draft, need, setup, state)
            yield cast(OfCycle, need.check.quantity).planned(
                in_state, setup=setup.name, control=control, rows=rows, released=released, operated=operated
            )


SOME = 3  # examples of what would help

ChannelNet = tuple[str, str]  # the driven channel, or the channel that is read if nothing drives it; a net


def _refuse_unread(job: Job, plan: Plan) -> None:
    """Raise JobError with each check that gives no reading at a port of a channel, or in a state it names."""
    routes = Routes(job=job, impedances=plan.impedances)
    mistakes = [
        check.mistake(message)
        for check in job.sequence.checks
        for message in (
            _changes_unread(routes, plan, check)
            if check.quantity.family == "change"
            else _unread(routes, plan, check)
        )
    ]
    if mistakes:
        raise JobError(mistakes)


def _unread(routes: Routes, plan: Plan, check: Check) -> Iterator[str]:
    """What a check in states lacks: every reading at a port, else those of a state that it names."""
    job, words = routes.job, check.quantity.spoken
    if check.quantity.family == "supply":
        if not _of_check(plan, check):
            yield "none of its states has the relay supply on; expected one that has, such as idle"
        return
    read = set(_read(plan, check))
    channels = [""] if check.quantity.between_channels else job.sequence.channels
    missing = [
        (channel, net)
        for net in check.at
        for channel in channels
        if (channel, net) not in read and (not channel or job.module.has_port(channel, net))
    ]
    if missing:
        ports = ", ".join(dict.fromkeys(f"{channel}.{net}".removeprefix(".") for channel, net in missing))
        yield f"gives no {words} at {ports}: {_why(routes, check, missing)}"
        return
    states_read = {reading.measurand.state for reading in _of_check(plan, check)}
    if check.quantity.family == "cycle":
        states_read.add(IDLE_STATE.name)
    silent = [state.name for state in check.states or () if state.name not in states_read]
    if silent:
        yield f"gives no {words} in {', '.join(silent)}: {_why(routes, check, [])}"


def _read(plan: Plan, check: Check) -> Iterator[ChannelNet]:
    for reading in _of_check(plan, check):
        channel = driven_channel(reading) if check.quantity.driven else reading.measurand.channel
        yield ("" if check.quantity.between_channels else channel), reading.measurand.net


def _of_check(plan: Plan, check: Check) -> Sequence[Planned]:
    return plan.readings_by_check.get(check.name, ())


def _why(routes: Routes, check: Check, missing: Iterable[ChannelNet]) -> str:
    """Why a check in states gives nothing there, and what would."""
    job = routes.job
    if check.quantity.family == "cycle":
        some = ", ".join(f'"{control}"' for control in job.module.state_controls[:SOME])
        return (
            f"control lines are operated one by one, from idle; expected states such as {some}, or no states"
        )
    if check.quantity.between_channels:
        if len(job.sequence.channels) < len(job.module.channels):
            return f'the sequence drives {", ".join(job.sequence.channels)} alone; expected channels = "all"'
        if _is_live(routes, check, missing, None):
            return (
                "expected a [[setup]] of each channel, with the same drive and plugs, in which it is viewed"
            )
    if own := check.quantity.unread(check.options):
        return own
    live = _is_live(routes, check, missing, job.sequence.states)
    some = f", such as {', '.join(live[:SOME])}" if live else ""
    return f"the drive does not reach this port; expected states in which it does{some}"


def _is_live(
    routes: Routes, check: Check, missing: Iterable[ChannelNet], states: Iterable[State] | None
) -> list[str]:
    """The names of these states, or of the check's own, in which the drive reaches the first missing port."""
    job = routes.job
    own = [state for state in job.sequence.states if check.covers(state)]
    channel, net = next(iter(missing), (job.sequence.channels[0], check.at[0]))
    port = PortName(channel=channel or job.module.channels[0], net=net)
    setups = fitting_setups(job, port)
    hz = check.tone.frequency_hz
    return [
        state.name
        for state in (own if states is None else states)
        if any(abs(routes.transfer(h, state, hz)[h.rows(port)[0]]).max() > 1e-3 for h in setups)
    ]


def _changes_unread(routes: Routes, plan: Plan, check: Check) -> Iterator[str]:
    """What a check of changes of state lacks: every reading at a port, else those of a race that it names."""
    job, words = routes.job, check.quantity.spoken
    read = {
        (reading.measurand.state, reading.measurand.channel, reading.measurand.net)
        for reading in _of_check(plan, check)
    }
    changes = changes_of(check, job)
    for channel in job.sequence.channels:
        for net in (net for net in check.at if job.module.has_port(channel, net)):
            seen = [change for change in changes if (change.name, channel, net) in read]
            port = PortName(channel=channel, net=net)
            if not seen:
                yield f"gives no {words} at {port}: {_why_no_change(routes, check, changes, port)}"
                continue
            races = races_of(check, job.sequence.states)
            for race in (race for race in races if (race.name, channel, net) not in read):
                why = _why_no_change(routes, check, [race], port)
                yield f"gives no {words} at {port} in {race.name}: {why}"


def _why_no_change(routes: Routes, check: Check, changes: Iterable[StateChange], port: PortName) -> str:
    """Why no change of state shows what is asked, and which would."""
    setups = fitting_setups(routes.job, port)
    if not setups:
        return (
            f"no [[setup]] drives {port.channel} and views {port}, other than with inputs swapped or a "
            "resistor added; expected one"
        )
    changes = list(changes)
    quantity = as_of_change(check.quantity)
    pulses = max((len(pulses_between(routes.job.module, c.before, c.after)) for c in changes), default=0)
    if not changes:
        reason = "no two of its states differ by one control line, or by one pulse" + (
            " that this is a time of" if quantity.direction else ""
        )
    elif pulses > 1:
        reason = f"it takes {pulses} pulses of latching relays' control lines, so no one edge makes it"
    elif all(as_recorded(routes.job.module, change) is None for change in changes):
        reason = "it takes a pulse of a latching relay and another control line, so no one edge makes it"
    elif quantity.of_one_relay and (names := _several(routes, check, changes, port)):
        reason = f"several relays move at the same time ({', '.join(names)}), and their gaps overlap"
    else:
        reason = quantity.not_shown
    would = list(islice(_would(routes, check, port), SOME))
    if would:
        return f"{reason}; expected states with a change such as {', '.join(would)}"
    return f"{reason}; and no change of one control line from idle would show it: omit this port"


def _several(routes: Routes, check: Check, changes: Iterable[StateChange], port: PortName) -> tuple[str, ...]:
    """Relays whose gaps overlap, at the first change of state that would else show a gap."""
    for change in changes:
        for setup in fitting_setups(routes.job, port):
            for leg in routes.of_port(setup, change, port, check.tone.frequency_hz):
                if leg.breaks and leg.closes and len(leg.relays) > 1:
                    return leg.relays
    return ()


def _would(routes: Routes, check: Check, port: PortName) -> Iterator[str]:
    """Changes of one control line from idle, or back, that would show what is asked."""
    setups = fitting_setups(routes.job, port)
    module = routes.job.module
    for state in single_control_states(module.state_controls)[1:]:
        for before, after in ((IDLE_STATE, state), (state, IDLE_STATE)):
            change = as_recorded(module, StateChange(before=before, after=after))
            if (
                change is not None
                and fits(check, change)
                and best_view(routes, check, change, port, setups).legs
            ):
                yield f'"{change.name}"'
