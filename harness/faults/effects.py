"""What each fault does: to the contacts, to the wiring, and to the relay supply's current.

A fault is applied to the flat circuit of one setup in one state, so that several add up in any order. What a
broken unit is like is said here alone; the plain loop and the batch solver both take it from here.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from harness.arrays import Floats
from harness.circuit.elements import (
    BenchImpedances,
    Circuit,
    Element,
)
from harness.circuit.expand import (
    Throw,
    Throws,
    build_wiring,
    throws_of,
)
from harness.faults.wiring_faults import amplifiers_with, edit_wiring
from harness.job.faults import USUAL_CHANCE, Fault
from harness.job.fixture import Fixture, Setup
from harness.job.module import Module, Relay, ThrowName
from harness.job.state import State
from harness.plan.pulses import held, pulses_to

NOT_STEADY = ("relay slow to operate", "relay slow to release", "relay long bounce", "throw intermittent")
THROWS: tuple[ThrowName, ...] = ("released", "operated")
Which = Literal["", "set", "reset"]
Coil = tuple[str, Which]  # a relay and which of its coils; "" if it has one alone
FaultSet = tuple[Fault, ...]  # faults that a unit has at once; () is a good one


@dataclass(frozen=True, kw_only=True)
class ControlSide:
    """What faults do on the control side and in the relays. feeds: the unit's control line → the control line
    on it.
    """

    feeds: dict[str, str | None] = field(default_factory=dict)
    held: dict[str, bool] = field(default_factory=dict)  # relay → operated for good, or released for good
    poles: dict[str, bool] = field(default_factory=dict)
    conducting: dict[Throw, bool] = field(default_factory=dict)
    contact_ohm: dict[Throw, float] = field(default_factory=dict)
    coil_open: set[str] = field(default_factory=set)
    coil_shorted: set[str] = field(default_factory=set)
    absent: set[str] = field(default_factory=set)  # relays that were left out
    latch_open: set[Coil] = field(default_factory=set)  # of latching relays
    latch_shorted: set[Coil] = field(default_factory=set)

    @property
    def draws_otherwise(self) -> bool:
        """Whether the relay supply may give another current than to a good unit."""
        return bool(
            self.feeds or self.coil_open or self.coil_shorted or self.latch_open or self.latch_shorted
        )

    @property
    def leads_elsewhere(self) -> bool:
        """Whether a state may lead relays elsewhere whose armatures are free to move."""
        return bool(self.feeds or self.coil_shorted or self.latch_open or self.latch_shorted)

    def is_open(self, coil: Coil) -> bool:
        """Whether a coil draws nothing."""
        return coil in self.latch_open if coil[1] else coil[0] in self.coil_open

    def is_shorted(self, coil: Coil) -> bool:
        """Whether a coil takes what the supply gives."""
        return coil in self.latch_shorted if coil[1] else coil[0] in self.coil_shorted


def suspect_name(fault_set: FaultSet) -> str:
    """`K3 never operates + control line swap dead`; `good` where nothing is wrong."""
    return " + ".join(fault.name for fault in fault_set) or "good"


def side_of(fault_set: FaultSet) -> ControlSide:
    """Collect what faults do to lines, coils and contacts."""
    side = ControlSide()
    for fault in fault_set:
        subject, throw = fault.subject, fault.throw or "released"
        match fault.kind:
            case "relay never operates" | "relay always operated":
                side.held[subject] = fault.kind == "relay always operated"
            case "switch stuck off" | "switch stuck on":
                side.held[subject] = fault.kind == "switch stuck on"
            case "coil open":
                side.coil_open.add(subject)
            case "coil open, set":
                side.coil_open.add(subject)
                side.held[subject] = True
            case "coil shorted":
                side.coil_shorted.add(subject)
            case "set coil open":
                side.latch_open.add((subject, "set"))
            case "reset coil open":
                side.latch_open.add((subject, "reset"))
            case "set coil shorted":
                side.latch_shorted.add((subject, "set"))
            case "reset coil shorted":
                side.latch_shorted.add((subject, "reset"))
            case "pole stuck released" | "pole stuck operated":
                side.poles[subject] = fault.kind == "pole stuck operated"
            case "throw stuck open" | "throw stuck closed":
                side.conducting[subject, throw] = fault.kind == "throw stuck closed"
            case "relay left out":
                side.coil_open.add(subject)
                side.latch_open.update([(subject, "set"), (subject, "reset")])
                side.absent.add(subject)
            case "throw resistance":
                side.contact_ohm[subject, throw] = fault.resistance_ohm or 0.0
            case "control line dead":
                side.feeds[subject] = None
            case "control lines swapped":
                other, feeds = fault.other or subject, side.feeds
                feeds[subject], feeds[other] = feeds.get(other, other), feeds.get(subject, subject)
            case _:
                pass  # of the wiring: edit_wiring does it
    return side


def operated_relays(module: Module, state: State, side: ControlSide) -> dict[str, bool]:
    """Which relays a state leads to their operated side if their armatures are free.

    A shorted coil that is energised takes all that the supply gives: every relay is left without.
    """
    on = _unit_controls(module, held(module, state), side)
    if _shorts(module, on, side):
        on = frozenset()
    stands = {relay.name: relay.control in on for relay in module.relays if not relay.latches}
    return stands | _latched(module, state, side)


def _latched(module: Module, state: State, side: ControlSide) -> dict[str, bool]:
    """Which latching relays stand set after the pulses by which a state is reached.

    Each control line was driven alone before, when the currents were read: a relay whose reset coil does
    nothing stands set since then. A relay both of whose coils are driven stays where it is.
    """
    latching = [relay for relay in module.relays if relay.latches]
    stands = {relay.name: False for relay in latching}
    if not latching:
        return stands
    on = held(module, replace(state, powered=True, pulsed=""))
    steps: list[tuple[str, ...]] = [(control,) for control in module.control_names]
    steps += [(*on, control) for control in pulses_to(module, state)]
    for step in (*steps, held(module, state)):
        reached = _unit_controls(module, step, side)
        if _shorts(module, reached, side):
            continue
        for relay in latching:
            sets, resets = (control in reached and not side.is_open(coil) for control, coil in _coils(relay))
            if sets != resets:
                stands[relay.name] = sets
    return stands


def shorts(module: Module, state: State, side: ControlSide) -> bool:
    """Whether a state energises a shorted coil."""
    if not side.coil_shorted and not side.latch_shorted:  # asked of every fault set in every state
        return False
    return _shorts(module, _unit_controls(module, held(module, state), side), side)


def _shorts(module: Module, on: Collection[str], side: ControlSide) -> bool:
    if not side.coil_shorted and not side.latch_shorted:
        return False
    return any(side.is_shorted(coil) for _, coil in _driven(module, on))


def drawn_a(module: Module, state: State, side: ControlSide) -> float:
    """What the relay supply is asked for in a state, in amperes, where no shorted coil is energised."""
    if not state.powered:
        return 0.0
    on = _unit_controls(module, held(module, state), side)
    return module.supply.quiescent_a + sum(
        module.supply.voltage_v / relay.type.coil_ohm
        for relay, coil in _driven(module, on)
        if not side.is_open(coil)
    )


def _driven(module: Module, on: Collection[str]) -> Iterator[tuple[Relay, Coil]]:
    """The coils that control lines of the unit drive."""
    for relay in module.relays:
        driven = [coil for control, coil in _coils(relay) if control in on]
        if not (relay.single_coil and len(driven) > 1):  # both its ends are on the supply
            yield from ((relay, coil) for coil in driven)


def _coils(relay: Relay) -> tuple[tuple[str | None, Coil], ...]:
    """A relay's coils with the control lines that drive them; of a latching relay, to set and to reset."""
    if not relay.latches:
        return ((relay.control, (relay.name, "")),)
    names: tuple[Which, Which] = ("", "") if relay.single_coil else ("set", "reset")
    controls = (relay.set_control, relay.reset_control)
    return tuple((control, (relay.name, name)) for control, name in zip(controls, names, strict=True))


