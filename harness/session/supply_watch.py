"""What the relay supply says of a state: whose fault a wrong current is, the unit's or the bench's."""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import sqrt
from statistics import mean, stdev
from typing import NoReturn, Protocol

from harness.errors import BadReply, OverCurrentError
from harness.job.module import Module
from harness.job.state import IDLE_STATE, State
from harness.plan.pulses import control_line_states
from harness.plan.states import expected_current_a, limit_of
from harness.plan.unit_currents import AGREE_A, LIKE_A_LINE, UnitCurrents, agree
from harness.roles import Supply, SupplyReading

LATER = 4.0  # settling times: until a second reading of what a late switchboard would explain
LATEST_S = 2.5  # a board that has not acted by then does not act
PATIENCE_S = 10.0  # in all of a run: a coil that fails during it is not waited for in every state
TRIALS = 10  # operations of a line that drew nothing once; common practice, no source
READINGS = 5  # of a current that is judged: meters of supplies are noisy near the bottom of their range


class Board(Protocol):
    """What is asked of the switchboard here."""

    @property
    def closed(self) -> frozenset[int]:
        """The channels that it was told to close."""
        ...

    def set(self, closed: frozenset[int]) -> None:
        """Close exactly these."""
        ...


@dataclass(frozen=True, kw_only=True)
class Trouble:
    """Something that was seen of a current, in words, and where it may have spoilt readings.

    spoilt: setups, "" for none, and states. of_bench: whether the bench did it; else the unit may have.
    """

    text: str
    spoilt: frozenset[tuple[str, str]]
    of_bench: bool = True


