"""Which leads look misplaced by their levels alone, where no single slip explains what a setup shows.

A faulty unit could make a lead that is right look wrong: so levels are compared in states in which the unit
moves its relays as well, and a lead that fits its own pin in one of them and no other position in all of them
is right.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.arrays import Complex

# WITHIN and FLOOR are common practice, no source.
WITHIN = 0.25  # of what is expected: a unit that is a little off has its leads right all the same
FLOOR = 0.02  # of the e.m.f.: couplings and hum, which no lead is known by
UNLOADED = 0.9  # of the e.m.f.: an input alone on an output sees more
SHARED = 0.003  # of the e.m.f.: what a load across a pair brings of one leg to the other, if it is to tell
SHOWS = 0.1  # of the e.m.f.: a pin that shows less than this says little of the lead on it

Levels = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Misplaced:
    """Leads on a wrong pin, or that a fault of the unit makes look so."""

    leads: tuple[str, ...]
    message: str


@dataclass(frozen=True, kw_only=True, eq=False)
class PredictedLevels:
    """What every pin shows, over the generator's e.m.f., by how the generator's leads are connected.

    pins: all legs of all ports. own: index into pins of each viewed leg, in the rows' order. inputs: numbers
    of the scope's inputs in the same order. levels: by what is wrong with the generator's leads, (states,
    pins, 2); the key "" if nothing is. generator_leads: by the same key, the leads concerned.
    """

    pins: tuple[str, ...]
    own: tuple[int, ...]
    inputs: tuple[int, ...]
    levels: Mapping[str, Levels]
    generator_leads: Mapping[str, tuple[str, ...]]


def are_near(seen: Levels | Complex, expected: Levels | Complex) -> bool:
    """Whether what was seen, over the e.m.f., could be what is expected of a unit that is a little off."""
    return bool(np.all(np.abs(seen - expected) <= WITHIN * np.abs(expected) + FLOOR))


def _all_fit(levels: Levels, predicted: PredictedLevels, seen: Levels) -> bool:
    return all(are_near(seen[:, row], levels[:, own]) for row, own in enumerate(predicted.own))


def misplaced(predicted: PredictedLevels, seen: Levels) -> Misplaced | None:
    """Name the leads on wrong pins; None if all are right. seen: (states, rows, 2)."""
    right = predicted.levels[""]
    own_levels = {row: right[:, own] for row, own in enumerate(predicted.own)}
    wrong = [row for row, own in own_levels.items() if not are_near(seen[:, row], own)]
    pins = {row: _pins_that_fit(predicted, seen[:, row], right) for row in wrong}
    wrong = [row for row in wrong if pins[row] or not _fits_once(seen[:, row], own_levels[row])]
    if not wrong:
        return None
    generator = [
        message
        for message in predicted.levels
        if message and _all_fit(predicted.levels[message], predicted, seen)
    ][:1]
    leads = [lead for message in generator for lead in predicted.generator_leads[message]]
    inputs: list[str] = []
    swapped = _swapped(predicted, seen, right, wrong)
    if not generator or len(wrong) == 1 or swapped:
        leads += [f"input {predicted.inputs[row]}" for row in wrong]
        messages = (_of_input(predicted, row, pins[row], seen[:, row], own_levels[row]) for row in wrong)
        inputs = [swapped or "; ".join(messages)]
    return Misplaced(leads=tuple(leads), message=", or ".join(generator + inputs))


def unmoved(predicted: PredictedLevels, seen: Levels) -> str:
    """What to say if the inputs see the generator alone, as in a through setup; "" if they do not.

    A straight route shows the same levels, but the load at its end couples a little of each leg to the other.
    seen: (rows, 2), in the first state, of either output, as a through setup may have swapped inputs. "" as
    well if no load couples them.
    """
    strongest = seen.argmax(axis=1)
    if (strongest[0::2] == strongest[1::2]).any():  # as if one output were off
        return ""
    for row, own in enumerate(predicted.own):
        expected = predicted.levels[""][0, own]
        weak = int(expected.argmin())
        if expected[weak] < SHARED or seen[row].min() > expected[weak] / 3 or seen[row].max() < UNLOADED:
            return ""
    return (
        "the inputs see the generator without the loads of the fixture: the leads are still where they were "
        "in the through setup, or the loads are off"
    )


def _fits_once(seen: Levels, expected: Levels) -> bool:
    """Whether a leg shows what it should in one state in which that is a signal: its lead is right then."""
    return any(now.max() > SHOWS and are_near(was, now) for was, now in zip(seen, expected, strict=True))


def _pins_that_fit(predicted: PredictedLevels, seen: Levels, right: Levels) -> tuple[str, ...]:
    """The pins that a lead could be on by its levels in all states; ("nothing",) if it shows no signal."""
    if are_near(seen, np.zeros_like(seen)):
        return ("nothing",)
    return tuple(name for pin, name in enumerate(predicted.pins) if are_near(seen, right[:, pin]))


def _swapped(predicted: PredictedLevels, seen: Levels, right: Levels, wrong: Sequence[int]) -> str:
    """What to say if exactly the two inputs of a pair are swapped; "" if they are not."""
    if len(wrong) != 2 or wrong[0] // 2 != wrong[1] // 2:
        return ""
    a, b = wrong
    own_a, own_b = predicted.own[a], predicted.own[b]
    if not (are_near(seen[:, a], right[:, own_b]) and are_near(seen[:, b], right[:, own_a])):
        return ""
    first, second = predicted.inputs[a], predicted.inputs[b]
    return (
        f"inputs {first} and {second} are swapped: input {first} belongs on {predicted.pins[own_a]} and "
        f"input {second} on {predicted.pins[own_b]}"
    )


def _of_input(
    predicted: PredictedLevels, row: int, pins: Sequence[str], seen: Levels, expected: Levels
) -> str:
    number, own = predicted.inputs[row], predicted.pins[predicted.own[row]]
    if pins == ("nothing",):
        return f"input {number} shows nothing: its lead is off, or not on {own}"
    if pins:
        return f"input {number} shows what is on {' or '.join(pins[:3])}, and belongs on {own}"
    state = int(np.argmax(np.abs(seen - expected).max(axis=1)))
    result, wanted = seen[state], expected[state]
    return (
        f"input {number} on {own} shows {result[0]:.2f} of the hot output and {result[1]:.2f} of the cold "
        f"one, and should show {wanted[0]:.2f} and {wanted[1]:.2f}"
    )
