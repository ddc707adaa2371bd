"""From suspects and states to work for the batch solver: which relays' positions, and which edits there."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from harness.circuit.elements import Circuit, Element
from harness.descriptions.faults import Fault
from harness.descriptions.fixture import Fixture
from harness.descriptions.module import Module
from harness.descriptions.state import State
from harness.faults.batch import Edit, Work, contact_edits, solve_work, wiring_edits
from harness.faults.effects import (
    Control,
    Suspect,
    contacts_standing,
    control_of,
    edit_wiring,
)
from harness.faults.network import Complex, Flags, Network, make_network

Places = NDArray[np.intp]
WIRING = ("leg", "channels", "link", "part")  # how the kinds that change the wiring begin


@dataclass(frozen=True, kw_only=True, eq=False)
class Positions:
    """Every position of the relays that some suspect reaches in some state, once.

    operated: (positions, relays). place: (suspects + 1, states), the position that each state reaches; the
    last row is a sound unit's.
    """

    operated: Flags
    place: Places


def positions_of(module: Module, states: Sequence[State], controls: Sequence[Control]) -> Positions:
    """Find where each state leads the relays under each suspect's faults of lines and coils.

    As `reached_state` and `is_operated` have it, for all states at once.
    """
    names = module.line_names
    on = np.array([[line in state.on for line in names] for state in states]).reshape(len(states), len(names))
    on &= np.array([state.powered for state in states], dtype=bool)[:, None]
    lines = [names.index(relay.line or relay.set_line or names[0]) for relay in module.relays]
    numbers = {relay.name: number for number, relay in enumerate(module.relays)}
    known: dict[bytes, int] = {}

    def places(operated: Flags) -> list[int]:
        return [known.setdefault(row.tobytes(), len(known)) for row in operated]

    place = np.tile(np.array(places(on[:, lines]), dtype=np.intp), (len(controls) + 1, 1))
    for row, control in enumerate(controls):
        if not control.feeds and not control.coil_shorted:
            continue
        reached = on.copy()
        for line, feed in control.feeds.items():
            reached[:, names.index(line)] = False if feed is None else on[:, names.index(feed)]
        operated = reached[:, lines]
        shorted = operated[:, [numbers[name] for name in control.coil_shorted]].any(axis=1)
        operated[shorted] = False
        place[row] = places(operated)
    operated = np.frombuffer(b"".join(known), dtype=bool).reshape(len(known), len(module.relays))
    return Positions(operated=operated, place=place)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Slot:
    """Where a work's results belong: a suspect, its states, and which of the work's rows each state takes."""

    work: int
    suspect: int
    states: Places
    rows: Places


@dataclass(frozen=True, kw_only=True, eq=False)
class Batch:
    """One hookup's work for some suspects in some states. Suspects that do the same share it."""

    network: Network
    positions: Positions
    works: tuple[Work, ...]
    slots: tuple[Slot, ...]

    def transfers(self, *, frequency_hz: float, columns: Sequence[int]) -> Complex:
        """Transfers of a sound unit (first) and of every suspect: (1 + suspects, states, legs, columns)."""
        sound, found = solve_work(
            self.network, self.positions.operated, self.works, frequency_hz=frequency_hz, columns=columns
        )
        place = self.positions.place
        result = sound[np.concatenate([place[-1:], place[:-1]])]
        for slot in self.slots:
            result[1 + slot.suspect, slot.states] = found[slot.work][slot.rows]
        return np.asarray(result)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Case:
    """Some positions (ascending) in which the same edits are to be made, and the states that lead there."""

    edits: tuple[Edit, ...]
    positions: Places
    states: Places
    rows: Places


