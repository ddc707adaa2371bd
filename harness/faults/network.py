"""One setup's circuit as equations that keep their shape from state to state, for the batch solver.

Whatever conducts well and may be opened by a fault keeps its current as an unknown: joints, straight plugs,
small resistors, whatever has an inductance, and one branch per relay pole, which lies in whichever throw is
closed. A branch's row is p·(v_a - v_b) - q·i = 0, with (p, q) = (1, R + jωL) below one ohm or with an
inductance and (y, 1) above, so that no small admittance is ever added to a large one and both an open and a
short are ordinary rows. All else is an admittance.

Taking an admittance y out of the equations costs the digits of y over all that is left there; `BRANCH_OHM`
bounds that to 1e10 where the leak of 1e-12 S is all, and to 1e4 at a scope input.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from harness.arrays import Complex, Flags
from harness.circuit.elements import Circuit, Couplings, Element
from harness.circuit.expand import throws_of
from harness.circuit.solve import BRANCH_BELOW_OHM, LEAK_S
from harness.job.module import GROUND, Module

BRANCH_OHM = 100.0  # from here up a resistance is an admittance


@dataclass(frozen=True, kw_only=True, slots=True)
class PoleBranch:
    """A pole: its two throws as they are when closed and when open; None for one that isn't there."""

    relay: int
    released: tuple[Element, Element] | None
    operated: tuple[Element, Element] | None


@dataclass(frozen=True, kw_only=True, eq=False)
class Network:
    """A setup without its contacts, and the poles that close in it. `row` finds a node or a branch by name.

    couplings: beside its elements, if there are any.

    Unknowns are the nodes, then the branches of `elements`, of poles, of amplifiers, of transformers and of
    the generator; ground is at `size`, a row and column of zeros.
    """

    wiring: Circuit
    elements: tuple[Element, ...]  # those that are branches
    poles: tuple[PoleBranch, ...]
    row: Mapping[str, int]
    size: int
    couplings: Couplings | None = None

    @property
    def viewed(self) -> list[int]:
        """Rows of the viewed legs."""
        return [self.row[node] for node in self.wiring.view]

    @property
    def sources(self) -> list[int]:
        """Rows of the generator's outputs, hot first."""
        return [self.row[f"generator {leg.leg}"] for leg in self.wiring.generator]

    @cached_property
    def branch(self) -> Mapping[str, Element]:
        """The wiring's branches by name."""
        return {element.name: element for element in self.elements}

    @cached_property
    def poles_of(self) -> Mapping[int, tuple[int, ...]]:
        """Indices of each relay's poles in `poles`."""
        return {
            pole.relay: tuple(index for index, other in enumerate(self.poles) if other.relay == pole.relay)
            for pole in self.poles
        }

    def matrices(self, operated: Flags, frequency_hz: float) -> Complex:
        """Matrices of several positions of the relays, (positions, relays): (positions, size, size)."""
        omega = 2 * np.pi * frequency_hz
        count = len(operated)
        matrix = np.zeros((count, self.size + 1, self.size + 1), dtype=complex)
        matrix += self._static(omega)
        every = np.arange(count)
        for index, pole in enumerate(self.poles):
            thrown = operated[:, pole.relay]
            row = self.row[f"pole {index}"]
            for throw, other, at in (
                (pole.released, pole.operated, every[~thrown]),
                (pole.operated, pole.released, every[thrown]),
            ):
                if throw is None:
                    matrix[at, row, row] = -1.0
                else:
                    self._add_branch(matrix, at, row, throw[0], omega)
                if other is not None and other[1].capacitance_f:
                    stray = 1j * omega * other[1].capacitance_f
                    _add_admittance(matrix, at, self.row[other[1].a], self.row[other[1].b], stray)
        return matrix[:, : self.size, : self.size]

    def _static(self, omega: float) -> Complex:
        matrix = np.zeros((self.size + 1, self.size + 1), dtype=complex)
        nodes = self.size - len(self.elements) - len(self.poles)
        nodes -= len(self.wiring.amplifiers) + len(self.wiring.transformers) + len(self.wiring.generator)
        matrix[range(nodes), range(nodes)] = LEAK_S
        for element in self.wiring.elements:
            if element.name in self.branch:
                self._add_branch(matrix, ..., self.row[element.name], element, omega)
            else:
                p, q = row_of(element, omega)
                _add_admittance(matrix, ..., self.row[element.a], self.row[element.b], p / q)
        if self.couplings is not None:
            rows = self.couplings.rows(self.row, self.size)
            matrix += 1j * omega * self.couplings.capacitance(rows, self.size)
        for leg in self.wiring.amplifiers:
            row, output = self.row[leg.name], self.row[leg.output]
            matrix[output, row] += 1.0
            matrix[row, output] += 1.0
            matrix[row, row] = -leg.output_ohm
            matrix[row, self.row[leg.hot]] -= leg.gain_hot
            matrix[row, self.row[leg.cold]] -= leg.gain_cold
        for transformer in self.wiring.transformers:
            row = self.row[transformer.name]
            for name, factor in transformer.coefficients:
                matrix[row, self.row[name]] += factor
                matrix[self.row[name], row] += factor
        for source in self.wiring.generator:
            row, node = self.row[f"generator {source.leg}"], self.row[source.node]
            matrix[node, row] += 1.0
            matrix[row, node] += 1.0
            matrix[row, row] = -source.output_ohm
        return matrix

    def _add_branch(self, matrix: Complex, at: Any, row: int, element: Element, omega: float) -> None:
        """An element's current as the unknown of a row, in the matrices `at` these indices."""
        p, q = row_of(element, omega)
        for node, sign in ((self.row[element.a], 1.0), (self.row[element.b], -1.0)):
            matrix[at, row, node] += sign * p
            matrix[at, node, row] += sign
        matrix[at, row, row] = -q


