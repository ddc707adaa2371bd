"""Relays that move as the simulated ones do, 200 draws: do the intervals hold the true instants?

The truth is the simulator's own list of instants; the record is what its scope would show.
"""

import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from harness.descriptions.load import load_job
from harness.measure.budget import Estimate
from harness.measure.change import line_edge, look_at, read_bounce, read_gap, read_switching
from harness.measure.segments import Floating
from harness.measure.tones import choose_tones
from simulator.clock import Clock
from simulator.faults import apply
from simulator.instruments.frontend import Frontend, Grid, InputSetting, show
from simulator.lines import SupplySetting
from simulator.world import Output, World

JOB = Path(__file__).parents[2] / "sequences" / "two_loop_switcher"
TONES = choose_tones(2e3)
INTERVAL_S, SAMPLES = 4e-6, 15_000
DRAWS, MOVES = 50, 4  # units, and edges of each
LOOP_A, HOOKUP = 1, 8
RANGE_V = 0.5

Draw = tuple[float, float, float, bool]  # truth, low, high, nothing was found


class Standing(Clock):
    """A clock that goes where it is told."""

    def __init__(self) -> None:
        super().__init__()
        self.at_s = 0.0

    def now(self) -> float:
        return self.at_s


@pytest.fixture(scope="module")
def readings() -> dict[str, list[Draw]]:
    """Every draw, by quantity."""
    found: dict[str, list[Draw]] = {"time": [], "gap": [], "bounce": []}
    job = load_job(JOB)
    rng = np.random.default_rng(2026)
    for unit in range(DRAWS):
        clock = Standing()
        world = World(job, clock, serial=f"D{unit}", wrong=apply([], job.module), bench_seed=1 + unit % 5)
        frontend = Frontend(inputs=4, probe=1.0, seed=1 + unit % 5)
        world.set_supply(SupplySetting(voltage_v=12.0, limit_a=0.4, on=True))
        world.set_channels(frozenset({HOOKUP}))
        for number, hz in ((1, TONES.hot_hz), (2, TONES.cold_hz)):
            world.set_output(number, Output(on=True, frequency_hz=hz, amplitude_vpp=1.7, phase_deg=40 * unit))
        for move in range(MOVES):
            clock.at_s += 1.0 + float(rng.uniform(0, 1e-3))
            lines = {LOOP_A} if move % 2 == 0 else set()
            start_s = clock.at_s - 0.028 + float(rng.uniform(0, INTERVAL_S))
            world.set_channels(frozenset({HOOKUP, *lines}))
            _read(world, frontend, start_s, rng, found)
    return found


def _read(
    world: World,
    frontend: Frontend,
    start_s: float,
    rng: np.random.Generator,
    found: dict[str, list[Draw]],
) -> None:
    stretches = world.stretches(start_s, start_s + SAMPLES * INTERVAL_S)
    grid = Grid(start_s, INTERVAL_S, SAMPLES)
    volts = np.empty((3, SAMPLES))
    for row, scale_v in enumerate((RANGE_V, RANGE_V, 5.0)):
        setting = InputSetting(on=True, coupling="DC", probe=1.0, scale_v=scale_v, offset_v=0.0)
        seen = grid.volts(show(frontend, row + 1, setting, stretches))
        seen += frontend.noise_v(row + 1, setting) * rng.standard_normal(SAMPLES)
        step_v = 8 * scale_v / 256
        volts[row] = np.clip(np.rint(seen / step_v), -128, 127) * step_v
    edge_s = world._scenes[-1].start_s
    change = look_at(
        volts[:2],
        INTERVAL_S,
        TONES.frequencies_hz,
        step_v=(8 * RANGE_V / 256,) * 2,
        joined=True,
        floating=(Floating(copy=(0.42, 0.42)), Floating(copy=(0.43, 0.43))),
        edge=line_edge(volts[2], INTERVAL_S),
    )
    k1 = world._motions[0]
    made: list[list[float]] = []
    for pole in (0, 1):
        mine = [(t, where) for t, p, where in k1.changes(start_s, start_s + 0.06) if p == pole]
        ways = [mine, _without(mine, change.transition.legs[pole].smallest_s)]
        closings = [[t for t, where in way if where == k1.target] for way in ways]
        made.append([one[0] for one in closings])
        gap, bounce = read_gap(change, pole, 2.0), read_bounce(change, pole, 2.0)
        found["gap"].append(_draw([one[0] - mine[0][0] for one in closings], gap))
        found["bounce"].append(_draw([one[-1] - one[0] for one in closings], bounce))
    time = read_switching(change, (0, 1), 2.0)
    found["time"].append(_draw([max(a, b) - edge_s for a in made[0] for b in made[1]], time))


def _draw(truths: Sequence[float], found: Estimate) -> Draw:
    """The truth that is nearest: what is shorter than the record can show counts, or does not."""
    middle = found.value if found.floor else (found.low + found.high) / 2
    return min(truths, key=lambda truth: abs(truth - middle)), found.low, found.high, found.floor


def _without(moves: Sequence[tuple[float, int]], shorter_s: float) -> list[tuple[float, int]]:
    """A pole's moves without closings, then without openings, that are shorter than the record can show."""
    kept = list(moves)
    for closed in (True, False):
        place = 1
        while place + 1 < len(kept):
            short = kept[place + 1][0] - kept[place][0] < shorter_s
            if short and (kept[place][1] != 0) == closed:
                del kept[place : place + 2]
            else:
                place += 1
    return kept


@pytest.mark.parametrize("quantity", ["time", "gap", "bounce"])
def test_the_true_instants_lie_within_the_intervals(readings: dict[str, list[Draw]], quantity: str) -> None:
    drawn = [one for one in readings[quantity] if not one[3]]
    inside = sum(low <= truth <= high for truth, low, high, _ in drawn)
    widths = sorted(high - low for _, low, high, _ in drawn)
    sys.stdout.write(
        f"{quantity}: {inside} of {len(drawn)}, median width {1e6 * widths[len(drawn) // 2]:.1f} us\n"
    )
    assert len(drawn) >= 0.9 * len(readings[quantity])
    # k = 2 is 95.4 %; of 200 draws the middle 99 % of a binomial of 95.4 % is 91.5 to 98.5 %.
    assert 0.915 <= inside / len(drawn) <= 0.985


def test_a_floor_is_never_above_what_was_there(
    readings: dict[str, list[Draw]],
) -> None:
    """What was not seen was shorter than the floor says, but for the 1 in 20 of the coverage."""
    for quantity, drawn in readings.items():
        floors = [(truth, high) for truth, _, high, floor in drawn if floor]
        wrong = sum(truth > high for truth, high in floors)
        assert wrong <= 0.1 * len(drawn), quantity
