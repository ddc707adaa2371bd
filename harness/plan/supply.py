"""What the relay supply should give in a state, and what it is limited to while that is proven."""

from harness.job.module import Module
from harness.job.state import State
from harness.plan.states import energised

SUPPLY_METER = 0.01  # of a bench supply's own current reading: common practice, no source
LIMIT_REACHED = 0.97  # of the set limit: a supply in current limit reads a little below it
LIMIT_OVER_EXPECTED = 1.3  # times what the line should draw: common practice, no source
LEAST_LIMIT_A = 0.02  # over that: a supply's current limit is coarse near zero


def expected_current_a(module: Module, state: State) -> float:
    """Quiescent current and the coils that the state energises; nothing where the supply is off."""
    if not state.powered:
        return 0.0
    coils_a = sum(
        module.supply.voltage_v / relay.type.coil_ohm for relay in module.relays if energised(relay, state)
    )
    return module.supply.quiescent_a + coils_a


def limit_of(module: Module, state: State) -> float:
    """The supply's limit while a state is proven before the plan, in amperes; never over the module's own."""
    expected_a = expected_current_a(module, state)
    return min(max(LIMIT_OVER_EXPECTED * expected_a, expected_a + LEAST_LIMIT_A), module.supply.limit_a)
