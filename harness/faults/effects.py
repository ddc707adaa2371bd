"""What each fault does: to the contacts, to the wiring, and to the relay supply's current.

A fault is applied to the flat circuit of one hookup in one state, so that several add up in any order. What a
broken unit is like is told here once; the plain loop and the batch solver both read it from here.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.circuit.elements import Circuit, Element
from harness.circuit.expand import contacts, is_operated
from harness.faults.wiring import edit_wiring
from harness.job.faults import Fault
from harness.job.fixture import Fixture
from harness.job.module import Module, Relay
from harness.job.state import State
from harness.plan.states import energised

UNPOWERED = State(on=(), powered=False)

Throw = tuple[str, Literal["rest", "operated"]]  # a pole's name and one of its throws
Suspect = tuple[Fault, ...]  # faults that a unit has at once; () is a healthy one


@dataclass(frozen=True, kw_only=True)
class Control:
    """What faults do on the control side and in the relays. feeds: the unit's line → the line on it."""

    feeds: Mapping[str, str | None] = field(default_factory=dict)
    held: Mapping[str, bool] = field(default_factory=dict)  # relay → operated for good, or at rest for good
    poles: Mapping[str, bool] = field(default_factory=dict)
    conducting: Mapping[Throw, bool] = field(default_factory=dict)
    contact_ohm: Mapping[Throw, float] = field(default_factory=dict)
    coil_open: frozenset[str] = frozenset()
    coil_shorted: frozenset[str] = frozenset()

    @property
    def draws_otherwise(self) -> bool:
        """Whether the relay supply may give another current than to a good unit."""
        return bool(self.feeds or self.coil_open or self.coil_shorted)


def suspect_name(suspect: Suspect) -> str:
    """`K3 never operates + line swap dead`; `healthy` where nothing is wrong."""
    return " + ".join(fault.name for fault in suspect) or "healthy"


def with_fault(
    circuit: Circuit, faults: Fault | Suspect, *, module: Module, fixture: Fixture, state: State
) -> Circuit:
    """Apply faults to the circuit of one hookup in `state`, as `build_circuit` made it.

    A link's fault leaves a hookup that doesn't use the link as it is; so does any fault a through hookup.
    """
    suspect = (faults,) if isinstance(faults, Fault) else faults
    control = control_of(suspect)
    standing = {
        element.name: element for element in faulty_contacts(module, state, control, Throws.of(module))
    }
    elements = [
        standing[element.name] if element.kind == "contact" else element for element in circuit.elements
    ]
    if not _holds_the_unit(circuit):
        return circuit
    for fault in suspect:
        elements = edit_wiring(elements, fault, module=module, fixture=fixture)
    return replace(circuit, elements=tuple(elements))


def control_of(suspect: Suspect) -> Control:
    """Collect what faults do to lines, coils and contacts."""
    feeds: dict[str, str | None] = {}
    held: dict[str, bool] = {}
    poles: dict[str, bool] = {}
    conducting: dict[Throw, bool] = {}
    contact_ohm: dict[Throw, float] = {}
    coil_open, coil_shorted = set(), set()
    for fault in suspect:
        subject, throw = fault.subject, fault.throw or "rest"
        match fault.kind:
            case "relay never operates" | "relay always operated":
                held[subject] = fault.kind == "relay always operated"
            case "coil open":
                coil_open.add(subject)
            case "coil shorted":
                coil_shorted.add(subject)
            case "pole stuck at rest" | "pole stuck operated":
                poles[subject] = fault.kind == "pole stuck operated"
            case "throw stuck open" | "throw stuck closed":
                conducting[subject, throw] = fault.kind == "throw stuck closed"
            case "throw resistance":
                contact_ohm[subject, throw] = fault.resistance_ohm or 0.0
            case "line dead":
                feeds[subject] = None
            case "lines swapped":
                other = fault.other or subject
                feeds[subject], feeds[other] = feeds.get(other, other), feeds.get(subject, subject)
            case _:
                pass  # of the wiring: edit_wiring does it
    return Control(
        feeds=feeds,
        held=held,
        poles=poles,
        conducting=conducting,
        contact_ohm=contact_ohm,
        coil_open=frozenset(coil_open),
        coil_shorted=frozenset(coil_shorted),
    )


def reached_state(module: Module, state: State, control: Control) -> State:
    """What the unit's own lines are when the switchboard sets `state`.

    A shorted coil that is energised takes all that the supply gives: every relay is left without.
    """
    return UNPOWERED if shorts(module, state, control) else _lines_of_the_unit(module, state, control)


