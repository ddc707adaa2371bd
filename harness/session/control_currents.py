"""What a unit draws when idle and with each control line alone: whether it is there, and which one it is.

Nothing else is driven for this: the relay supply alone, with one control line after the other on, at a
limited current.
"""

import time
from collections.abc import Mapping
from dataclasses import replace
from math import inf
from typing import Literal

from harness.errors import OverCurrentError, ProfileMismatch, UsageError
from harness.job.module import Module
from harness.job.state import IDLE_STATE
from harness.plan.model import only_these
from harness.plan.pulses import control_line_states
from harness.plan.states import LIMIT_OVER_EXPECTED, expected_current_a, limit_of
from harness.plan.unit_currents import VOLTAGE_HELD
from harness.reading import Reading
from harness.roles import Bench
from harness.session.context import BenchContext, RunContext
from harness.session.events import Remark
from harness.session.instruments import NotTaken
from harness.session.recorder import missing_reading
from harness.units import counted

# While a unit stays in: copper is 4 % more after warming up by 10 K, a supply's meter 1 % wrong.
STAYS_WITHIN = 0.06  # of a current
STAYS_WITHIN_A = 0.001
# From unit to unit: a meter's own repeatability, and a coil that cooled by a kelvin.
SAME_WITHIN = 0.004  # of a current
SAME_WITHIN_A = 0.0002  # a supply's meter near zero
LEAST_V = 0.5  # of a supply at its limit, less is off or a short: common practice, no source
CURRENT_UNKNOWN = "the relay supply does not say what it gives"
NOTHING = 0.25  # of what the coils of the best control line should add: less is no unit, or no supply lead


Arrived = Literal["a unit", "same", "nothing", "over-current"]
"""What is in the fixture, by its relay supply.

same: it draws in every state what the unit before drew when it left. over-current: there is a unit, and the
run will say so.
"""


def make_idle(bench: Bench) -> None:
    """Generator, relay supply and switchboard off and verified, the bench still open. Raises BenchError."""
    bench.generator.off()
    bench.supply.off()
    bench.switchboard.off()


def energise(context: BenchContext) -> dict[str, float]:
    """Switch the relay supply on, then each control line in turn; raises OverCurrentError at the first short.

    Returns the current in amperes in each of these states, by which the unit can be known again; {} from a
    supply that does not say what it gives, which is switched on all the same.
    """
    currents_a: dict[str, float] = {}
    module, supply = context.job.module, context.bench.supply
    supply.prepare()
    if not context.supply_watch.sees:
        supply.set(voltage_v=module.supply.voltage_v, limit_a=module.supply.limit_a)
        supply.switch(on=True)
        context.set_state(None, IDLE_STATE)
        context.observe(
            Remark(text="relay supply: on, its current unknown; no control line was checked by it")
        )
        return {}
    context.supply_watch.learn(currents_a)
    for state in control_line_states(module):
        limit_a = limit_of(module, state)
        supply.set(voltage_v=module.supply.voltage_v, limit_a=limit_a)
        if state is IDLE_STATE:
            supply.switch(on=True)
        context.wait_until(context.hold(None, state))
        try:
            currents_a[state.name] = context.supply_watch.check(state, limit_a=limit_a).current_a
        except OverCurrentError:
            if state is IDLE_STATE and module.set_controls:  # no two coils of a latching relay at once
                _refuse_pulses_the_other_way_round(context)
            elif state is IDLE_STATE:
                _refuse_relays_the_other_way_round(context)
            raise
        context.supply_watch.learn(currents_a)
    context.hold(None, IDLE_STATE)  # whatever comes next settles by itself
    supply.set(voltage_v=module.supply.voltage_v, limit_a=module.supply.limit_a)
    if module.set_controls:
        context.set_state(None, IDLE_STATE)  # until now nobody knows how latching relays stand
    controls = counted(len(module.control_names), "control line")
    context.observe(
        Remark(text=f"relay supply: {IDLE_STATE.name} and {controls} one by one, none over its limit")
    )
    return currents_a


def _refuse_relays_the_other_way_round(context: BenchContext) -> None:
    """Raise ProfileMismatch if it is with every control line on that the unit draws what it should with none.

    Then the board energises what it should release; the unit is not to blame. The supply's limit is the
    module's own meanwhile, so that a short draws more than that.
    """
    module, supply = context.job.module, context.bench.supply
    supply.set(voltage_v=module.supply.voltage_v, limit_a=module.supply.limit_a)
    open_a = supply.measure().current_a
    context.board.set(frozenset(context.job.fixture.controls[name] for name in module.control_names))
    context.wait_until(time.monotonic() + context.settle_s)
    closed = supply.measure()
    closed_a = closed.current_a
    held = closed.voltage_v >= VOLTAGE_HELD * module.supply.voltage_v  # else it limits, or has tripped
    if not held or closed_a > least_excess_a(module):
        return
    raise ProfileMismatch(
        f"the unit draws {open_a * 1e3:.1f} mA with every control line off, and {closed_a * 1e3:.1f} mA with "
        "all on, as it should with all off: the relays work the other way round. Look at active_low, at "
        "energised and released, or at close and open in its profile",
        instrument=context.board.identity.role,
        address=context.board.identity.address,
    )


