"""Draws of relays that move as the simulated ones do; the truth is the simulator's own list of instants."""

from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np

from harness.arrays import Complex
from harness.circuit.elements import BenchImpedances
from harness.circuit.expand import PLACES
from harness.job.job import Job, load_job
from harness.job.state import IDLE_STATE, State, StateChange
from harness.measure.changes.change import (
    control_edge,
    find_change,
    read_bounce_time,
    read_switching,
    read_transfer_time,
)
from harness.measure.tones import choose_tones
from harness.plan.state_changes import Routes
from harness.reading import Estimate
from simulator.acquisition import Frontend, Grid, InputSetting, input_signal
from simulator.dynamics import SupplySetting
from simulator.faults import apply
from simulator.sources import Output
from simulator.world import Clock, World
from tests.measure.draws.shares import Drawn, drawn

JOB = Path(__file__).parents[3] / "sequences" / "two_loop_switcher"
TONES = choose_tones(2e3)
INTERVAL_S, SAMPLES = 4e-6, 15_000
MOVES = 2  # edges of each unit
LOOP_A, SETUP = 1, 8
RANGE_V = 0.5


class Standing(Clock):
    """A clock that goes where it is told."""

    def __init__(self) -> None:
        super().__init__()
        self.at_s = 0.0

    def now(self) -> float:
        return self.at_s


@cache
def _job() -> Job:
    return load_job(JOB)


@cache
def _places(operates: bool) -> Complex:
    """What the circuit predicts in each place of the contacts, in the setup that `SETUP` selects."""
    job, states = _job(), (IDLE_STATE, State(on=("loop_a",)))
    routes = Routes(job=job, impedances=BenchImpedances())
    setup = next(setup for setup in job.fixture.setups if setup.select == (SETUP,))
    change = StateChange(before=states[not operates], after=states[operates])
    places = [[routes.between(setup, change, 2e3, (hot, cold)) for cold in PLACES] for hot in PLACES]
    return np.array(places)[:, :, :2]


def relays(seed: int) -> dict[str, list[Drawn]]:
    """One unit on a bench of its own: loop A in, and out again."""
    job, clock = _job(), Standing()
    random = np.random.default_rng(seed)
    world = World(job, clock, serial=f"D{seed}", wrong=apply([], job.module), bench_seed=seed)
    frontend = Frontend(inputs=4, probe=1.0, seed=seed)
    world.set_supply(SupplySetting(voltage_v=12.0, limit_a=0.4, on=True))
    world.set_channels(frozenset({SETUP}))
    phase_deg = float(random.uniform(0, 360))
    for number, hz in ((1, TONES.hot_hz), (2, TONES.cold_hz)):
        output = Output(on=True, frequency_hz=hz, amplitude_vpp=1.7, phase_deg=phase_deg)
        world.set_output(number, output)
    result: dict[str, list[Drawn]] = {}
    for move in range(MOVES):
        clock.at_s += 1.0 + float(random.uniform(0, 1e-3))
        start_s = clock.at_s - 0.028 + float(random.uniform(0, INTERVAL_S))
        world.set_channels(frozenset({SETUP, LOOP_A} if move % 2 == 0 else {SETUP}))
        name = "operate_time" if move % 2 == 0 else "release_time"
        for quantity, reading in _read(world, frontend, start_s, random, name):
            result.setdefault(quantity, []).append(reading)
    return result


def _read(
    world: World, frontend: Frontend, start_s: float, random: np.random.Generator, name: str
) -> list[tuple[str, Drawn]]:
    stretches = world.stretches(start_s, start_s + SAMPLES * INTERVAL_S)
    grid = Grid(start_s, INTERVAL_S, SAMPLES)
    volts = np.empty((3, SAMPLES))
    for row, scale_v in enumerate((RANGE_V, RANGE_V, 5.0)):
        setting = InputSetting(on=True, coupling="DC", probe=1.0, scale_v=scale_v, offset_v=0.0)
        seen = grid.volts(input_signal(frontend, row + 1, setting, stretches))
        seen += frontend.noise_v(row + 1, setting) * random.standard_normal(SAMPLES)
        step_v = 8 * scale_v / 256
        volts[row] = np.clip(np.rint(seen / step_v), -128, 127) * step_v
    edge_s = world._scenes[-1].start_s
    change = find_change(
        volts[:2],
        INTERVAL_S,
        TONES.frequencies_hz,
        step_v=(8 * RANGE_V / 256,) * 2,
        joined=True,
        routes=_places(name == "operate_time"),
        edge=control_edge(volts[2], INTERVAL_S, 8 * 5.0 / 256),
        watched=True,
    )
    k1 = world._motions[0]
    readings, made = [], []
    for pole in (0, 1):
        mine = [(t, where) for t, p, where in k1.changes(start_s, start_s + 0.06) if p == pole]
        ways = [mine, _without(mine, change.leg_changes.legs[pole].smallest_s)]
        closings = [[t for t, where in way if where == k1.target] for way in ways]
        made.append([closing[0] for closing in closings])
        gap, bounce = read_transfer_time(change, pole, 2.0), read_bounce_time(change, pole, 2.0)
        readings.append(
            ("gap, simulated relay", _nearest([closing[0] - mine[0][0] for closing in closings], gap))
        )
        spans = [closing[-1] - closing[0] for closing in closings]
        readings.append(("bounce, simulated relay", _nearest(spans, bounce)))
    time = read_switching(change, (0, 1), 2.0)
    readings.append((name, _nearest([max(a, b) - edge_s for a in made[0] for b in made[1]], time)))
    return readings


def _nearest(truths: Sequence[float], result: Estimate) -> Drawn:
    """The truth that is nearest: what is shorter than the record can show counts, or does not."""
    middle = result.value if result.floor else (result.low + result.high) / 2
    truth = min(truths, key=lambda each: abs(each - middle))
    return drawn(result, truth)


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
