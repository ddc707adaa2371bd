"""Complex volts everywhere in a circuit, at any frequency, by modified nodal analysis.

Resistances below `BRANCH_BELOW_OHM` (contacts, joints, straight plugs) keep their current as an unknown,
v_a - v_b - R·i = 0, and are not added as admittances: 20 S beside the 1e-12 S that hold a floating part in
place would leave of the latter nothing that a double can carry. In this form no small admittance is ever
added to a large one, and 0 ohm is a value like any other. So does whatever has an inductance, and an ideal
transformer, which has one current for both windings. (Ho, Ruehli, Brennan, "The modified nodal approach
to network analysis", IEEE Trans. CAS-22, 1975, from memory.)
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.arrays import Complex, Floats, Indices
from harness.circuit.elements import IDEAL_CONTACT_OHM, Circuit, Couplings, Element
from harness.errors import CircuitError
from harness.job.module import GROUND

LEAK_S = 1e-12  # from every node to ground, so that a floating part has a solution
BRANCH_BELOW_OHM = 1.0
LARGEST_GAIN = 1e6  # V at a node per V of e.m.f., 120 dB: beyond it amplifiers are fed back upon themselves


@dataclass(frozen=True, kw_only=True)
class Equations:
    """(conductance + 2πjf·capacitance)·x = source, for the part of a circuit that the generator can reach.

    What nothing joins to the generator carries exactly nothing, and is left out. x is the volts of the nodes,
    then the currents of the branches; `node` and `branch` say by name which is where. `source` has shape
    (unknowns, 2): one column for each generator output at 1 V e.m.f., hot first. The matrices are symmetric
    unless there are amplifiers. coupled: rows of the ends of couplings, (2, couplings); `size` is ground.
    """

    node: Mapping[str, int]
    branch: Mapping[str, int]
    conductance: Floats
    capacitance: Floats
    source: Floats
    symmetric: bool
    coupled: Indices

    @property
    def size(self) -> int:
        """How many unknowns there are."""
        return len(self.source)

    def with_ideal_contacts(self, circuit: Circuit) -> "Equations":
        """The same circuit with its open contacts gone, and `IDEAL_CONTACT_OHM` in its closed ones."""
        conductance, capacitance = self.conductance.copy(), self.capacitance.copy()
        for element in circuit.elements:
            if element.kind != "contact":
                continue
            if element.conducts:
                row = self.branch.get(element.name)
                if row is not None:
                    conductance[row, row] = -IDEAL_CONTACT_OHM
                continue
            a, b = self.node.get(element.a), self.node.get(element.b)
            _add_admittance(capacitance, a, b, -element.capacitance_f)
            if element.resistance_ohm is not None:
                _add_admittance(conductance, a, b, -1 / element.resistance_ohm)
        return replace(self, conductance=conductance, capacitance=capacitance)

    def matrix(self, frequencies_hz: Sequence[float]) -> Complex:
        """Shape (frequencies, unknowns, unknowns)."""
        matrix = np.empty((len(frequencies_hz), self.size, self.size), dtype=complex)
        matrix.real = self.conductance
        matrix.imag = np.multiply.outer(2 * np.pi * np.asarray(frequencies_hz), self.capacitance)
        return matrix


@dataclass(frozen=True, kw_only=True, slots=True)
class _Branch:
    """A current i from a to b, as an unknown: v_a - v_b - (R + jωL)·i - Σ gain·v = e.m.f."""

    name: str
    a: str
    b: str
    resistance_ohm: float
    gains: tuple[tuple[str, float], ...] = ()
    inductance_h: float = 0.0


def write_equations(circuit: Circuit, couplings: Couplings | None = None) -> Equations:
    """Write the equations of the part of a circuit that its generator reaches.

    With couplings, which may join anything, of the whole circuit.
    """
    reached = _reached(circuit) if couplings is None else _nodes(circuit)
    node = {name: row for row, name in enumerate(sorted(reached))}
    branches = [branch for branch in _branches(circuit) if branch.a in node or branch.b in node]
    transformers = [each for each in circuit.transformers if not node.keys().isdisjoint(each.nodes)]
    size = len(node) + len(branches) + len(transformers)
    conductance, capacitance = np.zeros((size, size)), np.zeros((size, size))
    conductance[range(len(node)), range(len(node))] = LEAK_S
    for element in circuit.elements:
        a, b = node.get(element.a), node.get(element.b)
        if a is None and b is None:
            continue
        if element.resistance_ohm is not None and not _is_branch(element):
            _add_admittance(conductance, a, b, 1 / element.resistance_ohm)
        if element.capacitance_f:
            _add_admittance(capacitance, a, b, element.capacitance_f)
    coupled = np.zeros((2, 0), dtype=np.intp)
    if couplings is not None:
        coupled = couplings.rows(node, size)
        capacitance += couplings.capacitance(coupled, size)[:size, :size]
    branch_row = {branch.name: row for row, branch in enumerate(branches, start=len(node))}
    for branch in branches:
        _add_branch(conductance, node, branch_row[branch.name], branch)
        capacitance[branch_row[branch.name], branch_row[branch.name]] = -branch.inductance_h
    for row, transformer in enumerate(transformers, start=len(node) + len(branches)):
        for name, factor in transformer.coefficients:
            if name in node:
                conductance[node[name], row] += factor
                conductance[row, node[name]] += factor
    source = np.zeros((size, 2))
    for column, leg in enumerate(circuit.generator):
        source[branch_row[leg.name], column] = 1
    return Equations(
        node=node,
        branch=branch_row,
        conductance=conductance,
        capacitance=capacitance,
        source=source,
        symmetric=not circuit.amplifiers,
        coupled=coupled,
    )


def _is_branch(element: Element) -> bool:
    """Whether an element's current is an unknown: small resistances, inductances, contacts that conduct."""
    if element.resistance_ohm is None:
        return False
    small = element.resistance_ohm < BRANCH_BELOW_OHM or element.inductance_h > 0
    return small or (element.kind == "contact" and element.conducts)


