"""One record across a change of state, and every quantity that is read from it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from math import inf, sqrt
from typing import Literal

import numpy as np

from harness.arrays import Complex, Floats
from harness.errors import ReadingError
from harness.measure.budget import below
from harness.measure.changes.contact_motion import smallest_interruption
from harness.measure.changes.leg_changes import (
    Excess,
    LegChanges,
    band_limited,
    bounce_time,
    drop,
    excess_of,
    find_leg_changes,
    measure_click,
    switching_time,
)
from harness.measure.clock import NOMINAL_CLOCK, ClockRatio
from harness.measure.sides import UNIFORM, Instant, find_edge
from harness.measure.tones import MAINS_HZ
from harness.reading import Contribution, Estimate

MAINS_ORDERS = (1, 2, 3, 5)
MAINS_CLEAR = 0.3  # of the noise: fainter hum disturbs neither the search for a change nor a click
MOST_MAINS = 3  # lines taken out
MAINS_APART_S = 0.2e-3
MISSED = "nothing changes in the record; it may have missed the command"
ELSEWHERE = (
    "nothing changes in the record, and no input shows the control line: a relay that did not move, or a "
    "switchboard or a computer that was late. Bring the control line to a spare scope input, with "
    "controls_viewed in the setup"
)


@dataclass(frozen=True, kw_only=True)
class HostTimes:
    """When the computer did what, seconds of one clock: the command from, to; the record complete."""

    command_from_s: float
    command_to_s: float
    triggered_by_s: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Change:
    """What a record across a change of state shows.

    leg_changes: of the viewed legs. edge: of the control line on the record's time, or why it is not known.
    watched: whether an input shows that edge; else it is known by the computer's clock.
    end_s: of the record. step_v: one code of each leg.
    """

    leg_changes: LegChanges
    edge: Instant | str
    watched: bool
    end_s: float
    step_v: tuple[float, ...]

    @property
    def may_be_elsewhere(self) -> bool:
        """Whether nothing changes in it, and nothing shows that the command was acted on while it lasted."""
        return not self.leg_changes.legs and not self.watched

    @property
    def unseen_s(self) -> float:
        """The longest stretch in which a leg may have left, closed or settled, or have been open, unseen.

        As where the tones of a pair are in phase: then a leg shows the same open as closed.
        """
        legs = [leg for leg in self.leg_changes.legs if leg.arrived is not None]
        instants = [each for leg in legs for each in (leg.left, leg.arrived, leg.settled) if each is not None]
        vague_s = [2 * each.standard_s for each in instants]
        return max((*vague_s, *(leg.smallest_s for leg in legs if leg.closes)), default=0.0)


def find_change(
    legs_v: Floats,
    interval_s: float,
    tones_hz: Sequence[float],
    *,
    step_v: Sequence[float],
    joined: bool,
    routes: Complex | None = None,
    edge: Instant | str,
    watched: bool,
    clock: ClockRatio = NOMINAL_CLOCK,
) -> Change:
    """Find what the legs do across a change; mains that makes its sides unsteady is taken out as tones are.

    joined: whether a load lies across each pair; routes: what it does then, see `find_leg_changes`. watched:
    see `Change`. clock: what is known of it before.
    Raises ReadingError if the record is not steady on either side.
    """
    find = partial(
        find_leg_changes, legs_v, interval_s, step_v=step_v, joined=joined, routes=routes, clock=clock
    )
    try:
        leg_changes = find(tones_hz)
    except ReadingError:
        hum = mains_in(legs_v, interval_s, tones_hz)
        if not hum:
            raise
        leg_changes = find((*tones_hz, *hum), mains=len(hum))
    end_s = legs_v.shape[1] * interval_s
    return Change(leg_changes=leg_changes, edge=edge, watched=watched, end_s=end_s, step_v=tuple(step_v))


def mains_in(legs_v: Floats, interval_s: float, tones_hz: Sequence[float]) -> tuple[float, ...]:
    """Mains lines of one mains frequency that stand above the noise in a record, the strongest first."""
    noise_v = np.maximum(np.sqrt(np.mean(np.diff(legs_v, axis=1) ** 2, axis=1) / 2), 1e-12)
    group = max(int(MAINS_APART_S / interval_s), 1)  # averaged first: nothing that is looked for is fast
    samples = legs_v.shape[1] // group
    legs_v = legs_v[:, : samples * group].reshape(len(legs_v), samples, group).mean(axis=2)
    interval_s *= group
    at = np.arange(samples) * interval_s
    window = np.hanning(samples)
    centred = (legs_v - legs_v.mean(axis=1, keepdims=True)) * window
    best: tuple[float, ...] = ()
    strongest = 0.0
    for mains in MAINS_HZ:
        result: list[tuple[float, float]] = []
        for order in MAINS_ORDERS:
            hz = float(mains * order)
            if min(abs(hz - tone) for tone in (*tones_hz, inf)) * samples * interval_s < 4:
                continue
            rms_v = np.abs(centred @ np.exp(-2j * np.pi * hz * at)) * sqrt(2) / window.sum()
            over = float(np.max(rms_v / noise_v))
            if over > MAINS_CLEAR:
                result.append((over, hz))
        result.sort(reverse=True)
        if result and result[0][0] > strongest:
            strongest, best = result[0][0], tuple(hz for _, hz in result[:MOST_MAINS])
    return best


def control_edge(control_v: Floats, interval_s: float, step_v: float) -> Instant | str:
    """The control line's edge on a spare input, or the reason why there is none. step_v: one code of it."""
    try:
        return find_edge(control_v, interval_s, step_v=step_v)
    except ReadingError as error:
        return str(error)


