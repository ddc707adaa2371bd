"""Both legs of a pair followed at once: against every possible way, and records worked out in closed form."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.measure.changes.change import Change
from harness.measure.changes.contact_chain import BEFORE, SETTLED, Moves, place_chances
from harness.measure.changes.contact_motion import LegChange
from harness.measure.changes.leg_changes import (
    LegChanges,
    bounce_time,
    drop,
    find_leg_changes,
    switching_time,
)
from harness.measure.sides import Instant, steady_sides
from harness.reading import Estimate
from harness.session.state_changes import UNSEEN_S

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]


@pytest.mark.parametrize("moves", [Moves(), Moves(alike=True), Moves(breaks=False), Moves(closes=False)])
def test_the_chances_of_places_are_those_of_all_ways(moves: Moves) -> None:
    """Against the sum over every sequence of a leg's six states over five samples."""
    random = np.random.default_rng(3)
    costs = random.uniform(0, 20, size=(5, 3, 1))
    place = [0, 1, 0, 2, 1, 2]
    wanted = np.zeros((5, 6))
    for way in product(range(6), repeat=5):
        if way[0] != BEFORE:
            continue
        chance = math.exp(-sum(costs[n, place[state], 0] for n, state in enumerate(way)))
        chance *= moves.ends[way[-1]]
        for old, new in pairwise(way):
            chance *= moves.chances[old, new]
        wanted[range(5), way] += chance
    wanted /= wanted.sum(axis=1, keepdims=True)
    assert place_chances(costs, [moves])[:, :, 0] == pytest.approx(wanted, abs=1e-12)


def test_a_leg_that_goes_where_no_place_leads_still_has_its_chances() -> None:
    """Back on the old route for good after the new one: so it looks if relays of both channels lead to it."""
    costs = np.full((600, 3, 1), 10.0)
    for first, place in ((0, 0), (200, 2), (400, 0)):
        costs[first : first + 200, place] = 0.0
    chances = place_chances(costs, [Moves()])
    np.testing.assert_allclose(chances.sum(axis=(1, 2)), 1.0)


def test_the_chances_of_a_pair_are_those_of_all_ways() -> None:
    """Against the sum over every sequence of a pair's thirty-six states over three samples."""
    random = np.random.default_rng(4)
    costs = random.uniform(0, 20, size=(3, 3, 3))
    place = [0, 1, 0, 2, 1, 2]
    moves = (Moves(), Moves(breaks=False))
    wanted = np.zeros((3, 6, 6))
    pairs = list(product(range(6), repeat=2))
    for way in product([(BEFORE, BEFORE)], pairs, [(SETTLED, SETTLED)]):
        chance = math.exp(-sum(costs[n, place[a], place[b]] for n, (a, b) in enumerate(way)))
        for (a, b), (c, d) in pairwise(way):
            chance *= moves[0].chances[a, c] * moves[1].chances[b, d]
        for n, (a, b) in enumerate(way):
            wanted[n, a, b] += chance
    wanted /= wanted.sum(axis=(1, 2), keepdims=True)
    assert place_chances(costs, moves) == pytest.approx(wanted, abs=1e-12)


RATE_HZ, SAMPLES = 500_000, 40_000
AT = np.arange(SAMPLES) / RATE_HZ
TONES_HZ = (980.0, 1010.0)
STEP_V = 1 / 64
OLD, OPEN, NEW = range(3)
LOAD_OHM, SOURCE_OHM, DRIVER_OHM = 10e3, 50.0, 50.0


def shown(gain: float) -> Complex:
    """What a pair shows in each place of its contacts, worked out by hand.

    The old route is bare: each leg its own e.m.f. behind 50 ohm. The new one is a balanced amplifier, whose
    legs each carry half the amplified difference of both e.m.f.s behind 50 ohm. A load lies across the pair;
    what is open shows what comes through it. Shape (hot's place, cold's, leg, tone).
    """
    half = gain / 2
    emf = {(OLD, 0): (1.0, 0.0), (OLD, 1): (0.0, 1.0), (NEW, 0): (half, -half), (NEW, 1): (-half, half)}
    result = np.zeros((3, 3, 2, 2), dtype=np.complex128)
    for places in product(range(3), repeat=2):
        closed = [leg for leg in (0, 1) if places[leg] != OPEN]
        for tone in (0, 1):
            volts = [emf[places[leg], leg][tone] if leg in closed else 0.0 for leg in (0, 1)]
            if len(closed) == 1:  # no current: the open leg shows its partner's volts
                volts = [volts[closed[0]]] * 2
            if len(closed) == 2:
                current = (volts[0] - volts[1]) / (LOAD_OHM + 2 * SOURCE_OHM)
                volts = [volts[0] - SOURCE_OHM * current, volts[1] + SOURCE_OHM * current]
            result[*places, :, tone] = volts
    return result


