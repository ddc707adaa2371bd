"""What every quantity is: its names, its limits, the options of its checks, and what it needs of a setup."""

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict

from harness.quantities.limits import LimitRule
from harness.units import InQuantity

Family = Literal["steady", "residual", "change", "cycle", "supply"]

LOW_LEVEL_VRMS = 0.05  # differential: 35 mV peak on each leg, which breaks no film on a contact


def _listed(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


as_tuple = BeforeValidator(_listed)
Frequencies = Annotated[tuple[Annotated[float, InQuantity("frequency")], ...], as_tuple]


def several(fewest: int) -> Callable[[tuple[float, ...]], tuple[float, ...]]:
    """Refuse fewer frequencies, and one that stands there twice; sorts them."""

    def checked(frequencies_hz: tuple[float, ...]) -> tuple[float, ...]:
        if len(frequencies_hz) < fewest:
            raise ValueError(f"found {len(frequencies_hz)}; expected at least {fewest}")
        twice = [hz for hz in frequencies_hz if frequencies_hz.count(hz) > 1]
        if twice:
            raise ValueError(f"{twice[0]:g} Hz stands here twice; expected once")
        return tuple(sorted(frequencies_hz))

    return checked


class Options(BaseModel):
    """A check's own keys, of its quantity alone.

    tells_apart: those that make another measurand of it, so that they belong to a reading's key.
    """

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    tells_apart: ClassVar[tuple[str, ...]] = ()

    @property
    def several_hz(self) -> tuple[float, ...]:
        """Frequencies that a check is taken at, where it takes several."""
        return ()

    @property
    def races(self) -> tuple[str, ...]:
        """Changes of several lines at once that a check asks for, as `loop_a > loop_b`."""
        return ()

    def of_measurand(self) -> dict[str, str]:
        """Name and value of those that a reading's key has."""
        return {name: str(getattr(self, name)) for name in self.tells_apart}


class Quantity:
    """One quantity that a check can be of. Has no state; two are the same that have the same name."""

    name: ClassVar[str]
    words: ClassVar[str]
    """In the sentences of a report."""
    unit: ClassVar[str]
    limits: ClassVar[LimitRule | None]
    """None where it must be as predicted and takes no limit."""
    family: ClassVar[Family]
    options: ClassVar[type[Options]] = Options
    refuses: ClassVar[Mapping[str, str]] = MappingProxyType({})
    """Keys that its checks don't take, by name: what to say of them after the quantity's name."""

    at_ports: ClassVar[bool] = True
    """False: it is of the whole unit."""
    takes_tone: ClassVar[bool] = True
    """Whether a check may say a frequency and a level."""
    swept: ClassVar[bool] = False
    """Whether a check takes several frequencies in place of one."""
    default_level_vrms: ClassVar[float | None] = None
    """Level of a check that says none; None: the sequence's."""
    most_level_vrms: ClassVar[float | None] = None
    """The highest level that a check may ask for."""

    driven: ClassVar[bool] = True
    """False: it is the same whichever port the generator feeds."""
    between_channels: ClassVar[bool] = False
    """Whether it compares a channel with the module's first, each driven in turn."""
    inputs_swapped: ClassVar[bool] = False
    """Whether it is read better with the scope's inputs swapped as well."""

    def across(self, options: Any) -> bool:
        """Whether one channel is read while another is driven."""
        return False

    def drive_in_view(self, *, amplified: bool) -> bool:
        """Whether the driven port must be in view; amplified: the unit has amplifiers, which can invert."""
        return False

    def source_added(self, options: Any) -> bool:
        """Whether it takes setups that add a resistor to one leg of the source."""
        return False

    @property
    def spoken(self) -> str:
        """Its name, the words apart: `supply current`."""
        return self.name.replace("_", " ")

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Quantity) and self.name == other.name

    def __hash__(self) -> int:
        return hash(self.name)

    def __repr__(self) -> str:
        return self.name