def _unit_controls(module: Module, on: Collection[str], side: ControlSide) -> frozenset[str]:
    """The unit's own control lines that are on when the switchboard has these on, as they are wired."""
    return frozenset(control for control in module.control_names if side.feeds.get(control, control) in on)


def armature(relay: str, operated: bool, side: ControlSide) -> bool:
    """Where a relay's armature stands, `operated` being where a good one would."""
    if relay in side.held:
        return side.held[relay]
    return operated and relay not in side.coil_open and relay not in side.coil_shorted


def faulty_contacts(module: Module, state: State, side: ControlSide) -> Iterator[Element]:
    """Both throws of every pole as they stand in a state, in the order of `contacts`."""
    good = operated_relays(module, state, side)
    return contacts_standing(module.relays, good, side, throws_of(module))


def contacts_standing(
    relays: Sequence[Relay], good: Mapping[str, bool], side: ControlSide, throws: Throws
) -> Iterator[Element]:
    """Both throws of these relays' poles; `good` says which relays would be operated if they were good."""
    for relay in relays:
        standing = armature(relay.name, good[relay.name], side)
        for pole in relay.poles:
            name = pole.name
            operated = side.poles.get(name, standing)
            for throw in THROWS:
                key = name, throw
                if key not in throws:
                    continue
                closed, opened = throws[key]
                conducts = side.conducting.get(key, operated == (throw == "operated"))
                if not conducts or relay.name in side.absent:
                    yield opened
                elif key in side.contact_ohm:
                    yield replace(closed, resistance_ohm=side.contact_ohm[key], resistance_spread_ohm=0.0)
                else:
                    yield closed


def in_flight(module: Module, states: Sequence[State], side: ControlSide) -> dict[str, Element]:
    """The open contacts, by name, of every pole that moves from one of two states to the other."""
    stands = [operated_relays(module, state, side) for state in states]
    moving = {
        pole.name
        for relay in module.relays
        if len({armature(relay.name, operated[relay.name], side) for operated in stands}) > 1
        for pole in relay.poles
    }
    return {
        opened.name: opened
        for key, (_, opened) in throws_of(module).items()
        if key[0] in moving and key[0] not in side.poles and not side.conducting.get(key, False)
    }


