"""The plan as data: hookups, in each of them states, in each of them acquisitions; and the readings."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from harness.circuit.predict import Prediction
from harness.job.fixture import Hookup
from harness.job.sequence import Check
from harness.job.state import Edge, State
from harness.measure.segments import Floating
from harness.reading import Limit


@dataclass(frozen=True, kw_only=True)
class Stimulus:
    """What the generator does during an acquisition.

    `pair`: the hot output at the lower, the cold output at the upper of two neighbouring frequencies around
    `frequency_hz`, each at half of the differential level. `antiphase`: both at one frequency, the cold one
    inverted. `silence`: both outputs off, and with them nothing on the input. `idle`: both on at the
    generator's smallest amplitude and far above the audio band, so that their resistances end the input and
    nothing else of them is there.
    """

    kind: Literal["pair", "antiphase", "silence", "idle"]
    frequency_hz: float = 0.0
    level_vrms: float = 0.0

    def __str__(self) -> str:
        if self.kind in ("silence", "idle"):
            return self.kind
        alone = "antiphase, " if self.kind == "antiphase" else ""
        return f"{alone}{self.frequency_hz:g} Hz, {self.level_vrms:.3f} V"


SILENCE = Stimulus(kind="silence")
IDLE_HZ = 60e3
IDLE = Stimulus(kind="idle", frequency_hz=IDLE_HZ)
TONELESS = ("offset", "supply_current", "noise", "capacitance")


@dataclass(frozen=True, kw_only=True)
class Acquisition:
    """One record of every viewed leg, in one hookup and state, under one stimulus."""

    number: int
    hookup: str
    state: State
    stimulus: Stimulus


@dataclass(frozen=True, kw_only=True)
class KnownOhm:
    """A resistance as the circuit has it, with one standard uncertainty."""

    ohm: float
    standard_ohm: float


@dataclass(frozen=True, kw_only=True)
class PlannedReading:
    """A reading to be made, and the acquisitions it needs (none for the supply current).

    `channel` and `port` say where it is read; `driven` which channel the generator feeds. For channel_match
    the first acquisition is the module's first channel. own_hz: of a check of several
    frequencies, this one's. source, load: of a contact resistance, what the path lies between; of a
    capacitance, load is the resistance in which its current makes the quiet port's differential.
    """

    check: Check
    quantity: str
    limit: Limit | None
    state: State
    driven: str
    channel: str
    port: str
    acquisitions: tuple[int, ...]
    route: str
    own_hz: float | None = None
    source: KnownOhm | None = None
    load: KnownOhm | None = None

    @property
    def frequency_hz(self) -> float | None:
        """The frequency that it is of; None where it is of none, or of several."""
        if self.own_hz is not None:
            return self.own_hz
        return None if self.quantity in TONELESS else self.check.tone.frequency_hz


@dataclass(frozen=True, kw_only=True)
class EdgeAcquisition:
    """One record of every viewed leg across a change of state.

    peaks_v: expected on each leg, volts. floating: what each leg shows while it, or its partner, is open.
    """

    number: int
    hookup: str
    edge: Edge
    stimulus: Stimulus
    peaks_v: tuple[float, ...]
    floating: tuple[Floating, ...]


@dataclass(frozen=True, kw_only=True)
class EdgeReading:
    """A reading of a change of state, from one acquisition that serves every check of that edge.

    port: net, or net.leg for what is read on one leg.
    """

    check: Check
    quantity: str
    limit: Limit | None
    edge: Edge
    driven: str
    channel: str
    port: str
    acquisition: int

    @property
    def state(self) -> Edge:
        """Where it is taken; its name stands where another reading has its state's."""
        return self.edge

    @property
    def frequency_hz(self) -> float | None:
        """The frequency of the tone beside it; None where there is none."""
        return self.check.tone.frequency_hz if self.check.tone.level_vrms else None


@dataclass(frozen=True, kw_only=True)
class CycleLevels:
    """V RMS on each viewed leg, by row, and between the legs of the port.

    An open leg carries a copy of the other where the load floats: then only what is between them is wrong.
    """

    legs_vrms: tuple[float, ...]
    pair_vrms: float


@dataclass(frozen=True, kw_only=True)
class Cycle:
    """One line operated again and again, and looked at after each step: one reading of intermittency.

    at_rest, operated: what the circuit expects before and after.
    """

    check: Check
    hookup: str
    line: str
    operations: int
    stimulus: Stimulus
    driven: str
    channel: str
    port: str
    at_rest: CycleLevels
    operated: CycleLevels

    quantity: str = "intermittency"

    @property
    def state(self) -> State:
        """The line alone on."""
        return State(on=(self.line,))

    @property
    def limit(self) -> Limit | None:
        """Its check's."""
        return self.check.limit

    @property
    def frequency_hz(self) -> float:
        """That of its tone."""
        return self.stimulus.frequency_hz


@dataclass(frozen=True, kw_only=True)
class StateVisit:
    """One state in one hookup: what is recorded there, and whether its supply current is judged."""

    state: State
    acquisitions: tuple[Acquisition, ...]
    judges_supply: bool


@dataclass(frozen=True, kw_only=True)
class HookupVisit:
    """One hookup: made once, then every state it is needed in, then the changes between states."""

    hookup: Hookup
    states: tuple[StateVisit, ...]
    edges: tuple[EdgeAcquisition, ...] = ()
    cycles: tuple[Cycle, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Everything a run will do, in order.

    predictions: by acquisition number. stimuli: the tones that the through reference must cover.
    edge_readings: of changes of state; they need no reference. keep_all: also the waveforms of
    what passes are kept.
    """

    through: Hookup | None
    visits: tuple[HookupVisit, ...]
    readings: tuple[PlannedReading, ...]
    predictions: Mapping[int, Prediction]
    stimuli: tuple[Stimulus, ...]
    edge_readings: tuple[EdgeReading, ...] = ()
    keep_all: bool = False

    @property
    def count(self) -> int:
        """How many readings there will be, of states and of the changes between them."""
        return len(self.readings) + len(self.edge_readings) + len(self.cycles)

    @property
    def cycles(self) -> tuple[Cycle, ...]:
        """Every line that is operated again and again, in order."""
        return tuple(cycle for visit in self.visits for cycle in visit.cycles)

    @property
    def edges(self) -> tuple[EdgeAcquisition, ...]:
        """Every record across a change of state, in the order they are made."""
        return tuple(edge for visit in self.visits for edge in visit.edges)

    @property
    def acquisitions(self) -> tuple[Acquisition, ...]:
        """Every acquisition, in the order they are made."""
        return tuple(
            acquisition
            for visit in self.visits
            for state in visit.states
            for acquisition in state.acquisitions
        )