def shorts(module: Module, state: State, control: Control) -> bool:
    """Whether a state energises a shorted coil."""
    if not control.coil_shorted:  # asked of every suspect in every state
        return False
    return any(relay.name in control.coil_shorted for relay in _driven(module, state, control))


def drawn_a(module: Module, state: State, control: Control) -> float:
    """What the relay supply is asked for in a state, in amperes, where no shorted coil is energised."""
    if not state.powered:
        return 0.0
    return module.supply.quiescent_a + sum(
        module.supply.voltage_v / relay.type.coil_ohm
        for relay in _driven(module, state, control)
        if relay.name not in control.coil_open
    )


def _driven(module: Module, state: State, control: Control) -> list[Relay]:
    """Relays whose coils the switchboard's state drives, through lines as they are wired."""
    lines = _lines_of_the_unit(module, state, control)
    return [relay for relay in module.relays if energised(relay, lines)]


def _lines_of_the_unit(module: Module, state: State, control: Control) -> State:
    on = tuple(line for line in module.line_names if control.feeds.get(line, line) in state.on)
    return State(on=on, powered=state.powered)


def armature(relay: str, operated: bool, control: Control) -> bool:
    """Where a relay's armature stands, `operated` being where a sound one would."""
    if relay in control.held:
        return control.held[relay]
    return operated and relay not in control.coil_open and relay not in control.coil_shorted


@dataclass(frozen=True, kw_only=True, eq=False)
class Throws:
    """Every throw of a module's poles as it is when closed and when open."""

    known: Mapping[Throw, tuple[Element, Element]]

    @classmethod
    def of(cls, module: Module) -> "Throws":
        """Expanded once, for many suspects."""
        at_rest = {element.name: element for element in contacts(module, UNPOWERED)}
        thrown = {element.name: element for element in contacts(module, State(on=module.line_names))}
        known: dict[Throw, tuple[Element, Element]] = {}
        for relay in module.relays:
            for pole in relay.poles:
                rest, operated = f"{pole.name}.rest", f"{pole.name}.operated"
                if rest in at_rest:
                    known[pole.name, "rest"] = at_rest[rest], thrown[rest]
                if operated in at_rest:
                    known[pole.name, "operated"] = thrown[operated], at_rest[operated]
        return cls(known=known)


def faulty_contacts(module: Module, state: State, control: Control, throws: Throws) -> Iterator[Element]:
    """Both throws of every pole as they stand in a state, in the order of `contacts`."""
    reached = reached_state(module, state, control)
    sound = {relay.name: is_operated(relay, reached) for relay in module.relays}
    return contacts_standing(module.relays, sound, control, throws)


def contacts_standing(
    relays: Sequence[Relay], sound: Mapping[str, bool], control: Control, throws: Throws
) -> Iterator[Element]:
    """Both throws of these relays' poles, where sound ones would be operated or not as `sound` says."""
    for relay in relays:
        standing = armature(relay.name, sound[relay.name], control)
        for pole in relay.poles:
            name = pole.name
            operated = control.poles.get(name, standing)
            keys: tuple[Throw, Throw] = ((name, "rest"), (name, "operated"))
            for key in keys:
                if key not in throws.known:
                    continue
                closed, opened = throws.known[key]
                if not control.conducting.get(key, operated == (key[1] == "operated")):
                    yield opened
                elif key in control.contact_ohm:
                    yield replace(closed, resistance_ohm=control.contact_ohm[key], resistance_spread_ohm=0.0)
                else:
                    yield closed


def supply_current_a(module: Module, state: State, faults: Fault | Suspect) -> float:
    """What the relay supply gives in a state: as `expected_current_a` for a healthy unit."""
    return _given_a(module, state, control_of((faults,) if isinstance(faults, Fault) else faults))


def supply_currents_a(
    module: Module, states: Sequence[State], suspects: Sequence[Suspect]
) -> NDArray[np.float64]:
    """The same of many suspects in many states: amperes, (suspects, states)."""
    sound = [supply_current_a(module, state, ()) for state in states]
    rows = []
    for suspect in suspects:
        control = control_of(suspect)
        other = control.draws_otherwise
        rows.append([_given_a(module, state, control) for state in states] if other else sound)
    return np.array(rows, dtype=float).reshape(len(suspects), len(states))


def _given_a(module: Module, state: State, control: Control) -> float:
    """What the supply gives: at a short its limit."""
    return module.supply.limit_a if shorts(module, state, control) else drawn_a(module, state, control)


def _holds_the_unit(circuit: Circuit) -> bool:
    """Whether the unit is in the circuit at all; in a through hookup it isn't."""
    return any(element.kind != "scope" for element in circuit.elements)
