"""One setup's circuit as equations that keep their shape from state to state, for the batch solver.

Whatever conducts well and may be opened by a fault keeps its current as an unknown: joints, straight plugs,
small resistors, whatever has an inductance, and one branch per relay pole, which lies in whichever throw is
closed. A branch's row is p·(v_a - v_b) - q·i = 0, with (p, q) = (1, R + jωL) below one ohm or with an
inductance and (y, 1) above, so that no small admittance is ever added to a large one and both an open and a
short are ordinary rows. All else is an admittance.

Taking an admittance y out of the equations costs the digits of y over all that is left there; `BRANCH_OHM`
bounds that to 1e10 where the leak of 1e-12 S is all, and to 1e4 at a scope input.

Unknowns that nothing joins, whatever the relays do, are blocks of their own: mostly the legs and the channels
of a unit without strays. Inverses are made block by block, since their cost grows with the cube of the size.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from harness.arrays import Complex, Flags, Indices
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
class Block:
    """Unknowns that nothing joins to any others: their rows, ascending, and the relays that change them."""

    rows: Indices
    relays: Indices


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
    relays: int
    couplings: Couplings | None = None

    @property
    def viewed(self) -> list[int]:
        """Rows of the viewed legs."""
        return [self.row[node] for node in self.wiring.view]

    @cached_property
    def viewed_blocks(self) -> frozenset[int]:
        """The blocks of the viewed legs."""
        return frozenset(self.block_of[self.viewed].tolist())

    @cached_property
    def amplified_blocks(self) -> frozenset[int]:
        """The blocks with amplifiers in them."""
        return frozenset(int(self.block_of[self.row[leg.name]]) for leg in self.wiring.amplifiers)

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

    @cached_property
    def blocks(self) -> tuple[Block, ...]:
        """All unknowns, in blocks that are the same at every position of the relays."""
        relays: dict[int, set[int]] = {}
        for index, pole in enumerate(self.poles):
            relays.setdefault(int(self.block_of[self.row[f"pole {index}"]]), set()).add(pole.relay)
        return tuple(
            Block(
                rows=np.flatnonzero(self.block_of == number),
                relays=np.array(sorted(relays.get(number, ())), dtype=np.intp),
            )
            for number in range(self.block_of.max(initial=-1) + 1)
        )

    @cached_property
    def block_of(self) -> Indices:
        """The number of each unknown's block, (size + 1,); ground's is -1."""
        parent = list(range(self.size))

        def first(row: int) -> int:
            while parent[row] != row:
                parent[row] = parent[parent[row]]
                row = parent[row]
            return row

        for joined in self._joined():
            rows = [first(row) for row in joined if row != self.size]
            for row in rows[1:]:
                parent[first(row)] = first(rows[0])
        firsts = [first(row) for row in range(self.size)]
        numbers = {row: number for number, row in enumerate(dict.fromkeys(firsts))}
        return np.array([*(numbers[row] for row in firsts), -1], dtype=np.intp)

    def _joined(self) -> Iterator[list[int]]:
        """Rows that stand in one equation, by what makes it."""
        for element in self.wiring.elements:
            own = [self.row[element.name]] if element.name in self.branch else []
            yield [*own, self.row[element.a], self.row[element.b]]
        for index, pole in enumerate(self.poles):
            throws = [closed for closed, _ in filter(None, (pole.released, pole.operated))]
            yield [self.row[f"pole {index}"], *(self.row[end] for one in throws for end in (one.a, one.b))]
        if self.couplings is not None:
            yield from self.couplings.rows(self.row, self.size).T.tolist()
        for leg in self.wiring.amplifiers:
            yield [self.row[name] for name in (leg.name, leg.output, leg.hot, leg.cold)]
        for transformer in self.wiring.transformers:
            yield [self.row[name] for name in (transformer.name, *transformer.nodes)]
        for source in self.wiring.generator:
            yield [self.row[source.name], self.row[source.node]]

    def matrices(self, operated: Flags, frequency_hz: float, block: Block | None = None) -> Complex:
        """Matrices of several positions of the relays, (positions, relays): (positions, size, size).

        block: the part of them that holds these unknowns alone.
        """
        omega = 2 * np.pi * frequency_hz
        rows = np.arange(self.size) if block is None else block.rows
        size = len(rows)
        static = _static(self, omega)[np.ix_(rows, rows)].reshape(-1)
        matrices = np.tile(static, (len(operated), 1))
        where, what = _contacts(self, omega, block)
        matrices[:, where] += np.concatenate([~operated, operated], axis=1) @ what
        return matrices.reshape(len(operated), size, size)


@lru_cache(maxsize=8)
def _static(network: Network, omega: float) -> Complex:
    """A network's equations without its poles, (size, size)."""
    size, row = network.size, network.row
    matrix = np.zeros((size + 1, size + 1), dtype=complex)
    nodes = size - len(network.elements) - len(network.poles)
    nodes -= len(network.wiring.amplifiers) + len(network.wiring.transformers) + len(network.wiring.generator)
    matrix[range(nodes), range(nodes)] = LEAK_S
    for element in network.wiring.elements:
        ends = row[element.a], row[element.b]
        if element.name in network.branch:
            for at, value in _branch_entries(row[element.name], ends, row_of(element, omega)):
                matrix[at] += value
        else:
            p, q = row_of(element, omega)
            for at, value in _admittance_entries(ends, p / q):
                matrix[at] += value
    if network.couplings is not None:
        rows = network.couplings.rows(row, size)
        matrix += 1j * omega * network.couplings.capacitance(rows, size)
    for leg in network.wiring.amplifiers:
        own, output = row[leg.name], row[leg.output]
        matrix[output, own] += 1.0
        matrix[own, output] += 1.0
        matrix[own, own] = -leg.output_ohm
        matrix[own, row[leg.hot]] -= leg.gain_hot
        matrix[own, row[leg.cold]] -= leg.gain_cold
    for transformer in network.wiring.transformers:
        own = row[transformer.name]
        for name, factor in transformer.coefficients:
            matrix[own, row[name]] += factor
            matrix[row[name], own] += factor
    for source in network.wiring.generator:
        own, node = row[source.name], row[source.node]
        matrix[node, own] += 1.0
        matrix[own, node] += 1.0
        matrix[own, own] = -source.output_ohm
    return matrix[:size, :size]


