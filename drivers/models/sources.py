"""Profiles of what feeds a unit: generators and relay supplies."""

import math
from dataclasses import replace
from typing import Annotated, ClassVar, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from drivers.command import OUTPUT, PLAIN, Command, Count, Holes, Positive, ProfileTable
from drivers.models.any_instrument import InstrumentProfile
from drivers.models.dialect import Dialect
from drivers.models.expected_answer import ExpectedAnswer
from harness.bench_file import WireFile
from harness.toml_files.values import compiled

FREQUENCY_WITHIN = 1e-6  # an instrument may round in its last digit; clamping is far more than this
LEVEL_WITHIN_DB = 20.0 * math.log10(1.01)  # instruments round a level to four digits, small ones to three
AMPLITUDES = ("vpp", "vrms", "vpk", "dbv", "dbm")
VOLTS = ("v", "mv", "v_tenths", "v_hundredths")
AMPERES = ("a", "ma", "a_hundredths")


def _with_a_group(value: str) -> str:
    try:
        groups = compiled(value).groups
    except Exception as error:  # re2.error has no base of its own
        raise ValueError(f"expected a regular expression (RE2), found {value!r}") from error
    if groups != 1:
        raise ValueError(f"expected a pattern with one group, such as ^([0-9]{{4}}), found {value!r}")
    return value


Digits = Annotated[str, AfterValidator(_with_a_group)]


class SwitchedProfile(InstrumentProfile):
    """An instrument whose outputs are switched on and off.

    on_answer, off_answer: what it answers to `output_query` with its output on and off; None: 1 or ON, and 0
    or OFF. output_state: where that is in the answer; None: it is all of it.
    """

    on_answer: ExpectedAnswer | None = None
    off_answer: ExpectedAnswer | None = None
    output_state: Digits | None = None

    @model_validator(mode="after")
    def _tells_on_from_off(self) -> Self:
        on, off = self.on_answer, self.off_answer
        if on is None and off is not None:
            raise ValueError("found off_answer without on_answer; expected both")
        if on is not None and off is None and on.opposite is None:
            raise ValueError(f"found on_answer {on.text!r} without off_answer; expected both of two texts")
        return self

    def dialect(self, wire: WireFile) -> Dialect:
        """How lines are sent and answered."""
        return replace(
            super().dialect(wire),
            on_answer=self.on_answer,
            off_answer=self.off_answer,
            output_state=self.output_state,
        )


class GeneratorCommands(ProfileTable):
    """A query may be left out; with it, the setting is read back and compared."""

    function_sine: OUTPUT | None = None
    frequency: Annotated[Command, Holes(("hz",), optional=("n",))]
    amplitude: Annotated[Command, Holes(("n",), one_of=AMPLITUDES)]
    offset: Annotated[Command, Holes(("n", "v"))] | None = None
    phase: Annotated[Command, Holes(("n", "deg"))] | None = None
    load_open: OUTPUT | None = None
    silence: OUTPUT | None = None
    sync_source: OUTPUT | None = None
    output_on: OUTPUT
    output_off: OUTPUT
    output_query: OUTPUT | None = None
    frequency_query: OUTPUT | None = None
    amplitude_query: OUTPUT | None = None


