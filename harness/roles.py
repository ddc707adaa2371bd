"""What a run needs of each instrument, whoever made it.

The session is written against these; `drivers` supplies them, and only the session and the command line bring
the two together. Volts, hertz, seconds and amperes; amplitudes of a generator are peak to peak, open circuit.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from harness.bench_file import SUPPLY_METER
from harness.errors import BenchError

SIMULATED_MAKER = "Ferncastle Instruments"  # of the simulator's instruments, and of no others


@dataclass(frozen=True, kw_only=True)
class Identity:
    """Who answered: the four fields of *IDN? if it has four, else what could be learnt."""

    role: str
    address: str
    profile: str
    text: str

    @property
    def simulated(self) -> bool:
        """Whether the simulator answered."""
        return self.text.startswith(f"{SIMULATED_MAKER},")


@dataclass(frozen=True, kw_only=True)
class InputSetting:
    """How one scope input is to be set for a capture."""

    volts_per_division: float
    offset_v: float = 0.0


@dataclass(frozen=True, kw_only=True)
class CaptureSetting:
    """One acquisition: which inputs, how sensitive, how long and how many samples.

    fewest_samples: how few are accepted from a scope whose memory is shorter; 0: none fewer than `samples`.
    from_sync: the record is counted from an edge of the generator's sync.
    """

    inputs: Mapping[int, InputSetting]
    duration_s: float
    samples: int
    fewest_samples: int = 0
    from_sync: bool = False


@dataclass(frozen=True, kw_only=True)
class Mark:
    """Something found in a capture, at an input: a control line's edge; a leg that opens, first closes, or
    closes for good. Seconds from the first sample.
    """

    kind: Literal["edge", "opens", "closes", "settles"]
    input: int
    time_s: float


@dataclass(frozen=True, kw_only=True)
class Capture:
    """What the scope saw: volts, float64, shape (inputs, samples), at one common sample interval."""

    inputs: tuple[int, ...]
    volts: NDArray[np.float64]
    interval_s: float
    full_scale_v: tuple[float, ...]  # top to bottom of the screen, per input
    step_v: tuple[float, ...]  # one code, per input
    clipped: tuple[int, ...]  # samples at the first or last code, per input
    setting: CaptureSetting
    origin_s: float = 0.0  # first sample's time from the trigger
    trigger_within_s: float = 0.0  # limit of that time's error, if the record is counted from the sync
    marks: tuple[Mark, ...] = ()


class Generator(Protocol):
    """Two outputs (or more) that make sines."""

    @property
    def identity(self) -> Identity: ...
    @property
    def output_impedance_ohm(self) -> float: ...
    @property
    def output_impedance_tolerance(self) -> float: ...
    @property
    def winding_ohm(self) -> float | None:
        """Of each half of the secondary of a balancing transformer; None: each leg has an output."""
        ...

    @property
    def independent_frequencies(self) -> bool:
        """Whether its outputs run at two frequencies at once; else one is silent while another is driven."""
        ...

    @property
    def shares_clock(self) -> bool:
        """Whether its outputs have one clock; else their phases drift."""
        ...

    @property
    def amplitude_range_vpp(self) -> tuple[float, float]:
        """Smallest and largest open-circuit amplitude."""
        ...

    def sine(self, output: int, *, frequency_hz: float, amplitude_vpp: float, phase_deg: float = 0.0) -> None:
        """Set an output's sine; does not switch it on. Checks the instrument's error queue."""
        ...

    def sync(self, output: int) -> None:
        """Let the sync output follow this output's sine."""
        ...

    def silence(self, output: int) -> None:
        """Let an output that stays on give 0 V behind its impedance, until its next sine."""
        ...

    def switch(self, output: int, *, on: bool) -> None:
        """Switch an output and read it back."""
        ...

    def off(self) -> None:
        """All outputs off, verified. Works on a link that needs reopening first."""
        ...

    def prepare(self) -> None:
        """Send every setting of opening again, and all others when they are next needed.

        Hands may have turned a knob since then. The outputs stay as they are. The same holds for every role.
        """
        ...

    def recover(self) -> None:
        """After a failure: reopen, same identity, off and verified; settings unknown but those of opening.

        Raises BenchError if one of these fails. The same holds for every role.
        """
        ...


