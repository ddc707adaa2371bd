"""Quantities of a change of state, all read from one record across it: times of contacts, and clicks."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, sqrt
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal, cast

from harness.errors import ReadingError
from harness.measure.changes.change import (
    Change,
    read_bounce_time,
    read_click,
    read_switching,
    read_transfer_time,
)
from harness.quantities.quantity import (
    DURATION,
    OF_WHAT_IS_NOT_PREDICTED,
    AnyQuantity,
    Family,
    Judged,
    LimitRule,
    Options,
    PlannedReading,
    Quantity,
    as_tuple,
)
from harness.reading import Estimate, Limit, NothingMoved

Band = Literal["full", "audio"]
Direction = Literal["operate", "release"]
Leg = Literal["hot", "cold"]
Sign = Literal["change", "dip"]
LEGS: tuple[Leg, Leg] = ("hot", "cold")

COARSE_CLOCK_S = 1e-4  # a control edge that is less sure than this is known by the computer's clock alone


@dataclass(frozen=True, kw_only=True)
class LegMoves:
    """What a record shows of one leg at a change of state.

    moves: its signal changes. closes: the new route differs from none, so that the closing contact is seen.
    breaks: the old one does. relays: that interrupt this leg's old or new route when they alone are open.
    """

    moves: bool
    closes: bool
    breaks: bool
    relays: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class OfRecordAcross:
    """Rows of what is read in a record across a change, hot first; lines that change; the check's options."""

    rows: tuple[int, ...]
    controls: tuple[str, ...]
    options: Options


@dataclass(frozen=True, kw_only=True, eq=False)
class ChangeSeen:
    """A record across a change, looked at. gain_accuracy: of a scope input, a fraction."""

    change: Change
    gain_accuracy: float


class OfChange(Quantity[OfRecordAcross, ChangeSeen]):
    """A quantity of a change of state."""

    family: ClassVar[Family] = "change"
    direction: ClassVar[Direction | None] = None
    """Of which changes it is: control lines energised only, lines released only; None: any."""
    needs_route: ClassVar[bool] = True
    """Whether it is read only where a contact of the port's route is seen to move."""
    of_one_relay: ClassVar[bool] = False
    """Whether it can be told only where one relay moves alone."""
    sign: ClassVar[Sign | None] = None
    """What a record lacks where nothing moves: the change of the signal, or the dip between its old and its
    new course; None if it says nothing of a contact that stays where it is."""
    relay_faults: ClassVar[frozenset[str]] = frozenset()
    """Faults of a relay's time by which it fails."""
    fails_as: ClassVar[Literal["late", "bounces"] | None] = None
    """What a failed reading says of a relay that did move; None: nothing."""
    not_shown: ClassVar[str] = "no contact of its route moves there, or no signal is led there on either side"
    """Why a change shows nothing of it."""

    def legs(self, moves: tuple[LegMoves, LegMoves]) -> tuple[Leg | None, ...]:
        """The legs that it is read at, None for the pair; none if nothing shows."""
        return (None,) if all(leg.moves for leg in moves) else ()

    def measure(
        self, planned: PlannedReading[OfRecordAcross], seen: Sequence[ChangeSeen], k: float
    ) -> Estimate:
        """See `of_change`."""
        return self.of_change(planned, seen[0], k)

    def of_change(self, planned: PlannedReading[OfRecordAcross], seen: ChangeSeen, k: float) -> Estimate:
        """The quantity of a record. Raises ReadingError if it can't be told."""
        raise NotImplementedError

    def is_still(self, result: Estimate) -> bool:
        """Whether no change of route was seen at all, where one is looked for."""
        return False

    def why_unproven(self, result: Estimate) -> str:
        """See Quantity."""
        if result.floor:
            return "below the measurement floor of the record, but the floor is above the limit"
        return super().why_unproven(result)


