"""All suspects in all states at once: each state is inverted once, and a fault is a small change to it.

A fault replaces some rows of a state's equations (a branch that opens, or has another resistance) or adds
some admittances (a bridge, a throw that closes too). With X the inverse, U the columns where these changes
enter and G the rows that must hold afterwards, x' = x - X·U·(G·X·U + D)⁻¹·G·x (Woodbury; Hager, "Updating the
inverse of a matrix", SIAM Review 31, 1989, from memory). A replaced row needs no difference of old and new:
the old row times X is a row of the unit matrix, so G is the new row alone, and D is zero. That is why nothing
cancels when a contact of 20 S in series with 1e-12 S opens: its own current for a volt in its loop, which is
the loop's admittance, is an entry of X, and it comes out of the elimination with all its digits.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.circuit.elements import Element
from harness.errors import CircuitError
from harness.faults.network import Complex, Flags, Network, row_of

CHUNK_BYTES = 48_000_000  # of one stack of matrices; three such stacks live at once
Places = NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, slots=True)
class Edit:
    """One change between places `a` and `b`: of the branch at row `branch`, or (None) an added admittance.

    The branch, or what is added, has resistance and capacitance as an element; `minus_f` is a capacitance
    that the equations hold there already.
    """

    a: int
    b: int
    branch: int | None
    resistance_ohm: float | None
    capacitance_f: float
    minus_f: float = 0.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Work:
    """Edits to be made at some positions of the relays, ascending."""

    edits: tuple[Edit, ...]
    positions: Places


def solve_work(
    network: Network,
    operated: Flags,
    works: Sequence[Work],
    *,
    frequency_hz: float,
    columns: Sequence[int],
) -> tuple[Complex, list[Complex]]:
    """Transfers of the sound circuit and of every work.

    operated: (positions, relays). columns: which of the generator's outputs, 0 hot and 1 cold. Returns
    (positions, legs, columns), and for each work (its positions, legs, columns). Raises CircuitError where a
    stack has no inverse or a change leaves nothing that settles it.
    """
    legs, count = len(network.viewed), len(columns)
    sound = np.zeros((len(operated), legs, count), dtype=complex)
    found = [np.zeros((len(work.positions), legs, count), dtype=complex) for work in works]
    recipes = [_recipe(network, work.edits, frequency_hz, columns) for work in works]
    step = max(1, CHUNK_BYTES // (16 * (network.size + 1) ** 2))
    padded = np.zeros((min(step, len(operated)), network.size + 1, network.size + 1), dtype=complex)
    healthy = _recipe(network, (), frequency_hz, columns)
    for start in range(0, len(operated), step):
        here = operated[start : start + step]
        padded[: len(here), : network.size, : network.size] = _inverse(network, here, frequency_hz)
        flat = padded[: len(here)].reshape(len(here), -1)
        sound[start : start + step] = healthy.apply(flat)
        for work, recipe, out in zip(works, recipes, found, strict=True):
            low, high = np.searchsorted(work.positions, (start, start + len(here)))
            if high > low:
                places = work.positions[low:high] - start
                out[low:high] = recipe.apply(flat if len(places) == len(here) else flat[places])
    return sound, found


def _inverse(network: Network, operated: Flags, frequency_hz: float) -> Complex:
    try:
        return np.asarray(np.linalg.inv(network.matrices(operated, frequency_hz)))
    except np.linalg.LinAlgError:
        raise CircuitError(
            "the circuit has no solution in some state. A chain of amplifiers fed back upon itself with a "
            "gain of one does this; `switchwalk table` names the net"
        ) from None


@dataclass(frozen=True, kw_only=True, eq=False)
class _Recipe:
    """Which entries of an inverse a work needs, and how it combines them.

    entries: flat places in the padded inverse: rows a, b, branch of every edit, then the viewed legs; columns
    the plus and the minus end of every edit's entry, then the sources.
    """

    entries: Places
    edits: int
    legs: int
    columns: int
    p: Complex  # (edits, 1)
    q: Complex  # (edits, 1)
    added: Complex  # (edits, edits), q on the diagonal of added admittances

    def apply(self, flat: Complex) -> Complex:
        """From inverses, (positions, (size + 1)²), to transfers, (positions, legs, columns)."""
        k = self.edits
        block = flat.take(self.entries, axis=1).reshape(len(flat), 3 * k + self.legs, 2 * k + self.columns)
        source = block[:, :, 2 * k :]
        if not k:
            return source
        change = block[:, :, :k] - block[:, :, k : 2 * k]
        matrix = self.p * (change[:, :k] - change[:, k : 2 * k]) - self.q * change[:, 2 * k : 3 * k]
        matrix += self.added
        right = self.p * (source[:, :k] - source[:, k : 2 * k]) - self.q * source[:, 2 * k : 3 * k]
        return source[:, 3 * k :] - change[:, 3 * k :] @ _small_solve(matrix, right)


def _small_solve(matrix: Complex, right: Complex) -> Complex:
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        if matrix.shape[-1] == 1:
            solved = right / matrix
        else:
            try:
                solved = np.asarray(np.linalg.solve(matrix, right))
            except np.linalg.LinAlgError:
                solved = np.full_like(right, np.nan)
    if not np.isfinite(solved).all():
        raise CircuitError(
            "a fault leaves the circuit without a solution: nothing settles what it opens or bridges"
        )
    return solved


def _recipe(network: Network, edits: Sequence[Edit], frequency_hz: float, columns: Sequence[int]) -> _Recipe:
    omega, ground = 2 * np.pi * frequency_hz, network.size
    a = [edit.a for edit in edits]
    b = [edit.b for edit in edits]
    branch = [ground if edit.branch is None else edit.branch for edit in edits]
    plus = [edit.a if edit.branch is None else edit.branch for edit in edits]
    minus = [edit.b if edit.branch is None else ground for edit in edits]
    rows = np.array([*a, *b, *branch, *network.viewed], dtype=np.intp)
    entries = np.array([*plus, *minus, *(network.sources[column] for column in columns)], dtype=np.intp)
    pairs = [row_of(edit.resistance_ohm, edit.capacitance_f, omega) for edit in edits]
    held = [1j * omega * edit.minus_f for edit in edits]
    p = np.array([p - q * y for (p, q), y in zip(pairs, held, strict=True)], dtype=complex)
    q = np.array([q for _, q in pairs], dtype=complex)
    fresh = np.array([edit.branch is None for edit in edits], dtype=bool)
    return _Recipe(
        entries=(rows[:, None] * (ground + 1) + entries).ravel(),
        edits=len(edits),
        legs=len(network.viewed),
        columns=len(columns),
        p=p[:, None],
        q=q[:, None],
        added=np.diag(np.where(fresh, q, 0)),
    )


def wiring_edits(network: Network, elements: Sequence[Element]) -> Iterator[Edit]:
    """What must change in a network's wiring for it to have these elements instead of its own."""
    sound = {element.name: element for element in network.wiring.elements}
    wanted = {element.name: element for element in elements}
    opened: dict[frozenset[str], Element] = {}
    for name, element in network.branch.items():
        now = wanted.get(name)
        if now is None or (now.a, now.b) != (element.a, element.b):
            opened[frozenset((element.a, element.b))] = element
        elif (now.resistance_ohm, now.capacitance_f) != (element.resistance_ohm, element.capacitance_f):
            yield _edit(network, now, branch=network.row[name])
    for name, element in wanted.items():
        before = sound.get(name)
        if before is not None and (before.a, before.b) == (element.a, element.b):
            continue
        taken = opened.pop(frozenset((element.a, element.b)), None)
        if taken is not None:  # one branch takes another's place
            ends = (network.row[taken.a], network.row[taken.b])
            yield _edit(network, element, branch=network.row[taken.name], ends=ends)
        elif element.resistance_ohm is not None or element.capacitance_f:
            yield _edit(network, element, branch=None)
    for element in opened.values():
        yield Edit(
            a=network.row[element.a],
            b=network.row[element.b],
            branch=network.row[element.name],
            resistance_ohm=None,
            capacitance_f=0.0,
        )


