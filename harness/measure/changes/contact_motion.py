"""Where the contacts of a pair's legs stand at each instant of a change: on the old route, open, on the new.

What a leg shows depends on both: where a load joins the legs, or an amplifier follows them, an open leg shows
some of its partner's signal. So both are followed at once. The pair is a hidden Markov chain: its states are
the places of both legs' contacts, its observations both legs' samples. Forward and backward sums (Baum and
others, Ann. Math. Stat. 41, 1970, from memory) give the probability of every place at every sample, and with
it that of every instant at which a leg leaves its old route, first reaches its new one, and stays there.

A sample differs from its course by noise, which is white, and by what is not: a coil's click, distortion, the
offset and the level of a course that is known from the circuit alone. Of that no more is known than a bound:
a residual inside the bound speaks for no place, however many samples show it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from harness.arrays import Complex, Flags, Floats, Indices
from harness.measure.changes.contact_chain import (
    BEFORE,
    BOUNCING,
    BY_PLACE,
    CHANGE_COST,
    HAVE_ARRIVED,
    LEFT,
    NEW,
    OLD,
    OPEN,
    RETURNED,
    SETTLED,
    Moves,
    place_chances,
)
from harness.measure.clock import sine_rows
from harness.measure.sides import UNIFORM, Instant, SteadySides

UNLIKELY_COST = 10.0  # no sample counts for more: 4.5 standard deviations
SAME = 0.7  # of the noise: courses that differ by less can't be told apart
INEXACT = 0.02  # of a course that is known from the circuit alone: how far off it may be
STRAY = 0.005  # of the largest course: what may reach an open leg besides
AVERAGES_TO = 0.5  # of the noise: by so much a course may be off unseen
PAD = 128  # samples looked at on either side of the change
BEAT_S = 0.02  # the same where two tones hide a change: longer than half their beat, which ends that
HIDDEN = 0.1  # of what the two courses are apart over such a time: nearer than this, a change is hidden
AVERAGED = 16  # samples over which noise is averaged to see what is not noise
LOCAL = 32  # samples in a block, and so many blocks to either side, in which that is looked for
NEIGHBOURS = 4
CLEAR = 2.5  # times its noise: an average that is no higher is nothing but noise
PLAUSIBLE = 5.0  # times the noise, beyond its bound: a course further off is none
UNHEARD = 1e-6  # probability of a place that need not be thought of
LIKELY = 0.5
TOUCH_S = 50e-6  # no contact bounces off in less: common practice, no source
FAR = 0.01  # probability of an instant earlier, or later, that no interval is for


@dataclass(frozen=True, kw_only=True, eq=False)
class LegChange:
    """What one leg's contacts did, over samples `start` to before `stop` of a record.

    expected: volts that it should have shown. left, arrived, settled: when it left its old route, first
    reached its new one, and reached it for good; None if it did not change. all_arrived: when the last leg of
    its pair first had; None if one did not. dropped: whether it was open before it arrived. openings: how
    often it opened afterwards. closes: whether it closed on a route, where openings may show. smallest_s: the
    longest interruption that could have gone unseen.
    """

    expected: Floats
    start: int
    stop: int
    left: Instant | None = None
    arrived: Instant | None = None
    settled: Instant | None = None
    all_arrived: Instant | None = None
    dropped: bool = False
    openings: int = 0
    closes: bool = False
    smallest_s: float


def follow(
    sides: SteadySides, legs: Sequence[int], *, joined: bool, routes: Complex | None, signals: int
) -> tuple[LegChange, ...]:
    """Follow the contacts of a pair, or of a single leg, through the change; `sides` must have one.

    joined: whether a load lies across the pair, if routes are not given: then an open leg shows all of its
    partner's signal. routes: what the circuit predicts, complex, shape (3, 3, 2, tones): by the hot leg's
    place, the cold leg's, the leg that is seen, the tone. signals: how many of the fitted tones the routes
    lead; mains, which comes after them, is there wherever the contacts stand.
    """
    start, stop = _window(sides, legs)
    volts = sides.volts[list(legs), start:stop]
    courses = _courses(sides, legs, start, stop, joined=joined, routes=routes, signals=signals)
    moves = [_moves(courses, row) for row in range(len(legs))]
    if not any(move.breaks or move.closes for move in moves):
        return tuple(_without_route(volts, courses, row, start, sides.interval_s) for row in range(len(legs)))
    for row, move in enumerate(moves):
        courses.merge(row, move)
    disturbance_v = _disturbance(volts, courses)
    bounds_v = _bounds(volts, courses, None)
    chances = place_chances(_costs(volts, courses, bounds_v, disturbance_v), moves)
    bounds_v = _bounds(volts, courses, _of_places(chances))
    chances = place_chances(_costs(volts, courses, bounds_v, disturbance_v), moves)
    known_v, bounds_v = bounds_v, bounds_v + disturbance_v
    times = partial(_instant, start=start, interval_s=sides.interval_s)
    moved = [_of_leg(chances, row)[-1, SETTLED] > LIKELY for row in range(len(legs))]
    arrived = np.ix_(range(len(chances)), *[HAVE_ARRIVED] * len(legs), *[[0]] * (2 - len(legs)))
    together = chances[arrived].sum(axis=(1, 2))
    most = _of_places(chances).reshape(len(chances), -1).argmax(axis=1)
    closings = []
    for row in range(len(legs)):
        own = _of_leg(chances, row)
        waiting = own[:, [LEFT, RETURNED]].sum(axis=1) > LIKELY
        hidden = waiting & _hides_closing(courses, known_v, most, row)
        closings.append(_or_before(own[:, HAVE_ARRIVED].sum(axis=1), hidden, sides.interval_s))
    if any(each.unseen for each in closings):
        together = np.prod([each.passed for each in closings], axis=0)
    all_arrived = times(together) if all(moved) else None
    flat = courses.volts.reshape(-1, len(legs), stop - start)
    result = []
    for row in range(len(legs)):
        expected = flat[most, row, np.arange(stop - start)]
        smallest_s = _smallest(courses, bounds_v, row) * sides.interval_s
        change = LegChange(expected=expected, start=start, stop=stop, smallest_s=smallest_s)
        if moved[row]:
            own = _of_leg(chances, row)
            opened, bouncing = own[:, LEFT] > LIKELY, own[:, BOUNCING] > LIKELY
            change = replace(
                change,
                left=times(1 - own[:, BEFORE]),
                arrived=times(closings[row].passed),
                settled=times(own[:, SETTLED]),
                all_arrived=all_arrived,
                dropped=bool(opened.any()) and moves[row].breaks and moves[row].closes,
                openings=int(np.count_nonzero(np.diff(bouncing.astype(int)) > 0)),
                closes=moves[row].closes,
            )
        result.append(change)
    return tuple(result)


def _window(sides: SteadySides, legs: Sequence[int]) -> tuple[int, int]:
    """First sample to look at and the one after the last: a little beyond the change.

    A contact that shorts the legs changes nothing while both tones are equal, for a part of their beat: there
    its old and its new course are alike, and a longer time is looked at.
    """
    first, last, samples = sides.first or 0, sides.last or 0, sides.volts.shape[1]
    rows = list(legs)

    def apart_v(start: int, stop: int) -> Floats:
        apart = (sides.before.volts(start, stop) - sides.after.volts(start, stop))[rows]
        return np.asarray(np.sqrt(np.mean(apart**2, axis=1)))

    near, far = (
        (max(first - pad, 0), min(last + 1 + pad, samples)) for pad in (PAD, round(BEAT_S / sides.interval_s))
    )
    apart_far_v = apart_v(*far)
    hidden = (apart_far_v > SAME * sides.noise_v[rows]) & (apart_v(*near) < HIDDEN * apart_far_v)
    return far if hidden.any() else near


def _of_places(chances: Floats) -> Floats:
    """Of the places of both legs' contacts, (samples, 3, 3); of a single leg's (samples, 3, 1)."""
    places = chances @ BY_PLACE if chances.shape[2] > 1 else chances
    return np.asarray(np.einsum("sap,ax->sxp", places, BY_PLACE))


def _of_leg(chances: Floats, row: int) -> Floats:
    """Of one leg's states, (samples, 6)."""
    return np.asarray(chances.sum(axis=2 - row))


