"""What each toleranced part, contact and stray changes in a setup's transfers, with faults in them.

Of a state that is solved everywhere, with what each leg owes to a feed anywhere, a parameter's effect is a
product: dV = -(w_a - w_b)·dy·(x_a - x_b) (Director and Rohrer, "The generalized adjoint network and network
sensitivities", IEEE Trans. CT-16, 1969, from memory). Of a branch with a small resistance or an inductance, a
is its own row, b is ground, and dy is what its impedance changes, negative.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from harness.arrays import Complex, Floats, Indices
from harness.circuit.elements import Circuit, Couplings, Element
from harness.circuit.solve import BRANCH_BELOW_OHM
from harness.faults.batch import Solved
from harness.faults.effects import FaultSet
from harness.faults.signatures import Batch, Planner
from harness.faults.wiring_faults import amplifiers_with
from harness.job.fixture import Fixture
from harness.job.module import Module
from harness.job.state import State

Loosen = Callable[[Element, Mapping[str, float]], Element]
"""Gives an element the spread that its value has; by name, that of bad contacts' resistance."""

Place = tuple[int, int, float, float]  # a, b, siemens and farads of one parameter


@dataclass(frozen=True, kw_only=True, eq=False)
class _Places:
    """Where parameters sit, and what one standard uncertainty adds there: (states, parameters) each, or
    (1, parameters) where all states are alike.
    """

    a: Indices
    b: Indices
    siemens: Floats
    farads: Floats

    @classmethod
    def of(cls, places: Floats) -> "_Places":
        """places: (states, parameters, 4), as `Place` has it."""
        a, b, siemens, farads = np.moveaxis(places, -1, 0)
        return cls(a=a.astype(np.intp), b=b.astype(np.intp), siemens=siemens, farads=farads)

    def changes(self, solved: Solved, frequency_hz: float) -> Complex:
        """What each changes in the viewed legs: (parameters, states, legs)."""
        every = np.arange(len(solved.state))[:, None]
        across = solved.state[every, self.a] - solved.state[every, self.b]
        weight = solved.adjoint[every, :, self.a] - solved.adjoint[every, :, self.b]
        admittance = self.siemens + 2j * np.pi * frequency_hz * self.farads
        return np.asarray((-(admittance * across)[:, :, None] * weight).transpose(1, 0, 2))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Throw:
    """A throw of a pole: the pole's row, its relay by number, and whether the throw closes when operated."""

    name: str
    row: int
    relay: int
    operated: bool


