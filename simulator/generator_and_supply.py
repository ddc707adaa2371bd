"""A generator and a laboratory supply, as the commands of `scpi-generator` and `scpi-supply` see them."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from simulator.device import Device
from simulator.dynamics import SupplySetting, SupplyState
from simulator.scpi import Command, ScpiError, boolean, choice, digit, integer, number, numbered, real
from simulator.sources import Output, generator_for
from simulator.world import OUTPUTS, Clock, World

FREQUENCY_HZ = (1e-6, 20e6)
OPEN_CIRCUIT_VPP = (2e-3, 20.0)
PEAK_V = 10.0  # open circuit, offset included
LOAD_OHM = (1.0, 10e3)
INTERNAL_OHM = 50.0
INFINITE = 9.9e37  # SCPI's number for infinity
WEAK = 0.5**0.5  # 3 dB down
DETUNED = 1.01
TURNED_V = 0.4  # of offset, as the panel shows it
VOLTAGE_V, CURRENT_A = 32.0, 3.2
VOLTAGE_ERROR, CURRENT_ERROR = 5e-4, 2e-3  # of the reading
VOLTAGE_NOISE_V, CURRENT_NOISE_A = 2e-3, 50e-6
SUPPLY_OFF = SupplySetting(voltage_v=0.0, limit_a=0.1, on=False)


@dataclass(frozen=True, kw_only=True)
class _Setting(Output):
    """One output as the panel shows it: volts into `load_ohm`; direct: it gives its offset alone."""

    load_ohm: float = INTERNAL_OHM
    direct: bool = False

    @property
    def division(self) -> float:
        """Volts into the set load per open-circuit volt."""
        return 1.0 if self.load_ohm >= INFINITE else self.load_ohm / (self.load_ohm + INTERNAL_OHM)


class Generator(Device):
    """Sines, and a direct voltage: the bench needs no others."""

    def __init__(self, clock: Clock, world: World, *, serial: str) -> None:
        self._world = world
        self._settings = [_Setting() for _ in range(OUTPUTS)]
        self._strength, self._detuning, self._apart = 1.0, 1.0, 0.0
        self._silent: set[int | None] = set()
        super().__init__(clock, model="FG2", serial=serial)

    def upset(self, kind: str, value: int | None) -> None:
        """Give something else than the panel shows from now on; kinds as in `Trouble`."""
        match kind:
            case "weak":
                self._strength = WEAK
            case "silent":
                self._silent.add(value)
            case "detuned":
                self._detuning = DETUNED
            case "apart":
                self._apart = 1e-6 * (value or 0)
            case "turned":
                self._settings = [
                    replace(each, load_ohm=INTERNAL_OHM, offset_v=TURNED_V) for each in self._settings
                ]
        self._apply_all()

    def mend(self) -> None:
        """End what `upset` began."""
        self._strength, self._detuning, self._apart = 1.0, 1.0, 0.0
        self._silent.clear()
        self._apply_all()

    def reset(self) -> None:
        """All outputs off, 1 kHz, 100 mVpp into 50 ohm; the sync is that of the first."""
        self._set_sync(1)
        for output in range(1, OUTPUTS + 1):
            self._apply(output, _Setting())

    def commands(self) -> Sequence[Command]:
        """The commands of a generator."""
        anything = number(-9.9e37, 9.9e37)
        return [
            Command(
                pattern="SOURce{n}:FUNCtion",
                do=lambda n, shape: self._apply(n, replace(self._settings[n - 1], direct=shape == "DC")),
                takes=choice("SINusoid", "DC"),
                ask=lambda n: "DC" if self._settings[n - 1].direct else "SIN",
                suffix_max=OUTPUTS,
            ),
            self._field("SOURce{n}:FREQuency", "frequency_hz", number(*FREQUENCY_HZ)),
            self._field("SOURce{n}:VOLTage", "amplitude_vpp", anything, self._given),
            self._field("SOURce{n}:VOLTage:OFFSet", "offset_v", anything),
            self._field("SOURce{n}:PHASe", "phase_deg", number(-360, 360)),
            self._field("OUTPut{n}", "on", boolean, digit),
            Command(
                pattern="OUTPut:SYNC:SOURce",
                do=self._set_sync,
                takes=numbered("CH", OUTPUTS),
                ask=lambda: f"CH{self._sync}",
            ),
            Command(
                pattern="OUTPut{n}:LOAD",
                do=self._set_load,
                takes=_load,
                ask=lambda n: real(self._settings[n - 1].load_ohm),
                suffix_max=OUTPUTS,
            ),
        ]

    def _field(
        self, pattern: str, field: str, reads: Callable[[str], object], writes: Callable[[Any], str] = real
    ) -> Command:
        def do(n: int, value: Any) -> None:
            self._apply(n, replace(self._settings[n - 1], **{field: value}))

        return Command(
            pattern=pattern,
            do=do,
            takes=reads,
            ask=lambda n: writes(getattr(self._settings[n - 1], field)),
            suffix_max=OUTPUTS,
        )

    def _given(self, amplitude_vpp: float) -> str:
        return real(amplitude_vpp * self._strength)

    def _set_sync(self, number: int) -> None:
        self._sync = number
        self._world.set_sync(number)

    def _set_load(self, n: int, load_ohm: float) -> None:
        """Another load changes what the panel shows, not the output."""
        before = self._settings[n - 1]
        after = replace(before, load_ohm=load_ohm)
        scale = after.division / before.division
        self._settings[n - 1] = replace(
            after, amplitude_vpp=before.amplitude_vpp * scale, offset_v=before.offset_v * scale
        )

    def _apply_all(self) -> None:
        for output, setting in enumerate(self._settings, start=1):
            self._apply(output, setting)

    def _apply(self, n: int, setting: _Setting) -> None:
        amplitude_vpp = setting.amplitude_vpp / setting.division
        offset_v = setting.offset_v / setting.division
        low, high = OPEN_CIRCUIT_VPP
        if not low * (1 - 1e-9) <= amplitude_vpp <= high * (1 + 1e-9):
            raise ScpiError(-222, f"amplitude {setting.amplitude_vpp:g} Vpp")
        if abs(offset_v) + amplitude_vpp / 2 > PEAK_V * (1 + 1e-9):
            raise ScpiError(-221, "offset and amplitude together")
        self._settings[n - 1] = setting
        self._world.set_output(
            n,
            Output(
                on=setting.on and n not in self._silent,
                frequency_hz=setting.frequency_hz * self._detuning,
                amplitude_vpp=0.0
                if setting.direct
                else amplitude_vpp * self._strength * (1 + (self._apart if n == 1 else -self._apart)),
                offset_v=offset_v,
                phase_deg=setting.phase_deg,
            ),
        )


def _load(text: str) -> float:
    if text[:1].isalpha():
        choice("INFinity")(text)
        return INFINITE
    return number(*LOAD_OHM)(text)


class Supply(Device):
    """Two outputs: constant voltage up to the limit, constant current there. One feeds the relays."""

    def __init__(self, clock: Clock, world: World, *, serial: str, seed: int, relay_output: int = 1) -> None:
        self._world = world
        self._settings = dict.fromkeys(range(1, OUTPUTS + 1), SUPPLY_OFF)
        self._selected = 1
        self._relay_output = relay_output
        self._trips = self._frozen = False
        self._misreading = 1.0
        self._shown: dict[str, str] = {}
        self._rng = generator_for("supply", seed)
        self._voltage_gain = 1 + VOLTAGE_ERROR * self._rng.uniform(-1, 1)
        self._current_gain = 1 + CURRENT_ERROR * self._rng.uniform(-1, 1)
        super().__init__(clock, model="PS32", serial=serial)

    def reset(self) -> None:
        """Output off, 0 V."""
        for output in self._settings:
            self._selected = output
            self._apply(SUPPLY_OFF)
        self._selected = 1

    def commands(self) -> Sequence[Command]:
        """The commands of a supply."""
        return [
            self._field("VOLTage", "voltage_v", number(0, VOLTAGE_V)),
            self._field("CURRent", "limit_a", number(0, CURRENT_A)),
            self._field("OUTPut", "on", boolean, digit),
            Command(pattern="MEASure:VOLTage", ask=self._voltage),
            Command(pattern="MEASure:CURRent", ask=self._current),
            Command(
                pattern="INSTrument:NSELect",
                do=self._select,
                takes=integer(1, OUTPUTS),
                ask=lambda: str(self._selected),
            ),
        ]

    def _field(
        self, pattern: str, field: str, reads: Callable[[str], object], writes: Callable[[Any], str] = real
    ) -> Command:
        return Command(
            pattern=pattern,
            do=lambda value: self._apply(replace(self._setting, **{field: value})),
            takes=reads,
            ask=lambda: writes(getattr(self._setting, field)),
        )

    def upset(self, kind: str, value: int | None) -> None:
        """Let the relays' output or the meter go wrong; kinds as in `Trouble`."""
        match kind:
            case "off":
                self._lose_output()
            case "trips":
                self._trips = True
                self._lose_output()
            case "frozen":
                self._frozen = True
            case "misreads":
                self._misreading = 1 + (value or 0) / 100
            case "turned":
                self._selected = OUTPUTS + 1 - self._selected

    def mend(self) -> None:
        """End what `upset` began; an output that went off stays off until it is switched on."""
        self._trips = self._frozen = False
        self._misreading = 1.0

    def _lose_output(self) -> None:
        """Switch the relays' output off, as a hand or a protection does."""
        self._settings[self._relay_output] = replace(self._settings[self._relay_output], on=False)
        self._world.set_supply(self._settings[self._relay_output])

    @property
    def _setting(self) -> SupplySetting:
        return self._settings[self._selected]

    def _apply(self, setting: SupplySetting) -> None:
        if self._trips and self._selected == self._relay_output:
            setting = replace(setting, on=False)
        self._settings[self._selected] = setting
        if self._selected == self._relay_output:
            self._world.set_supply(setting)

    def _select(self, output: int) -> None:
        self._selected = output

    def _state(self) -> SupplyState:
        if self._selected == self._relay_output:
            return self._world.supply()
        voltage_v = self._setting.voltage_v if self._setting.on else 0.0  # nothing is connected to it
        return SupplyState(voltage_v=voltage_v, current_a=0.0)

    def _voltage(self) -> str:
        true_v = self._state().voltage_v
        return self._show("V", true_v * self._voltage_gain + VOLTAGE_NOISE_V * float(self._rng.normal()))

    def _current(self) -> str:
        true_a = self._state().current_a * self._misreading
        return self._show("A", true_a * self._current_gain + CURRENT_NOISE_A * float(self._rng.normal()))

    def _show(self, unit: str, value: float) -> str:
        if not self._frozen or unit not in self._shown:
            self._shown[unit] = real(value)
        return self._shown[unit]