class SupplyWatch:
    """Reads the relay supply, and counts a current against the unit only if two readings agree.

    Before a current counts against the unit, the control lines are opened, the supply's output is switched on
    again and the same state is set once more: an output that a hand, a plug or its own protection switched
    off is the bench's. A supply that does not say what it gives is never looked at. settle_s: how long a
    change of state takes to settle. wait: lets seconds pass.
    report: is told of every trouble. What a unit drew too little once counts as the bench's only if a
    switchboard can have done it: see `_is_the_boards`.
    """

    def __init__(
        self,
        module: Module,
        supply: Supply,
        switchboard: Board,
        *,
        settle_s: float,
        wait: Callable[[float], None] = time.sleep,
        report: Callable[[Trouble], None] = lambda _: None,
    ) -> None:
        self._module, self._supply, self._switchboard = module, supply, switchboard
        self._settle_s, self._wait, self._report = settle_s, wait, report
        self._stands = "", IDLE_STATE  # the setup and the state that were set last
        self._since = {("", IDLE_STATE.name)}  # those set since all was well, and that in which it was
        self._last_on: tuple[str, ...] = ()  # the control lines in the state in which all was well
        self._is_set_since = True  # whether anything was set since then
        self._unit = UnitCurrents(module, {})
        self._patience_s = LATEST_S
        self._last: tuple[SupplyReading, State] | None = None
        self.troubles: list[Trouble] = []

    def learn(self, currents_a: Mapping[str, float]) -> None:
        """Take what this unit draws, by the name of the state, as far as it is known yet.

        If it is known idle and with each control line alone, a current is compared with the unit's own: an
        open coil is known, so that a current that is wrong later is a relay board that is late.
        """
        self._unit = UnitCurrents(self._module, currents_a)
        if self._unit.knows_lines:
            self._patience_s = PATIENCE_S

    def enters(self, setup: str, state: State) -> None:
        """Note that a setup ("" for none) and a state are being set."""
        self._stands, self._is_set_since = (setup, state), True
        self._since.add((setup, state.name))

    def look_once_more(self, *, limit_a: float) -> None:
        """Check the state that was set last before the supply is switched off, which hides what befell it."""
        if self._stands[1].powered:
            self.check(self._stands[1], limit_a=limit_a)

    @property
    def sees(self) -> bool:
        """Whether the supply says what it gives."""
        return self._supply.measures_current

    def average(self, state: State, *, limit_a: float) -> SupplyReading:
        """Check the relay supply, and read its current a few times: the mean, and what its scatter leaves.

        The scatter of so few says little of itself: (n - 1)/(n - 3) as in JCGM 101:2008, 6.4.9. Readings that
        differ by more than a meter does (the output went off among them) are taken once more.
        """
        known = len(self.troubles)
        readings = self._several(state, limit_a)
        if not all(agree(reading, readings[-1]) for reading in readings):
            least = min(readings, key=lambda reading: reading.current_a)
            readings = self._several(state, limit_a)
            if self._unit.lacks_a_coil(least, state) and len(self.troubles) == known:
                self._note(f"{_given(least)} in state {state.name}, and more a moment before or after", False)
        currents_a = [reading.current_a for reading in readings]
        return replace(
            readings[-1],
            voltage_v=readings[0].voltage_v,
            current_a=mean(currents_a),
            current_standard_a=stdev(currents_a) * sqrt((READINGS - 1) / (READINGS - 3) / READINGS),
        )

    def _several(self, state: State, limit_a: float) -> list[SupplyReading]:
        first = self.check(state, limit_a=limit_a)
        return [first, *(self._read(state, limit_a) for _ in range(READINGS - 1))]

    def check(self, state: State, *, limit_a: float) -> SupplyReading:
        """Read the relay supply; raises OverCurrentError with the state and the current in its message.

        A supply at its limit, or one that does not hold its voltage, is read again: an answer that lost its
        end on the wire is a number as well ("+2.999" of "+2.999E-02"). If the readings show what no supply
        gives, that is the bench's BadReply. A current below the limit may be what another state draws, since
        the switchboard may be late: the supply is read until the current fits, or the switchboard has had its
        time. A control line too little or too much counts only if it is still so after all channels were
        opened and closed again, over-current only if it is still there after `_restored`.
        Raises BenchError for a supply that does not say what it gives.
        """
        reading = self._read(state, limit_a)
        if self._unit.may_be_late(reading, state):
            reading = self._when_in_time(reading, state, limit_a)
            self._refuse_a_line_that_is_on(reading, state, limit_a)
        if self._unit.is_over(reading, state):
            reading = self._restored(reading, state, limit_a)
        elif self._unit.is_left_driven(reading, state) or self._unit.is_missed(reading, state):
            reading = self._opened(reading, state, limit_a)
        if self._unit.is_over(reading, state):
            self._blame(reading, state, limit_a)
        self._since, self._is_set_since = {(self._stands[0], state.name)}, False
        self._last_on = state.on
        return reading

    def _note(self, text: str, of_bench: bool = True) -> None:
        """Note what was seen of a current; it may have come at any time since all was well."""
        if not of_bench:
            text += (
                ". No switchboard that is late or misses a command does this: a coil of the unit or the wire "
                "of a control line comes and goes, or that line's channel of the switchboard does"
            )
        trouble = Trouble(text=text, spoilt=frozenset(self._since), of_bench=of_bench)
        self.troubles.append(trouble)
        self._report(trouble)

    def _is_the_boards(self, seen: Sequence[SupplyReading], state: State) -> bool:
        """Whether a switchboard that is late, or missed a command, explains currents that were not right."""
        return self._unit.whole_lines_explain(seen, state, self._last_on, is_set_since=self._is_set_since)

    def _lacks_again(self, state: State) -> int:
        """How often of `TRIALS` operations the control lines of a state draw too little."""
        closed, count = self._switchboard.closed, 0
        for _ in range(TRIALS):
            self._switchboard.set(frozenset())
            self._wait(self._settle_s)
            self._switchboard.set(closed)
            self._wait(LATER * self._settle_s)
            count += self._unit.lacks_a_coil(self._supply.measure(), state)
        return count

    def _read(self, state: State, limit_a: float) -> SupplyReading:
        """Read the supply, again if it is at its limit; raises OverCurrentError if it stays there.

        A limit that a late board brings about passes by: the unit is still in the state before.
        """
        reading = self._measure(state)
        if not self._unit.is_limited(reading, limit_a):
            return reading
        self._wait(LATER * self._settle_s)
        again = self._measure(state)
        possible = all(self._unit.is_possible(each, state, limit_a) for each in (reading, again))
        if possible and (agree(reading, again) or not self._unit.is_limited(again, limit_a)):
            return self._restored(reading, state, limit_a)
        raise BadReply(
            f"measured {reading.current_a * 1e3:.1f} mA at {reading.voltage_v:.2f} V in state "
            f"{state.name}, and after that {again.current_a * 1e3:.1f} mA at "
            f"{again.voltage_v:.2f} V; one of the two is impossible",
            instrument="supply",
            address=self._supply.identity.address,
        )

    def _measure(self, state: State) -> SupplyReading:
        """Read the supply; raises BadReply for a meter that shows the digits of another state."""
        reading = self._supply.measure()
        last, self._last = self._last, (reading, state)
        if last is None or last[1] == state or last[0] != reading:
            return reading
        if not self._unit.is_not_of(reading, state):
            return reading
        off = self._switched_off()
        self._last = None
        if off != reading:  # the digits move: a coarse meter, and a unit that draws the same in both states
            return reading
        raise self._stands_still(reading, state)

    def _stands_still(self, reading: SupplyReading, state: State) -> BadReply:
        return BadReply(
            f"still shows {reading.current_a * 1e3:.2f} mA at {reading.voltage_v:.3f} V in state "
            f"{state.name}, which should draw {self._unit.expected_a(state) * 1e3:.1f} mA: its meter stands "
            "still",
            instrument="supply",
            address=self._supply.identity.address,
        )

    def _switched_off(self) -> SupplyReading:
        """What the meter shows with the output off; on again and settled after it."""
        self._supply.switch(on=False)
        self._wait(LATER * self._settle_s)
        off = self._supply.measure()
        self._supply.switch(on=True)
        self._wait(LATER * self._settle_s)
        return off

    def _restored(self, limited: SupplyReading, state: State, limit_a: float) -> SupplyReading:
        """Switch the output on again, all channels open, and set the state once more.

        Returns what the supply gives then. Raises OverCurrentError if it is limited again, and stays so for
        longer than a late board takes. Raises BadReply if the meter shows the same digits with the output
        off, if the output is off again with all channels open, or if the unit draws a control line's current
        then, since a channel of the switchboard did not open.
        """
        closed, supply = self._switchboard.closed, self._supply
        self._switchboard.set(frozenset())
        supply.switch(on=False)
        self._wait(self._settle_s)
        if abs(limited.current_a) > AGREE_A and supply.measure() == limited:
            raise self._stands_still(limited, state)
        supply.set(voltage_v=self._module.supply.voltage_v, limit_a=limit_a)
        supply.switch(on=True)
        self._refuse_by(self._once_unlimited(limit_a), limit_a)
        self._switchboard.set(closed)
        self._last = None
        again = self._once_unlimited(limit_a)
        if self._unit.is_limited(again, limit_a):
            self._refuse_a_line_that_is_on(again, state, limit_a)
            self._blame(again, state, limit_a)
        self._note(
            f"the relay supply gave {limited.current_a * 1e3:.1f} mA at {limited.voltage_v:.2f} V in state "
            f"{state.name}, and {again.current_a * 1e3:.1f} mA at {again.voltage_v:.2f} V after its output "
            "was switched on again"
        )
        return again

    def _opened(self, driven: SupplyReading, state: State, limit_a: float) -> SupplyReading:
        """Open all channels and set the state once more; raises BadReply if a channel did not open."""
        closed = self._switchboard.closed
        self._switchboard.set(frozenset())
        self._refuse_by(self._once_unlimited(limit_a), limit_a)
        self._switchboard.set(closed)
        self._wait(LATER * self._settle_s)
        again = self._read(state, limit_a)
        if not (self._unit.is_left_driven(again, state) or self._unit.is_missed(again, state)):
            text = (
                f"{_given(driven)} in state {state.name}, and {again.current_a * 1e3:.1f} mA after all "
                "channels were opened and the state was set again"
            )
            of_bench = self._is_the_boards([driven], state)
            if of_bench and self._unit.lacks_a_coil(driven, state) and not state.pulsed:
                failed = self._lacks_again(state)
                of_bench = not failed
                text += f"; too little again in {failed} of {TRIALS} further operations"
            self._note(text, of_bench)
        return again

    def _refuse_by(self, opened: SupplyReading, limit_a: float) -> None:
        """Raise BadReply if the supply gives what no unit makes it give with all channels open."""
        current, idle_a = f"{opened.current_a * 1e3:.1f} mA", self._unit.idle_a
        problem = ""
        if self._unit.is_limited(opened, limit_a) and (idle_a is not None or opened.current_a < limit_a / 2):
            problem = (
                f"{current} at {opened.voltage_v:.2f} V after it was switched on with all control lines "
                "open: its output is off, or its own protection switches it off. Look at its front panel and "
                "its leads, and for a short at the unit's supply pins"
            )
            if idle_a is None:  # nothing is known yet of which way the relays work
                problem += (
                    "; and see whether the switchboard's relays work the other way round (active_low in its "
                    "profile), so that every coil of the unit is driven"
                )
        # Without the unit's own idle current, a unit that draws too much when idle looks the same.
        elif idle_a is not None and opened.current_a - idle_a > self._unit.half_a_control_a():
            problem = (
                f"{current} with all control lines open, and gave {idle_a * 1e3:.1f} mA before: the "
                "switchboard did not open a channel"
            )
        if problem:
            raise BadReply(f"gives {problem}", instrument="supply", address=self._supply.identity.address)

    def _refuse_a_line_that_is_on(self, reading: SupplyReading, state: State, limit_a: float) -> None:
        """Raise BadReply if the unit draws idle what one of its control lines would add.

        Told only of a state in which no line is on, before the unit's own idle current is known.
        """
        if state.on or state.pulsed or self._unit.idle_a is not None:
            return
        module, supply = self._module, self._supply
        lines = control_line_states(module)[1:]
        # What it would draw, within the lines' own limits.
        if lines and self._unit.is_limited(reading, limit_a):
            most_a = max(limit_of(module, line) for line in lines)
            supply.set(voltage_v=module.supply.voltage_v, limit_a=most_a)
            self._wait(LATER * self._settle_s)
            reading = supply.measure()
            if self._unit.is_limited(reading, most_a):
                return  # a short, and no coil
        idle_a = expected_current_a(module, IDLE_STATE)
        excess_a = reading.current_a - idle_a
        alike = [
            line.name
            for line in lines
            if abs(excess_a - (added_a := expected_current_a(module, line) - idle_a)) < LIKE_A_LINE * added_a
        ]
        if alike:
            names = " or ".join(alike)
            raise BadReply(
                f"gives {1e3 * reading.current_a:.1f} mA with all channels of the switchboard open, "
                f"{1e3 * excess_a:.1f} mA more than the unit should draw, as much as {names} adds: "
                "that channel does not open, or the line is shorted to ground in the unit. "
                "Unplug the control lead: if the current stays, the unit is at fault",
                instrument="supply",
                address=supply.identity.address,
            )

    def _once_unlimited(self, limit_a: float) -> SupplyReading:
        """Read the supply until it is not at its limit, or a late board has had its time."""
        waited_s, step_s = 0.0, LATER * self._settle_s
        while True:
            self._wait(step_s)
            waited_s += step_s
            reading = self._supply.measure()
            if waited_s >= LATEST_S or not self._unit.is_limited(reading, limit_a):
                return reading

    def _when_in_time(self, first: SupplyReading, state: State, limit_a: float) -> SupplyReading:
        """Read again until the current fits the state; what never does is the unit's own.

        A late board has its time, in one state or in several; after that nothing is waited for.
        """
        reading, waited_s, step_s = first, 0.0, LATER * self._settle_s
        seen, known = list[SupplyReading](), len(self.troubles)
        while self._unit.may_be_late(reading, state):
            seen.append(reading)
            if waited_s >= LATEST_S or self._patience_s <= 0.0:
                return reading
            self._wait(step_s)
            waited_s += step_s
            self._patience_s -= step_s
            reading = self._read(state, limit_a)
        self._wait(self._settle_s)  # the board has only just acted
        self._note(
            f"the current of state {state.name} came late: {first.current_a * 1e3:.1f} mA at first, "
            f"{reading.current_a * 1e3:.1f} mA after {waited_s:.2f} s",
            len(self.troubles) > known or self._is_the_boards(seen, state),
        )
        return reading

    def _blame(self, again: SupplyReading, state: State, limit_a: float) -> NoReturn:
        expected_a = expected_current_a(self._module, state)
        tripped = (
            ""
            if again.current_a > 0.5 * limit_a
            else "That is below its limit: it tripped, or does not hold its voltage (check that too). "
        )
        raise OverCurrentError(
            f"over-current in state {state.name}: the relay supply gives "
            f"{again.current_a * 1e3:.1f} mA at {again.voltage_v:.2f} V with its limit at "
            f"{limit_a * 1e3:.0f} mA; the coils should draw {expected_a * 1e3:.1f} mA. {tripped}"
            "Look for a shorted coil, a reversed diode, or control lines swapped or bridged",
            state=state.name,
            limit_a=limit_a,
            current_a=again.current_a,
            voltage_v=again.voltage_v,
        )


def _given(reading: SupplyReading) -> str:
    return f"the relay supply gave {reading.current_a * 1e3:.1f} mA"
