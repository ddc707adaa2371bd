"""What one unit draws in each state, as far as it is known, and what a current that is not so may be.

Pure computation on readings of the supply; who reads it and switches is `session/supply_watch.py`.
"""

from collections.abc import Mapping, Sequence
from itertools import product
from math import inf

import numpy as np

from harness.job.module import Module
from harness.job.state import IDLE_STATE, State
from harness.plan.pulses import control_line_states, drawing_in
from harness.plan.states import LIMIT_REACHED, expected_current_a
from harness.roles import SupplyReading

VOLTAGE_HELD = 0.9  # of the set voltage; below, the supply is in current limit
BEYOND_LIMIT = 1.2  # times the set limit: what no supply gives, however coarse its limit is
AGREE, AGREE_A, AGREE_V = 0.1, 0.001, 0.2  # of two readings; a supply at its limit is steady
EXCESS = 1.5  # of the predicted current: more than any mix of wrong coils that still work
EXCESS_A = 0.02  # what is not worth a stop, at small currents
FROZEN = 1.5  # times half a control line's current: further off than a coarse meter's last digit
LIKE_A_LINE = 0.25  # of what a control line adds: coils within 10 %, their copper warm or cold, and the meter
WARMER = 0.03  # of a current: what coils draw less when they are warm, 8 K at 0.39 % per kelvin
MOST_LIKE_A_LINE = 0.4  # of a control line's current: less than one of its two coils
MOST_LINES = 10  # of which each may have been on or off: 1024 currents


class UnitCurrents:
    """The currents of a module's unit: its own by the name of the state, where they are known."""

    def __init__(self, module: Module, own_a: Mapping[str, float]) -> None:
        self._module, self._own_a = module, dict(own_a)

    @property
    def idle_a(self) -> float | None:
        """What this unit draws with no control line on; None if it is not known yet."""
        return self._own_a.get(IDLE_STATE.name)

    @property
    def knows_lines(self) -> bool:
        """Whether it is known what this unit draws idle and with each control line alone."""
        return all(state.name in self._own_a for state in control_line_states(self._module))

    def expected_a(self, state: State) -> float:
        """What the unit draws in a state: by its own currents if they are known, else by its module."""
        predicted_a = expected_current_a(self._module, state)
        own, idle_a = self._own_a, self.idle_a
        drawing = drawing_in(self._module, state)
        if idle_a is None or not state.powered or any(name not in own for name in drawing):
            return predicted_a
        return idle_a + sum(own[name] - idle_a for name in drawing)

    def half_a_control_a(self) -> float:
        """Half of what the control line draws that draws least; nothing is said by lines that draw
        nothing.
        """
        module = self._module
        idle_a = expected_current_a(module, State(on=()))
        controls_a = [expected_current_a(module, state) - idle_a for state in control_line_states(module)[1:]]
        return min((control_a for control_a in controls_a if control_a > 0.0), default=inf) / 2

    def may_be_late(self, reading: SupplyReading, state: State) -> bool:
        """Whether another state could draw this: too much, or one control line more or less.

        A board that reads its channels back can be late as well: it reads what it commands. A change from a
        control line to another that draws the same shows in no current.
        """
        return (
            self.is_over(reading, state)
            or abs(reading.current_a - self.expected_a(state)) > self.half_a_control_a()
        )

    def is_not_of(self, reading: SupplyReading, state: State) -> bool:
        """Whether a reading is so far from what the state draws that a meter may stand still."""
        return abs(reading.current_a - self.expected_a(state)) > FROZEN * self.half_a_control_a()

    def is_over(self, reading: SupplyReading, state: State) -> bool:
        """Whether the supply gives more than any mix of coils that still work."""
        return reading.current_a > EXCESS * expected_current_a(self._module, state) + EXCESS_A

    def is_left_driven(self, reading: SupplyReading, state: State) -> bool:
        """Whether a channel may have stayed closed: a control line more than this unit drew before."""
        excess_a = reading.current_a - self.expected_a(state)
        return bool(self._own_a) and excess_a > self.half_a_control_a()

    def is_missed(self, reading: SupplyReading, state: State) -> bool:
        """Whether a channel may have stayed open: a control line less than should be drawn."""
        lacks_a = self.expected_a(state) - reading.current_a
        return bool(state.on) and lacks_a > self.half_a_control_a()

    def lacks_a_coil(self, reading: SupplyReading, state: State) -> bool:
        """Whether a unit whose currents are known draws less than it did, by one coil of two on a line."""
        lacks_a = self.expected_a(state) - reading.current_a
        return (
            bool(state.on) and self.knows_lines and lacks_a > MOST_LIKE_A_LINE * 2 * self.half_a_control_a()
        )

    def whole_lines_explain(
        self, seen: Sequence[SupplyReading], state: State, last_on: Sequence[str], *, is_set_since: bool
    ) -> bool:
        """Whether a switchboard that is late, or missed a command, explains currents that were not right.

        Then whole control lines make the difference, of this state and of the one before (`last_on`), and
        something was set since the current was right. Of a unit whose own currents are not known that cannot
        be told.
        """
        if not self.knows_lines or not any(self.lacks_a_coil(reading, state) for reading in seen):
            return True
        if not is_set_since:
            return False
        idle_a = self.expected_a(State(on=()))
        lines = list(dict.fromkeys((*state.on, *last_on)))[:MOST_LINES]
        adds_a = [self.expected_a(State(on=(line,))) - idle_a for line in lines]
        possible_a = np.array([idle_a + sum(some) for some in product(*((0.0, each) for each in adds_a))])
        line_a = 2 * self.half_a_control_a()
        within_a = min(LIKE_A_LINE * line_a + WARMER * self.expected_a(state), MOST_LIKE_A_LINE * line_a)
        return any(bool(np.abs(possible_a - reading.current_a).min() <= within_a) for reading in seen)

    def is_limited(self, reading: SupplyReading, limit_a: float) -> bool:
        """Whether it is in current limit; a number cut on the wire can be as far below zero."""
        return (
            abs(reading.current_a) >= LIMIT_REACHED * limit_a
            or reading.voltage_v < VOLTAGE_HELD * self._module.supply.voltage_v
        )

    def is_possible(self, reading: SupplyReading, state: State, limit_a: float) -> bool:
        """Whether a supply does this: no more than its limit, and no coil's current without its voltage.

        A limit that was set just now is the state's; before it, the module's held.
        """
        most_a = BEYOND_LIMIT * max(limit_a, self._module.supply.limit_a)
        expected_a = expected_current_a(self._module, state)
        held = reading.voltage_v >= VOLTAGE_HELD * self._module.supply.voltage_v
        at_limit = reading.current_a >= LIMIT_REACHED * limit_a
        tripped = reading.current_a <= 0.5 * expected_a
        return abs(reading.current_a) <= most_a and (held or at_limit or tripped)


def agree(one: SupplyReading, other: SupplyReading) -> bool:
    """Whether two readings of the supply are the same."""
    return (
        abs(one.current_a - other.current_a) <= AGREE * abs(other.current_a) + AGREE_A
        and abs(one.voltage_v - other.voltage_v) <= AGREE * abs(other.voltage_v) + AGREE_V
    )
