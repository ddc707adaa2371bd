"""The transfer of one circuit alone: for those who need many of them, and neither spreads nor routes."""

import numpy as np

from harness.circuit.elements import Circuit
from harness.circuit.solve import Complex, solve, write_equations


def transfer(circuit: Circuit, frequencies_hz: tuple[float, float]) -> Complex:
    """Volts at the viewed legs per volt of the hot and of the cold e.m.f.: (legs, 2), as predicted."""
    equations = write_equations(circuit)
    volts = solve(equations, equations.matrix(frequencies_hz), equations.source.T[:, :, None])
    padded = np.concatenate([volts[:, :, 0], np.zeros((2, 1))], axis=1)
    viewed = [equations.node.get(node, equations.size) for node in circuit.view]
    return np.asarray(padded[:, viewed].T)
