"""The simulator's own linear circuit: modified nodal analysis with branch currents.

Unknowns are the node voltages and the currents of every closed contact, source and amplifier output, so that
a contact of 0 ohm is as good as any other (Ho, Ruehli, Brennan 1975). Wires merge the nodes that they join
before anything is solved. Where a few contacts move again and again, what stays is eliminated once (`Still`).
"""

from collections import OrderedDict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

V = TypeVar("V")
Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]
Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

GROUND = "ground"
# From each node to ground: insulation, and what defines the voltage of a net that nothing touches.
LEAK_S = 1e-12
SLOW_F = 100e-12  # a part from here on takes time to follow a change; smaller ones and strays follow at once
CACHE_MAX = 5_000  # solutions stored; each a kilobyte or two
STILLS_MAX = 8


@dataclass(frozen=True, kw_only=True)
class Element:
    """A resistor (ohms) or capacitor (farads) between two nodes.

    is_stray: a capacitor that nobody put there.
    """

    a: str
    b: str
    value: float
    is_stray: bool = False


@dataclass(frozen=True, kw_only=True)
class Winding:
    """A winding between two nodes, on a core of its own or on one with others; its dotted end first."""

    a: str
    b: str
    ohm: float
    henry: float


@dataclass(frozen=True, kw_only=True)
class Mutual:
    """What two windings of a network, given by their numbers, have in common; negative: of opposite sense."""

    first: int
    second: int
    henry: float


@dataclass(frozen=True, kw_only=True)
class Contact:
    """One throw of one pole: `closed_ohm` with a small e.m.f. when closed, `open_f` when open."""

    a: str
    b: str
    closed_ohm: float
    open_f: float
    emf_v: float


@dataclass(frozen=True, kw_only=True)
class Source:
    """A generator's output: an e.m.f. behind a resistance, from ground to `node`."""

    node: str
    ohm: float


@dataclass(frozen=True, kw_only=True)
class Balanced:
    """A balanced amplifier; `conversion` is differential output per common input, over its gain.

    alive: whether its hot and its cold output do anything.
    """

    inputs: tuple[str, str]
    outputs: tuple[str, str]
    gain: float
    output_ohm: float
    conversion: float
    alive: tuple[bool, bool] = (True, True)


@dataclass(frozen=True, kw_only=True)
class Parts:
    """Everything that a network is made of."""

    wires: tuple[tuple[str, str], ...]
    resistors: tuple[Element, ...]
    capacitors: tuple[Element, ...]
    contacts: tuple[Contact, ...]
    amplifiers: tuple[Balanced, ...]
    sources: tuple[Source, ...]
    probes: tuple[str, ...]  # nodes whose voltage is asked for
    windings: tuple[Winding, ...] = ()
    mutuals: tuple[Mutual, ...] = ()


class Still:
    """A network of which some contacts move: all else is eliminated, but for the nodes at their ends.

    What the end nodes see of the rest is its Schur complement, and of the rest's sources their share. This is
    exact, and for each position of a bouncing contact a tenth of the work that the whole circuit takes.
    """

    def __init__(
        self,
        whole: Complex,
        known: Floats,
        *,
        seen: Ints,
        frequencies_hz: tuple[float, ...],
        contacts: Ints,
        ends: Ints,
        closed_ohm: Floats,
        open_f: Floats,
        emf_v: Floats,
    ) -> None:
        """whole, known: the equations without the moving contacts; their numbers are `contacts`."""
        size = whole.shape[1]
        is_end = np.zeros(size + 1, dtype=np.bool_)
        is_end[ends] = True  # ground's index is -1: it is the last, and neither an end nor eliminated
        own, others = np.flatnonzero(is_end[:-1]), np.flatnonzero(~is_end[:-1])
        self._frequencies_hz, self._contacts = frequencies_hz, contacts
        self._closed_ohm, self._open_f, self._emf_v = closed_ohm, open_f, emf_v
        self._ends = np.where(ends >= 0, np.searchsorted(own, ends), -1)
        joined = np.concatenate(
            [
                np.broadcast_to(known[others], (len(whole), len(others), known.shape[1])),
                whole[:, others[:, None], own],
            ],
            axis=2,
        )
        solved = np.linalg.solve(whole[:, others[:, None], others], joined)
        sources, by_others = solved[..., : known.shape[1]], solved[..., known.shape[1] :]
        feeds = whole[:, own[:, None], others]
        self._matrix = whole[:, own[:, None], own] - feeds @ by_others
        self._known = known[own] - feeds @ sources
        # Volts of every unknown by the end nodes' volts, and by the sources; ground is the last row.
        by_ends = np.zeros((len(whole), size + 1, len(own)), dtype=np.complex128)
        by_sources = np.zeros((len(whole), size + 1, known.shape[1]), dtype=np.complex128)
        by_ends[:, others], by_sources[:, others] = -by_others, sources
        by_ends[:, own] = np.eye(len(own))
        self._by_ends = by_ends[:, seen[:, 0]] - by_ends[:, seen[:, 1]]
        self._by_sources = by_sources[:, seen[:, 0]] - by_sources[:, seen[:, 1]]

    def solve(self, closed: Bools) -> Complex:
        """As `Network.solve_at`; closed: of all contacts of the network."""
        frequencies, nodes = self._matrix.shape[:2]
        moved = closed[self._contacts]
        shut, apart = np.flatnonzero(moved), np.flatnonzero(~moved)
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


