"""What a unit draws when idle and with each control line alone: whether it is there, and which one it is.

Nothing else is driven for this: the relay supply alone, line by line, at a limited current.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from harness.errors import OverCurrentError, UsageError
from harness.job.module import Module
from harness.job.state import State
from harness.plan.states import expected_current_a, limit_of
from harness.roles import Bench
from harness.session.context import BenchContext
from harness.session.events import Remark
from harness.units import counted

TERMINATED = State(on=())

# While a unit stays in: copper is 4 % more after warming up by 10 K, a supply's meter 1 % wrong.
KEPT_WITHIN = 0.06  # of a current
KEPT_WITHIN_A = 0.001
# From unit to unit: a meter's own repeatability, and a coil that cooled by a kelvin.
SAME_WITHIN = 0.004  # of a current
SAME_WITHIN_A = 0.0002  # a supply's meter near zero
NOTHING = 0.25  # of what the coils of the best control line should add: less is no unit, or no supply lead


@dataclass(frozen=True, kw_only=True)
class Arrived:
    """What is in the fixture, as far as its relay supply tells; currents in amperes by state.

    same: it draws in every state what the unit before drew when it left. over-current: there is a unit, and
    the run will say so; `currents_a` is empty then.
    """

    what: Literal["a unit", "same", "nothing", "over-current"]
    currents_a: Mapping[str, float]


def make_idle(bench: Bench) -> None:
    """Generator, relay supply and switchboard off and verified, the bench still open. Raises BenchError."""
    bench.generator.off()
    bench.supply.off()
    bench.switchboard.off()


def energise(context: BenchContext) -> dict[str, float]:
    """Switch the relay supply on, then each control line in turn; raises OverCurrentError at the first short.

    Returns the current in amperes in each of these states, by which the unit can be known again.
    """
    currents_a: dict[str, float] = {}
    module, supply = context.job.module, context.bench.supply
    states = [TERMINATED, *(State(on=(control,)) for control in module.control_names)]
    for state in states:
        limit_a = limit_of(module, state)
        supply.set(voltage_v=module.supply.voltage_v, limit_a=limit_a)
        if state is TERMINATED:
            supply.switch(on=True)
        context.set_state(None, state)
        currents_a[state.name] = context.supply_watch.check(state, limit_a=limit_a).current_a
    context.begin_state(None, TERMINATED)  # whatever comes next settles by itself
    supply.set(voltage_v=module.supply.voltage_v, limit_a=module.supply.limit_a)
    controls = counted(len(states) - 1, "line")
    context.observe(
        Remark(text=f"relay supply: {TERMINATED.name} and {controls} one by one, none over its limit")
    )
    return currents_a


def check_same_unit(before_a: Mapping[str, float], now_a: Mapping[str, float]) -> None:
    """Refuse to go on with a unit that draws other currents than the one before. Raises UsageError.

    Units of one lot may draw the same; that the serial number is the same, a person says.
    """
    for state, current_a in now_a.items():
        expected_a = before_a.get(state, current_a)
        if abs(current_a - expected_a) > KEPT_WITHIN * expected_a + KEPT_WITHIN_A:
            raise UsageError(
                f"a different or changed unit: in {state} it draws {current_a * 1e3:.1f} mA, and drew "
                f"{expected_a * 1e3:.1f} mA when the run began. Put the same unit back, or start a new run"
            )


def look_at_unit(context: BenchContext, left_a: Mapping[str, float]) -> Arrived:
    """Look at the unit in the fixture; leaves everything off. left_a: of the unit before, {} without one."""
    now_a = line_currents(context)
    if not now_a:
        return Arrived(what="over-current", currents_a=now_a)
    if draws_nothing(context.job.module, now_a):
        return Arrived(what="nothing", currents_a=now_a)
    return Arrived(what="same" if draws_the_same(left_a, now_a) else "a unit", currents_a=now_a)


def line_currents(context: BenchContext) -> Mapping[str, float]:
    """What the unit draws idle and with each control line alone; {} if it draws too much. Leaves everything
    off.
    """
    try:
        return energise(context)
    except OverCurrentError:
        return {}
    finally:
        make_idle(context.bench)


def draws_nothing(module: Module, now_a: Mapping[str, float]) -> bool:
    """Whether no control line adds what even a single coil of it would."""
    idle_a = expected_current_a(module, TERMINATED)
    added = [
        (now_a[control] - now_a[TERMINATED.name], expected_current_a(module, State(on=(control,))) - idle_a)
        for control in module.control_names
        if control in now_a
    ]
    coils = any(result > NOTHING * wanted for result, wanted in added if wanted > 0)
    return not coils and now_a[TERMINATED.name] < max(0.5 * idle_a, SAME_WITHIN_A)


def draws_the_same(before_a: Mapping[str, float], now_a: Mapping[str, float]) -> bool:
    """Whether two sets of currents agree in every state; never if there is none before."""
    return bool(before_a) and all(
        abs(current_a - before_a.get(state, float("inf"))) <= SAME_WITHIN * current_a + SAME_WITHIN_A
        for state, current_a in now_a.items()
    )
