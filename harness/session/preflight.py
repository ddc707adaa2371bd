"""Before the plan: the relay supply at rest, then every line alone at a limited current."""

from collections.abc import Mapping

from harness.errors import UsageError
from harness.job.state import State
from harness.plan.states import limit_of
from harness.session.events import Remark
from harness.session.stage import Stage
from harness.units import counted


def energise(stage: Stage) -> dict[str, float]:
    """Switch the relay supply on, then each line in turn; raises OverCurrentError at the first short.

    Gives the current in amperes in each of these states, by which the unit can be known again.
    """
    currents_a: dict[str, float] = {}
    module = stage.job.module
    supply = stage.bench.supply
    rest = State(on=())
    states = [rest, *(State(on=(line,)) for line in module.line_names)]
    for state in states:
        limit_a = limit_of(module, state)
        supply.set(voltage_v=module.supply.voltage_v, limit_a=limit_a)
        if state is rest:
            supply.switch(on=True)
        stage.set_state(None, state)
        currents_a[state.name] = stage.check_supply(state, limit_a=limit_a).current_a
    stage.begin_state(None, rest)  # whatever comes next settles by itself
    supply.set(voltage_v=module.supply.voltage_v, limit_a=module.supply.limit_a)
    stage.observe(
        Remark(
            text=f"relay supply: rest and {counted(len(states) - 1, 'line')} one by one, none over its limit"
        )
    )
    return currents_a


SAME_WITHIN = 0.06  # of a current: copper is 4 % more after warming up by 10 K, a supply's meter 1 % wrong
SAME_WITHIN_A = 0.001


def check_same_unit(before_a: Mapping[str, float], now_a: Mapping[str, float]) -> None:
    """Refuse to go on with a unit that draws other currents than the one before. Raises UsageError.

    Units of one lot may draw the same; that the serial number is the same, a person says.
    """
    for state, current_a in now_a.items():
        expected_a = before_a.get(state, current_a)
        if abs(current_a - expected_a) > SAME_WITHIN * expected_a + SAME_WITHIN_A:
            raise UsageError(
                f"another unit, or a changed one: in {state} it draws {current_a * 1e3:.1f} mA, and drew "
                f"{expected_a * 1e3:.1f} mA when the run began. Put the same unit back, or begin a new run"
            )