def _branches(circuit: Circuit) -> Iterator[_Branch]:
    for element in circuit.elements:
        if element.resistance_ohm is not None and _is_branch(element):
            yield _Branch(
                name=element.name,
                a=element.a,
                b=element.b,
                resistance_ohm=element.resistance_ohm,
                inductance_h=element.inductance_h,
            )
    for amplifier in circuit.amplifiers:
        yield _Branch(
            name=amplifier.name,
            a=amplifier.output,
            b=GROUND,
            resistance_ohm=amplifier.output_ohm,
            gains=((amplifier.hot, amplifier.gain_hot), (amplifier.cold, amplifier.gain_cold)),
        )
    for leg in circuit.generator:
        yield _Branch(name=leg.name, a=leg.node, b=GROUND, resistance_ohm=leg.output_ohm)


def _add_branch(matrix: Floats, node: Mapping[str, int], row: int, branch: _Branch) -> None:
    for name, sign in ((branch.a, 1.0), (branch.b, -1.0)):
        if name in node:
            matrix[node[name], row] += sign
            matrix[row, node[name]] += sign
    for name, gain in branch.gains:
        if name in node:
            matrix[row, node[name]] -= gain
    matrix[row, row] = -branch.resistance_ohm


def solve(equations: Equations, matrix: Complex, right: Complex | Floats) -> Complex:
    """Solve for several right-hand sides: matrix (…, n, n), right (…, n, columns), an e.m.f. in the first.

    Raises CircuitError, naming a net, if there is no solution or one that no amplifier could deliver.
    """
    try:
        solution = np.asarray(np.linalg.solve(matrix, right))
    except np.linalg.LinAlgError:
        raise CircuitError(_no_solution(equations, matrix)) from None
    volts = np.abs(solution[..., : len(equations.node), :1])
    if volts.size and not volts.max() < LARGEST_GAIN:
        raise CircuitError(_no_solution(equations, matrix))
    return solution


def transfer(
    circuit: Circuit, frequencies_hz: tuple[float, float], couplings: Couplings | None = None
) -> Complex:
    """Volts at the viewed legs per volt of the hot and of the cold e.m.f., (legs, 2), as predicted: for those
    who need many of them, and neither spreads nor routes.
    """
    equations = write_equations(circuit, couplings)
    volts = solve(equations, equations.matrix(frequencies_hz), equations.source.T[:, :, None])
    padded = np.concatenate([volts[:, :, 0], np.zeros((2, 1))], axis=1)
    viewed = [equations.node.get(node, equations.size) for node in circuit.view]
    return np.asarray(padded[:, viewed].T)


def _add_admittance(matrix: Floats, a: int | None, b: int | None, admittance: float) -> None:
    if a is not None:
        matrix[a, a] += admittance
    if b is not None:
        matrix[b, b] += admittance
    if a is not None and b is not None:
        matrix[a, b] -= admittance
        matrix[b, a] -= admittance


def _nodes(circuit: Circuit) -> set[str]:
    """All nodes but ground."""
    nodes = {leg.node for leg in circuit.generator} | set(circuit.view)
    for element in circuit.elements:
        nodes.add(element.a)
        nodes.add(element.b)
    for leg in circuit.amplifiers:
        nodes |= {leg.hot, leg.cold, leg.output}
    for transformer in circuit.transformers:
        nodes |= set(transformer.nodes)
    return nodes - {GROUND}


def _reached(circuit: Circuit) -> set[str]:
    """The nodes that anything at all, an open contact's capacitance included, joins to the generator."""
    neighbours: dict[str, list[str]] = {}
    for element in circuit.elements:
        if element.a == GROUND or element.b == GROUND:
            continue
        if element.resistance_ohm is None and not element.capacitance_f:
            continue
        neighbours.setdefault(element.a, []).append(element.b)
        neighbours.setdefault(element.b, []).append(element.a)
    for leg in circuit.amplifiers:
        for node in (leg.hot, leg.cold):
            neighbours.setdefault(node, []).append(leg.output)
            neighbours.setdefault(leg.output, []).append(node)
    for transformer in circuit.transformers:
        for node in transformer.nodes:
            if node != GROUND:
                others = [other for other in transformer.nodes if other not in (GROUND, node)]
                neighbours.setdefault(node, []).extend(others)
    waiting = [leg.node for leg in circuit.generator]
    reached = set(waiting)
    while waiting:
        for node in neighbours.get(waiting.pop(), ()):
            if node not in reached:
                reached.add(node)
                waiting.append(node)
    return reached


def _no_solution(equations: Equations, matrix: Complex) -> str:
    """Name the net that the equations leave free: the largest entry of the weakest singular vector."""
    worst = matrix.reshape(-1, *matrix.shape[-2:])[0]
    name = "(not finite)"
    if np.isfinite(worst).all():
        weakest = np.abs(np.linalg.svd(worst)[2][-1, : len(equations.node)])
        name = list(equations.node)[int(weakest.argmax())]
    return (
        f"the circuit has no solution: nothing settles the volts of {name}. A chain of amplifiers fed back "
        "upon itself with a gain of one does this; look at what joins its output to its input"
    )