def at_frequencies(conductance: Floats, capacitance: Floats, frequencies_hz: tuple[float, ...]) -> Complex:
    """The equations at some frequencies, shape (frequencies, unknowns, unknowns)."""
    whole = np.empty((len(frequencies_hz), *conductance.shape), dtype=np.complex128)
    whole.real = conductance
    np.multiply.outer(2 * np.pi * np.array(frequencies_hz), capacitance, out=whole.imag)
    return whole


def stamp_between(matrix: Floats, ends: Ints, values: Floats) -> None:
    """Add admittances between pairs of nodes; ground's row and column are the last."""
    a, b = ends[:, 0], ends[:, 1]
    for rows, columns, sign in ((a, a, 1), (b, b, 1), (a, b, -1), (b, a, -1)):
        np.add.at(matrix, (rows, columns), sign * values)


def stamp_closed(matrix: Floats, first: int, ends: Ints, ohms: Floats) -> None:
    """Closed contacts, their currents from row `first` on: va - vb - R i = emf."""
    row = first + np.arange(len(ends))
    a, b = ends[:, 0], ends[:, 1]
    matrix[a, row] += 1
    matrix[b, row] -= 1
    matrix[row, a] += 1
    matrix[row, b] -= 1
    matrix[row, row] = -ohms