class GeneratorProfile(SwitchedProfile):
    """A generator; amplitudes are open circuit, peak to peak, whatever the amplitude command's own unit.

    independent_frequencies: whether the outputs can run at two frequencies at once. If not, each is driven
    alone, while `silence` keeps the other at 0 V behind its impedance. matched_load: the amplitude command
    means the amplitude at a load of the output's own impedance, half of the open-circuit one.
    frequency_digits, amplitude_digits: where the number is in an answer, perhaps with its unit; None: the
    answer is the number.
    """

    role: ClassVar[str] = "generator"
    kind: Literal["generator"]
    outputs: Count
    output_impedance_ohm: Positive
    output_impedance_tolerance: Annotated[float, Field(ge=0.0, lt=1.0)] = 0.01
    amplitude_min_vpp: Positive
    amplitude_max_vpp: Positive
    frequency_min_hz: Positive
    frequency_max_hz: Positive
    independent_frequencies: bool
    matched_load: bool = False
    frequency_digits: Digits | None = None
    amplitude_digits: Digits | None = None
    commands: GeneratorCommands

    @model_validator(mode="after")
    def _each_alone(self) -> Self:
        commands = self.commands
        if not self.independent_frequencies and None in (commands.silence, commands.function_sine):
            raise ValueError(
                "independent_frequencies = false: expected the commands silence and function_sine, so that "
                "each output can be driven alone"
            )
        return self

    @model_validator(mode="after")
    def _numbers_fit(self) -> Self:
        for vpp in (self.amplitude_min_vpp, self.amplitude_max_vpp):  # -54.01 dBm is wider than 23.98
            self.commands.amplitude(n=1, **self.amplitudes(vpp))
        self.commands.frequency(n=1, hz=self.frequency_max_hz)
        return self

    @property
    def level_unit(self) -> str:
        """The placeholder of the amplitude command."""
        return self.commands.amplitude.hole(AMPLITUDES)

    @property
    def least_vpp(self) -> float:
        """The smallest open-circuit amplitude in its range that the digits of its command can write."""
        vpp = float(self.amplitude_min_vpp)
        while True:
            level = self.amplitudes(vpp)[self.level_unit]
            off_db = self.apart_db(self.commands.amplitude.as_sent(self.level_unit, level), level)
            written_vpp = vpp * math.pow(10.0, off_db / 20.0)
            if written_vpp >= self.amplitude_min_vpp * (1.0 - 1e-9):
                return max(written_vpp, self.amplitude_min_vpp)
            vpp *= 1.01  # it was rounded down

    def frequency_lost(self, hz: float) -> str:
        """Why a frequency can't be sent, "" if it can: the command may have too few digits."""
        sent_hz = self.commands.frequency.as_sent("hz", float(hz))
        if math.isclose(sent_hz, hz, rel_tol=FREQUENCY_WITHIN):
            return ""
        return (
            f"{hz:.9g} Hz can't be set: by the digits of `frequency` in its profile it would be "
            f"{sent_hz:.9g} Hz"
        )

    def level_lost(self, open_vpp: float) -> str:
        """Why an open-circuit amplitude can't be sent, "" if it can."""
        level = self.amplitudes(open_vpp)[self.level_unit]
        off_db = self.apart_db(self.commands.amplitude.as_sent(self.level_unit, level), level)
        if abs(off_db) <= LEVEL_WITHIN_DB:
            return ""
        return (
            f"{open_vpp:g} Vpp can't be set closer than {off_db:+.2f} dB by the digits of `amplitude` in its "
            "profile"
        )

    def apart_db(self, level: float, other: float) -> float:
        """How far two levels in the amplitude command's unit are apart."""
        if self.level_unit in ("dbv", "dbm"):
            return level - other
        return 20.0 * math.log10(level / other) if level > 0.0 else -math.inf

    def amplitudes(self, open_vpp: float) -> dict[str, float]:
        """An open-circuit amplitude by the names of the placeholders, in every unit that a command may take.

        dBV and dBm are of the RMS value; 0 dBm is 1 mW in the output's own impedance.
        """
        vpp = open_vpp / 2.0 if self.matched_load else open_vpp
        vrms = vpp / (2.0 * math.sqrt(2.0))
        return {
            "vpp": float(vpp),
            "vpk": vpp / 2.0,
            "vrms": vrms,
            "dbv": 20.0 * math.log10(vrms),
            "dbm": 10.0 * math.log10(1e3 * vrms**2 / self.output_impedance_ohm),
        }


class SupplyCommands(ProfileTable):
    """The supply's commands; `select`, which may be left out, is sent before the others."""

    select: OUTPUT | None = None
    voltage: Annotated[Command, Holes((), one_of=VOLTS)]
    current: Annotated[Command, Holes((), one_of=AMPERES)]
    output_on: PLAIN
    output_off: PLAIN
    measure_voltage: PLAIN | None = None
    measure_current: PLAIN | None = None
    output_query: PLAIN | None = None


class SupplyProfile(SwitchedProfile):
    """A DC supply. Off is proven by its voltage falling below `off_below_v` within `off_within_s`.

    voltage_digits, current_digits: where the number is in an answer, None: the answer is the number.
    voltage_unit_v, current_unit_a: what 1 means there.
    """

    role: ClassVar[str] = "supply"
    kind: Literal["supply"]
    voltage_max_v: Positive
    current_max_a: Positive
    off_below_v: Positive
    off_within_s: Positive
    voltage_digits: Digits | None = None
    voltage_unit_v: Positive = 1.0
    current_digits: Digits | None = None
    current_unit_a: Positive = 1.0
    commands: SupplyCommands

    @model_validator(mode="after")
    def _numbers_fit(self) -> Self:
        self.commands.voltage(**volts(self.voltage_max_v))
        self.commands.current(**amperes(self.current_max_a))
        return self

    @property
    def measures_current(self) -> bool:
        """Whether it says what it gives."""
        return None not in (self.commands.measure_voltage, self.commands.measure_current)


class HandSupplyProfile(InstrumentProfile):
    """A DC supply without an interface, which a person sets and switches. Nothing of it is measured."""

    role: ClassVar[str] = "supply"
    measures_current: ClassVar[bool] = False
    kind: Literal["hand-supply"]
    voltage_max_v: Positive
    current_max_a: Positive


def volts(value_v: float) -> dict[str, float]:
    """A voltage by the names of the placeholders."""
    value_v = float(value_v)
    return {"v": value_v, "mv": 1e3 * value_v, "v_tenths": 10.0 * value_v, "v_hundredths": 100.0 * value_v}


def amperes(value_a: float) -> dict[str, float]:
    """A current limit by the names of the placeholders; whole hundredths are rounded up."""
    value_a = float(value_a)
    return {"a": value_a, "ma": 1e3 * value_a, "a_hundredths": float(math.ceil(round(100.0 * value_a, 6)))}