class SetupSensitivities:
    """One setup's circuit, and the parameters that it has with faults in it."""

    def __init__(
        self, wiring: Circuit, module: Module, fixture: Fixture, strays: Couplings, loosen: Loosen
    ) -> None:
        self._planner = Planner(wiring, module, fixture, strays)
        self._network = network = self._planner.network
        self._wiring, self._strays, self._loosen = wiring, strays, loosen
        self._throws: list[_Throw] = []
        closed: list[Place] = []
        opened: list[Place] = []
        for index, pole in enumerate(network.poles):
            for operated, throw in enumerate((pole.released, pole.operated)):
                if throw is not None:
                    row = network.row[f"pole {index}"]
                    name = throw[0].name
                    self._throws.append(_Throw(name=name, row=row, relay=pole.relay, operated=bool(operated)))
                    closed.append(self._place(loosen(throw[0], {}), row))
                    opened.append(self._place(loosen(throw[1], {}), None))
        self._closed = np.array(closed).reshape(-1, 4)
        self._opened = np.array(opened).reshape(-1, 4)
        self._number = {throw.name: number for number, throw in enumerate(self._throws)}
        self._closes = np.array([throw.operated for throw in self._throws], dtype=bool)
        self._relays = np.array([throw.relay for throw in self._throws], dtype=np.intp)
        rows = strays.rows(network.row, network.size)
        self._stray_places = np.column_stack([*rows, np.zeros(len(strays.names)), strays.spread_f])

    @property
    def viewed(self) -> list[int]:
        """Rows of the viewed legs."""
        return self._network.viewed

    def plan(self, states: Sequence[State], fault_sets: Sequence[FaultSet]) -> Batch:
        """The work of these fault sets in these states."""
        return self._planner.plan(states, fault_sets)

    def changes(
        self,
        batch: Batch,
        fault_set: FaultSet,
        row: int,
        bad: Mapping[str, float],
        states: Indices,
        solved: Sequence[tuple[Solved, float]],
    ) -> tuple[list[str], Complex]:
        """Names of the parameters, and what each changes in the viewed legs: (parameters, states, legs, 2).

        row: of the fault set in its batch. bad: spreads of bad contacts, by name. states: which of the
        batch's. solved: of these states, and the frequency in hertz, for each output of the generator.
        """
        wired = [
            (element.name, self._place(element, self._branch(element)))
            for element in (self._loosen(each, bad) for each in self._planner.wiring_of(fault_set))
            if element.resistance_spread_ohm or element.capacitance_spread_f or element.inductance_spread_h
        ]
        wired += [
            (leg.name, (self._network.row[leg.name], self._network.size, -leg.output_spread_ohm, 0.0))
            for leg in self._wiring.generator
            if leg.output_spread_ohm
        ]
        steady = np.concatenate(
            [np.array([place for _, place in wired], dtype=float).reshape(-1, 4), self._stray_places]
        )
        places = _Places.of(steady[None]), _Places.of(self._contacts(batch, row, bad)[states])
        columns = [
            np.concatenate(
                [*(each.changes(one, frequency_hz) for each in places), *self._gains(one, fault_set).values()]
            )
            for one, frequency_hz in solved
        ]
        names = [name for name, _ in wired] + [*self._strays.names] + [throw.name for throw in self._throws]
        return [*names, *self._gains(solved[0][0], fault_set)], np.stack(columns, axis=-1)

    def _contacts(self, batch: Batch, row: int, bad: Mapping[str, float]) -> Floats:
        """Where each throw sits in each state of a batch: (states, throws, 4)."""
        operated = batch.positions.operated[batch.positions.index[row]]
        closed = operated[:, self._relays] == self._closes
        places = np.where(closed[:, :, None], self._closed, self._opened)
        for way in batch.ways[row]:
            for name, element in way.wanted.items():
                number = self._number[name]
                throw = self._throws[number]
                own_row = throw.row if way.standing[throw.relay] == throw.operated else None
                places[way.states, number] = self._place(self._loosen(element, bad), own_row)
        return np.asarray(places)

    def _branch(self, element: Element) -> int | None:
        """The row of an element's current, if it has one and still lies there."""
        held = self._network.branch.get(element.name)
        if held is None or (held.a, held.b) != (element.a, element.b):
            return None
        return self._network.row[element.name]

    def _place(self, element: Element, row: int | None) -> Place:
        """row: of its current, if that is an unknown."""
        ohm = element.resistance_ohm
        if row is not None and ohm is not None and (ohm < BRANCH_BELOW_OHM or element.inductance_h):
            size = self._network.size
            return row, size, -element.resistance_spread_ohm, -element.inductance_spread_h
        siemens = 0.0 if ohm is None else -element.resistance_spread_ohm / ohm**2
        a, b = self._network.row[element.a], self._network.row[element.b]
        return a, b, siemens, element.capacitance_spread_f

    def _gains(self, solved: Solved, fault_set: FaultSet) -> dict[str, Complex]:
        """What the tolerance of each amplifier's gain, which both legs have in common, changes: (1, …)."""
        row, result = self._network.row, dict[str, Complex]()
        for leg in amplifiers_with(self._wiring.amplifiers, fault_set):
            if leg.gain_spread:
                hot, cold = solved.state[:, row[leg.hot]], solved.state[:, row[leg.cold]]
                at_input = leg.gain_spread * (leg.gain_hot * hot + leg.gain_cold * cold)
                change = at_input[:, None] * solved.adjoint[:, :, row[leg.name]]
                name = f"{leg.part} gain"
                result[name] = result.get(name, 0.0) + change[None]
        return result