class Network:
    """A circuit ready to be solved for any position of its contacts, at any frequency."""

    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._index = _merge(parts)
        self._size = max(self._index.values()) + 1  # without ground, whose index is -1
        self._contact_nodes = np.array(
            [(self._index[c.a], self._index[c.b]) for c in parts.contacts], dtype=np.intp
        ).reshape(-1, 2)
        self._contact_ohm = np.array([c.closed_ohm for c in parts.contacts])
        self._contact_f = np.array([c.open_f for c in parts.contacts])
        self._contact_emf_v = np.array([c.emf_v for c in parts.contacts])
        self._conductance = self._stamp(parts.resistors, reciprocal=True)
        diagonal = np.arange(self._size)
        self._conductance[diagonal, diagonal] += LEAK_S
        self._capacitance = self._stamp(parts.capacitors, reciprocal=False)
        slow = [element for element in parts.capacitors if element.value >= SLOW_F and not element.is_stray]
        self.slow_f = np.array([element.value for element in slow])
        self.slow_ends: list[tuple[str, str | None]] = [(element.a, element.b) for element in slow]
        self._seen = np.array(
            [(self._index[probe], -1) for probe in parts.probes]
            + [(self._index[element.a], self._index[element.b]) for element in slow]
            + [(self._index[hot], self._index[cold]) for hot, cold in (a.inputs for a in parts.amplifiers)],
            dtype=np.intp,
        )
        self._injected: OrderedDict[object, tuple[Floats, Floats]] = OrderedDict()
        self._solved: OrderedDict[object, Complex] = OrderedDict()
        self._stills: OrderedDict[object, Still] = OrderedDict()

    def solve_at(
        self,
        closed: Bools,
        on: tuple[bool, ...],
        frequencies_hz: tuple[float, ...],
        moving: Bools | None = None,
    ) -> Complex:
        """Complex volts at probes, of slow capacitors and between amplifiers' inputs, by what makes them.

        Shape (frequencies, probes + slow + amplifiers, sources + amplifiers + 1). closed: which contacts are;
        on: which sources are connected (one that is not is an open circuit). Column j is per volt of source
        j, then per volt of each amplifier's own e.m.f.; the last is what the contacts' own e.m.f.s make, in
        volts.
        moving: the contacts that are elsewhere in other questions of this kind; None for all.
        """
        key = (closed.tobytes(), on, frequencies_hz)
        result = self._solved.get(key)
        if result is None:
            if moving is None:
                result = self._solve(closed, on, frequencies_hz)
            else:
                result = self._still(closed & ~moving, moving, on, frequencies_hz).solve(closed)
            _remember(self._solved, key, result, CACHE_MAX)
        return result

    def inject(
        self, closed: Bools, on: tuple[bool, ...], ends: Sequence[tuple[str, str | None]]
    ) -> tuple[Floats, Floats]:
        """Volts per ampere that flows out of `b` (ground for None) into `a`, capacitors taken out.

        At the probes, shape (probes, ends); and between the ends of each, shape (ends, ends).
        """
        key = (closed.tobytes(), on, tuple(ends))
        if key not in self._injected:
            matrix, _, _ = self._equations(closed, on)
            pairs = np.array([(self._index[a], -1 if b is None else self._index[b]) for a, b in ends])
            right = np.zeros((len(matrix) + 1, len(ends)))
            np.add.at(right, (pairs[:, 0], np.arange(len(ends))), 1.0)
            np.add.at(right, (pairs[:, 1], np.arange(len(ends))), -1.0)
            volts = np.zeros((self._size + 1, len(ends)))
            volts[:-1] = np.linalg.solve(matrix, right[:-1])[: self._size]
            probes = volts[self._seen[: len(self._parts.probes), 0]]
            result = probes, volts[pairs[:, 0]] - volts[pairs[:, 1]]
            _remember(self._injected, key, result, CACHE_MAX)
        return self._injected[key]

    def _solve(self, closed: Bools, on: tuple[bool, ...], frequencies_hz: tuple[float, ...]) -> Complex:
        conductance, capacitance, known = self._equations(closed, on)
        nodes = self._size
        volts = np.zeros((len(frequencies_hz), nodes + 1, known.shape[1]), dtype=np.complex128)
        if frequencies_hz == (0.0,):  # a third of the work
            volts[0, :nodes] = np.linalg.solve(conductance, known)[:nodes]
        else:
            whole = at_frequencies(conductance, capacitance, frequencies_hz)
            volts[:, :nodes] = np.linalg.solve(whole, known)[:, :nodes]
        return volts[:, self._seen[:, 0]] - volts[:, self._seen[:, 1]]

    def _still(
        self, closed: Bools, moving: Bools, on: tuple[bool, ...], frequencies_hz: tuple[float, ...]
    ) -> Still:
        """What does not move, eliminated; closed: of the contacts that don't."""
        key = (closed.tobytes(), moving.tobytes(), on, frequencies_hz)
        result = self._stills.get(key)
        if result is None:
            conductance, capacitance, known = self._equations(closed, on, left_out=moving)
            moved = np.flatnonzero(moving)
            result = Still(
                at_frequencies(conductance, capacitance, frequencies_hz),
                known,
                seen=self._seen,
                frequencies_hz=frequencies_hz,
                contacts=moved,
                ends=self._contact_nodes[moved],
                closed_ohm=self._contact_ohm[moved],
                open_f=self._contact_f[moved],
                emf_v=self._contact_emf_v[moved],
            )
            _remember(self._stills, key, result, STILLS_MAX)
        return result

    def _equations(
        self, closed: Bools, on: tuple[bool, ...], left_out: Bools | None = None
    ) -> tuple[Floats, Floats, Floats]:
        """Conductance, capacitance and right side, without ground: node volts, then every branch's current.

        left_out: contacts that are no part of the circuit.
        """
        parts, nodes = self._parts, self._size
        closed_at = np.flatnonzero(closed)
        sources_on = [j for j, connected in enumerate(on) if connected]
        branches = len(closed_at) + len(sources_on) + 2 * len(parts.amplifiers) + len(parts.windings)
        matrix = np.zeros((nodes + branches + 1, nodes + branches + 1))
        capacitance = np.zeros_like(matrix)
        right = np.zeros((nodes + branches + 1, len(on) + len(parts.amplifiers) + 1))
        matrix[:nodes, :nodes] = self._conductance
        capacitance[:nodes, :nodes] = self._capacitance
        open_at = np.flatnonzero(~closed if left_out is None else ~closed & ~left_out)
        stamp_between(capacitance, self._contact_nodes[open_at], self._contact_f[open_at])

        stamp_closed(matrix, nodes, self._contact_nodes[closed_at], self._contact_ohm[closed_at])
        right[nodes : nodes + len(closed_at), -1] = self._contact_emf_v[closed_at]

        next_row = nodes + len(closed_at)
        for j in sources_on:  # v + R i = e, i into the node
            node = self._index[parts.sources[j].node]
            matrix[node, next_row] -= 1
            matrix[next_row, node] += 1
            matrix[next_row, next_row] = parts.sources[j].ohm
            right[next_row, j] = 1
            next_row += 1
        for number, amplifier in enumerate(parts.amplifiers):
            self._stamp_amplifier(matrix, amplifier, next_row)
            right[next_row : next_row + 2, len(on) + number] = np.array([0.5, -0.5]) * amplifier.alive
            next_row += 2
        self._stamp_windings(matrix, capacitance, next_row)

        # ground's index is -1: its row and column are the last
        return matrix[:-1, :-1], capacitance[:-1, :-1], right[:-1]

    def _stamp_amplifier(self, matrix: Floats, amplifier: Balanced, row: int) -> None:
        """Each output: v + (R/2) i = +-(gain/2) (differential + conversion common)."""
        hot, cold = (self._index[node] for node in amplifier.inputs)
        for k, (node, sign) in enumerate(zip(amplifier.outputs, (1, -1), strict=True)):
            output, half = self._index[node], amplifier.alive[k] * sign * amplifier.gain / 2
            matrix[output, row + k] -= 1
            matrix[row + k, output] += 1
            matrix[row + k, row + k] = amplifier.output_ohm / 2
            matrix[row + k, hot] -= half * (1 + amplifier.conversion / 2)
            matrix[row + k, cold] -= half * (-1 + amplifier.conversion / 2)

    def _stamp_windings(self, matrix: Floats, by_omega: Floats, row: int) -> None:
        """Each current is an unknown: va - vb = R i + jw (L i + M i'), from row `row` on.

        Where capacitors are taken out, what is induced is as well: a winding is its resistance.
        """
        for number, winding in enumerate(self._parts.windings, start=row):
            for name, sign in ((winding.a, 1), (winding.b, -1)):
                matrix[self._index[name], number] += sign
                matrix[number, self._index[name]] += sign
            matrix[number, number] = -winding.ohm
            by_omega[number, number] = -winding.henry
        for mutual in self._parts.mutuals:
            first, second = row + mutual.first, row + mutual.second
            by_omega[first, second] = by_omega[second, first] = -mutual.henry

    def _stamp(self, elements: Iterable[Element], *, reciprocal: bool) -> Floats:
        matrix = np.zeros((self._size + 1, self._size + 1))
        for element in elements:
            a, b = self._index[element.a], self._index[element.b]
            value = 1 / element.value if reciprocal else element.value
            matrix[a, a] += value
            matrix[b, b] += value
            matrix[a, b] -= value
            matrix[b, a] -= value
        return matrix[:-1, :-1]


