"""Changes of state: what the circuit says of them, which are recorded, and what is read from each. Pure."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from math import sqrt

import numpy as np

from harness.arrays import Complex
from harness.circuit.elements import BenchImpedances, Circuit
from harness.circuit.expand import (
    PLACES,
    Place,
    build_wiring,
    contacts_between,
    in_state,
    is_operated,
)
from harness.circuit.solve import transfer
from harness.job.fixture import PortName, Setup
from harness.job.job import Job
from harness.job.module import LEGS, Module, Relay
from harness.job.sequence import Check
from harness.job.state import IDLE_STATE, State, StateChange, named_change, single_control_changes
from harness.measure.tones import SILENCE, Stimulus, choose_tones
from harness.plan.model import ChangeAcquisition, SetupVisit
from harness.plan.pulses import as_recorded
from harness.plan.states import distance
from harness.quantities.change import Leg, LegMoves, OfRecordAcross, as_of_change
from harness.quantities.quantity import PlannedReading
from harness.reading import Measurand, ReadingKey

MOVES = 0.05  # of a leg's signal: a smaller change of route than this is none that a record shows


@dataclass
class Routes:
    """What the circuit predicts of each setup and state, asked once."""

    job: Job
    impedances: BenchImpedances
    known: dict[tuple[str, str, tuple[str, ...], str, float], Complex] = field(default_factory=dict)
    wired: dict[tuple[str, tuple[str, ...], str], Circuit] = field(default_factory=dict)

    def transfer(
        self,
        setup: Setup,
        state: State,
        frequency_hz: float,
        opened: tuple[str, ...] = (),
        leg: Leg | None = None,
    ) -> Complex:
        """(legs, 2); `opened`: relays whose contacts are all open, or those of one `leg`."""
        key = (setup.name, state.name, opened, leg or "", frequency_hz)
        if key not in self.known:
            module = self.job.module
            if opened:
                relays = (
                    replace(relay, poles=tuple(pole for pole in relay.poles if leg not in (None, pole.leg)))
                    if relay.name in opened
                    else relay
                    for relay in module.relays
                )
                module = replace(module, relays=tuple(relay for relay in relays if relay.poles))
            circuit = in_state(self._wiring(setup, module, opened, leg or ""), module, setup, state)
            self.known[key] = transfer(circuit, choose_tones(frequency_hz).frequencies_hz)
        return self.known[key]

    def between(
        self, setup: Setup, change: StateChange, frequency_hz: float, places: tuple[Place, Place]
    ) -> Complex:
        """(legs, 2) while the hot and the cold legs' contacts that move stand at these places."""
        if places == ("old", "old"):
            return self.transfer(setup, change.before, frequency_hz)
        if places == ("new", "new"):
            return self.transfer(setup, change.after, frequency_hz)
        key = (setup.name, f"{change.before.name} > {change.after.name}", places, "", frequency_hz)
        if key not in self.known:
            circuit = self._wiring(setup, self.job.module)
            moving = self.movers(change)
            contacts = contacts_between(self.job.module, change.before, change.after, moving, places)
            circuit = replace(circuit, elements=(*circuit.elements, *contacts))
            self.known[key] = transfer(circuit, choose_tones(frequency_hz).frequencies_hz)
        return self.known[key]

    def _wiring(self, setup: Setup, module: Module, opened: tuple[str, ...] = (), leg: str = "") -> Circuit:
        """A setup's circuit outside all contacts, of a module without those that are opened."""
        key = (setup.name, opened, leg)
        if key not in self.wired:
            self.wired[key] = build_wiring(module, self.job.fixture, setup, self.impedances)
        return self.wired[key]

    def movers(self, change: StateChange) -> tuple[str, ...]:
        """Relays that change sides at a change of state."""
        return tuple(relay.name for relay in self.job.module.relays if moves(relay, change))

    def of_port(
        self, setup: Setup, change: StateChange, port: PortName, frequency_hz: float
    ) -> tuple[LegMoves, LegMoves]:
        """What a record in a setup shows of a viewed port's legs, hot first."""
        opened = self.movers(change)
        before = self.transfer(setup, change.before, frequency_hz)
        after = self.transfer(setup, change.after, frequency_hz)
        between = self.transfer(setup, change.before, frequency_hz, opened)
        level = np.maximum(np.abs(before), np.abs(after)).max(axis=1)

        def shows(change: Complex, row: int) -> bool:
            return bool(level[row] > MOVES and np.abs(change[row]).max() > MOVES * level[row])

        def shows_alone(relay: str, leg: Leg, row: int) -> bool:
            return any(
                shows(self.transfer(setup, state, frequency_hz, (relay,), leg) - closed, row)
                for state, closed in ((change.before, before), (change.after, after))
            )

        def of_leg(leg: Leg, row: int) -> LegMoves:
            relays = tuple(
                relay.name
                for relay in self.job.module.relays
                if relay.name in opened and any(pole.leg == leg for pole in relay.poles)
            )
            if len(relays) > 1:
                relays = tuple(relay for relay in relays if shows_alone(relay, leg, row))
            return LegMoves(
                moves=shows(between - before, row) or shows(after - before, row),
                closes=shows(after - between, row),
                breaks=shows(before - between, row),
                relays=relays,
            )

        hot, cold = setup.rows(port)
        return of_leg("hot", hot), of_leg("cold", cold)