def host_edge(times: HostTimes, *, origin_s: float, length_s: float, board_s: float) -> Instant | str:
    """The control line's edge by the computer's clock alone, on the record's time.

    The scope is triggered after the command has gone out, and no later than the record was complete less
    what it records after its trigger. The switchboard acts within `board_s` of the command. The edge lies
    anywhere between the two bounds that this leaves.

    origin_s: of the record's first sample, from the trigger. length_s: of the record. Returns the reason as
    text if the clocks contradict one another, or the command may lie outside the record.
    """
    latest_trigger_s = times.triggered_by_s - (length_s + origin_s)
    if latest_trigger_s < times.command_to_s:
        return "the computer's clock and the scope's do not agree on the length of the record"
    low_s = times.command_from_s - latest_trigger_s - origin_s
    high_s = board_s - origin_s
    if low_s < 0 or high_s > length_s:
        return "by the computer's clock the command may lie outside the record"
    standard_s = (high_s - low_s) * UNIFORM
    return Instant(time_s=(low_s + high_s) / 2, standard_s=standard_s, even_s=standard_s)


def read_switching(change: Change, rows: Sequence[int], k: float) -> Estimate:
    """Operate or release time, s; where the route does not change it is longer than the record shows.

    Raises ReadingError if the edge is not known well enough to say anything.
    """
    if isinstance(change.edge, str):
        raise ReadingError(change.edge)
    if change.may_be_elsewhere:
        raise ReadingError(ELSEWHERE)
    legs = [change.leg_changes.legs[row] for row in rows] if change.leg_changes.legs else []
    if not legs or any(leg.arrived is None for leg in legs):
        bound = max(change.end_s - change.edge.time_s - k * change.edge.standard_s, 0.0)
        budget = (Contribution(name="no change in the record", standard=0.0),)
        return replace(below(bound, k=k), low=bound, high=inf, floor=False, budget=budget)
    return switching_time(legs, change.edge, k)


def read_bounce_time(change: Change, row: int, k: float) -> Estimate:
    """How long a leg goes on opening after it first closed, s."""
    if not change.leg_changes.legs or change.leg_changes.legs[row].arrived is None:
        raise ReadingError(
            "the leg shows no change of route, so that it has no bounce: its contact did not move"
        )
    return bounce_time(change.leg_changes.legs[row], k)


def read_transfer_time(change: Change, row: int, k: float) -> Estimate:
    """How long a leg shows neither route, s; a floor where no gap is seen."""
    if not change.leg_changes.legs:
        if isinstance(change.edge, str):
            raise ReadingError(f"{MISSED}: {change.edge}")
        if change.may_be_elsewhere:
            raise ReadingError(ELSEWHERE)
        return below(smallest_interruption(change.leg_changes.sides, row), k=k)
    return drop(change.leg_changes.legs[row], k)


def read_click(
    change: Change,
    rows: tuple[int, int],
    *,
    measure: Literal["peak", "energy", "duration"],
    audio: bool,
    gain_standard: float,
    k: float,
) -> Estimate:
    """Peak, energy or duration of what the change leaves on a pair, in V, V²s or s.

    gain_standard: relative standard uncertainty of each input's gain.
    Raises ReadingError if nothing changes in the record, and the command may lie outside it.
    """
    if change.may_be_elsewhere and isinstance(change.edge, str):
        raise ReadingError(f"{MISSED}: {change.edge}")
    click = measure_click(_excess(change, rows, audio), gain_standard=gain_standard, k=k)
    match measure:
        case "peak":
            return click.peak_v
        case "energy":
            return click.energy_v2s
        case "duration":
            return click.duration_s


@lru_cache(maxsize=4)  # several figures are read of one click, one after the other
def _excess(change: Change, rows: tuple[int, int], audio: bool) -> Excess:
    if audio:
        return band_limited(_excess(change, rows, False))
    hot, cold = rows
    step_v = sqrt(sum(change.step_v[row] ** 2 for row in rows))
    return excess_of(change.leg_changes, {hot: 1.0, cold: -1.0}, step_v=step_v)
