"""All fault sets in all states at once: each state is inverted once, and a fault is a small change to it.

A fault replaces some rows of a state's equations (a branch that opens, or has another resistance) or adds
some admittances (a bridge, a throw that closes too). With X the inverse, U the columns where these changes
enter and G the rows that must hold afterwards, x' = x - X·U·(G·X·U + D)⁻¹·G·x (Woodbury; Hager, "Updating the
inverse of a matrix", SIAM Review 31, 1989, from memory). A replaced row needs no difference of old and new:
the old row times X is a row of the unit matrix, so G is the new row alone, and D is zero. That is why nothing
cancels when a contact of 20 S in series with 1e-12 S opens: its own current for a volt in its loop, which is
the loop's admittance, is an entry of X, and it comes out of the elimination with all its digits.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.arrays import Complex, Flags, Floats, Indices
from harness.circuit.elements import AmplifierLeg, Element
from harness.circuit.solve import BRANCH_BELOW_OHM, LARGEST_GAIN
from harness.errors import CircuitError
from harness.faults.network import Block, Network

CHUNK_BYTES = 48_000_000  # of one stack of matrices; some three such stacks live at once
SIDE_BYTES = 4_000_000  # of what works done side by side take out of a stack: about a processor's cache
NO_SOLUTION = (
    "the circuit has no solution with some fault in some state; a chain of amplifiers fed back upon itself "
    "with a gain of one does this"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Edit:
    """One change between rows `a` and `b`: of the branch at row `branch`, or (None) an added admittance.

    What is to be there has resistance, capacitance and inductance as an element; `held_s` and `held_f` are
    what the equations hold there as an admittance already.
    """

    a: int
    b: int
    branch: int | None
    resistance_ohm: float | None
    capacitance_f: float
    held_s: float = 0.0
    held_f: float = 0.0
    inductance_h: float = 0.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Work:
    """Edits to be made at some positions of the relays, ascending. blocks: those that the edits touch."""

    edits: tuple[Edit, ...]
    positions: Indices
    blocks: frozenset[int]


def solve_work(
    network: Network, operated: Flags, works: Sequence[Work], *, frequency_hz: float, columns: Sequence[int]
) -> tuple[Complex, list[Complex]]:
    """Transfers of the fault-free circuit and of every work.

    operated: (positions, relays). columns: which of the generator's outputs, 0 hot and 1 cold. Returns
    (positions, legs, columns), and for each work (its positions, legs, columns). Raises CircuitError if a
    stack has no inverse or a change leaves nothing that settles it.
    """
    busy = [index for index, work in enumerate(works) if _changes_something(network, work, columns)]
    asked = _Question(heard=network.viewed, fed=[network.sources[column] for column in columns])
    ((good, changed),) = _answer(network, operated, [works[index] for index in busy], [asked], frequency_hz)
    result = [good[work.positions] for work in works]
    for index, made in zip(busy, changed, strict=True):
        result[index] = made
    for volts in (good, *changed):
        if volts.size and not np.abs(volts).max() < LARGEST_GAIN:
            raise CircuitError(NO_SOLUTION)
    return good, result


@dataclass(frozen=True, kw_only=True, eq=False)
class Solved:
    """All unknowns at some positions, (positions, size + 1), and what each viewed leg owes to a feed at any
    of them, (positions, legs, size + 1); ground's are zero.
    """

    state: Complex
    adjoint: Complex


def solve_states(
    network: Network, operated: Flags, works: Sequence[Work], *, frequency_hz: float, column: int
) -> tuple[Solved, list[Solved]]:
    """The same as `solve_work` for one output of the generator, but everywhere: for sensitivities."""
    every = range(network.size + 1)
    (state, states), (adjoint, adjoints) = _answer(
        network,
        operated,
        works,
        [
            _Question(heard=every, fed=[network.sources[column]]),
            _Question(heard=network.viewed, fed=every),
        ],
        frequency_hz,
    )
    return Solved(state=state[..., 0], adjoint=adjoint), [
        Solved(state=one[..., 0], adjoint=other) for one, other in zip(states, adjoints, strict=True)
    ]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Question:
    """Which entries of an inverse are asked for: the unknowns that are heard, and the rows that are fed."""

    heard: Sequence[int]
    fed: Sequence[int]


def _answer(
    network: Network,
    operated: Flags,
    works: Sequence[Work],
    questions: Sequence[_Question],
    frequency_hz: float,
) -> list[tuple[Complex, list[Complex]]]:
    """Of each question, (positions, heard, fed), and of each work (its positions, heard, fed)."""
    layout = _Layout.of(network, {row for asked in questions for row in asked.fed}, works)
    step = max(1, CHUNK_BYTES // (16 * layout.length))
    flat = np.zeros((min(step, len(operated)), layout.length), dtype=complex)
    answers: list[tuple[Complex, list[Complex]]] = []
    todo: list[tuple[_Recipe, list[_Recipe], list[list[int]]]] = []
    for asked in questions:
        shape = len(asked.heard), len(asked.fed)
        answers.append(
            (
                np.zeros((len(operated), *shape), dtype=complex),
                [np.zeros((len(work.positions), *shape), dtype=complex) for work in works],
            )
        )
        groups = _groups(works, min(step, len(operated)), sum(shape))
        changes = [[works[index].edits for index in group] for group in groups]
        recipes = [_Recipe.of(network, layout, change, frequency_hz, asked) for change in changes]
        todo.append((_Recipe.of(network, layout, [()], frequency_hz, asked), recipes, groups))
    for start in range(0, len(operated), step):
        standing = operated[start : start + step]
        layout.invert(network, standing, frequency_hz, flat)
        for (good, result), (nothing, recipes, groups) in zip(answers, todo, strict=True):
            good[start : start + step] = nothing.apply(flat, np.arange(len(standing)))[:, 0]
            for recipe, group in zip(recipes, groups, strict=True):
                positions = works[group[0]].positions
                low, high = np.searchsorted(positions, (start, start + len(standing)))
                if high > low:
                    made = recipe.apply(flat, positions[low:high] - start)
                    for number, index in enumerate(group):
                        result[index][low:high] = made[:, number]
    return answers


def _changes_something(network: Network, work: Work, columns: Sequence[int]) -> bool:
    """Whether any edit of a work is where a source's signal is, and any where a viewed leg hears it.

    Elsewhere G·x is zero, or what would be subtracted is. Where amplifiers are, a fault may leave nothing
    that settles the volts, and that is to be found.
    """
    if not work.blocks.isdisjoint(network.amplified_blocks):
        return True
    driven = {int(network.block_of[network.sources[column]]) for column in columns}
    return not (work.blocks.isdisjoint(driven) or work.blocks.isdisjoint(network.viewed_blocks))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Layout:
    """Where the entries of an inverse lie in a row of numbers: block after block, and a zero at the end.

    place: (size + 1, size + 1); an entry between two blocks, of ground, or of a block that is left out is
    that zero.
    """

    blocks: tuple[Block, ...]
    place: Indices
    length: int

    @classmethod
    def of(cls, network: Network, rows: Collection[int], works: Sequence[Work]) -> "_Layout":
        """The blocks of some rows, and those that works touch."""
        numbers = {int(network.block_of[row]) for row in rows} - {-1}
        numbers = numbers.union(*(work.blocks for work in works))
        blocks = tuple(network.blocks[number] for number in sorted(numbers))
        length = sum(len(block.rows) ** 2 for block in blocks) + 1
        place = np.full((network.size + 1, network.size + 1), length - 1, dtype=np.intp)
        start = 0
        for block in blocks:
            count = len(block.rows)
            place[np.ix_(block.rows, block.rows)] = start + np.arange(count**2).reshape(count, count)
            start += count**2
        return cls(blocks=blocks, place=place, length=length)

    def invert(self, network: Network, operated: Flags, frequency_hz: float, flat: Complex) -> None:
        """Write the inverses at several positions into the first rows of `flat`, (positions, length).

        Positions that are alike to a block share its inverse, and so do blocks that are alike: a module's
        legs and channels often are.
        """
        start, known = 0, list[tuple[Complex, Complex]]()
        for block in self.blocks:
            some = operated[:, block.relays]
            _, first, kind = np.unique(some, axis=0, return_index=True, return_inverse=True)
            if len(first) == len(operated):
                first = kind = np.arange(len(operated))
            matrices = network.matrices(operated[first], frequency_hz, block)
            inverse = next((made for one, made in known if np.array_equal(one, matrices)), None)
            if inverse is None:
                try:
                    inverse = np.asarray(np.linalg.inv(matrices))
                except np.linalg.LinAlgError:
                    raise CircuitError(NO_SOLUTION) from None
                known.append((matrices, inverse))
            end = start + len(block.rows) ** 2
            entries = inverse.reshape(len(first), -1)
            flat[: len(operated), start:end] = (
                entries if len(first) == len(operated) else entries[kind.reshape(-1)]
            )
            start = end


def _groups(works: Sequence[Work], most_positions: int, ends: int) -> list[list[int]]:
    """Works that can be done side by side: as many edits, the same positions, no more than fit."""
    alike: dict[tuple[int, bytes], list[int]] = {}
    for index, work in enumerate(works):
        alike.setdefault((len(work.edits), work.positions.tobytes()), []).append(index)
    groups = []
    for (edits, positions), indices in alike.items():
        count = min(most_positions, len(positions) // np.dtype(np.intp).itemsize)
        fit = max(1, SIDE_BYTES // (16 * count * (3 * edits + ends) * (2 * edits + ends)))
        groups += [indices[start : start + fit] for start in range(0, len(indices), fit)]
    return groups


@dataclass(frozen=True, kw_only=True, eq=False)
class _Recipe:
    """Which entries of an inverse some works need, all with as many edits, and how they combine them.

    entries: (works, …), where they lie in a layout: rows a, b and branch of every edit, then what is heard;
    columns the plus and the minus end of where every edit enters, then what is fed.
    """

    entries: Indices
    edits: int
    heard: int
    fed: int
    p: Complex  # (works, edits, 1)
    q: Complex  # (works, edits, 1)
    added: Complex  # (works, edits, edits): q on the diagonal of added admittances
    own: Floats  # (works, edits, fed): 1 where what is fed is the very row that an edit replaces

    @classmethod
    def of(
        cls,
        network: Network,
        layout: _Layout,
        changes: Sequence[Sequence[Edit]],
        frequency_hz: float,
        asked: _Question,
    ) -> "_Recipe":
        """The recipe of several works, at one frequency."""
        ground, count, k = network.size, len(changes), len(changes[0])
        edits = [edit for change in changes for edit in change]
        ends = np.array(
            [
                (
                    edit.a,
                    edit.b,
                    ground if edit.branch is None else edit.branch,
                    edit.a if edit.branch is None else edit.branch,
                    edit.b if edit.branch is None else ground,
                )
                for edit in edits
            ],
            dtype=np.intp,
        ).reshape(count, k, 5)
        a, b, branch, plus, minus = np.moveaxis(ends, 2, 0)
        heard = np.broadcast_to(np.array(asked.heard, dtype=np.intp), (count, len(asked.heard)))
        fed = np.broadcast_to(np.array(asked.fed, dtype=np.intp), (count, len(asked.fed)))
        rows = np.concatenate([a, b, branch, heard], axis=1)
        entries = np.concatenate([plus, minus, fed], axis=1)
        p, q = _rows_of(edits, 2 * np.pi * frequency_hz)
        p, q = p.reshape(count, k, 1), q.reshape(count, k, 1)
        fresh = (branch == ground)[:, :, None]
        return cls(
            entries=layout.place[rows[:, :, None], entries[:, None, :]].reshape(count, -1),
            edits=k,
            heard=len(asked.heard),
            fed=len(asked.fed),
            p=p,
            q=q,
            added=np.asarray(np.where(fresh, q, 0) * np.eye(k), dtype=complex),
            own=((branch[:, :, None] == fed[:, None, :]) & ~fresh).astype(float),
        )

    def apply(self, flat: Complex, at: Indices) -> Complex:
        """From inverses, (positions, length), to what is asked for at some: (len(at), works, heard, fed)."""
        k = self.edits
        shape = (len(at), len(self.entries), 3 * k + self.heard, 2 * k + self.fed)
        block = flat.ravel().take(at[:, None, None] * flat.shape[1] + self.entries).reshape(shape)
        source = block[..., 2 * k :]
        if not k:
            return np.asarray(source)
        change = block[..., :k] - block[..., k : 2 * k]
        matrix = self.p * (change[..., :k, :] - change[..., k : 2 * k, :])
        matrix += self.added - self.q * change[..., 2 * k : 3 * k, :]
        right = self.p * (source[..., :k, :] - source[..., k : 2 * k, :])
        right -= self.q * source[..., 2 * k : 3 * k, :] + self.own
        solved = _small_solve(matrix, right)
        if k == 1:
            return np.asarray(source[..., 3:, :] - change[..., 3:, :] * solved)
        return np.asarray(source[..., 3 * k :, :] - change[..., 3 * k :, :] @ solved)


def _rows_of(edits: Sequence[Edit], omega: float) -> tuple[Complex, Complex]:
    """`row_of` for many edits, less what the equations hold there already."""
    values = np.array(
        [
            (
                np.inf if edit.resistance_ohm is None else edit.resistance_ohm,
                edit.capacitance_f,
                edit.held_s,
                edit.held_f,
                edit.inductance_h,
            )
            for edit in edits
        ]
    ).reshape(-1, 5)
    ohm, farads, held_s, held_f, henry = values.T
    low = (ohm < BRANCH_BELOW_OHM) | (henry > 0)
    some = np.where(low, 1.0, ohm)
    stray = 1j * omega * farads
    p = np.where(low, 1 + stray * np.where(low, ohm, 0.0), 1 / some + stray)
    q = np.where(low, ohm, 1.0) + 1j * omega * henry
    return p - q * (held_s + 1j * omega * held_f), q


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
        raise CircuitError(NO_SOLUTION)
    return solved


def touched_blocks(network: Network, edits: Sequence[Edit]) -> frozenset[int]:
    """The blocks in which edits are; ground is in none."""
    rows = [row for edit in edits for row in (edit.a, edit.b, edit.branch) if row is not None]
    return frozenset(network.block_of[rows].tolist()) - {-1}


def wiring_edits(network: Network, elements: Sequence[Element]) -> Iterator[Edit]:
    """What must change in a network's wiring for it to have these elements instead of its own."""
    good = {element.name: element for element in network.wiring.elements}
    wanted = {element.name: element for element in elements}
    gone: dict[frozenset[str], Element] = {}
    come: list[Element] = []
    for name, element in good.items():
        now = wanted.get(name)
        if now is None or (now.a, now.b) != (element.a, element.b):
            gone[frozenset((element.a, element.b))] = element
        elif not _alike(now, element):
            yield _edit(network, now, before=element)
    for name, element in wanted.items():
        before = good.get(name)
        if before is None or (before.a, before.b) != (element.a, element.b):
            come.append(element)
    for element in come:  # where something goes and something comes between the same ends, that is one change
        yield _edit(network, element, before=gone.pop(frozenset((element.a, element.b)), None))
    for element in gone.values():
        yield _edit(network, replace(element, resistance_ohm=None, capacitance_f=0.0), before=element)


