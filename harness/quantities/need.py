"""What a quantity asks of the plan that is being made."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from harness.measure.tones import Stimulus
from harness.reading import Limit, Measurand, ReadingKey

Complex = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True)
class KnownOhm:
    """A resistance as the circuit has it, with one standard uncertainty."""

    ohm: float
    standard_ohm: float


@dataclass(frozen=True, kw_only=True)
class PortView:
    """How a capture shows the port that a reading is of.

    rows: of its hot and its cold leg. driven_rows: of the same port of the driven channel, for what compares
    with it. source_leg: the leg of the source that has a resistor added, "" where none has. swapped: whether
    the scope's inputs are swapped, each leg on the input that its partner has else.
    """

    rows: tuple[int, int]
    frequency_hz: float
    driven_rows: tuple[int, int] | None = None
    source_leg: str = ""
    swapped: bool = False


@dataclass(frozen=True, kw_only=True)
class PlannedCapture:
    """The number of a capture in the plan, and how it shows a port."""

    number: int
    view: PortView


class Tone(Protocol):
    """A sine: its frequency, and its differential level."""

    @property
    def frequency_hz(self) -> float:
        """Of the sine."""
        ...

    @property
    def level_vrms(self) -> float:
        """Between the legs."""
        ...


class Check(Protocol):
    """What a check asks for."""

    @property
    def name(self) -> str:
        """Of its own in the sequence."""
        ...

    @property
    def tone(self) -> Tone:
        """Its own or the sequence's."""
        ...

    @property
    def limit(self) -> Limit | None:
        """None where it must be as predicted."""
        ...

    @property
    def options(self) -> Any:
        """Of its quantity's kind."""
        ...


class Need(Protocol):
    """A check at one port in one state, with a setup that shows it, in a plan that is being made."""

    @property
    def check(self) -> Check:
        """What is asked."""
        ...

    @property
    def channel(self) -> str:
        """That the port is of."""
        ...

    @property
    def port(self) -> str:
        """Its net."""
        ...

    @property
    def driven(self) -> str:
        """The port that the generator feeds, as `left.in`."""
        ...

    @property
    def state(self) -> str:
        """Its name."""
        ...

    @property
    def loopbacks(self) -> tuple[str, ...]:
        """Those that are plugged in."""
        ...

    @property
    def route(self) -> str:
        """From the driven port to this one, in words; to the driven channel's where that is what is heard."""
        ...

    @property
    def live(self) -> bool:
        """Whether the circuit leads the drive to the port, or to the driven channel's where that is heard."""
        ...

    @property
    def first(self) -> "Need | None":
        """The same need in the module's first channel; None where there is none, or this is it."""
        ...

    @property
    def limit_is_general(self) -> bool:
        """Whether the limit is one of silent ports in general: what the circuit predicts may lie above it."""
        ...

    @property
    def source_legs(self) -> tuple[str, ...]:
        """The source legs that some setup adds a resistor to, this one's first; ("",) where none is asked."""
        ...

    def capture(
        self, stimulus: Stimulus, *, swapped: bool = False, source_leg: str | None = None
    ) -> PlannedCapture | None:
        """Plan a capture, or find the one that is planned already; None where the fixture has no such setup.

        source_leg: in the setup that adds a resistor there; None: in this one.
        """
        ...

    def predicted(self, frequency_hz: float) -> Complex:
        """Transfers from the source's legs to the port's, (2, 2), as the circuit predicts them."""
        ...

    def path(self) -> tuple[KnownOhm, KnownOhm]:
        """What a path of contacts lies between: source and load. Raises JobError where it isn't alone."""
        ...

    def coupled_into(self) -> KnownOhm:
        """Differential at the port per ampere that two equal capacitances feed to its legs."""
        ...


def key_for(
    need: Need,
    quantity: str,
    options: dict[str, str],
    *,
    frequency_hz: float | None,
    leg: str = "",
    driven: bool = True,
) -> ReadingKey:
    """The key of a reading of a need. options: of the quantity; leg: of a reading of one leg."""
    told = dict(options)
    if driven and need.loopbacks:
        told["loopbacks"] = "+".join(sorted(need.loopbacks))
    return ReadingKey(
        check=need.check.name,
        measurand=Measurand(
            quantity=quantity,
            options=tuple(sorted(told.items())),
            state=need.state,
            channel=need.channel,
            port=f"{need.port}.{leg}" if leg else need.port,
            driven=need.driven if driven else "",
            frequency_hz=frequency_hz,
        ),
    )


def pair_tone(need: Need, frequency_hz: float | None = None) -> Stimulus:
    """The tone of a need's check, of another frequency where one is given; two neighbouring ones."""
    tone = need.check.tone
    return Stimulus(
        kind="pair",
        frequency_hz=tone.frequency_hz if frequency_hz is None else frequency_hz,
        level_vrms=tone.level_vrms,
    )


def one_tone(need: Need) -> Stimulus:
    """The tone of a need's check, both outputs at one frequency."""
    tone = need.check.tone
    return Stimulus(kind="antiphase", frequency_hz=tone.frequency_hz, level_vrms=tone.level_vrms)


def both_ways(need: Need, stimulus: Stimulus, source_leg: str | None = None) -> Sequence[PlannedCapture]:
    """A capture, and another with the scope's inputs swapped where the fixture has that."""
    result = (
        need.capture(stimulus, source_leg=source_leg),
        need.capture(stimulus, swapped=True, source_leg=source_leg),
    )
    return [each for each in result if each is not None]