def plan_batch(
    wiring: Circuit, module: Module, fixture: Fixture, states: Sequence[State], suspects: Sequence[Suspect]
) -> Batch:
    """Turn every suspect into work for a hookup's wiring; what a suspect doesn't change costs nothing."""
    network = make_network(wiring, module)
    moving = [tuple(fault for fault in suspect if not _is_wiring(fault)) for suspect in suspects]
    controls = {faults: control_of(faults) for faults in moving}
    positions = positions_of(module, states, [controls[faults] for faults in moving])
    fixed = _Wiring(network=network, module=module, fixture=fixture)
    cases: dict[Suspect, tuple[_Case, ...]] = {}
    works: list[Work] = []
    slots: list[Slot] = []
    shared: dict[tuple[tuple[Edit, ...], bytes], int] = {}
    for row, (suspect, faults) in enumerate(zip(suspects, moving, strict=True)):
        if faults not in cases:
            made = _cases(network, module, controls[faults], positions.operated, positions.place[row])
            cases[faults] = tuple(made)
        wired = fixed.edits(tuple(fault for fault in suspect if _is_wiring(fault)))
        for case in cases[faults]:
            edits = wired + case.edits
            if not edits:
                continue
            key = (edits, case.positions.tobytes())
            if key not in shared:
                shared[key] = len(works)
                works.append(Work(edits=edits, positions=case.positions))
            slots.append(Slot(work=shared[key], suspect=row, states=case.states, rows=case.rows))
    return Batch(network=network, positions=positions, works=tuple(works), slots=tuple(slots))


def _is_wiring(fault: Fault) -> bool:
    return fault.kind.startswith(WIRING)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Wiring:
    """What faults change in a hookup's wiring, the same in every state."""

    network: Network
    module: Module
    fixture: Fixture
    known: dict[Suspect, tuple[Edit, ...]] = field(default_factory=dict)

    def edits(self, faults: Suspect) -> tuple[Edit, ...]:
        """Edits of several faults at once: those of each, where they touch different things."""
        if faults not in self.known:
            alone = [self.edits((fault,)) for fault in faults] if len(faults) > 1 else []
            together = tuple(edit for edits in alone for edit in edits)
            touched = [_touched(edit) for edit in together if edit.branch is not None or _holds(edit)]
            apart = alone and len(set(touched)) == len(touched)
            self.known[faults] = together if apart else self._edits(faults)
        return self.known[faults]

    def _edits(self, faults: Suspect) -> tuple[Edit, ...]:
        sound = self.network.wiring.elements
        elements: Sequence[Element] = sound
        for fault in faults:
            elements = edit_wiring(elements, fault, module=self.module, fixture=self.fixture)
        return tuple(wiring_edits(self.network, elements)) if faults else ()


def _touched(edit: Edit) -> tuple[int, int] | int:
    return edit.branch if edit.branch is not None else (edit.a, edit.b)


def _holds(edit: Edit) -> bool:
    return bool(edit.held_s or edit.held_f)


def _cases(
    network: Network, module: Module, control: Control, operated: Flags, places: Places
) -> Iterator[_Case]:
    """Every position that is reached, in one case for each way that the touched relays may stand."""
    reached = np.unique(places)
    touched = _touched_relays(module, control)
    there = replace(module, relays=tuple(module.relays[number] for number in touched))
    stand = operated[reached][:, touched]
    for way in {row.tobytes(): row for row in stand}.values():
        position = {number: bool(flag) for number, flag in zip(touched, way, strict=True)}
        sound = {module.relays[number].name: flag for number, flag in position.items()}
        wanted = {element.name: element for element in contacts_standing(there, sound, control)}
        positions = reached[(stand == way).all(axis=1)]
        at = np.flatnonzero(np.isin(places, positions))
        yield _Case(
            edits=tuple(contact_edits(network, position, wanted)),
            positions=positions,
            states=at,
            rows=np.searchsorted(positions, places[at]),
        )


def _touched_relays(module: Module, control: Control) -> list[int]:
    """Relays that a suspect's own faults are in."""
    names = {*control.held, *control.coil_open, *control.coil_shorted}
    poles = {*control.poles, *(pole for pole, _ in control.conducting), *(p for p, _ in control.contact_ohm)}
    return [
        number
        for number, relay in enumerate(module.relays)
        if relay.name in names or any(pole.name in poles for pole in relay.poles)
    ]