def _remember(cache: OrderedDict[object, V], key: object, value: V, most: int) -> None:
    """Keep a value, and forget the oldest beyond so many."""
    cache[key] = value
    if len(cache) > most:
        cache.popitem(last=False)


def _merge(parts: Parts) -> Mapping[str, int]:
    """Number the nodes; those joined by wires share a number, and ground's is -1."""
    parent: dict[str, str] = {GROUND: GROUND}

    def root(name: str) -> str:
        parent.setdefault(name, name)
        while parent[name] != name:
            parent[name] = parent[parent[name]]
            name = parent[name]
        return name

    for name in _names(parts):
        root(name)
    for a, b in parts.wires:
        first, second = root(a), root(b)
        if first != second:
            joined, merged = (second, first) if second == root(GROUND) else (first, second)
            parent[merged] = joined
    numbers: dict[str, int] = {root(GROUND): -1}
    for name in sorted(parent):
        numbers.setdefault(root(name), len(numbers) - 1)
    return {name: numbers[root(name)] for name in parent}


def _names(parts: Parts) -> Sequence[str]:
    names = [name for wire in parts.wires for name in wire]
    names += [name for element in (*parts.resistors, *parts.capacitors) for name in (element.a, element.b)]
    names += [name for winding in parts.windings for name in (winding.a, winding.b)]
    names += [name for contact in parts.contacts for name in (contact.a, contact.b)]
    names += [name for amplifier in parts.amplifiers for name in (*amplifier.inputs, *amplifier.outputs)]
    return [*names, *(source.node for source in parts.sources), *parts.probes]
