"""A laboratory supply, as the commands of `scpi-supply` see it."""

from collections.abc import Sequence
from dataclasses import replace

from simulator.device import Device
from simulator.relays import SupplySetting, SupplyState
from simulator.scpi import Command, boolean, integer, number, real
from simulator.seeds import generator_for
from simulator.world import Clock, World

VOLTAGE_V, CURRENT_A = 32.0, 3.2
VOLTAGE_ERROR, CURRENT_ERROR = 5e-4, 2e-3  # of the reading
VOLTAGE_NOISE_V, CURRENT_NOISE_A = 2e-3, 50e-6
OUTPUTS = 2
REST = SupplySetting(voltage_v=0.0, limit_a=0.1, on=False)


class Supply(Device):
    """Two outputs: constant voltage up to the limit, constant current there. One feeds the relays."""

    def __init__(self, clock: Clock, world: World, *, serial: str, seed: int, relay_output: int = 1) -> None:
        self._world = world
        self._settings = dict.fromkeys(range(1, OUTPUTS + 1), REST)
        self._selected = 1
        self._relay_output = relay_output
        self._rng = generator_for("supply", seed)
        self._voltage_gain = 1 + VOLTAGE_ERROR * self._rng.uniform(-1, 1)
        self._current_gain = 1 + CURRENT_ERROR * self._rng.uniform(-1, 1)
        super().__init__(clock, model="PS32", serial=serial)

    def reset(self) -> None:
        """Output off, 0 V."""
        for output in self._settings:
            self._selected = output
            self._apply(REST)
        self._selected = 1

    def commands(self) -> Sequence[Command]:
        """The commands of a supply."""
        return [
            Command(
                pattern="VOLTage",
                do=lambda value: self._apply(replace(self._setting, voltage_v=value)),
                takes=number(0, VOLTAGE_V),
                ask=lambda: real(self._setting.voltage_v),
            ),
            Command(
                pattern="CURRent",
                do=lambda value: self._apply(replace(self._setting, limit_a=value)),
                takes=number(0, CURRENT_A),
                ask=lambda: real(self._setting.limit_a),
            ),
            Command(
                pattern="OUTPut",
                do=lambda on: self._apply(replace(self._setting, on=on)),
                takes=boolean,
                ask=lambda: str(int(self._setting.on)),
            ),
            Command(pattern="MEASure:VOLTage", ask=self._voltage),
            Command(pattern="MEASure:CURRent", ask=self._current),
            Command(
                pattern="INSTrument:NSELect",
                do=self._select,
                takes=integer(1, OUTPUTS),
                ask=lambda: str(self._selected),
            ),
        ]

    @property
    def _setting(self) -> SupplySetting:
        return self._settings[self._selected]

    def _apply(self, setting: SupplySetting) -> None:
        self._settings[self._selected] = setting
        if self._selected == self._relay_output:
            self._world.set_supply(setting)

    def _select(self, output: int) -> None:
        self._selected = output

    def _state(self) -> SupplyState:
        if self._selected == self._relay_output:
            return self._world.supply()
        voltage_v = self._setting.voltage_v if self._setting.on else 0.0  # nothing is connected to it
        return SupplyState(voltage_v=voltage_v, current_a=0.0, limiting=False)

    def _voltage(self) -> str:
        true_v = self._state().voltage_v
        return real(true_v * self._voltage_gain + VOLTAGE_NOISE_V * float(self._rng.normal()))

    def _current(self) -> str:
        true_a = self._state().current_a
        return real(true_a * self._current_gain + CURRENT_NOISE_A * float(self._rng.normal()))
