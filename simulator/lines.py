"""The control side: supply, lines and coils, in volts and amperes at one instant."""

from dataclasses import dataclass

from harness.job.module import Module, Relay
from simulator.motion import OPERATED, REST
from simulator.unit import Built

PICK_UP = 0.7  # of the nominal coil voltage, signal relays' data sheets
DROP_OUT = 0.1


@dataclass(frozen=True, kw_only=True)
class SupplySetting:
    """What the relay supply was told."""

    voltage_v: float
    limit_a: float
    on: bool


@dataclass(frozen=True, kw_only=True)
class SupplyState:
    """What the relay supply does."""

    voltage_v: float
    current_a: float
    limiting: bool


def energised(module: Module, built: Built, closed_lines: frozenset[str]) -> frozenset[str]:
    """Lines inside the unit that are connected to the supply, its wiring faults included."""
    return frozenset(line for line in module.line_names if built.line_feeds[line] & closed_lines)


def supply_state(module: Module, built: Built, setting: SupplySetting, lines: frozenset[str]) -> SupplyState:
    """Voltage and current of the supply: constant voltage, or constant current at its limit."""
    if not setting.on:
        return SupplyState(voltage_v=0.0, current_a=0.0, limiting=False)
    conductance_s = sum(
        1 / built.coil_ohm[relay.name]
        for relay in module.relays
        for line in (relay.line, relay.set_line, relay.reset_line)
        if line in lines
    )
    quiescent_a = module.supply.quiescent_a * min(1.0, setting.voltage_v / module.supply.voltage_v)
    quiescent_a *= built.supplied
    wanted_a = quiescent_a + setting.voltage_v * conductance_s
    if wanted_a <= setting.limit_a:
        return SupplyState(voltage_v=setting.voltage_v, current_a=wanted_a, limiting=False)
    resistance_ohm = setting.voltage_v / wanted_a
    return SupplyState(voltage_v=setting.limit_a * resistance_ohm, current_a=setting.limit_a, limiting=True)


def position(
    relay: Relay, built: Built, *, voltage_v: float, nominal_v: float, lines: frozenset[str], now: int
) -> int:
    """Where a relay's armature goes, `now` being where it is."""
    if relay.name in built.held:
        return built.held[relay.name]
    if relay.line is not None:
        coil_v = voltage_v if relay.line in lines else 0.0
        if coil_v >= PICK_UP * nominal_v and _has_coil(relay, built):
            return OPERATED
        return REST if coil_v <= DROP_OUT * nominal_v or not _has_coil(relay, built) else now
    if voltage_v >= PICK_UP * nominal_v and _has_coil(relay, built):
        pulled = (relay.set_line in lines, relay.reset_line in lines)
        if pulled == (True, False):
            return OPERATED
        if pulled == (False, True):
            return REST
    return now


def _has_coil(relay: Relay, built: Built) -> bool:
    """An open coil pulls nothing, and neither does a shorted one: its turns carry no current."""
    return 0.2 < built.coil_ohm[relay.name] / relay.type.coil_ohm < 5
