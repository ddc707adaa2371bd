"""What a fault set would show, with the spread that its own circuit gives to parts and strays.

A leg that a fault has opened is held by picofarads alone. What it shows then depends on stray capacitances
that no job's file names, so they are parameters here (`harness/circuit/strays.py`).
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from harness.arrays import Complex, Flags, Indices
from harness.circuit.elements import BenchImpedances, Couplings, Element
from harness.circuit.expand import build_wiring
from harness.faults.batch import Solved
from harness.faults.effects import FaultSet
from harness.faults.predictor.sensitivities import SetupSensitivities
from harness.faults.signatures import Batch
from harness.job.job import Job
from harness.job.state import State
from harness.measure.tones import choose_tones
from harness.plan.model import Acquisition

# Spreads of what a job's files say nothing of: common practice, no source.
OFF_CAPACITANCE = 0.4  # of an open contact, a fraction
JOINT_CAPACITANCE = 2.0  # of a broken joint, a fraction
INPUT_RESISTANCE, INPUT_CAPACITANCE = 0.01, 0.05  # of a scope input, fractions
FITTED_CONTACT = 0.04  # of a bad contact's resistance, which is given in two digits
BAD_CONTACT = 0.5  # of a bad contact's resistance in a combination, a fraction
SHORT = 0.5  # of a short's resistance, a fraction
FAINT = 1e-6  # V per V of e.m.f.: a parameter that changes no leg by more is left out


@dataclass(frozen=True, kw_only=True, eq=False)
class FaultPrediction:
    """What a fault set shows: transfers, (acquisitions, legs, 2), and what each parameter changes in them.

    spreads: (parameters, acquisitions, legs, 2). strays: which of the parameters are strays.
    """

    transfers: Complex
    spreads: Complex
    strays: Flags


@dataclass(frozen=True, kw_only=True, eq=False)
class _Alike:
    """Acquisitions of one setup under one stimulus: their indices, and the state of each."""

    setup: str
    frequencies_hz: tuple[float, float]
    indices: Indices
    states: tuple[State, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Piece:
    """What some parameters change in some acquisitions: (parameters, acquisitions, legs, 2)."""

    names: list[str]
    indices: Indices
    changes: Complex

    def at(self, chosen: Flags) -> "_Piece":
        """Of some of its acquisitions."""
        return _Piece(names=self.names, indices=self.indices[chosen], changes=self.changes[:, chosen])


class FaultPredictor:
    """Computes what fault sets show in some acquisitions; keeps what it has computed of the good unit.

    Every state is inverted once for all fault sets that are asked for together.
    """

    def __init__(
        self, job: Job, acquisitions: Sequence[Acquisition], impedances: BenchImpedances, strays: Couplings
    ) -> None:
        self._job, self._impedances, self._strays = job, impedances, strays
        self._named = frozenset(strays.names)
        self._setups = {setup.name: setup for setup in job.fixture.setups}
        widest = max((2 * len(self._setups[each.setup].view) for each in acquisitions), default=0)
        self._shape = (len(acquisitions), widest, 2)
        groups: dict[tuple[str, float], list[int]] = {}
        for index, each in enumerate(acquisitions):
            groups.setdefault((each.setup, each.stimulus.frequency_hz), []).append(index)
        self._groups = [
            _Alike(
                setup=setup,
                frequencies_hz=choose_tones(frequency_hz, job.mains_hz).frequencies_hz,
                indices=np.array(indices),
                states=tuple(acquisitions[index].state for index in indices),
            )
            for (setup, frequency_hz), indices in groups.items()
        ]
        self._circuits: dict[str, SetupSensitivities] = {}
        self._good: list[_Piece] = []

    @cached_property
    def good(self) -> FaultPrediction:
        """Of a good unit."""
        return next(self.of_many([()]))

    def of_many(
        self, fault_sets: Sequence[FaultSet], *, at: Sequence[Flags] | None = None
    ) -> Iterator[FaultPrediction]:
        """Compute fault sets one after the other, all from the same inverses.

        at: of each, the acquisitions in which its faults are there; in all if None.
        """
        solved = [self._solve(alike, fault_sets) for alike in self._groups]
        if not self._good:
            every = [np.ones(len(alike.indices), dtype=bool) for alike in self._groups]
            self._good = [
                self._piece(alike, one, (), -1, chosen)
                for alike, one, chosen in zip(self._groups, solved, every, strict=True)
            ]
        for row, fault_set in enumerate(fault_sets):
            pieces: list[_Piece] = []
            transfers = np.zeros(self._shape, dtype=complex)
            for alike, one, good in zip(self._groups, solved, self._good, strict=True):
                changed = one.changed[row].copy()
                if at is not None:
                    changed &= at[row][alike.indices]
                pieces.append(good.at(~changed))
                if changed.any():
                    pieces.append(self._piece(alike, one, fault_set, row, changed))
                shown = np.where(changed[:, None, None], one.transfers(1 + row), one.transfers(0))
                transfers[alike.indices, : shown.shape[1]] = shown
            yield self._stacked(transfers, pieces)

    def _solve(self, alike: _Alike, fault_sets: Sequence[FaultSet]) -> "_SolvedGroup":
        if alike.setup not in self._circuits:
            job, setup = self._job, self._setups[alike.setup]
            wiring = build_wiring(job.module, job.fixture, setup, self._impedances)
            self._circuits[alike.setup] = SetupSensitivities(
                wiring, job.module, job.fixture, self._strays, loosened
            )
        circuit = self._circuits[alike.setup]
        batch = circuit.plan(alike.states, fault_sets)
        columns = tuple(
            batch.states(frequency_hz=frequency_hz, column=column)
            for column, frequency_hz in enumerate(alike.frequencies_hz)
        )
        index = batch.positions.index
        changed = index[:-1] != index[-1]
        for _, row, states, _ in batch.results:
            changed[row, states] = True
        return _SolvedGroup(batch=batch, columns=columns, changed=changed, viewed=circuit.viewed)

    def _piece(
        self, alike: _Alike, solved: "_SolvedGroup", fault_set: FaultSet, row: int, chosen: Flags
    ) -> _Piece:
        """What parameters change in the chosen states of a group. row: -1 for the good unit."""
        names, changes = self._circuits[alike.setup].changes(
            solved.batch,
            fault_set,
            row,
            bad_contacts(fault_set),
            np.flatnonzero(chosen),
            [
                (
                    Solved(state=each.state[1 + row, chosen], adjoint=each.adjoint[1 + row, chosen]),
                    frequency_hz,
                )
                for each, frequency_hz in zip(solved.columns, alike.frequencies_hz, strict=True)
            ],
        )
        loud = np.abs(changes).max(axis=(2, 3), initial=0.0) > FAINT
        kept = np.flatnonzero(loud.any(axis=1))
        return _Piece(
            names=[names[number] for number in kept],
            indices=alike.indices[chosen],
            changes=changes[kept] * loud[kept, :, None, None],
        )

    def _stacked(self, transfers: Complex, pieces: Sequence[_Piece]) -> FaultPrediction:
        """One row for each parameter, whatever setups it is in."""
        numbers: dict[str, int] = {}
        for piece in pieces:
            for name in piece.names:
                numbers.setdefault(name, len(numbers))
        spreads = np.zeros((len(numbers), *self._shape), dtype=complex)
        for piece in pieces:
            rows = np.array([numbers[name] for name in piece.names], dtype=np.intp)
            legs = piece.changes.shape[2]
            spreads[rows[:, None], piece.indices, :legs] = piece.changes
        strays = np.array([name in self._named for name in numbers], dtype=bool)
        return FaultPrediction(transfers=transfers, spreads=spreads, strays=strays)


@dataclass(frozen=True, kw_only=True, eq=False)
class _SolvedGroup:
    """Fault sets in the states of a group, the good unit first, at the frequency of each output.

    changed: (fault sets, states), where anything is otherwise than in a good unit.
    """

    batch: Batch
    columns: tuple[Solved, ...]
    changed: Flags
    viewed: list[int]

    def transfers(self, row: int) -> Complex:
        """Of one fault set: (states, legs, 2)."""
        return np.stack([each.state[row][:, self.viewed] for each in self.columns], axis=-1)


def bad_contacts(fault_set: FaultSet) -> dict[str, float]:
    """Spread of bad contacts' resistance: alone it is fitted, but in a combination it may well be another."""
    share = FITTED_CONTACT if len(fault_set) == 1 else BAD_CONTACT
    return {
        f"{fault.subject}.{fault.throw}": share * (fault.resistance_ohm or 0.0)
        for fault in fault_set
        if fault.kind == "throw resistance"
    }


def loosened(element: Element, bad: Mapping[str, float]) -> Element:
    """Give a spread to what the job's files say nothing of."""
    if element.conducts and element.name in bad:
        return replace(element, resistance_spread_ohm=bad[element.name])
    if element.kind == "contact" and not element.conducts:
        return replace(element, capacitance_spread_f=OFF_CAPACITANCE * element.capacitance_f)
    if element.kind == "connector" and element.resistance_ohm is None:
        return replace(element, capacitance_spread_f=JOINT_CAPACITANCE * element.capacitance_f)
    if element.kind == "scope" and element.resistance_ohm is not None:
        return replace(
            element,
            resistance_spread_ohm=INPUT_RESISTANCE * element.resistance_ohm,
            capacitance_spread_f=INPUT_CAPACITANCE * element.capacitance_f,
        )
    if element.name.startswith("short ") and element.resistance_ohm is not None:
        return replace(element, resistance_spread_ohm=SHORT * element.resistance_ohm)
    return element