def as_of_change(quantity: AnyQuantity) -> OfChange:
    """A quantity that is known to be of this family."""
    return cast(OfChange, quantity)


def _of_legs(shown: Sequence[bool]) -> tuple[Leg | None, ...]:
    return tuple(leg for leg, does in zip(LEGS, shown, strict=True) if does)


def _switched(moves: Sequence[LegMoves]) -> list[bool]:
    """Whether contacts move in each leg; the other follows it, if a relay has contacts in one leg alone."""
    own = [bool(leg.relays) for leg in moves]
    return own if any(own) else [True] * len(own)


class SwitchingTime(OfChange):
    """From the control line's edge to the first closing of the last leg to change."""

    unit, limits = "s", DURATION
    sign = "change"
    fails_as = "late"

    def legs(self, moves: tuple[LegMoves, LegMoves]) -> tuple[Leg | None, ...]:
        """The pair; if a relay has contacts in one leg alone, as one that shorts the legs, that leg."""
        switched = _switched(moves)
        if not all(switched):
            return _of_legs([leg.moves and its for leg, its in zip(moves, switched, strict=True)])
        return super().legs(moves)

    def of_change(self, planned: PlannedReading[OfRecordAcross], seen: ChangeSeen, k: float) -> Estimate:
        """See OfChange."""
        return read_switching(seen.change, planned.given.rows, k)

    def is_still(self, result: Estimate) -> bool:
        """It is longer than the record shows."""
        return result.high == inf

    def explained(
        self,
        judged: Judged,
        planned: PlannedReading[OfRecordAcross],
        seen: Sequence[ChangeSeen],
        result: Estimate,
    ) -> Judged:
        """A time that is less sure than its whole limit is long says nothing of the unit."""
        largest = max((abs(end) for end in (judged.low, judged.high) if end is not None), default=inf)
        half = (result.high - result.low) / 2
        if largest < half < inf:
            controls = " or ".join(planned.given.controls)
            raise ReadingError(
                "the time of the control edge is known only from the computer's clock, to ± "
                f"{1e3 * half:.2g} ms, more than the limit. Bring {controls} to a spare scope input, with "
                "controls_viewed in the setup"
            )
        if self.is_still(result):
            return replace(
                judged,
                reason=f"no change of route within {1e3 * result.low:.3g} ms of the control edge: a relay "
                "did not move",
                facts=(NothingMoved(),),
            )
        change = seen[0].change.edge
        by_clock = not isinstance(change, str) and change.standard_s > COARSE_CLOCK_S
        if judged.verdict == "unproven" and not result.floor and by_clock:
            return replace(
                judged,
                reason="the time of the control edge is known only from the computer's clock; connect the "
                "control line to a spare scope input",
            )
        return judged


class OperateTime(SwitchingTime):
    """Of a control line that is energised."""

    name, label = "operate_time", "operate time"
    direction = "operate"
    relay_faults = frozenset({"relay slow to operate", "relay long bounce"})
    refuses = MappingProxyType({"also": "is of one control line that is energised; expected no races"})


class ReleaseTime(SwitchingTime):
    """Of a control line that is released."""

    name, label = "release_time", "release time"
    direction = "release"
    relay_faults = frozenset({"relay slow to release", "relay long bounce"})
    refuses = MappingProxyType({"also": "is of one control line that is released; expected no races"})


class ChangeOptions(Options):
    """Of a check of changes of state.

    also: changes of several control lines at once, `loop_a > loop_b`, besides those of a single line.
    """

    also: Annotated[tuple[str, ...], as_tuple] = ()

    @property
    def races(self) -> tuple[str, ...]:
        """Control lines that change at the same time."""
        return self.also