def _instant(passed: Floats, start: int, interval_s: float) -> Instant:
    """When something happened for good: its probability before each sample is that of the sample after it.

    passed: that it had happened, by each sample. Within a sample's interval it is anywhere. What is unlikely
    is left out at both ends: a far way off, it would outweigh all else in the variance.
    """
    passed = passed / passed[-1]
    chance = np.maximum(np.diff(np.clip(passed, FAR, 1 - FAR), prepend=FAR), 0.0)
    chance /= chance.sum()
    at = np.arange(len(chance))
    mean = float(chance @ at)
    variance = float(chance @ (at - mean) ** 2)
    return Instant(
        time_s=(start + mean - 0.5) * interval_s,
        standard_s=interval_s * math.sqrt(variance + UNIFORM**2),
        even_s=interval_s * UNIFORM,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Courses:
    """What a pair shows in each place of its legs' contacts, over the samples looked at.

    volts: (3, 3, legs, samples); of a single leg (3, 1, 1, samples). bounds_v: how far off they may be,
    besides by noise, (3, 3, legs). noise_v: (legs,).
    """

    volts: Floats
    bounds_v: Floats
    noise_v: Floats

    def merge(self, row: int, moves: Moves) -> None:
        """Give a leg that no route leads to on one side the same course there, whether it is open or not."""
        for array in (self.volts, self.bounds_v):
            places = array if row == 0 else array.swapaxes(0, 1)
            if not (moves.breaks and moves.closes):
                places[OPEN] = places[NEW if moves.breaks else OLD]


def _courses(
    sides: SteadySides,
    legs: Sequence[int],
    start: int,
    stop: int,
    *,
    joined: bool,
    routes: Complex | None,
    signals: int,
) -> _Courses:
    """Courses of all places: those of both sides as they were fitted, all others by the circuit.

    Each tone of a circuit's courses has the level and phase that fit what was measured on a side best.
    """
    rows, fits = list(legs), (sides.before, sides.after)
    tones = [fit.coefficients[rows, 1 : 1 + 2 * signals] for fit in fits]
    phasors = [tone[:, ::2] - 1j * tone[:, 1::2] for tone in tones]  # (legs, signals) of each side
    partners = 3 if len(rows) > 1 else 1
    parts = np.zeros((3, partners, len(rows), 2, signals), dtype=np.complex128)  # of the sides' tones
    steady = np.zeros((3, partners, len(rows), 2))  # of their offsets, and mains
    for hot in range(3):
        for cold in range(partners):
            for row in range(len(rows)):
                own = (hot, cold)[row]
                steady[hot, cold, row] = {OLD: (1, 0), OPEN: (0.5, 0.5), NEW: (0, 1)}[own]
                if routes is None:
                    shown, leg = (own, row) if own != OPEN or not joined else ((cold, hot)[row], 1 - row)
                    if shown != OPEN and leg < len(rows):
                        parts[hot, cold, row, shown // 2] = phasors[shown // 2][leg]
    if routes is not None:
        parts = _predicted(routes, phasors)
    for place, side in ((OLD, 0), (NEW, 1)):
        parts[place, min(place, partners - 1)] = 0.0
        parts[place, min(place, partners - 1), :, side] = phasors[side]
    volts = np.zeros((3, partners, len(rows), stop - start))
    for side, fit in enumerate(fits):
        basis = sine_rows(stop - start, fit.radians, start - fit.middle)
        mains = fit.coefficients[rows].copy()
        mains[:, 1 : 1 + 2 * signals] = 0.0
        volts += steady[..., side, None] * (mains @ basis)
        volts += parts[..., side, :].real @ basis[1 : 1 + 2 * signals : 2]
        volts -= parts[..., side, :].imag @ basis[2 : 2 + 2 * signals : 2]
    uneven = [np.sqrt(2 * np.maximum(fit.noise_v**2 - fit.quiet_v**2, 0.0))[rows] for fit in fits]
    noise = np.sqrt((sides.before.quiet_v**2 + sides.after.quiet_v**2) / 2)[rows]
    peaks = np.abs(parts.sum(axis=3)).sum(axis=-1)  # (3, partners, legs)
    offset_v = float(np.abs(fits[1].coefficients[rows, 0] - fits[0].coefficients[rows, 0]).max())
    bounds = np.maximum(*uneven) + offset_v + INEXACT * peaks + STRAY * peaks.max()
    for place, side in ((OLD, 0), (NEW, 1)):
        bounds[place, min(place, partners - 1)] = uneven[side]
        if partners > 1:  # no signal of the other side is near
            bounds[place, OPEN] -= STRAY * (peaks.max() - peaks[place, place].max())
            bounds[OPEN, place] -= STRAY * (peaks.max() - peaks[place, place].max())
    return _Courses(volts=volts, bounds_v=bounds + AVERAGES_TO * noise, noise_v=noise)


def _predicted(routes: Complex, phasors: Sequence[Complex]) -> Complex:
    """Shares of both sides' tones in every course, (3, 3, legs, sides, tones).

    What stands on one route alone has that side's tones; what stands on both, or on none, those of the side
    that shows more of them.
    """
    fitted, powers = [], []
    for place, measured in zip((OLD, NEW), phasors, strict=True):
        predicted = routes[place, place]
        power = np.sum(np.abs(predicted) ** 2, axis=0)
        fitted.append(np.sum(predicted.conj() * measured, axis=0) / np.maximum(power, 1e-30))
        powers.append(power)
    shares = np.empty((3, 3, 1, 2, routes.shape[-1]))
    total = np.maximum(powers[0] + powers[1], 1e-30)
    for hot in range(3):
        for cold in range(3):
            on = {hot, cold} - {OPEN}
            for side, place in enumerate((OLD, NEW)):
                shares[hot, cold, 0, side] = powers[side] / total if len(on) != 1 else float(place in on)
    return np.asarray(routes[:, :, :, None, :] * shares * np.stack(fitted))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Closing:
    """passed: the probability that a leg has closed, by sample. unseen: whether that may be hidden."""

    passed: Floats
    unseen: bool


def _hides_closing(courses: _Courses, known_v: Floats, most: Indices, row: int) -> Flags:
    """Where a leg shows the same open and on its new route, as far as the courses are known, by sample.

    most: the likeliest places of the pair, numbered (hot's, cold's), by sample.
    """
    partners = courses.volts.shape[1]
    at = np.arange(courses.volts.shape[-1])
    hot, cold = most // partners, most % partners
    opened, closed = ((place, cold) if row == 0 else (hot, place) for place in (OPEN, NEW))
    apart_v = np.abs(courses.volts[*opened, :, at] - courses.volts[*closed, :, at])
    return np.asarray((apart_v <= known_v.T).all(axis=1))


def _or_before(passed: Floats, hidden: Flags, interval_s: float) -> _Closing:
    """That a leg first closed and opened again where nothing shows it is as likely as that it did not.

    passed: the probability that it has closed, by sample. What a contact's touch does not fit in hides none.
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], hidden, [False]]).astype(int)))
    lasting = np.zeros(len(hidden))
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        lasting[first:after] = (after - first) * interval_s >= TOUCH_S
    if not lasting.any():
        return _Closing(passed=passed, unseen=False)
    return _Closing(passed=(passed + np.maximum(passed, np.cumsum(lasting) / lasting.sum())) / 2, unseen=True)


def _moves(courses: _Courses, row: int) -> Moves:
    """What can be told of a leg's places: by its volts, wherever its partner's contacts stand."""
    volts = courses.volts[..., row, :] if row == 0 else courses.volts[..., row, :].swapaxes(0, 1)
    bounds = courses.bounds_v[..., row] if row == 0 else courses.bounds_v[..., row].T
    noise = float(courses.noise_v[row])

    def differ(place: int, other: int) -> bool:
        apart = np.sqrt(np.mean((volts[place] - volts[other]) ** 2, axis=-1))
        return bool((apart > np.maximum(bounds[place], bounds[other])).any())

    same = 0 if volts.shape[1] == 1 else NEW
    apart_v = math.sqrt(float(np.mean((volts[OLD, 0] - volts[NEW, same]) ** 2)))
    return Moves(breaks=differ(OLD, OPEN), closes=differ(NEW, OPEN), alike=apart_v <= SAME * noise)


def _bounds(volts: Floats, courses: _Courses, chances: Floats | None) -> Floats:
    """How far off any course may be that is near the legs' volts at a sample, (legs, samples).

    One bound for all courses, so that of those that are alike there none is the likelier. chances: of the
    places, as far as they are known; a course that was left long before is none.
    """
    reach = courses.bounds_v + PLAUSIBLE * courses.noise_v
    near = (np.abs(volts - courses.volts) <= reach[..., None]).all(axis=2, keepdims=True)
    if chances is not None:
        near &= np.moveaxis(chances, 0, -1)[:, :, None] > UNHEARD
    return np.asarray(np.where(near, courses.bounds_v[..., None], 0.0).max(axis=(0, 1)))


def _disturbance(volts: Floats, courses: _Courses) -> Floats:
    """How far the legs are from every course, by more than noise: a click, for one. Shape (samples,).

    Averages before and after each sample are looked at, so that a jump between two courses is none.
    """
    samples = volts.shape[1]
    blocks = samples // LOCAL
    if blocks == 0:
        return np.zeros(samples)
    summed = np.cumsum(np.pad(volts - courses.volts, ((0, 0),) * 3 + ((AVERAGED, 0),)), axis=-1)
    averages = np.abs(summed[..., AVERAGED:] - summed[..., :-AVERAGED]) / AVERAGED
    over = averages - courses.bounds_v[..., None] - (CLEAR / math.sqrt(AVERAGED) * courses.noise_v)[:, None]
    past = np.maximum(over.max(axis=2), 0.0).min(axis=(0, 1))
    coming = np.concatenate([past[AVERAGED - 1 :], past[-1:].repeat(AVERAGED - 1)])
    least = np.minimum(past, coming)[: blocks * LOCAL].reshape(blocks, LOCAL)
    middle = np.pad(np.median(least, axis=1), NEIGHBOURS, mode="edge")
    near = np.max([middle[n : n + blocks] for n in range(2 * NEIGHBOURS + 1)], axis=0)
    return np.asarray(np.pad(near.repeat(LOCAL), (0, samples - blocks * LOCAL), mode="edge"))


def _cost(off: Floats, bounds_v: Floats, noise_v: Floats) -> Floats:
    """Half the square of what is beyond a bound, in the noise's terms; all legs' together, over axis -2."""
    beyond = np.maximum(np.abs(off) - bounds_v, 0.0) / noise_v[:, None]
    return np.asarray(np.minimum(beyond**2 / 2, UNLIKELY_COST).sum(axis=-2))


def _costs(volts: Floats, courses: _Courses, bounds_v: Floats, disturbance_v: Floats) -> Floats:
    """Of every place at every sample: (samples, 3, 3).

    Places whose courses are no further apart than the bound cost the same, that of the best: else the noise
    that goes beyond the bound would speak for the one in the middle, the more so the longer they are alike.
    """
    costs = _cost(volts - courses.volts, bounds_v + disturbance_v, courses.noise_v)
    places = costs.shape[:-1]
    flat = courses.volts.reshape(-1, *courses.volts.shape[2:])
    each = costs.reshape(len(flat), -1)
    least = [
        np.where((np.abs(flat - course) <= bounds_v).all(axis=1), each, np.inf).min(axis=0) for course in flat
    ]
    return np.moveaxis(np.stack(least).reshape(*places, -1), -1, 0)


def smallest_interruption(sides: SteadySides, leg: int) -> float:
    """Longest interruption of a leg's course, s, that could have gone unseen where nothing changes."""
    course, noise_v = sides.after, sides.after.noise_v[[leg]]
    off = course.volts(0, sides.volts.shape[1])[[leg]] - course.coefficients[leg, 0]
    return _longest_unseen(_cost(off, AVERAGES_TO * noise_v[:, None], noise_v)) * sides.interval_s


def _smallest(courses: _Courses, bounds_v: Floats, row: int) -> int:
    """Longest opening, in samples, that could have gone unseen after the leg, and its partner, arrived."""
    opened = (OPEN, min(NEW, courses.volts.shape[1] - 1)) if row == 0 else (NEW, OPEN)
    closed = (NEW, opened[1]) if row == 0 else (NEW, NEW)
    off = courses.volts[opened] - courses.volts[closed]
    bounds_v = np.maximum(bounds_v, np.maximum(courses.bounds_v[opened], courses.bounds_v[closed])[:, None])
    return _longest_unseen(_cost(off, bounds_v, courses.noise_v))


def _longest_unseen(worth: Floats) -> int:
    """Most samples in a row that together cost less than the two changes that would show them."""
    summed = np.concatenate([[0.0], np.cumsum(worth)])
    ends = np.searchsorted(summed, summed + 2 * CHANGE_COST)
    seen = ends < len(summed)
    return int(np.max((ends - np.arange(len(summed)))[seen])) if seen.any() else len(worth)


def _without_route(volts: Floats, courses: _Courses, row: int, start: int, interval_s: float) -> LegChange:
    """A leg that no route leads to: from its one offset to the other where that leaves least."""
    samples = volts.shape[1]
    old, new = courses.volts[OLD, 0, row], courses.volts[NEW, -1, row]
    gone = np.concatenate([[0.0], np.cumsum((volts[row] - old) ** 2 - (volts[row] - new) ** 2)])
    step = int(np.argmin(gone))
    expected = np.where(np.arange(samples) < step, old, new)
    return LegChange(expected=expected, start=start, stop=start + samples, smallest_s=samples * interval_s)