@dataclass(frozen=True, kw_only=True)
class Leg:
    left: float
    first: float
    last: float
    bounces: Sequence[tuple[float, float]] = ()

    def place(self) -> NDArray[np.intp]:
        place = np.select([self.left > AT, self.first > AT], [OLD, OPEN], NEW)
        for opens, closes in self.bounces:
            place[(opens <= AT) & (closes > AT)] = OPEN
        return place


def leg(random: np.random.Generator, *, bounces: int) -> Leg:
    left = 0.0409 + random.uniform(0, 4e-5)
    first = last = left + random.uniform(3e-4, 9e-4)
    openings = []
    for _ in range(bounces):
        opens = last + random.uniform(1e-4, 3e-4)
        last = opens + random.uniform(6e-5, 3e-4)
        openings.append((opens, last))
    return Leg(left=left, first=first, last=last, bounces=openings)


def record(
    legs: tuple[Leg, Leg],
    routes: Complex,
    random: np.random.Generator,
    *,
    click_v: float = 0.0,
    coarser: int = 1,
    cancel_s: float | None = None,
) -> Floats:
    """Two legs' volts; with a coil's click on both, 0.4 ms before either opens.

    coarser: times as coarse a range of the scope. cancel_s: when the tones' difference is nothing.
    """
    clock = 1 + random.uniform(-3e-5, 3e-5)
    phases = random.uniform(0, 2 * np.pi, 2)
    if cancel_s is not None:
        phases[1] = phases[0] - 2 * np.pi * (TONES_HZ[1] - TONES_HZ[0]) * cancel_s
    tones = np.exp(1j * (2 * np.pi * clock * np.multiply.outer(TONES_HZ, AT) + phases[:, None]))
    places = legs[0].place(), legs[1].place()
    volts = np.einsum("slt,ts->ls", routes[places[0], places[1]], 0.8 * tones).imag
    since = np.maximum(AT - 0.0405, 0)
    volts += click_v * (np.exp(-since / 4e-4) - np.exp(-since / 5e-5))
    volts += np.array([[0.02], [-0.03]]) + 0.008 * coarser * random.standard_normal(volts.shape)
    return np.asarray(np.round(volts / STEP_V / coarser) * STEP_V * coarser)


def follow(volts: Floats, routes: Complex, coarser: int = 1) -> tuple[LegChange, ...]:
    steps = (coarser * STEP_V,) * 2
    return find_leg_changes(volts, 1 / RATE_HZ, TONES_HZ, step_v=steps, joined=True, routes=routes).legs


def inside(result: Estimate, true: float) -> bool:
    """Within three standard uncertainties, or below the bound."""
    if result.standard is None:
        return true <= result.high
    return abs(result.value - true) <= 3 * result.standard


@pytest.mark.parametrize("gain", [0.8, 2.0, -0.8])
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("way", ["to the amplifier", "from the amplifier"])
def test_a_leg_behind_an_amplifier_carries_both_tones_and_so_does_its_copy(
    gain: float, seed: int, way: str
) -> None:
    """Gaps and bounces of a change-over between a bare route and an amplifier, in closed form."""
    random = np.random.default_rng(seed)
    routes = shown(gain)
    if way == "from the amplifier":
        routes = routes[::-1, ::-1]
    true = leg(random, bounces=seed % 3), leg(random, bounces=(seed + 1) % 3)
    for found, made in zip(follow(record(true, routes, random), routes), true, strict=True):
        assert found.dropped
        assert inside(drop(found), made.first - made.left)
        assert inside(bounce_time(found), made.last - made.first)
        assert (found.openings > 0) == bool(made.bounces)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("way", ["to the amplifier", "from the amplifier"])
def test_an_amplifier_of_20_db_whose_range_is_ten_times_as_coarse_hides_no_closing(
    seed: int, way: str
) -> None:
    """0.8 V of the bare route beside 80 mV of noise: a course that was left does not hide the new ones."""
    random = np.random.default_rng(300 + seed)
    routes = shown(10.0)
    if way == "from the amplifier":
        routes = routes[::-1, ::-1]
    true = leg(random, bounces=seed % 3), leg(random, bounces=(seed + 1) % 3)
    volts = record(true, routes, random, coarser=10)
    for found, made in zip(follow(volts, routes, coarser=10), true, strict=True):
        assert inside(drop(found), made.first - made.left)
        assert inside(bounce_time(found), made.last - made.first)


