"""From suspects and states to work for the batch solver: which relays' positions, and which edits there."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.circuit.elements import Circuit
from harness.circuit.expand import is_operated
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
    reached_state,
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
    """Find where each state leads the relays under each suspect's faults of lines and coils."""
    known: dict[tuple[bool, ...], int] = {}

    def place_of(state: State) -> int:
        key = tuple(is_operated(relay, state) for relay in module.relays)
        return known.setdefault(key, len(known))

    sound = [place_of(state) for state in states]
    place = np.tile(np.array(sound, dtype=np.intp), (len(controls) + 1, 1))
    for row, control in enumerate(controls):
        if control.feeds or control.coil_shorted:
            place[row] = [place_of(reached_state(module, state, control)) for state in states]
    operated = np.array(list(known), dtype=bool).reshape(len(known), len(module.relays))
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


def plan_batch(
    wiring: Circuit, module: Module, fixture: Fixture, states: Sequence[State], suspects: Sequence[Suspect]
) -> Batch:
    """Turn every suspect into work for a hookup's wiring; what a suspect doesn't change costs nothing."""
    network = make_network(wiring, module)
    controls = [control_of(suspect) for suspect in suspects]
    positions = positions_of(module, states, controls)
    works: list[Work] = []
    slots: list[Slot] = []
    shared: dict[tuple[tuple[Edit, ...], bytes], int] = {}
    for row, (suspect, control) in enumerate(zip(suspects, controls, strict=True)):
        fixed = _fixed_edits(network, suspect, module, fixture)
        places = positions.place[row]
        for edits, reached in _cases(network, module, control, fixed, positions.operated, places):
            key = (edits, reached.tobytes())
            if key not in shared:
                shared[key] = len(works)
                works.append(Work(edits=edits, positions=reached))
            states_at = np.flatnonzero(np.isin(places, reached))
            slots.append(
                Slot(
                    work=shared[key],
                    suspect=row,
                    states=states_at,
                    rows=np.searchsorted(reached, places[states_at]),
                )
            )
    return Batch(network=network, positions=positions, works=tuple(works), slots=tuple(slots))


def _fixed_edits(network: Network, suspect: Suspect, module: Module, fixture: Fixture) -> tuple[Edit, ...]:
    """What a suspect changes in the wiring, the same in every state; nothing in a through hookup."""
    sound = list(network.wiring.elements)
    elements = sound
    for fault in suspect:
        if network.branch and fault.kind.startswith(WIRING):
            elements = edit_wiring(elements, fault, module=module, fixture=fixture)
    return () if elements is sound else tuple(wiring_edits(network, elements))


def _cases(
    network: Network,
    module: Module,
    control: Control,
    fixed: tuple[Edit, ...],
    operated: Flags,
    places: Places,
) -> Iterator[tuple[tuple[Edit, ...], Places]]:
    """Edits, and the positions (ascending) where just these are to be made.

    There is a case for each way that the relays which the suspect touches may stand.
    """
    reached = np.unique(places)
    touched = _touched_relays(module, control)
    if not touched:
        if fixed:
            yield fixed, reached
        return
    there = replace(module, relays=tuple(module.relays[number] for number in touched))
    stand = operated[reached][:, touched]
    for case in np.unique(stand, axis=0):
        position = {number: bool(flag) for number, flag in zip(touched, case, strict=True)}
        sound = {module.relays[number].name: flag for number, flag in position.items()}
        wanted = {element.name: element for element in contacts_standing(there, sound, control)}
        edits = (*fixed, *contact_edits(network, position, wanted))
        if edits:
            yield edits, reached[(stand == case).all(axis=1)]


def _touched_relays(module: Module, control: Control) -> list[int]:
    """Relays that a suspect's own faults are in."""
    names = {*control.held, *control.coil_open, *control.coil_shorted}
    poles = {*control.poles, *(pole for pole, _ in control.conducting), *(p for p, _ in control.contact_ohm)}
    return [
        number
        for number, relay in enumerate(module.relays)
        if relay.name in names or any(pole.name in poles for pole in relay.poles)
    ]