def amplifier_edits(network: Network, legs: Sequence[AmplifierLeg]) -> Iterator[Edit]:
    """What must change for the amplifiers to be these: a dead leg is its output resistance to ground."""
    for good, leg in zip(network.wiring.amplifiers, legs, strict=True):
        if leg != good:
            yield Edit(
                a=network.row[leg.output],
                b=network.size,
                branch=network.row[leg.name],
                resistance_ohm=leg.output_ohm,
                capacitance_f=0.0,
            )


def contact_edits(
    network: Network, position: Mapping[int, bool], wanted: Mapping[str, Element]
) -> Iterator[Edit]:
    """What must change at some relays' poles, standing as `position` says, for `wanted` contacts."""
    for index in (index for relay in position for index in network.poles_of.get(relay, ())):
        pole = network.poles[index]
        closed, opened = pole.released, pole.operated
        if position[pole.relay]:
            closed, opened = opened, closed
        if closed is not None:
            now = wanted[closed[0].name]
            if not _alike(now, closed[0]):
                yield replace(_edit(network, now, before=None), branch=network.row[f"pole {index}"])
        if opened is not None:
            now = wanted[opened[1].name]
            if not _alike(now, opened[1]):
                yield _edit(network, now, before=opened[1])


def _alike(one: Element, other: Element) -> bool:
    return (one.resistance_ohm, one.capacitance_f, one.inductance_h) == (
        other.resistance_ohm,
        other.capacitance_f,
        other.inductance_h,
    )


def _edit(network: Network, element: Element, *, before: Element | None) -> Edit:
    """The change to `element`, where the equations hold `before` (None: nothing)."""
    branch = None if before is None or before.name not in network.branch else before
    ends = element if branch is None else branch
    held = before if branch is None else None
    return Edit(
        a=network.row[ends.a],
        b=network.row[ends.b],
        branch=None if branch is None else network.row[branch.name],
        resistance_ohm=element.resistance_ohm,
        capacitance_f=element.capacitance_f,
        held_s=0.0 if held is None or held.resistance_ohm is None else 1 / held.resistance_ohm,
        held_f=0.0 if held is None else held.capacitance_f,
        inductance_h=element.inductance_h,
    )