@pytest.mark.parametrize("seed", range(6))
def test_the_last_closing_is_that_of_both_legs_however_vague_one_is(seed: int) -> None:
    random = np.random.default_rng(100 + seed)
    routes = shown(0.8)
    true = leg(random, bounces=0), leg(random, bounces=1)
    edge = Instant(time_s=0.04, standard_s=1e-7)
    result = switching_time(follow(record(true, routes, random), routes), edge)
    assert inside(result, max(made.first for made in true) - 0.04)


@pytest.mark.parametrize("seed", range(8))
def test_where_the_tones_cancel_behind_an_amplifier_the_closing_is_known_to_be_vague(seed: int) -> None:
    """Both legs carry the difference of two tones 30 Hz apart: each shows next to nothing for a millisecond.

    The amplifier is 1.5 % off what is predicted, as a part may be, and 25 mV from zero.
    """
    random = np.random.default_rng(400 + seed)
    true = leg(random, bounces=0), leg(random, bounces=0)
    volts = record(true, shown(0.812), random, cancel_s=max(made.first for made in true) + 2e-4)
    volts += 0.025 * np.array([[1.0], [-1.0]]) * [made.place() == NEW for made in true]
    legs = follow(volts, shown(0.8))
    for found, made in zip(legs, true, strict=True):
        assert inside(drop(found), made.first - made.left)
    edge = Instant(time_s=0.04, standard_s=1e-7)
    assert inside(switching_time(legs, edge), max(made.first for made in true) - 0.04)
    sides = steady_sides(volts, 1 / RATE_HZ, TONES_HZ, step_v=(STEP_V,) * 2)
    followed = LegChanges(sides=sides, legs=legs)
    seen = Change(leg_changes=followed, edge=edge, watched=True, end_s=0.08, step_v=(STEP_V,) * 2)
    assert seen.unseen_s > UNSEEN_S


def shown_by_a_mute() -> Complex:
    """What a pair shows through contacts that close on a source: its e.m.f.s, or by the load a copy."""
    result = np.zeros((3, 3, 2, 2), dtype=np.complex128)
    for hot, cold in product(range(3), repeat=2):
        if hot == NEW or cold == NEW:
            result[hot, cold] = np.eye(2)[[0 if hot == NEW else 1, 1 if cold == NEW else 0]]
    return result


@pytest.mark.parametrize("seed", range(4))
def test_contacts_that_leave_their_route_for_good_hide_no_bounces(seed: int) -> None:
    """A mute that operates: nothing closes, so that no opening could show, whatever is recorded again."""
    random = np.random.default_rng(540 + seed)
    true = leg(random, bounces=0), leg(random, bounces=0)
    routes = shown_by_a_mute()[::-1, ::-1]
    volts = record(true, routes, random)
    sides = steady_sides(volts, 1 / RATE_HZ, TONES_HZ, step_v=(STEP_V,) * 2)
    found = LegChanges(sides=sides, legs=follow(volts, routes))
    edge = Instant(time_s=0.04, standard_s=1e-7)
    seen = Change(leg_changes=found, edge=edge, watched=True, end_s=0.08, step_v=(STEP_V,) * 2)
    assert seen.unseen_s < UNSEEN_S
    assert inside(switching_time(found.legs, edge), max(made.left for made in true) - 0.04)


def followed_from_mute(seed: int, *, apart_turns: float) -> tuple[Change, float, float]:
    """What is seen of a mute that releases, its operate time, and the longest bounce.

    apart_turns: of the two tones' phases at the first closing.
    """
    random = np.random.default_rng(seed)
    true = leg(random, bounces=1 + seed % 3), leg(random, bounces=(seed + 1) % 3)
    closed_s = min(made.first for made in true)
    equal_s = closed_s - apart_turns / (TONES_HZ[1] - TONES_HZ[0])
    routes = shown_by_a_mute()
    volts = record(true, routes, random, cancel_s=equal_s)
    sides = steady_sides(volts, 1 / RATE_HZ, TONES_HZ, step_v=(STEP_V,) * 2)
    found = LegChanges(sides=sides, legs=follow(volts, routes))
    edge = Instant(time_s=0.04, standard_s=1e-7)
    seen = Change(leg_changes=found, edge=edge, watched=True, end_s=0.08, step_v=(STEP_V,) * 2)
    return seen, max(made.first for made in true) - 0.04, max(made.last - made.first for made in true)


