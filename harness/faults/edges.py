"""What the checks of changes of state would see: a contact that doesn't move leaves no gap and no change."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from harness.circuit.elements import BenchImpedances, Circuit, Element
from harness.circuit.expand import build_wiring, is_operated
from harness.circuit.solve import transfer
from harness.faults.effects import (
    Control,
    Suspect,
    Throw,
    Throws,
    armature,
    control_of,
    faulty_contacts,
    reached_state,
)
from harness.faults.wiring import edit_wiring
from harness.job.fixture import Hookup, PortName
from harness.job.job import Job
from harness.job.state import State
from harness.measure.tones import choose_tones
from harness.plan.edge_routes import MOVES
from harness.plan.edges import TIMED
from harness.plan.model import EdgeAcquisition, EdgeReading, Plan

Floats = NDArray[np.float64]
NOTHING = 0.5  # of the least that a record shows
SEEN_BY = ("gap", *TIMED)  # bounce and clicks say nothing of a contact that stays where it is


@dataclass(frozen=True, kw_only=True)
class EdgeEvidence:
    """The reading of a change of state that would be judged fail, and how clear what it misses would be.

    margin: the change that a healthy unit shows there, in the least changes that a record shows. acquisition:
    its number in the plan.
    """

    by: str
    margin: float
    acquisition: int


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeMoves:
    """How far each viewed leg's signal moves at an edge, and how deep its gap is; asked once."""

    job: Job
    impedances: BenchImpedances
    known: dict[tuple[Suspect, int], Floats] = field(default_factory=dict)
    _wiring: dict[str, Circuit] = field(default_factory=dict)
    _elements: dict[tuple[Suspect, str, frozenset[State]], tuple[Element, ...]] = field(default_factory=dict)
    _solved: dict[tuple[Suspect, str, frozenset[State], float], Floats] = field(default_factory=dict)

    def of(self, suspect: Suspect, acquisition: EdgeAcquisition, hookup: Hookup) -> Floats:
        """(2, legs): change of the signal, and how far its own source falls below both sides between them.

        In the least that a record shows: above 1 it shows.
        """
        key = (suspect, acquisition.number)
        if key not in self.known:
            edge, hz = acquisition.edge, acquisition.stimulus.frequency_hz
            before, after, between = (
                self._volts(suspect, hookup, frozenset(states), hz)
                for states in ([edge.before], [edge.after], [edge.before, edge.after])
            )
            change = np.maximum(np.abs(between - before), np.abs(after - before)).max(axis=1)
            level = np.maximum(before, after).max(axis=1)
            legs = np.arange(len(level))
            dip = (np.minimum(before, after) - between)[legs, legs % 2]
            self.known[key] = np.stack([change, dip]) / np.maximum(MOVES * level, 1e-9)
        return self.known[key]

    def _volts(self, suspect: Suspect, hookup: Hookup, states: frozenset[State], hz: float) -> Floats:
        """Volts per volt of e.m.f., (legs, 2), in a state; or between two of them.

        A suspect that leaves a circuit as a healthy unit has it is not solved again.
        """
        key = (suspect, hookup.name, states, hz)
        if key not in self._solved:
            elements = self._elements_of(suspect, hookup, states)
            if suspect and elements == self._elements_of((), hookup, states):
                self._solved[key] = self._volts((), hookup, states, hz)
            else:
                circuit = replace(self._wiring[hookup.name], elements=elements)
                self._solved[key] = np.abs(transfer(circuit, choose_tones(hz).frequencies_hz))
        return self._solved[key]

    def _elements_of(self, suspect: Suspect, hookup: Hookup, states: frozenset[State]) -> tuple[Element, ...]:
        """As `with_fault` has them in one state; of two, the relays that move have left either throw."""
        key = (suspect, hookup.name, states)
        if key not in self._elements:
            module, fixture, control = self.job.module, self.job.fixture, control_of(suspect)
            if hookup.name not in self._wiring:
                self._wiring[hookup.name] = build_wiring(module, fixture, hookup, self.impedances)
            wiring = list(self._wiring[hookup.name].elements)
            for fault in suspect:
                wiring = edit_wiring(wiring, fault, module=module, fixture=fixture)
            state = next(iter(states))
            opened = _in_flight(self.job, control, states, self._throws)
            standing = faulty_contacts(module, state, control, self._throws)
            self._elements[key] = (*wiring, *(opened.get(element.name, element) for element in standing))
        return self._elements[key]

    @cached_property
    def _throws(self) -> Throws:
        return Throws.of(self.job.module)


