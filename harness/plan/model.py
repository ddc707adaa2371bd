"""The plan as data: setups, in each of them states, in each of them acquisitions; and the readings."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from harness.circuit.predict import Prediction
from harness.job.fixture import Setup
from harness.job.state import State, StateChange
from harness.measure.segments import Floating
from harness.measure.tones import Stimulus
from harness.quantities.change import OfRecordAcross
from harness.quantities.cycle import OfOperations
from harness.quantities.quantity import Family, PlannedReading

Planned = PlannedReading[Any]


def driven_channel(planned: Planned) -> str:
    """The channel that the generator feeds; "" where it is no matter."""
    return planned.measurand.driven.partition(".")[0]


@dataclass(frozen=True, kw_only=True)
class Acquisition:
    """One record of every viewed leg, in one setup and state, under one stimulus."""

    number: int
    setup: str
    state: State
    stimulus: Stimulus


@dataclass(frozen=True, kw_only=True)
class ChangeAcquisition:
    """One record of every viewed leg across a change of state.

    peaks_v: expected on each leg, volts. floating: what each leg shows while it, or its partner, is open.
    """

    number: int
    setup: str
    change: StateChange
    stimulus: Stimulus
    peaks_v: tuple[float, ...]
    floating: tuple[Floating, ...]


@dataclass(frozen=True, kw_only=True)
class StateVisit:
    """One state in one setup: what is recorded there, and whether its supply current is judged."""

    state: State
    acquisitions: tuple[Acquisition, ...]
    judges_supply: bool


@dataclass(frozen=True, kw_only=True)
class SetupVisit:
    """One setup: made once, then every state it is needed in, then the changes between states.

    cycles: the readings of control lines that are operated again and again, before all else.
    """

    setup: Setup
    states: tuple[StateVisit, ...]
    changes: tuple[ChangeAcquisition, ...] = ()
    cycles: tuple[PlannedReading[OfOperations], ...] = ()


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Everything a run will do, in order.

    readings: of states and of the supply, then of changes of state, then of lines' operations. predictions:
    by acquisition number. stimuli: the tones that the through reference must cover. keep_all: also the
    waveforms of what passes are kept.
    """

    through: Setup | None
    visits: tuple[SetupVisit, ...]
    readings: tuple[Planned, ...]
    predictions: Mapping[int, Prediction]
    stimuli: tuple[Stimulus, ...]
    keep_all: bool = False

    @property
    def count(self) -> int:
        """How many readings there will be."""
        return len(self.readings)

    def of(self, *families: Family) -> tuple[Planned, ...]:
        """The readings of some families of quantities."""
        return tuple(reading for reading in self.readings if reading.quantity.family in families)

    @property
    def state_readings(self) -> tuple[Planned, ...]:
        """Those of states, the supply's among them."""
        return self.of("steady", "residual", "supply")

    @property
    def change_readings(self) -> tuple[PlannedReading[OfRecordAcross], ...]:
        """Those of changes of state, from one acquisition that serves every check of that change."""
        return self.of("change")

    @property
    def cycles(self) -> tuple[PlannedReading[OfOperations], ...]:
        """Those of every control line that is operated again and again, in order."""
        return tuple(cycle for visit in self.visits for cycle in visit.cycles)

    @property
    def changes(self) -> tuple[ChangeAcquisition, ...]:
        """Every record across a change of state, in the order they are made."""
        return tuple(change for visit in self.visits for change in visit.changes)

    @property
    def acquisitions(self) -> tuple[Acquisition, ...]:
        """Every acquisition, in the order they are made."""
        return tuple(
            acquisition
            for visit in self.visits
            for state in visit.states
            for acquisition in state.acquisitions
        )

    @cached_property
    def capture_count(self) -> int:
        """How many captures there will be, in states and across changes of state."""
        return len(self.acquisitions) + len(self.changes)

    @property
    def bench_stimuli(self) -> tuple[Stimulus, ...]:
        """Under which the bench is recorded by itself, as that is taken off what the unit shows."""
        wanted = {
            number
            for reading in self.readings
            if reading.quantity.less_the_bench
            for number in reading.captures
        }
        return tuple(
            dict.fromkeys(
                acquisition.stimulus for acquisition in self.acquisitions if acquisition.number in wanted
            )
        )
