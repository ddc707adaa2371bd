"""Before the plan: the relay supply at rest, then every line alone at a limited current."""

from harness.descriptions.state import State
from harness.plan.supply import expected_current_a
from harness.runner.events import Remark
from harness.runner.stage import Stage

LIMIT_OVER_EXPECTED = 1.3  # practice: about 1.3 times what the line should draw
LEAST_LIMIT_A = 0.02  # a supply's current limit is coarse near zero


def energise(stage: Stage) -> None:
    """Switch the relay supply on, then each line in turn; raises OverCurrentError at the first short."""
    module = stage.job.module
    supply = stage.bench.supply
    rest = State(on=())
    states = [rest, *(State(on=(line,)) for line in module.line_names)]
    for state in states:
        expected_a = expected_current_a(module, state)
        limit_a = min(
            max(LIMIT_OVER_EXPECTED * expected_a, expected_a + LEAST_LIMIT_A), module.supply.limit_a
        )
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
