"""One setup's circuit as equations that keep their shape from state to state, for the batch solver.

Whatever conducts well and may be opened by a fault keeps its current as an unknown: joints, straight plugs,
small resistors, and one branch per relay pole, which lies in whichever throw is closed. A branch's row is
p·(v_a - v_b) - q·i = 0, with (p, q) = (1, R) below one ohm and (y, 1) above, so that no small admittance is
ever added to a large one and both an open and a short are ordinary rows. All else is an admittance.

Taking an admittance y out of the equations costs the digits of y over all that is left there; `BRANCH_OHM`
bounds that to 1e10 where the leak of 1e-12 S is all, and to 1e4 at a scope input.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from harness.circuit.elements import Circuit, Element
from harness.circuit.expand import contacts
from harness.circuit.solve import BRANCH_BELOW_OHM, LEAK_S
from harness.job.module import GROUND, Module
from harness.job.state import State

Complex = NDArray[np.complex128]
Flags = NDArray[np.bool_]
BRANCH_OHM = 100.0  # from here up a resistance is an admittance


@dataclass(frozen=True, kw_only=True, slots=True)
class PoleBranch:
    """A pole: its two throws as they are when closed and when open; None for one that isn't there."""

    relay: int
    common: str
    released: tuple[Element, Element] | None
    operated: tuple[Element, Element] | None


@dataclass(frozen=True, kw_only=True, eq=False)
class Network:
    """A setup without its contacts, and the poles that close in it. `row` finds a node or a branch by name.

    Unknowns are the nodes, then the branches of `elements`, of poles, of amplifiers and of the generator;
    ground's place is `size`, a row and column of zeros.
    """

    wiring: Circuit
    elements: tuple[Element, ...]  # those that are branches
    poles: tuple[PoleBranch, ...]
    relays: tuple[str, ...]
    row: Mapping[str, int]
    size: int

    @property
    def viewed(self) -> list[int]:
        """Places of the viewed legs."""
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
        """Places of each relay's poles in `poles`."""
        numbers = dict.fromkeys(pole.relay for pole in self.poles)
        return {
            number: tuple(index for index, pole in enumerate(self.poles) if pole.relay == number)
            for number in numbers
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
            for throw, there in ((pole.released, every[~thrown]), (pole.operated, every[thrown])):
                if throw is None:
                    matrix[there, row, row] = -1.0
                    continue
                p, q = row_of(throw[0].resistance_ohm, throw[0].capacitance_f, omega)
                a, b = self.row[throw[0].a], self.row[throw[0].b]
                matrix[there, row, a] += p
                matrix[there, row, b] -= p
                matrix[there, a, row] += 1.0
                matrix[there, b, row] -= 1.0
                matrix[there, row, row] = -q
            for throw, there in ((pole.operated, every[~thrown]), (pole.released, every[thrown])):
                if throw is not None and throw[1].capacitance_f:
                    stray = 1j * omega * throw[1].capacitance_f
                    a, b = self.row[throw[1].a], self.row[throw[1].b]
                    matrix[there, a, a] += stray
                    matrix[there, b, b] += stray
                    matrix[there, a, b] -= stray
                    matrix[there, b, a] -= stray
        return matrix[:, : self.size, : self.size]

    def _static(self, omega: float) -> Complex:
        matrix = np.zeros((self.size + 1, self.size + 1), dtype=complex)
        nodes = self.size - len(self.elements) - len(self.poles)
        nodes -= len(self.wiring.amplifiers) + len(self.wiring.generator)
        matrix[range(nodes), range(nodes)] = LEAK_S
        for element in self.wiring.elements:
            p, q = row_of(element.resistance_ohm, element.capacitance_f, omega)
            a, b = self.row[element.a], self.row[element.b]
            if element.name in self.branch:
                row = self.row[element.name]
                matrix[row, a] += p
                matrix[row, b] -= p
                matrix[a, row] += 1.0
                matrix[b, row] -= 1.0
                matrix[row, row] = -q
                continue
            y = p / q
            matrix[a, a] += y
            matrix[b, b] += y
            matrix[a, b] -= y
            matrix[b, a] -= y
        for leg in self.wiring.amplifiers:
            row, output = self.row[leg.name], self.row[leg.output]
            matrix[output, row] += 1.0
            matrix[row, output] += 1.0
            matrix[row, row] = -leg.output_ohm
            matrix[row, self.row[leg.hot]] -= leg.gain_hot
            matrix[row, self.row[leg.cold]] -= leg.gain_cold
        for source in self.wiring.generator:
            row, node = self.row[f"generator {source.leg}"], self.row[source.node]
            matrix[node, row] += 1.0
            matrix[row, node] += 1.0
            matrix[row, row] = -source.output_ohm
        return matrix


def row_of(resistance_ohm: float | None, capacitance_f: float, omega: float) -> tuple[complex, complex]:
    """(p, q) of a resistance (None: none) beside a capacitance: p·v = q·i."""
    if resistance_ohm is None:
        return 1j * omega * capacitance_f, 1.0
    if resistance_ohm < BRANCH_BELOW_OHM:
        return 1 + 1j * omega * capacitance_f * resistance_ohm, resistance_ohm
    return 1 / resistance_ohm + 1j * omega * capacitance_f, 1.0


def make_network(wiring: Circuit, module: Module) -> Network:
    """Number the unknowns of a setup's wiring, as `build_wiring` made it, and of the module's poles."""
    poles = tuple(_poles(module))
    elements = tuple(
        element
        for element in wiring.elements
        if element.resistance_ohm is not None and element.resistance_ohm < BRANCH_OHM
    )
    nodes: set[str] = set(wiring.view)
    for element in (
        *wiring.elements,
        *(e for pole in poles for e in (pole.released or ()) + (pole.operated or ())),
    ):
        nodes |= {element.a, element.b}
    for leg in wiring.amplifiers:
        nodes |= {leg.output, leg.hot, leg.cold}
    nodes |= {leg.node for leg in wiring.generator}
    names = [
        *sorted(nodes - {GROUND}),
        *(element.name for element in elements),
        *(f"pole {index}" for index in range(len(poles))),
        *(leg.name for leg in wiring.amplifiers),
        *(f"generator {leg.leg}" for leg in wiring.generator),
    ]
    row = {name: place for place, name in enumerate(names)}
    row[GROUND] = len(names)
    return Network(
        wiring=wiring,
        elements=elements,
        poles=poles,
        relays=tuple(relay.name for relay in module.relays),
        row=row,
        size=len(names),
    )


def _poles(module: Module) -> Sequence[PoleBranch]:
    when_released = {element.name: element for element in contacts(module, State(on=(), powered=False))}
    thrown = {element.name: element for element in contacts(module, State(on=module.control_names))}
    return [
        PoleBranch(
            relay=number,
            common=pole.common,
            released=None
            if pole.released is None
            else (when_released[f"{pole.name}.released"], thrown[f"{pole.name}.released"]),
            operated=None
            if pole.operated is None
            else (thrown[f"{pole.name}.operated"], when_released[f"{pole.name}.operated"]),
        )
        for number, relay in enumerate(module.relays)
        for pole in relay.poles
    ]