def _add_admittance(matrix: Complex, at: Any, a: int, b: int, admittance: complex) -> None:
    """An admittance between two nodes, in the matrices `at` these indices."""
    for one, other in ((a, b), (b, a)):
        matrix[at, one, one] += admittance
        matrix[at, one, other] -= admittance


def row_of(element: Element, omega: float) -> tuple[complex, complex]:
    """(p, q) of a resistance (None: none) beside a capacitance or before an inductance: p·v = q·i."""
    resistance_ohm, capacitance_f = element.resistance_ohm, element.capacitance_f
    if element.inductance_h:
        return 1.0, (resistance_ohm or 0.0) + 1j * omega * element.inductance_h
    if resistance_ohm is None:
        return 1j * omega * capacitance_f, 1.0
    if resistance_ohm < BRANCH_BELOW_OHM:
        return 1 + 1j * omega * capacitance_f * resistance_ohm, resistance_ohm
    return 1 / resistance_ohm + 1j * omega * capacitance_f, 1.0


def make_network(wiring: Circuit, module: Module, couplings: Couplings | None = None) -> Network:
    """Number the unknowns of a setup's wiring, as `build_wiring` made it, and of the module's poles."""
    throws = throws_of(module)
    poles = tuple(
        PoleBranch(
            relay=number,
            released=throws.get((pole.name, "released")),
            operated=throws.get((pole.name, "operated")),
        )
        for number, relay in enumerate(module.relays)
        for pole in relay.poles
    )
    elements = tuple(
        element
        for element in wiring.elements
        if element.resistance_ohm is not None
        and (element.resistance_ohm < BRANCH_OHM or element.inductance_h)
    )
    contacts = [element for closed_and_open in throws.values() for element in closed_and_open]
    nodes: set[str] = set(wiring.view)
    for element in (*wiring.elements, *contacts):
        nodes |= {element.a, element.b}
    for leg in wiring.amplifiers:
        nodes |= {leg.output, leg.hot, leg.cold}
    for transformer in wiring.transformers:
        nodes |= set(transformer.nodes)
    nodes |= {leg.node for leg in wiring.generator}
    names = [
        *sorted(nodes - {GROUND}),
        *(element.name for element in elements),
        *(f"pole {index}" for index in range(len(poles))),
        *(leg.name for leg in wiring.amplifiers),
        *(transformer.name for transformer in wiring.transformers),
        *(f"generator {leg.leg}" for leg in wiring.generator),
    ]
    row = {name: index for index, name in enumerate(names)}
    row[GROUND] = len(names)
    return Network(
        wiring=wiring,
        elements=elements,
        poles=poles,
        row=row,
        size=len(names),
        couplings=couplings,
    )
