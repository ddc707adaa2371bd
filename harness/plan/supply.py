"""What the relay supply should give in a state."""

from harness.descriptions.module import Module
from harness.descriptions.state import State
from harness.plan.states import energised


def expected_current_a(module: Module, state: State) -> float:
    """Quiescent current and the coils that the state energises; nothing where the supply is off."""
    if not state.powered:
        return 0.0
    coils_a = sum(
        module.supply.voltage_v / relay.type.coil_ohm for relay in module.relays if energised(relay, state)
    )
    return module.supply.quiescent_a + coils_a
