"""Which leads of a setup are not where they should be, by what every viewed leg shows in a few states.

What the scope sees is held against what the circuit predicts for every place that a lead can be on: its own
pin, any other pin of the unit, nothing; and for the generator's two leads swapped, off, or both on one pin.
A lead that is right only where the unit is not would be taken for wrong: so states in which the unit moves
its relays are looked at as well, and what fits its own pin in one of them and no other place in all is right.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

WITHIN = 0.25  # of what is expected: a unit that is a little off has its leads right all the same
FLOOR = 0.02  # of the e.m.f.: couplings and hum, which no lead is known by
SHARED = 0.003  # of the e.m.f.: what a load across a pair brings of one leg to the other, if it is to tell
SHOWS = 0.1  # of the e.m.f.: a pin that shows less than this says little of the lead on it

Levels = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Misplaced:
    """Leads that are not where they should be, or that a fault of the unit makes look so."""

    leads: tuple[str, ...]
    message: str


@dataclass(frozen=True, kw_only=True, eq=False)
class PredictedLevels:
    """What every pin shows, over the generator's e.m.f., by how the generator's leads are connected.

    pins: all legs of all ports. own: index into pins of each viewed leg, in the rows' order. inputs: numbers
    of the scope's inputs in the same order. levels: by the words for the generator's leads, (states, pins,
    2); the key "" has them as they should be. generator_leads: by the same words, the leads concerned.
    """

    pins: tuple[str, ...]
    own: tuple[int, ...]
    inputs: tuple[int, ...]
    levels: Mapping[str, Levels]
    generator_leads: Mapping[str, tuple[str, ...]]


def _fits(seen: Levels, expected: Levels) -> bool:
    """Whether two arrays of levels (states, 2) could be the same."""
    return bool(np.all(np.abs(seen - expected) <= WITHIN * expected + FLOOR))


def telling_states(predicted: PredictedLevels) -> tuple[int, ...]:
    """States after the first that tell a viewed pin from another that shows the same before them."""
    right = predicted.levels[""]
    telling: list[int] = [0]
    for state in range(1, len(right)):
        for own in predicted.own:
            for pin in range(len(predicted.pins)):
                alike = _fits(right[telling, pin], right[telling, own])
                if alike and not _fits(right[[state], pin], right[[state], own]):
                    telling.append(state)
                    break
            if telling[-1] == state:
                break
    return tuple(telling[1:])


def all_fit(predicted: PredictedLevels, seen: Levels, states: Sequence[int]) -> bool:
    """Whether every viewed leg shows what it should in these states. seen: (states, rows, 2)."""
    right = predicted.levels[""][list(states)]
    return all(_fits(seen[:, row], right[:, own]) for row, own in enumerate(predicted.own))


def misplaced(predicted: PredictedLevels, seen: Levels, states: Sequence[int]) -> Misplaced | None:
    """Name the leads that are not where they should be; None where all are. seen: (states, rows, 2)."""
    right = predicted.levels[""][list(states)]
    wrong = [row for row, own in enumerate(predicted.own) if not _fits(seen[:, row], right[:, own])]
    places = {row: _places(predicted, seen[:, row], right) for row in wrong}
    wrong = [
        row for row in wrong if places[row] or not _fits_once(seen[:, row], right[:, predicted.own[row]])
    ]
    if not wrong:
        return None
    generator = [
        words
        for words, levels in predicted.levels.items()
        if words
        and all(_fits(seen[:, row], levels[list(states)][:, own]) for row, own in enumerate(predicted.own))
    ]
    leads = [lead for words in generator[:1] for lead in predicted.generator_leads[words]]
    message = list(generator[:1])
    swapped = _swapped(predicted, seen, right, wrong)
    if not generator or len(wrong) == 1 or swapped:
        leads += [f"input {predicted.inputs[row]}" for row in wrong]
        inputs = swapped or "; ".join(
            _of_input(predicted, row, places[row], seen[:, row], right[:, predicted.own[row]])
            for row in wrong
        )
        message.append(inputs)
    return Misplaced(leads=tuple(leads), message=", or ".join(message))


def unmoved(predicted: PredictedLevels, seen: Levels) -> str:
    """Say it where the inputs see the generator alone, as in a through setup; "" where they do not.

    A straight route shows the same levels, but what ends it brings a little of each leg to the other. seen:
    (rows, 2), in the first state. Says nothing where no load does that.
    """
    for row, own in enumerate(predicted.own):
        expected = predicted.levels[""][0, own]
        weak = int(expected.argmin())
        if expected[weak] < SHARED or seen[row, weak] > expected[weak] / 3:
            return ""
    return (
        "the inputs see the generator without the loads of the fixture: the leads are still where they were "
        "in the through setup, or the loads are off"
    )


def _fits_once(seen: Levels, expected: Levels) -> bool:
    """Whether a leg shows what it should in one state where that is something: its lead is right then."""
    return any(now.max() > SHOWS and _fits(was, now) for was, now in zip(seen, expected, strict=True))


def _places(predicted: PredictedLevels, seen: Levels, right: Levels) -> tuple[str, ...]:
    """Where the lead could be by what it shows, in all states."""
    on = [name for pin, name in enumerate(predicted.pins) if _fits(seen, right[:, pin])]
    if _fits(seen, np.zeros_like(seen)):
        return ("nothing",)
    return tuple(on)


def _swapped(predicted: PredictedLevels, seen: Levels, right: Levels, wrong: Sequence[int]) -> str:
    """Say it where exactly the two inputs of a pair are swapped."""
    if len(wrong) != 2 or wrong[0] // 2 != wrong[1] // 2:
        return ""
    one, other = wrong
    if not (
        _fits(seen[:, one], right[:, predicted.own[other]])
        and _fits(seen[:, other], right[:, predicted.own[one]])
    ):
        return ""
    first, second = predicted.inputs[one], predicted.inputs[other]
    pins = predicted.pins
    return (
        f"inputs {first} and {second} are swapped: input {first} belongs on {pins[predicted.own[one]]} and "
        f"input {second} on {pins[predicted.own[other]]}"
    )


def _of_input(
    predicted: PredictedLevels, row: int, places: Sequence[str], seen: Levels, expected: Levels
) -> str:
    number, own = predicted.inputs[row], predicted.pins[predicted.own[row]]
    if places == ("nothing",):
        return f"input {number} shows nothing: its lead is off, or not on {own}"
    if places:
        return f"input {number} shows what is on {' or '.join(places[:3])}, and belongs on {own}"
    state = int(np.argmax(np.abs(seen - expected).max(axis=1)))
    result, wanted = seen[state], expected[state]
    return (
        f"input {number} on {own} shows {result[0]:.2f} of the hot output and {result[1]:.2f} of the cold "
        f"one, and should show {wanted[0]:.2f} and {wanted[1]:.2f}"
    )