def contact_edits(
    network: Network, position: Mapping[int, bool], wanted: Mapping[str, Element]
) -> Iterator[Edit]:
    """What must change at some relays' poles, standing as `position` says, for `wanted` contacts."""
    for index, pole in enumerate(network.poles):
        if pole.relay not in position:
            continue
        closed, opened = pole.rest, pole.operated
        if position[pole.relay]:
            closed, opened = opened, closed
        if closed is not None:
            now = wanted[closed[0].name]
            if not _alike(now, closed[0]):
                yield _edit(network, now, branch=network.row[f"pole {index}"])
        if opened is not None:
            now = wanted[opened[1].name]
            if not _alike(now, opened[1]):
                yield _edit(network, now, branch=None, minus_f=opened[1].capacitance_f)


def _alike(one: Element, other: Element) -> bool:
    return (one.resistance_ohm, one.capacitance_f) == (other.resistance_ohm, other.capacitance_f)


def _edit(
    network: Network,
    element: Element,
    *,
    branch: int | None,
    ends: tuple[int, int] | None = None,
    minus_f: float = 0.0,
) -> Edit:
    a, b = ends or (network.row[element.a], network.row[element.b])
    return Edit(
        a=a,
        b=b,
        branch=branch,
        resistance_ohm=element.resistance_ohm,
        capacitance_f=element.capacitance_f,
        minus_f=minus_f,
    )