def moves(relay: Relay, change: StateChange) -> bool:
    """Whether a relay changes sides at a change of state."""
    return is_operated(relay, change.before) != is_operated(relay, change.after)


@dataclass(frozen=True, kw_only=True)
class ChangeWant:
    """A check of one change of state at one port of the driven channel, and the setup that shows it.

    moves: of the port's legs; None if no route is needed. legs: at which it is read, None for the pair; empty
    if the change of state shows nothing of what is asked.
    """

    check: Check
    change: StateChange
    setup: Setup
    port: PortName
    moves: tuple[LegMoves, LegMoves] | None
    legs: tuple[Leg | None, ...]


def changes_of(check: Check, job: Job) -> tuple[StateChange, ...]:
    """A check's changes of state: of single control lines between its states, then the races it names.

    One that takes several pulses is left out: it has no one edge that times count from.
    """
    own = single_control_changes([state for state in job.sequence.states if check.covers(state)])
    changes = (as_recorded(job.module, change) for change in (*own, *races_of(check, job.sequence.states)))
    return tuple(change for change in changes if change is not None and fits(check, change))


def fits(check: Check, change: StateChange) -> bool:
    """Whether a change of state has the direction that a check is of."""
    return as_of_change(check.quantity).direction in (None, change.direction)


def races_of(check: Check, states: Sequence[State]) -> tuple[StateChange, ...]:
    """The changes of several control lines at once that a check names."""
    return tuple(named_change(name, states) for name in check.options.races)


def change_wants(routes: Routes) -> tuple[ChangeWant, ...]:
    """Every check at every change of state and port that a setup views, with the setup that shows most of it.

    If times are asked for, a setup whose spare inputs see the control line comes first; then one that serves
    already; then the first in the file. No time is read of a route of which no contact moves.
    """
    job = routes.job
    checks = [check for check in job.sequence.checks if check.quantity.family == "change"]
    timed = any(as_of_change(check.quantity).direction is not None for check in checks)
    used: set[str] = set()
    result: list[ChangeWant] = []
    for check in checks:
        for channel in job.sequence.channels:
            for net in check.at:
                port = PortName(channel=channel, net=net)
                fitting = fitting_setups(job, port)
                for change in changes_of(check, job):
                    controls = set(change.controls) if timed else set()
                    ranked = sorted(
                        fitting,
                        key=lambda setup: (
                            -len(controls & set(setup.controls_viewed)),
                            setup.name not in used,
                        ),
                    )
                    if ranked:
                        want = best_view(routes, check, change, port, ranked)
                        used.add(want.setup.name)
                        result.append(want)
    return tuple(result)


def control_input(setup: Setup, change: StateChange) -> int | None:
    """The scope input that shows a change's control line; None if several lines change, or none is viewed."""
    return setup.controls_viewed.get(change.controls[0]) if len(change.controls) == 1 else None


def fitting_setups(job: Job, port: PortName) -> list[Setup]:
    """Setups in which a port's changes of state can be recorded: its channel is driven, itself viewed."""
    return [
        setup
        for setup in job.fixture.setups
        if setup.drive is not None
        and setup.drive.channel == port.channel
        and port in setup.view
        and not setup.inputs_swapped
        and setup.source_added is None
    ]


def best_view(
    routes: Routes, check: Check, change: StateChange, port: PortName, setups: Sequence[Setup]
) -> ChangeWant:
    """The first of some setups that shows the closing of a route; else the first that shows anything."""
    quantity = as_of_change(check.quantity)
    if not quantity.needs_route:
        return ChangeWant(check=check, change=change, setup=setups[0], port=port, moves=None, legs=(None,))
    views = []
    for setup in setups:
        moves = routes.of_port(setup, change, port, check.tone.frequency_hz)
        view = ChangeWant(
            check=check, change=change, setup=setup, port=port, moves=moves, legs=quantity.legs(moves)
        )
        if view.legs and all(leg.closes for leg in moves):
            return view
        views.append(view)
    return next((view for view in views if view.legs), views[0])