@pytest.mark.parametrize("seed", range(6))
def test_where_the_tones_are_in_phase_the_record_is_known_to_be_vague(seed: int) -> None:
    seen, *_ = followed_from_mute(500 + seed, apart_turns=0.0)
    assert seen.unseen_s > UNSEEN_S


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("apart_turns", [-0.06, -0.03, 0.02])
def test_where_the_tones_are_nearly_in_phase_a_record_is_vague_or_right(
    seed: int, apart_turns: float
) -> None:
    seen, operated_s, _ = followed_from_mute(520 + seed, apart_turns=apart_turns)
    assert isinstance(seen.edge, Instant)
    right = inside(switching_time(seen.leg_changes.legs, seen.edge), operated_s)
    assert right or seen.unseen_s > UNSEEN_S


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("apart_turns", [0.2, 0.35, 0.5])
def test_where_the_tones_are_not_in_phase_the_closings_are_seen(seed: int, apart_turns: float) -> None:
    seen, operated_s, bounced_s = followed_from_mute(500 + seed, apart_turns=apart_turns)
    legs = seen.leg_changes.legs
    assert seen.unseen_s < UNSEEN_S
    assert isinstance(seen.edge, Instant)
    assert inside(switching_time(legs, seen.edge), operated_s)
    assert max(bounce_time(found).value for found in legs) == pytest.approx(bounced_s, abs=2e-5)


@pytest.mark.parametrize("seed", range(6))
def test_a_coils_click_opens_no_contact(seed: int) -> None:
    """15 mV on both legs before either contact moves, beside tones of 0.8 V and 8 mV of noise."""
    random = np.random.default_rng(200 + seed)
    routes = shown(0.8)
    true = leg(random, bounces=0), leg(random, bounces=0)
    for found, made in zip(follow(record(true, routes, random, click_v=0.015), routes), true, strict=True):
        assert found.left is not None
        assert abs(found.left.time_s - made.left) < 2e-5
        assert inside(drop(found), made.first - made.left)


def test_a_leg_that_opens_first_has_a_gap_though_its_copy_looks_like_its_new_route() -> None:
    """The new route of either leg is the other leg's old one: a copy looks just like it."""
    random = np.random.default_rng(7)
    routes = shown(0.8)
    crossed = routes.copy()
    for hot, cold in product(range(3), repeat=2):
        swap = {OLD: OLD, OPEN: OPEN, NEW: OLD}
        crossed[hot, cold] = routes[swap[hot], swap[cold]]
    crossed[NEW, NEW] = routes[OLD, OLD][::-1]
    true = Leg(left=0.0409, first=0.0415, last=0.0415), Leg(left=0.040912, first=0.04153, last=0.04153)
    for found, made in zip(follow(record(true, crossed, random), crossed), true, strict=True):
        assert found.dropped
        assert found.openings == 0
        assert abs(drop(found).value - (made.first - made.left)) < 5e-5


@pytest.mark.parametrize("late_s", [0.0, 0.001, 0.004, 0.012])
def test_a_contact_that_shorts_the_legs_is_seen_while_both_tones_are_equal(late_s: float) -> None:
    """Closed form: round 50 ms, 3/2 beats, sin(2 pi 980 t) and -sin(2 pi 1010 t) are equal."""
    closed_s = 0.05 + late_s
    hot, cold = np.sin(2 * np.pi * TONES_HZ[0] * AT), -np.sin(2 * np.pi * TONES_HZ[1] * AT)
    legs = np.where(closed_s > AT, np.stack([hot, cold]), (hot + cold) / 2)
    legs += np.random.default_rng(5).normal(0.0, 0.005, legs.shape)
    routes = np.empty((3, 3, 2, 2), dtype=complex)
    routes[:2], routes[2] = np.eye(2), 0.5
    seen = find_leg_changes(legs, 1 / RATE_HZ, TONES_HZ, step_v=(1e-3,) * 2, joined=True, routes=routes)
    arrived = seen.legs[0].arrived
    assert arrived is not None
    assert arrived.time_s == pytest.approx(closed_s, abs=4 * arrived.standard_s)
    assert arrived.standard_s < 5e-4
