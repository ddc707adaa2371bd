"""What a quantity asks of the plan that is being made."""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from harness.arrays import Complex
from harness.measure.tones import Stimulus
from harness.reading import Limit


@dataclass(frozen=True, kw_only=True)
class KnownOhm:
    """A resistance as the circuit has it, with one standard uncertainty."""

    ohm: float
    standard_ohm: float


@dataclass(frozen=True, kw_only=True)
class PortView:
    """How a capture shows the port that a reading is of.

    rows: of its hot and its cold leg. driven_rows: of the same port of the driven channel, for what compares
    with it. drive_rows: of the port that the generator feeds, for what counts from there. source_leg: the leg
    of the source that has a resistor added, "" if none has. swapped: whether the scope's inputs are swapped,
    each leg on the input that its partner has else. captures: how many show it together, each with rows of
    its own, counted from the same phase of the generator's sines.
    """

    rows: tuple[int, int]
    frequency_hz: float
    driven_rows: tuple[int, int] | None = None
    drive_rows: tuple[int, int] | None = None
    source_leg: str = ""
    swapped: bool = False
    captures: int = 1


@dataclass(frozen=True, kw_only=True)
class PlannedCapture:
    """The number of a capture in the plan, or of those that show a port together, and how they show it."""

    numbers: tuple[int, ...]
    view: PortView


@dataclass(frozen=True, kw_only=True)
class Need(ABC):
    """A check at one port in one state, with a setup that shows it, in a plan that is being made.

    check: its name. frequency_hz, level_vrms: of its own tone or the sequence's; the level is that between
    the legs. limit: None if it must be as predicted. options: of its quantity's kind. channel: that the port
    is of; port: its net. driven: the port that the generator feeds, as `left.in`. state: its name. loopbacks:
    those that are plugged in. source_legs: the source legs that some setup adds a resistor to, this one's
    first; ("",) if none is asked for. first: the same need in the module's first channel; None if the check
    compares no channels. limit_is_general: whether the limit is one of silent ports in general: what the
    circuit predicts may lie above it.
    """

    check: str
    frequency_hz: float
    level_vrms: float
    limit: Limit | None
    options: Any
    channel: str
    port: str
    driven: str
    state: str
    loopbacks: tuple[str, ...]
    source_legs: tuple[str, ...]
    first: "Need | None" = None
    limit_is_general: bool = False

    @property
    @abstractmethod
    def live(self) -> bool:
        """Whether the circuit leads the drive to the port, or to the driven channel's if that is heard."""

    @property
    @abstractmethod
    def led_here(self) -> bool:
        """Whether the circuit leads the drive to the port itself, whatever is heard elsewhere."""

    @property
    @abstractmethod
    def route(self) -> str:
        """From the driven port to this one, in words; to the driven channel's if that is what is heard."""

    @abstractmethod
    def capture(self, stimulus: Stimulus) -> PlannedCapture:
        """Plan a capture, or find the one that is planned already."""

    @abstractmethod
    def both_ways(self, stimulus: Stimulus, source_leg: str | None = None) -> Sequence[PlannedCapture]:
        """A capture, and another with the scope's inputs swapped if the fixture has such a setup.

        source_leg: in the setup that adds a resistor there; None: in this one.
        """

    @abstractmethod
    def predicted(self, frequency_hz: float) -> Complex:
        """Transfers from the source's legs to the port's, (2, 2), as the circuit predicts them."""

    @abstractmethod
    def path(self) -> tuple[KnownOhm, KnownOhm]:
        """What a path of contacts lies between: source and load. Raises JobError if it isn't alone."""

    @abstractmethod
    def coupled_into(self, frequency_hz: float) -> KnownOhm:
        """Differential at the port per ampere that two equal capacitances feed to its legs."""

    @abstractmethod
    def coupled_from_drive(self, frequency_hz: float) -> float:
        """The same over the e.m.f., through one open contact, with what divides the drive before it."""


def pair_tone(need: Need, frequency_hz: float | None = None) -> Stimulus:
    """The tone of a need's check, or one of another frequency; two neighbouring ones."""
    hz = need.frequency_hz if frequency_hz is None else frequency_hz
    return Stimulus(kind="pair", frequency_hz=hz, level_vrms=need.level_vrms)


def one_tone(need: Need) -> Stimulus:
    """The tone of a need's check, both outputs at one frequency."""
    return Stimulus(kind="antiphase", frequency_hz=need.frequency_hz, level_vrms=need.level_vrms)