def _in_flight(job: Job, control: Control, states: frozenset[State], throws: Throws) -> dict[str, Element]:
    """The open contacts, by name, of every pole that moves from one of two states to the other."""
    opened: dict[str, Element] = {}
    for relay in job.module.relays:
        stands = {
            armature(relay.name, is_operated(relay, reached_state(job.module, state, control)), control)
            for state in states
        }
        if len(stands) == 1:
            continue
        for pole in relay.poles:
            if pole.name in control.poles:
                continue
            keys: tuple[Throw, Throw] = ((pole.name, "rest"), (pole.name, "operated"))
            for key in keys:
                if key in throws.known and not control.conducting.get(key, False):
                    _, element = throws.known[key]
                    opened[element.name] = element
    return opened


def weigh_edges(
    job: Job, plan: Plan, suspects: Sequence[Suspect], *, impedances: BenchImpedances
) -> tuple[EdgeEvidence | None, ...]:
    """For each suspect the reading of a change of state that sees it best; None where none does.

    A gap is judged per leg, times by both. Evidence is that no gap is there, or nothing moves, where in a
    healthy unit it does. Each suspect is solved by itself, so this is for a few: those that no level shows.
    """
    moves = EdgeMoves(job=job, impedances=impedances)
    acquisitions = {each.number: (each, visit.hookup) for visit in plan.visits for each in visit.edges}
    readings = [
        one for one in plan.edge_readings if one.quantity in SEEN_BY and one.acquisition in acquisitions
    ]
    clear = [(_when_sound(moves, one, *acquisitions[one.acquisition]), one) for one in readings]
    clear = sorted((each for each in clear if each[0]), key=lambda each: -each[0])
    return tuple(_best(moves, clear, acquisitions, suspect) for suspect in suspects)


def _best(
    moves: EdgeMoves,
    clear: Sequence[tuple[float, EdgeReading]],
    acquisitions: dict[int, tuple[EdgeAcquisition, Hookup]],
    suspect: Suspect,
) -> EdgeEvidence | None:
    """The first of the readings, the clearest first, in which a suspect shows nothing."""
    for margin, reading in clear:
        if _shows_nothing(moves, suspect, reading, *acquisitions[reading.acquisition]):
            quantity = reading.quantity.replace("_", " ")
            return EdgeEvidence(
                by=f"{quantity} at {reading.channel}.{reading.port}, {reading.edge.name}",
                margin=margin,
                acquisition=reading.acquisition,
            )
    return None


def still(
    moves: EdgeMoves, suspect: Suspect, reading: EdgeReading, acquisition: EdgeAcquisition, hookup: Hookup
) -> float:
    """How clear a healthy unit shows what a suspect shows nothing of; 0 where that shows it too."""
    sound = _when_sound(moves, reading, acquisition, hookup)
    return sound if sound and _shows_nothing(moves, suspect, reading, acquisition, hookup) else 0.0


def _when_sound(
    moves: EdgeMoves, reading: EdgeReading, acquisition: EdgeAcquisition, hookup: Hookup
) -> float:
    """How clear a healthy unit's change is in a reading; 0 where it shows none, or times something else."""
    if reading.quantity not in SEEN_BY:
        return 0.0
    sound = float(moves.of((), acquisition, hookup)[_looked_at(reading), _rows(reading, hookup)].min())
    return sound if sound > 1 else 0.0


def _shows_nothing(
    moves: EdgeMoves, suspect: Suspect, reading: EdgeReading, acquisition: EdgeAcquisition, hookup: Hookup
) -> bool:
    found = moves.of(suspect, acquisition, hookup)[_looked_at(reading), _rows(reading, hookup)]
    return float(found.max()) < NOTHING


def _looked_at(reading: EdgeReading) -> int:
    """Which row of `EdgeMoves.of` a reading is of."""
    return 1 if reading.quantity == "gap" else 0


def _rows(reading: EdgeReading, hookup: Hookup) -> list[int]:
    net, _, leg = reading.port.partition(".")
    hot = 2 * hookup.view.index(PortName(channel=reading.channel, net=net))
    return [hot, hot + 1] if not leg else [hot if leg == "hot" else hot + 1]