class BounceTime(OfChange):
    """How long a leg goes on opening after it first closed."""

    name, label, unit, limits = "bounce_time", "bounce time", "s", DURATION
    options = ChangeOptions
    relay_faults = frozenset({"relay long bounce"})
    fails_as = "bounces"
    not_shown = "no contact is seen to close on a signal"

    def legs(self, moves: tuple[LegMoves, LegMoves]) -> tuple[Leg | None, ...]:
        """Those that close."""
        return _of_legs([leg.closes and its for leg, its in zip(moves, _switched(moves), strict=True)])

    def of_change(self, planned: PlannedReading[OfRecordAcross], seen: ChangeSeen, k: float) -> Estimate:
        """See OfChange."""
        return read_bounce_time(seen.change, planned.given.rows[0], k)


class TransferTime(OfChange):
    """How long a leg shows neither the old route nor the new one."""

    name, label, unit, limits = "transfer_time", "transfer time", "s", DURATION
    options = ChangeOptions
    of_one_relay = True
    sign = "dip"
    not_shown = "no contact is seen to leave one signal and to reach another"

    def legs(self, moves: tuple[LegMoves, LegMoves]) -> tuple[Leg | None, ...]:
        """Those that break and close; of several relays the gaps overlap, and none can be told."""
        return _of_legs([leg.breaks and leg.closes and len(leg.relays) == 1 for leg in moves])

    def of_change(self, planned: PlannedReading[OfRecordAcross], seen: ChangeSeen, k: float) -> Estimate:
        """See OfChange."""
        return read_transfer_time(seen.change, planned.given.rows[0], k)

    def is_still(self, result: Estimate) -> bool:
        """No gap is seen."""
        return result.floor

    def explained(
        self,
        judged: Judged,
        planned: PlannedReading[OfRecordAcross],
        seen: Sequence[ChangeSeen],
        result: Estimate,
    ) -> Judged:
        """A contact that moves leaves one."""
        if not self.is_still(result) or judged.verdict == "pass":
            return judged
        reason = "no transfer time was seen: the contact did not move, is welded, or makes before it breaks"
        return replace(judged, reason=reason, facts=(NothingMoved(),))


class ClickOptions(ChangeOptions):
    """Of a check of clicks. band: audio is 22 Hz to 22 kHz."""

    band: Band = "full"

    tells_apart = ("band",)


class Click(OfChange):
    """A figure of what a change of state leaves between the legs, besides the courses of the signal."""

    options = ClickOptions
    needs_route = False
    weighed = False
    look_for = "coil current in a signal's return or a missing diode"
    default_level_vrms = 0.0
    """Nothing is driven: both outputs of the generator are off."""
    figure: ClassVar[Literal["peak", "energy", "duration"]]

    def of_change(self, planned: PlannedReading[OfRecordAcross], seen: ChangeSeen, k: float) -> Estimate:
        """See OfChange."""
        options = planned.given.options
        hot, cold = planned.given.rows
        return read_click(
            seen.change,
            (hot, cold),
            measure=self.figure,
            audio=isinstance(options, ClickOptions) and options.band == "audio",
            gain_standard=seen.gain_accuracy / sqrt(3),
            k=k,
        )


class ClickPeak(Click):
    """Its highest value."""

    name, label, unit = "click_peak", "peak of a click", "V"
    limits = LimitRule(
        dimension="voltage", unit="V", kinds=OF_WHAT_IS_NOT_PREDICTED, example='below = "10 mV"'
    )
    figure = "peak"

    def room_v(self, limit: Limit | None) -> float:
        """As much as it may be."""
        return 0.0 if limit is None or limit.high is None else limit.high


class ClickEnergy(Click):
    """The integral of its volts squared."""

    name, label, unit = "click_energy", "energy of a click", "V²s"
    limits = LimitRule(
        dimension="energy", unit="V²s", kinds=OF_WHAT_IS_NOT_PREDICTED, example='below = "10 nV2s"'
    )
    figure = "energy"


class ClickDuration(Click):
    """From the first to the last passage of a tenth of its peak."""

    name, label, unit, limits = "click_duration", "duration of a click", "s", DURATION
    figure = "duration"
