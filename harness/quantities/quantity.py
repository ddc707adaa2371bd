"""What every quantity is: its names, its limits, the options of its checks, and what it needs of a setup."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Generic, Literal, TypeVar, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict

from harness.judge import judge, limits_for
from harness.quantities.estimates import Estimates, PredictedUnits
from harness.quantities.need import Need
from harness.reading import Estimate, Fact, Limit, Measurand, ReadingKey, Verdict
from harness.units import Dimension, InQuantity

LimitKind = Literal["within", "below", "above", "between"]
KINDS: tuple[LimitKind, ...] = get_args(LimitKind)
OF_WHAT_IS_NOT_PREDICTED: tuple[LimitKind, ...] = ("below", "above", "between")


@dataclass(frozen=True, kw_only=True)
class LimitRule:
    """The dimension that a limit is written in, the unit that it is kept in, and the kinds that make sense.

    relative: a `within` limit may be a percentage of the prediction. tolerance: the kinds that may come from
    the tolerance of parts and the bench's uncertainty, as the circuit predicts both.
    """

    dimension: Dimension
    unit: str
    kinds: tuple[LimitKind, ...]
    example: str
    relative: bool = False
    tolerance: tuple[LimitKind, ...] = ()


DECIBELS = LimitRule(
    dimension="ratio_db", unit="dB", kinds=KINDS, example='within = "0.2 dB"', tolerance=("within",)
)
DEGREES = LimitRule(
    dimension="angle", unit="deg", kinds=KINDS, example='within = "5 deg"', tolerance=("within",)
)
SILENCE = LimitRule(
    dimension="ratio_db", unit="dB", kinds=("below",), example='below = "-80 dB"', tolerance=("below",)
)
DURATION = LimitRule(dimension="time", unit="s", kinds=OF_WHAT_IS_NOT_PREDICTED, example='below = "4 ms"')


Decision = Literal["guarded", "simple"]
INSIDE_THE_UNCERTAINTY = "the limit is inside the uncertainty interval"


@dataclass(frozen=True, kw_only=True)
class Judged:
    """A verdict with its reason, and the limits that the value had to satisfy, None if open."""

    verdict: Verdict
    reason: str = ""
    low: float | None = None
    high: float | None = None
    facts: tuple[Fact, ...] = ()


def judged_by(limit: Limit, result: Estimate, expected: Estimate | None, *, decision: Decision) -> Judged:
    """Judge by a limit that may lie round what is expected; of what is unproven the reason is left open.

    Raises ReadingError if a prediction is needed and there is none.
    """
    low, high = limits_for(limit, expected.value if expected else None)
    standard = (expected.standard or 0.0) if expected and limit.kind == "within" else 0.0
    verdict = judge(result, low, high, decision=decision, expected_standard=standard)
    return Judged(verdict=verdict, low=low, high=high)


G = TypeVar("G")
G_co = TypeVar("G_co", covariant=True)
S = TypeVar("S")

Family = Literal["steady", "residual", "change", "cycle", "supply"]

LOW_LEVEL_VRMS = 0.05  # differential: 35 mV peak on each leg, which breaks no film on a contact


def _listed(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


as_tuple = BeforeValidator(_listed)  # a list in a file
Frequencies = Annotated[tuple[Annotated[float, InQuantity("frequency")], ...], as_tuple]


def several(fewest: int) -> Callable[[tuple[float, ...]], tuple[float, ...]]:
    """Refuse fewer frequencies, and one that stands there twice; sorts them."""

    def checked(frequencies_hz: tuple[float, ...]) -> tuple[float, ...]:
        if len(frequencies_hz) < fewest:
            raise ValueError(f"found {len(frequencies_hz)}; expected at least {fewest}")
        twice = [hz for hz in frequencies_hz if frequencies_hz.count(hz) > 1]
        if twice:
            raise ValueError(f"{twice[0]:g} Hz is listed twice; expected once")
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
    def of_silent_ports(self) -> Limit | None:
        """The limit of ports that the circuit predicts silent, where a check says so."""
        return None

    @property
    def races(self) -> tuple[str, ...]:
        """Changes of several control lines at once that a check asks for, as `loop_a > loop_b`."""
        return ()

    def of_measurand(self) -> dict[str, str]:
        """Name and value of those that a reading's key has."""
        return {name: str(getattr(self, name)) for name in self.tells_apart}


class SweptOptions(Options):
    """Of a check of several frequencies."""

    frequencies: Frequencies

    @property
    def several_hz(self) -> tuple[float, ...]:
        """Those."""
        return self.frequencies


@dataclass(frozen=True, kw_only=True)
class Suggestion:
    """A check that may be added to a sequence: its place among those that are tried, and its limit.

    description: of what is added, of a quantity that is not read at ports. comment: what a check of it tells,
    for a sequence's file.
    """

    rank: int
    limit: Limit | None = None
    description: str = ""
    comment: str = ""


@dataclass(frozen=True, kw_only=True)
class PlannedReading(Generic[G_co]):
    """A reading of a state, a change of state, a line's operations or the supply.

    captures: numbers in the plan; one capture serves many readings. given: what its family alone needs.
    route: in words, as the circuit predicts it; "" if none applies.
    """

    key: ReadingKey
    quantity: "AnyQuantity"
    limit: Limit | None
    captures: tuple[int, ...]
    given: G_co
    route: str = ""

    @property
    def measurand(self) -> Measurand:
        """What is measured."""
        return self.key.measurand


