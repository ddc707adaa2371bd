"""What stays of a network while some of its contacts move, eliminated once; and how contacts enter equations.

Ground's index is -1 throughout: its row and column are the last, and are cut off before anything is solved.
"""

import numpy as np
from numpy.typing import NDArray


class Still:
    """A network of which some contacts move: all else is eliminated, but for the nodes at their ends.

    What the end nodes see of the rest is its Schur complement, and of the rest's sources their share. This is
    exact, and for each position of a bouncing contact a tenth of the work that the whole circuit takes.
    """

    def __init__(
        self,
        whole: NDArray[np.complex128],
        known: NDArray[np.float64],
        *,
        seen: NDArray[np.intp],
        frequencies_hz: tuple[float, ...],
        contacts: NDArray[np.intp],
        ends: NDArray[np.intp],
        closed_ohm: NDArray[np.float64],
        open_f: NDArray[np.float64],
        emf_v: NDArray[np.float64],
    ) -> None:
        """whole, known: the equations without the moving contacts; their numbers are `contacts`."""
        size = whole.shape[1]
        is_kept = np.zeros(size + 1, dtype=np.bool_)
        is_kept[ends] = True  # ground's index is -1: it is the last, and neither kept nor gone
        kept, gone = np.flatnonzero(is_kept[:-1]), np.flatnonzero(~is_kept[:-1])
        self._frequencies_hz, self._contacts = frequencies_hz, contacts
        self._closed_ohm, self._open_f, self._emf_v = closed_ohm, open_f, emf_v
        self._ends = np.where(ends >= 0, np.searchsorted(kept, ends), -1)
        joined = np.concatenate(
            [
                np.broadcast_to(known[gone], (len(whole), len(gone), known.shape[1])),
                whole[:, gone[:, None], kept],
            ],
            axis=2,
        )
        solved = np.linalg.solve(whole[:, gone[:, None], gone], joined)
        sources, others = solved[..., : known.shape[1]], solved[..., known.shape[1] :]
        feeds = whole[:, kept[:, None], gone]
        self._matrix = whole[:, kept[:, None], kept] - feeds @ others
        self._known = known[kept] - feeds @ sources
        # Volts of every unknown by the end nodes' volts, and by the sources; ground is the last row.
        by_ends = np.zeros((len(whole), size + 1, len(kept)), dtype=np.complex128)
        by_sources = np.zeros((len(whole), size + 1, known.shape[1]), dtype=np.complex128)
        by_ends[:, gone], by_sources[:, gone] = -others, sources
        by_ends[:, kept] = np.eye(len(kept))
        self._by_ends = by_ends[:, seen[:, 0]] - by_ends[:, seen[:, 1]]
        self._by_sources = by_sources[:, seen[:, 0]] - by_sources[:, seen[:, 1]]

    def solve(self, closed: NDArray[np.bool_]) -> NDArray[np.complex128]:
        """As `Network.solve_at`; closed: of all contacts of the network."""
        frequencies, nodes = self._matrix.shape[:2]
        here = closed[self._contacts]
        shut, apart = np.flatnonzero(here), np.flatnonzero(~here)
        size = nodes + len(shut)
        conductance, capacitance = np.zeros((size + 1, size + 1)), np.zeros((size + 1, size + 1))
        right = np.zeros((frequencies, size, self._known.shape[2]), dtype=np.complex128)
        stamp_between(capacitance, self._ends[apart], self._open_f[apart])
        stamp_closed(conductance, nodes, self._ends[shut], self._closed_ohm[shut])
        matrix = at_frequencies(conductance[:-1, :-1], capacitance[:-1, :-1], self._frequencies_hz)
        matrix[:, :nodes, :nodes] += self._matrix
        right[:, :nodes], right[:, nodes:, -1] = self._known, self._emf_v[shut]
        ends_v = np.linalg.solve(matrix, right)[:, :nodes]
        return np.asarray(self._by_ends @ ends_v + self._by_sources)


def at_frequencies(
    conductance: NDArray[np.float64], capacitance: NDArray[np.float64], frequencies_hz: tuple[float, ...]
) -> NDArray[np.complex128]:
    """The equations at some frequencies, shape (frequencies, unknowns, unknowns)."""
    whole = np.empty((len(frequencies_hz), *conductance.shape), dtype=np.complex128)
    whole.real = conductance
    np.multiply.outer(2 * np.pi * np.array(frequencies_hz), capacitance, out=whole.imag)
    return whole


def stamp_between(matrix: NDArray[np.float64], ends: NDArray[np.intp], values: NDArray[np.float64]) -> None:
    """Add admittances between pairs of nodes; ground's row and column are the last."""
    a, b = ends[:, 0], ends[:, 1]
    for rows, columns, sign in ((a, a, 1), (b, b, 1), (a, b, -1), (b, a, -1)):
        np.add.at(matrix, (rows, columns), sign * values)


def stamp_closed(
    matrix: NDArray[np.float64], first: int, ends: NDArray[np.intp], ohms: NDArray[np.float64]
) -> None:
    """Closed contacts, their currents from row `first` on: va - vb - R i = emf."""
    row = first + np.arange(len(ends))
    a, b = ends[:, 0], ends[:, 1]
    matrix[a, row] += 1
    matrix[b, row] -= 1
    matrix[row, a] += 1
    matrix[row, b] -= 1
    matrix[row, row] = -ohms