class Oscilloscope(Protocol):
    """Inputs that record volts."""

    @property
    def identity(self) -> Identity: ...
    @property
    def input_count(self) -> int: ...
    @property
    def volts_per_division(self) -> tuple[float, ...]:
        """Settings there are, ascending, for the probe in use."""
        ...

    @property
    def divisions(self) -> int:
        """Vertical divisions on the screen; full scale is divisions times volts per division."""
        ...

    @property
    def input_impedance_ohm(self) -> float: ...
    @property
    def input_capacitance_f(self) -> float: ...
    def capture(self, setting: CaptureSetting, meanwhile: Callable[[], None] | None = None) -> Capture:
        """One acquisition of all inputs asked for. Raises BenchError; never returns part of a record.

        meanwhile: called while the record is taken; an error from it is raised, and the record is lost.
        """
        ...

    @property
    def waits_for_trigger(self) -> bool:
        """Whether what `begin` armed waits for `trigger`, however late that comes."""
        ...

    def begin(self, setting: CaptureSetting) -> float:
        """Arm an acquisition and let it wait; returns the seconds after which its first half is full.

        The change to be recorded is made after that, and `trigger` called at once: the trigger is in the
        middle.
        """
        ...

    def trigger(self, meanwhile: Callable[[], None] | None = None) -> None:
        """Trigger what `begin` armed, and wait until its record is complete; meanwhile do something else."""
        ...

    def complete(self) -> Capture:
        """The record that `begin` armed and `trigger` completed."""
        ...

    def other_readings(self) -> Mapping[str, Capture]:
        """The last record as it would be with one key of its sample format changed, by that key.

        The bench check asks which of them fits a signal that it knows.
        """
        ...

    def prepare(self) -> None: ...
    def recover(self) -> None: ...


@dataclass(frozen=True, kw_only=True)
class SupplyReading:
    """What the relay supply measures at its terminals.

    current_standard_a: standard uncertainty of the current by its own scatter, if it is a mean of several.
    accuracy, zero_a: limits of the meter's error, a fraction of the current and amperes.
    digit_a: one in its last digit.
    """

    voltage_v: float
    current_a: float
    current_standard_a: float = 0.0
    accuracy: float = SUPPLY_METER
    zero_a: float = 0.0
    digit_a: float = 0.0


class Supply(Protocol):
    """The relay supply."""

    @property
    def identity(self) -> Identity: ...
    @property
    def measures_current(self) -> bool:
        """Whether `measure` tells what it gives; else that is unknown, and `measure` is not called."""
        ...

    def set(self, *, voltage_v: float, limit_a: float) -> None: ...
    def switch(self, *, on: bool) -> None: ...
    def measure(self) -> SupplyReading: ...
    def off(self) -> None:
        """Output off, verified if it can measure its voltage. Works on a link that needs reopening first."""
        ...

    def prepare(self) -> None: ...
    def recover(self) -> None: ...


class Switchboard(Protocol):
    """Channels that energise control lines and select setups; perhaps on several boards."""

    @property
    def identity(self) -> Identity: ...
    @property
    def identities(self) -> tuple[Identity, ...]:
        """Of each board."""
        ...

    @property
    def reads_back(self) -> bool: ...
    @property
    def settle_s(self) -> float: ...
    def set(self, closed: frozenset[int]) -> None:
        """Close exactly these channels, opening the others first; read back if the board can."""
        ...

    def off(self) -> None:
        """Every channel open, verified if the board can. Works on a link that needs reopening first."""
        ...

    def recover(self) -> None: ...


@dataclass(frozen=True, kw_only=True)
class Bench:
    """The four instruments that a run needs, open and identified.

    passed_by: troubles that opening them met once.
    """

    generator: Generator
    oscilloscope: Oscilloscope
    supply: Supply
    switchboard: Switchboard
    passed_by: tuple[BenchError, ...] = ()

    @property
    def identities(self) -> tuple[Identity, ...]:
        """Of generator, oscilloscope, supply and each switchboard."""
        instruments = (self.generator, self.oscilloscope, self.supply)
        return (*(instrument.identity for instrument in instruments), *self.switchboard.identities)