class Quantity(Generic[G, S]):
    """One quantity that a check can be of: G is what the plan gives its readings, S what the bench shows.

    Has no state; two are the same that have the same name.
    """

    name: ClassVar[str]
    label: ClassVar[str]
    """In the sentences of a report."""
    unit: ClassVar[str]
    limits: ClassVar[LimitRule | None]
    """None if it must be as predicted and takes no limit."""
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
    drawn_over_frequency: ClassVar[bool] = False
    """Whether a report draws the readings of a check over their frequencies."""
    default_level_vrms: ClassVar[float | None] = None
    """Level of a check that says none; None: the sequence's."""
    most_level_vrms: ClassVar[float | None] = None
    """The highest level that a check may ask for."""

    driven: ClassVar[bool] = True
    """False: it is the same whichever port the generator feeds."""
    between_channels: ClassVar[bool] = False
    """Whether it compares a channel with the module's first, each driven in turn."""
    of_both_legs: ClassVar[bool] = False
    """Whether both legs of the port must carry the signal."""
    legs_apart: ClassVar[bool] = False
    """Whether it needs the source's legs driven one by one, and not only in antiphase."""
    from_drive: ClassVar[bool] = False
    """Whether it counts from the driven port where that is in view."""
    inputs_swapped: ClassVar[bool] = False
    """Whether it is read better with the scope's inputs swapped as well."""

    matrix_rank: ClassVar[int | None] = None
    """Its place among those whose value a report's matrix shows; None: it shows none of it."""
    suggested: ClassVar[Suggestion | None] = None
    """How it is tried to see faults that a sequence does not; None: it isn't."""
    look_for: ClassVar[str] = ""
    """What to look for where it fails and no fault that is known explains it."""
    weighed: ClassVar[bool] = True
    """Whether a diagnosis can weigh it: some circuit of linear parts predicts it."""
    less_the_bench: ClassVar[bool] = False
    """Whether what the bench shows by itself under the same stimulus is taken off."""
    judges_silent_ports: ClassVar[bool] = False
    """Whether its checks judge ports that the circuit predicts silent, by other quantities."""
    at_silent_ports: ClassVar[bool] = False
    """Whether it judges such ports."""

    def readings(self, need: Need) -> Iterable[PlannedReading[G]]:
        """What is read for a need in a state; nothing if it has no meaning there."""
        return ()

    def key(self, need: Need, frequency_hz: float | None, leg: str = "") -> ReadingKey:
        """The key of a reading of a need; leg: of a reading of one leg."""
        options = dict(need.options.of_measurand())
        if self.driven and need.loopbacks:
            options["loopbacks"] = "+".join(sorted(need.loopbacks))
        return ReadingKey(
            check=need.check,
            measurand=Measurand(
                quantity=self.name,
                options=tuple(sorted(options.items())),
                state=need.state,
                channel=need.channel,
                port=f"{need.port}.{leg}" if leg else need.port,
                driven=need.driven if self.driven else "",
                frequency_hz=frequency_hz,
            ),
        )

    def measure(self, planned: PlannedReading[G], seen: Sequence[S], k: float) -> Estimate:
        """The value with its uncertainty; k: the coverage factor. Raises ReadingError if there is none."""
        raise NotImplementedError

    def expected(self, planned: PlannedReading[G], seen: Sequence[S], k: float) -> Estimate | None:
        """What the circuit predicts; None if it predicts nothing."""
        return None

    def predict(self, planned: PlannedReading[G], units: PredictedUnits) -> Estimates | None:
        """What the reading is of many units at once; None if nothing predicts what a fault does to it."""
        return None

    def near(self, result: Estimate, expected: Estimate) -> Estimate:
        """A value that is known but for whole turns, at the turn nearest to what is expected."""
        return result

    def judged(
        self,
        planned: PlannedReading[G],
        seen: Sequence[S],
        result: Estimate,
        expected: Estimate | None,
        *,
        decision: Decision,
    ) -> Judged:
        """Hold a value against its limit. Raises ReadingError if that says nothing of the unit."""
        limit = planned.limit or Limit(kind="between", unit=self.unit)
        judged = judged_by(limit, result, expected, decision=decision)
        if judged.verdict == "unproven":
            judged = replace(judged, reason=self.why_unproven(result))
        return self.explained(judged, planned, seen, result)

    def explained(
        self, judged: Judged, planned: PlannedReading[G], seen: Sequence[S], result: Estimate
    ) -> Judged:
        """A verdict with what the quantity has to say of it. Raises ReadingError as `judged`."""
        return judged

    def why_unproven(self, result: Estimate) -> str:
        """In a sentence for people."""
        if result.floor:
            return "below the measurement floor, but the floor is above the limit"
        return INSIDE_THE_UNCERTAINTY

    def room_v(self, limit: Limit | None) -> float:
        """Volts that a record must have room for besides the signal."""
        return 0.0

    def scope_floor(self, options: Any, volts_per_division: float, k: float) -> float | None:
        """The least that can be told from a quiet scope's own noise on a range; None: that is no matter."""
        return None

    def unread(self, options: Any) -> str:
        """Why a check gives nothing in states that it names; "" if the drive is not led there."""
        return ""

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


AnyQuantity = Quantity[Any, Any]