def add_changes(
    routes: Routes, wanted: Sequence[ChangeWant], visits: Sequence[SetupVisit], *, first_number: int
) -> tuple[tuple[SetupVisit, ...], tuple[PlannedReading[OfRecordAcross], ...]]:
    """Put the changes of state at the end of each visit to their setup; returns the readings as well.

    One record serves every check of a change of state under one stimulus. A setup that is visited twice has
    its changes in the later visit, as they are loud.
    """
    made: list[SetupVisit] = []
    readings: list[PlannedReading[OfRecordAcross]] = []
    number = first_number
    last = {visit.setup.name: index for index, visit in enumerate(visits)}  # low-level visits come before
    for index, visit in enumerate(visits):
        own = [want for want in wanted if want.setup == visit.setup and want.legs]
        if index != last[visit.setup.name]:
            own = []
        keys = dict.fromkeys((_stimulus(want.check), want.change) for want in own)
        start = visit.states[-1].state if visit.states else IDLE_STATE
        numbers: dict[tuple[Stimulus, StateChange], int] = {}
        acquisitions: list[ChangeAcquisition] = []
        for stimulus, change in _walk(keys, start):
            numbers[stimulus, change] = number
            acquisitions.append(
                ChangeAcquisition(
                    number=number,
                    setup=visit.setup.name,
                    change=change,
                    stimulus=stimulus,
                    peaks_v=_peaks(routes, visit.setup, change, stimulus),
                    places=_places(routes, visit.setup, change, stimulus),
                )
            )
            number += 1
        for want in own:
            readings += _readings(want, numbers[_stimulus(want.check), want.change])
        made.append(replace(visit, changes=tuple(acquisitions)))
    return tuple(made), tuple(readings)


def _stimulus(check: Check) -> Stimulus:
    if check.tone.level_vrms == 0.0:
        return SILENCE
    return Stimulus(kind="pair", frequency_hz=check.tone.frequency_hz, level_vrms=check.tone.level_vrms)


def _peaks(routes: Routes, setup: Setup, change: StateChange, stimulus: Stimulus) -> tuple[float, ...]:
    """Peak volts of each leg: in either state, or a copy of its partner while a contact is open."""
    hz = stimulus.frequency_hz
    if not stimulus.has_tone:
        return (0.0,) * (2 * len(setup.view))
    levels = np.maximum(
        np.abs(routes.transfer(setup, change.before, hz)).sum(axis=1),
        np.abs(routes.transfer(setup, change.after, hz)).sum(axis=1),
    )
    pairs = levels.reshape(-1, 2).max(axis=1).repeat(2)
    return tuple(float(level) for level in pairs * stimulus.level_vrms / sqrt(2.0))


def _places(routes: Routes, setup: Setup, change: StateChange, stimulus: Stimulus) -> Complex | None:
    """What the legs show in each place of the contacts that move, (3, 3, legs, 2); None in silence.

    By the place of the hot legs' contacts and that of the cold legs', as `contact_motion` has them.
    """
    if not stimulus.has_tone:
        return None
    return np.array(
        [
            [routes.between(setup, change, stimulus.frequency_hz, (hot, cold)) for cold in PLACES]
            for hot in PLACES
        ]
    )


def _walk(
    keys: Iterable[tuple[Stimulus, StateChange]], start: State
) -> Iterable[tuple[Stimulus, StateChange]]:
    """One stimulus after the other; the next change of state begins nearest to where the last one ended."""
    left = list(keys)
    state = start
    for stimulus in dict.fromkeys(stimulus for stimulus, _ in left):
        changes = [change for other, change in left if other == stimulus]
        while changes:
            change = min(changes, key=lambda change: distance(state, change.before))
            changes.remove(change)
            state = change.after
            yield stimulus, change


def _readings(want: ChangeWant, acquisition: int) -> Iterator[PlannedReading[OfRecordAcross]]:
    check, setup = want.check, want.setup
    options = check.options.of_measurand()
    if setup.loopbacks:
        options["loopbacks"] = "+".join(sorted(setup.loopbacks))
    for leg in want.legs:
        rows = setup.rows(want.port)
        yield PlannedReading(
            key=ReadingKey(
                check=check.name,
                measurand=Measurand(
                    quantity=check.quantity.name,
                    options=tuple(sorted(options.items())),
                    state=want.change.name,
                    channel=want.port.channel,
                    port=f"{want.port.net}.{leg}" if leg else want.port.net,
                    driven=str(setup.drive),
                    frequency_hz=check.tone.frequency_hz if check.tone.level_vrms else None,
                ),
            ),
            quantity=check.quantity,
            limit=check.limit,
            captures=(acquisition,),
            given=OfRecordAcross(
                rows=(rows[LEGS.index(leg)],) if leg else rows,
                controls=want.change.controls,
                options=check.options,
            ),
        )