def _refuse_pulses_the_other_way_round(context: BenchContext) -> None:
    """The same of a module with latching relays: raise ProfileMismatch if one line closed takes current away.

    A board that is right adds that line's coils. One that is the other way round drives every other line, so
    that the supply may be at its limit: what is compared is current over voltage.
    """
    module, supply = context.job.module, context.bench.supply
    idle_a = expected_current_a(module, IDLE_STATE)
    state = max(control_line_states(module)[1:], key=lambda each: expected_current_a(module, each))
    adds_s = (expected_current_a(module, state) - idle_a) / module.supply.voltage_v
    supply.set(voltage_v=module.supply.voltage_v, limit_a=module.supply.limit_a)
    context.wait_until(time.monotonic() + context.settle_s)
    opened = supply.measure()
    context.wait_until(context.hold(None, state))
    closed = supply.measure()
    context.hold(None, IDLE_STATE)
    if min(opened.voltage_v, closed.voltage_v) < LEAST_V:
        return
    less_s = opened.current_a / opened.voltage_v - closed.current_a / closed.voltage_v
    if less_s < 0.5 * adds_s:
        return
    raise ProfileMismatch(
        f"the unit draws {opened.current_a * 1e3:.1f} mA at {opened.voltage_v:.2f} V with every control line "
        f"off, and less with {state.pulsed or state.name} alone on, {closed.current_a * 1e3:.1f} mA at "
        f"{closed.voltage_v:.2f} V: the relays work the other way round. Look at active_low, at energised "
        "and released, or at close and open in its profile",
        instrument=context.board.identity.role,
        address=context.board.identity.address,
    )


def least_excess_a(module: Module) -> float:
    """What an idle unit stays below if no coil is on: its own current and half of the smallest coil's, or as
    much above its own as the supply's limit allows.
    """
    idle_a = expected_current_a(module, IDLE_STATE)
    added = (expected_current_a(module, state) - idle_a for state in control_line_states(module)[1:])
    smallest_a = min((each for each in added if each > 0), default=inf)
    return idle_a + max(0.5 * smallest_a, (LIMIT_OVER_EXPECTED - 1.0) * idle_a)


def record_unknown_currents(context: RunContext) -> tuple[RunContext, list[Reading]]:
    """Record every reading of a supply that does not say what it gives as missing, and why.

    Returns a context without them in its plan, and the readings.
    """
    plan, made = context.plan, list[Reading]()
    for visit in plan.visits:
        for state in visit.states:
            here = [each for each in plan.of("supply") if each.measurand.state == state.state.name]
            if state.judges_supply and here:
                missing = [missing_reading(each, NotTaken(reason=CURRENT_UNKNOWN)) for each in here]
                context.add_readings(state.state, 0, missing)
                made += missing
    rest = [each for each in plan.readings if each.quantity.family != "supply"]
    return replace(context, plan=only_these(plan, rest)), made


def check_same_unit(before_a: Mapping[str, float], now_a: Mapping[str, float]) -> None:
    """Refuse to continue with a unit that draws other currents than the one before. Raises UsageError.

    Units of one lot may draw the same; a person confirms the serial number.
    """
    for state, current_a in now_a.items():
        expected_a = before_a.get(state, current_a)
        if abs(current_a - expected_a) > STAYS_WITHIN * expected_a + STAYS_WITHIN_A:
            raise UsageError(
                f"a different or changed unit: in {state} it draws {current_a * 1e3:.1f} mA, and drew "
                f"{expected_a * 1e3:.1f} mA when the run began. Put the same unit back, or start a new run"
            )


def look_at_unit(context: BenchContext, left_a: Mapping[str, float]) -> Arrived:
    """Look at the unit in the fixture; leaves everything off. left_a: of the unit before, {} without one.

    Where the supply does not say what it gives, there is a unit as far as anybody knows.
    """
    if not context.supply_watch.sees:
        return "a unit"
    now_a = control_currents(context)
    if not now_a:
        return "over-current"
    if draws_nothing(context.job.module, now_a):
        return "nothing"
    return "same" if draws_the_same(left_a, now_a) else "a unit"


def control_currents(context: BenchContext) -> Mapping[str, float]:
    """What the unit draws idle and with each control line alone; {} if it draws too much. Leaves everything
    off. {} as well from a supply that does not say what it gives.
    """
    if not context.supply_watch.sees:
        make_idle(context.bench)
        return {}
    try:
        return energise(context)
    except OverCurrentError:
        return {}
    finally:
        make_idle(context.bench)


def draws_nothing(module: Module, now_a: Mapping[str, float]) -> bool:
    """Whether no control line adds what even a single coil of it would."""
    idle_a = expected_current_a(module, IDLE_STATE)
    added = [
        (now_a[state.name] - now_a[IDLE_STATE.name], expected_current_a(module, state) - idle_a)
        for state in control_line_states(module)[1:]
        if state.name in now_a
    ]
    coils = any(result > NOTHING * wanted for result, wanted in added if wanted > 0)
    return not coils and now_a[IDLE_STATE.name] < max(0.5 * idle_a, SAME_WITHIN_A)


def draws_the_same(before_a: Mapping[str, float], now_a: Mapping[str, float]) -> bool:
    """Whether two sets of currents agree in every state; False if there was no unit before."""
    return bool(before_a) and all(
        abs(current_a - before_a.get(state, inf)) <= SAME_WITHIN * current_a + SAME_WITHIN_A
        for state, current_a in now_a.items()
    )
