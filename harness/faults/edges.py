"""What the checks of changes of state would see: a contact that doesn't move leaves no gap and no change."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.circuit.elements import BenchImpedances, Circuit, Element
from harness.circuit.expand import build_circuit, contacts, is_operated
from harness.circuit.transfer import transfer
from harness.descriptions.edge import Edge
from harness.descriptions.fixture import Hookup, PortName
from harness.descriptions.job import Job
from harness.descriptions.state import State
from harness.faults.effects import (
    UNPOWERED,
    Control,
    Suspect,
    armature,
    control_of,
    reached_state,
    with_fault,
)
from harness.measure.tones import choose_tones
from harness.plan.edge_routes import MOVES
from harness.plan.edges import TIMED
from harness.plan.model import EdgeAcquisition, EdgeReading, Plan

Floats = NDArray[np.float64]
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

    def of(self, suspect: Suspect, acquisition: EdgeAcquisition, hookup: Hookup) -> Floats:
        """(2, legs): change of the signal, and how far its own source falls below both sides between them.

        In the least that a record shows: above 1 it shows.
        """
        key = (suspect, acquisition.number)
        if key not in self.known:
            edge, hz = acquisition.edge, acquisition.stimulus.frequency_hz
            sound = {
                state: build_circuit(self.job.module, self.job.fixture, hookup, state, self.impedances)
                for state in (edge.before, edge.after)
            }
            broken = {state: self._with(circuit, suspect, state) for state, circuit in sound.items()}
            middle = self._between(broken[edge.before], suspect, edge)
            before, after, between = (
                np.abs(transfer(circuit, choose_tones(hz).frequencies_hz))
                for circuit in (broken[edge.before], broken[edge.after], middle)
            )
            change = np.maximum(np.abs(between - before), np.abs(after - before)).max(axis=1)
            level = np.maximum(before, after).max(axis=1)
            legs = np.arange(len(level))
            dip = (np.minimum(before, after) - between)[legs, legs % 2]
            self.known[key] = np.stack([change, dip]) / np.maximum(MOVES * level, 1e-9)
        return self.known[key]

    def _with(self, circuit: Circuit, suspect: Suspect, state: State) -> Circuit:
        return with_fault(circuit, suspect, module=self.job.module, fixture=self.job.fixture, state=state)

    def _between(self, circuit: Circuit, suspect: Suspect, edge: Edge) -> Circuit:
        """The circuit while the relays that move have left one throw and not reached the other."""
        opened = _in_flight(self.job, control_of(suspect), edge)
        return replace(
            circuit, elements=tuple(opened.get(element.name, element) for element in circuit.elements)
        )


def _in_flight(job: Job, control: Control, edge: Edge) -> dict[str, Element]:
    """The open contacts of every pole that moves at an edge, by name."""
    module = job.module
    open_at_rest = {element.name: element for element in contacts(module, State(on=module.line_names))}
    open_thrown = {element.name: element for element in contacts(module, UNPOWERED)}
    opened: dict[str, Element] = {}
    for relay in module.relays:
        stands = [
            armature(relay.name, is_operated(relay, reached_state(module, state, control)), control)
            for state in (edge.before, edge.after)
        ]
        if stands[0] == stands[1]:
            continue
        for pole in relay.poles:
            if pole.name in control.poles:
                continue
            throws: tuple[tuple[Literal["rest", "operated"], dict[str, Element]], ...] = (
                ("rest", open_at_rest),
                ("operated", open_thrown),
            )
            for throw, found in throws:
                name = f"{pole.name}.{throw}"
                if name in found and not control.conducting.get((pole.name, throw), False):
                    opened[name] = found[name]
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
    return tuple(_best(moves, readings, acquisitions, suspect) for suspect in suspects)


def _best(
    moves: EdgeMoves,
    readings: Sequence[EdgeReading],
    acquisitions: dict[int, tuple[EdgeAcquisition, Hookup]],
    suspect: Suspect,
) -> EdgeEvidence | None:
    best: EdgeEvidence | None = None
    for reading in readings:
        sound = still(moves, suspect, reading, *acquisitions[reading.acquisition])
        if sound and (best is None or sound > best.margin):
            quantity = reading.quantity.replace("_", " ")
            best = EdgeEvidence(
                by=f"{quantity} at {reading.channel}.{reading.port}, {reading.edge.name}",
                margin=sound,
                acquisition=reading.acquisition,
            )
    return best


def still(
    moves: EdgeMoves, suspect: Suspect, reading: EdgeReading, acquisition: EdgeAcquisition, hookup: Hookup
) -> float:
    """How clear a healthy unit shows what a suspect shows nothing of; 0 where that shows it too."""
    if reading.quantity not in SEEN_BY:
        return 0.0
    rows = _rows(reading, hookup)
    what = 1 if reading.quantity == "gap" else 0
    sound = float(moves.of((), acquisition, hookup)[what, rows].min())
    if sound <= 1:
        return 0.0
    return sound if float(moves.of(suspect, acquisition, hookup)[what, rows].max()) < 0.5 else 0.0


def _rows(reading: EdgeReading, hookup: Hookup) -> list[int]:
    net, _, leg = reading.port.partition(".")
    hot = 2 * hookup.view.index(PortName(channel=reading.channel, net=net))
    return [hot, hot + 1] if not leg else [hot if leg == "hot" else hot + 1]