class FaultyCircuits:
    """The circuits of a job's setups with faults in them, each made once for the fault set in hand.

    Those of the good unit are kept for good, those of faults until another fault set is asked for.

    A fault set that leaves a circuit as a good unit has it has the very circuit of the good unit, which is
    that of `()`. A loopback's fault leaves a setup that doesn't use the loopback as it is. more: elements
    beside those of every setup.
    """

    def __init__(
        self,
        module: Module,
        fixture: Fixture,
        impedances: BenchImpedances,
        more: Sequence[Element] = (),
    ) -> None:
        self._module, self._fixture, self._impedances, self._more = module, fixture, impedances, more
        self._in_hand: FaultSet = ()
        self._wiring: dict[str, Circuit] = {}
        self._edited: dict[tuple[FaultSet, str], Sequence[Element]] = {}
        self._contacts: dict[tuple[FaultSet, tuple[State, ...]], tuple[Element, ...]] = {}
        self._circuits: dict[tuple[FaultSet, str, tuple[State, ...]], Circuit] = {}

    def of(self, fault_set: FaultSet, setup: Setup, *states: State) -> Circuit:
        """In one state of a setup with a drive; between two, the relays that move have left either throw."""
        if fault_set and fault_set != self._in_hand:
            self._forget()
            self._in_hand = fault_set
        key = fault_set, setup.name, states
        if key not in self._circuits:
            elements = (*self._wired(fault_set, setup), *self._standing(fault_set, states))
            wiring = self._wiring[setup.name]
            amplifiers = amplifiers_with(wiring.amplifiers, fault_set)
            circuit = replace(wiring, elements=elements, amplifiers=amplifiers)
            good = self.of((), setup, *states) if fault_set else circuit
            self._circuits[key] = good if circuit == good else circuit
        return self._circuits[key]

    def _forget(self) -> None:
        self._edited = {key: made for key, made in self._edited.items() if not key[0]}
        self._contacts = {key: made for key, made in self._contacts.items() if not key[0]}
        self._circuits = {key: made for key, made in self._circuits.items() if not key[0]}

    def _wired(self, fault_set: FaultSet, setup: Setup) -> Sequence[Element]:
        """All but the contacts, which is the same in every state."""
        if setup.name not in self._wiring:
            wiring = build_wiring(self._module, self._fixture, setup, self._impedances)
            self._wiring[setup.name] = replace(wiring, elements=(*wiring.elements, *self._more))
        key = fault_set, setup.name
        if key not in self._edited:
            elements: Sequence[Element] = self._wiring[setup.name].elements
            for fault in fault_set:
                elements = edit_wiring(elements, fault, module=self._module, fixture=self._fixture)
            self._edited[key] = elements
        return self._edited[key]

    def _standing(self, fault_set: FaultSet, states: tuple[State, ...]) -> tuple[Element, ...]:
        """The contacts, which are the same in every setup."""
        key = fault_set, states
        if key not in self._contacts:
            side = side_of(fault_set)
            opened = in_flight(self._module, states, side) if len(states) > 1 else {}
            standing = faulty_contacts(self._module, states[0], side)
            self._contacts[key] = tuple(opened.get(element.name, element) for element in standing)
        return self._contacts[key]


def supply_current_a(module: Module, state: State, faults: Fault | FaultSet) -> float:
    """What the relay supply gives in a state: as `expected_current_a` for a good unit."""
    return _given_a(module, state, side_of((faults,) if isinstance(faults, Fault) else faults))


def supply_currents_a(module: Module, states: Sequence[State], fault_sets: Sequence[FaultSet]) -> Floats:
    """The same of many fault sets in many states: amperes, (fault sets, states)."""
    good = [supply_current_a(module, state, ()) for state in states]
    sides = (side_of(fault_set) for fault_set in fault_sets)
    rows = [
        [_given_a(module, state, side) for state in states] if side.draws_otherwise else good
        for side in sides
    ]
    return np.array(rows, dtype=float).reshape(len(fault_sets), len(states))


def _given_a(module: Module, state: State, side: ControlSide) -> float:
    """What the supply gives: at a short its limit."""
    return module.supply.limit_a if shorts(module, state, side) else drawn_a(module, state, side)


def as_open(fault_set: FaultSet) -> FaultSet:
    """The same faults at a moment in which no contact that comes and goes conducts."""
    return tuple(
        replace(fault, kind="throw stuck open", chance=None) if fault.kind == "throw intermittent" else fault
        for fault in fault_set
    )


def comes_and_goes(fault_set: FaultSet) -> bool:
    """Whether it is such a contact, and nothing else."""
    return len(fault_set) == 1 and fault_set[0].kind == "throw intermittent"


def is_stuck_open(fault_set: FaultSet) -> bool:
    """Whether it is a throw stuck open, and nothing else."""
    return len(fault_set) == 1 and fault_set[0].kind == "throw stuck open"


def intermittent(fault: Fault) -> FaultSet:
    """The contact of a throw stuck open as one that is so only now and then."""
    return (replace(fault, kind="throw intermittent", chance=USUAL_CHANCE),)
