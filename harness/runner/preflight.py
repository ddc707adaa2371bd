"""Before the plan: the relay supply at rest, then every line alone at a limited current."""

from harness.descriptions.module import Module
from harness.descriptions.state import State
from harness.plan.supply import expected_current_a
from harness.runner.events import Remark
from harness.runner.stage import Stage

LIMIT_OVER_EXPECTED = 1.3  # practice: about 1.3 times what the line should draw
LEAST_LIMIT_A = 0.02  # a supply's current limit is coarse near zero


def limit_of(module: Module, state: State) -> float:
    """The supply's limit while a state is proven, in amperes."""
    expected_a = expected_current_a(module, state)
    return min(max(LIMIT_OVER_EXPECTED * expected_a, expected_a + LEAST_LIMIT_A), module.supply.limit_a)


def energise(stage: Stage) -> None:
    """Switch the relay supply on, then each line in turn; raises OverCurrentError at the first short."""
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
        stage.check_supply(state, limit_a=limit_a)
    stage.set_state(None, rest)
    supply.set(voltage_v=module.supply.voltage_v, limit_a=module.supply.limit_a)
    stage.observe(
        Remark(text=f"relay supply: rest and {len(states) - 1} lines one by one, none over its limit")
    )