@lru_cache(maxsize=32)
def _contacts(network: Network, omega: float, block: Block | None) -> tuple[Indices, Complex]:
    """What the poles add: where, as flat indices of a block's matrix, and what: (2 · relays, entries).

    The first half of the rows is for relays that are released, the second for those that are operated.
    """
    rows = np.arange(network.size) if block is None else block.rows
    local = dict(zip(rows.tolist(), range(len(rows)), strict=True))
    relays = network.relays
    added: dict[tuple[int, int], complex] = {}
    for index, pole in enumerate(network.poles):
        row = network.row[f"pole {index}"]
        for operated, closed, opened in (
            (0, pole.released, pole.operated),
            (relays, pole.operated, pole.released),
        ):
            entries: list[tuple[tuple[int, int], complex]] = [((row, row), -1.0)]
            if closed is not None:
                ends = network.row[closed[0].a], network.row[closed[0].b]
                entries = list(_branch_entries(row, ends, row_of(closed[0], omega)))
            if opened is not None and opened[1].capacitance_f:
                ends = network.row[opened[1].a], network.row[opened[1].b]
                entries += _admittance_entries(ends, 1j * omega * opened[1].capacitance_f)
            for (one, other), value in entries:
                if one in local and other in local:
                    key = operated + pole.relay, local[one] * len(rows) + local[other]
                    added[key] = added.get(key, 0j) + value
    where = np.array(sorted({at for _, at in added}), dtype=np.intp)
    column = {at: number for number, at in enumerate(where.tolist())}
    what = np.zeros((2 * relays, len(where)), dtype=complex)
    for (relay, at), value in added.items():
        what[relay, column[at]] = value
    return where, what


def _branch_entries(
    row: int, ends: tuple[int, int], terms: tuple[complex, complex]
) -> Iterator[tuple[tuple[int, int], complex]]:
    """A current as the unknown of a row, between two nodes. terms: p and q of `row_of`."""
    p, q = terms
    for node, sign in zip(ends, (1.0, -1.0), strict=True):
        yield (row, node), sign * p
        yield (node, row), sign
    yield (row, row), -q


def _admittance_entries(
    ends: tuple[int, int], admittance: complex
) -> Iterator[tuple[tuple[int, int], complex]]:
    """An admittance between two nodes."""
    for one, other in (ends, ends[::-1]):
        yield (one, one), admittance
        yield (one, other), -admittance


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
        relays=len(module.relays),
        couplings=couplings,
    )
