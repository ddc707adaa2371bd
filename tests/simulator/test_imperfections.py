"""What no bench is free of: within its limits, another for every serial number and bench, and gone at size 0.

The limits are common practice, no source.
"""

from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import cast

import numpy as np
import pytest

from harness.errors import UsageError
from harness.job.job import load_job
from simulator import boards
from simulator.acquisition import Frontend, InputSetting
from simulator.circuit import GROUND, Element, Network, Parts
from simulator.imperfections import USUAL, Imperfections, parse_imperfections
from simulator.unit import Damage, build
from simulator.wiring import Leads, Plugs, connect
from simulator.world import World

NONE = parse_imperfections(["all=0"])


def parts_of(
    job_folder: Path, imperfections: Imperfections = USUAL, *, serial: str = "S1", bench: int = 1
) -> Parts:
    """The insert switch's parts, driven at the left input."""
    job = load_job(job_folder)
    setup = next(setup for setup in job.fixture.setups if setup.drive is not None)
    built = build(job.module, serial, Damage(), imperfections)
    leads = Leads(inputs=4, probe=1.0, seed=bench, imperfections=imperfections)
    return connect(job.module, job.fixture, built, plugs=Plugs(), setup=setup, leads=leads)


def strays(parts: Parts) -> list[Element]:
    return [element for element in parts.capacitors if element.is_stray]


def to_ground(parts: Parts, *, at_pins: bool) -> dict[str, float]:
    """Farads of each node's strays to ground, at the connectors' pins or inside."""
    result: dict[str, float] = defaultdict(float)
    for element in strays(parts):
        if element.b == GROUND and element.a.startswith("pin ") is at_pins:
            result[element.a] += element.value
    return result


def test_every_port_has_a_cable_of_30_to_300_pf(job_folder: Path) -> None:
    cables = to_ground(parts_of(job_folder), at_pins=True)
    ports = load_job(job_folder).module.ports
    assert len(cables) == 2 * 2 * len(ports)
    assert all(0.9 * 30e-12 < farads < 1.1 * 300e-12 for farads in cables.values())


def test_every_net_has_5_to_50_pf_to_ground(job_folder: Path) -> None:
    nets = to_ground(parts_of(job_folder), at_pins=False)
    assert len(nets) > 8
    assert all(0.9 * 5e-12 < farads < 1.1 * 50e-12 for farads in nets.values())


def test_neighbouring_nets_of_a_channel_have_a_tenth_of_a_picofarad_to_two(job_folder: Path) -> None:
    between = [e for e in strays(parts_of(job_folder)) if e.b != GROUND and e.a.split(".")[0] in e.b]
    assert any(e.a.endswith("hot") and e.b.endswith("cold") for e in between)
    assert any(e.a.endswith("hot") and e.b.endswith("hot") for e in between)
    assert all(0.1e-12 <= e.value <= 2e-12 for e in between)


def test_every_unit_has_nets_of_its_own_and_every_bench_its_cables(job_folder: Path) -> None:
    first, unit, bench = (
        parts_of(job_folder),
        parts_of(job_folder, serial="S2"),
        parts_of(job_folder, bench=2),
    )
    assert to_ground(first, at_pins=False) != to_ground(unit, at_pins=False)
    assert to_ground(first, at_pins=True) == to_ground(unit, at_pins=True)
    assert to_ground(first, at_pins=True) != to_ground(bench, at_pins=True)
    assert strays(first) == strays(parts_of(job_folder))


def test_an_exact_bench_has_no_strays(job_folder: Path) -> None:
    assert sum(e.value for e in strays(parts_of(job_folder, NONE))) == 0


def test_the_cables_alone_can_be_left_out(job_folder: Path) -> None:
    parts = parts_of(job_folder, parse_imperfections(["cables=0"]))
    assert sum(to_ground(parts, at_pins=True).values()) == 0
    assert to_ground(parts, at_pins=False) == to_ground(parts_of(job_folder), at_pins=False)


def test_the_later_of_two_sizes_counts() -> None:
    assert parse_imperfections(["all=0", "cables=2"]).cables == 2
    assert parse_imperfections(["all=0", "cables=2"]).nets == 0


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("cabels=0", "no such kind; expected one of cables, nets"),
        ("cables", "expected cables=SIZE, from 0"),
        ("cables=-1", "expected cables=SIZE, from 0"),
        ("cables=nan", "expected cables=SIZE, from 0"),
        ("cables=11", "to 10"),
    ],
)
def test_a_kind_or_size_that_there_is_not_is_refused(text: str, expected: str) -> None:
    with pytest.raises(UsageError, match=expected):
        parse_imperfections([text])


def test_each_output_of_the_generator_has_50_ohm_within_half_a_percent(job_folder: Path) -> None:
    outputs = [source.ohm for source in parts_of(job_folder).sources if source.node.startswith("generator")]
    assert all(49.75 <= ohm <= 50.25 for ohm in outputs)
    assert outputs[0] != outputs[1]


@pytest.mark.parametrize(("size", "least", "most"), [(0.0, 0.0, 1e-12), (1.0, 1e-6, 5e-4 / 4)])
def test_an_input_shows_a_twentieth_of_a_percent_of_a_cubic_at_most(
    size: float, least: float, most: float
) -> None:
    """a sin³ = a (3 sin - sin 3x)/4: a third harmonic of a quarter of the cubic's share."""
    frontend = Frontend(inputs=4, probe=1.0, seed=1, imperfections=replace(USUAL, input_cubic=size))
    setting = InputSetting(on=True, coupling="DC", probe=1.0, scale_v=0.5, offset_v=0.0)
    turns = np.arange(1000) / 1000
    shown = frontend.bent(1, setting, 2.0 * np.sin(2 * np.pi * turns))
    third = 2 * abs(np.mean(shown * np.exp(-6j * np.pi * turns))) / 2.0
    assert least <= third <= most


@pytest.mark.parametrize(("size", "least", "most"), [(0.0, 0.0, 0.0), (1.0, 2e-5, 1e-4), (10.0, 2e-4, 1e-3)])
def test_the_gain_of_each_input_differs_from_record_to_record(size: float, least: float, most: float) -> None:
    """Each input on its own, so that the ratio of two of them scatters as the root of their squares' sum."""
    frontend = Frontend(inputs=4, probe=1.0, seed=1, imperfections=replace(USUAL, input_jitter=size))
    rng = np.random.default_rng(1)
    gains = np.array([frontend.gains_of_record(rng) for _ in range(4000)])
    spread = gains.std(axis=0)
    assert np.all((spread >= 0.95 * least) & (spread <= 1.05 * most))
    ratio = (gains[:, 0] / gains[:, 1]).std()
    assert ratio == pytest.approx(float(np.hypot(spread[0], spread[1])), rel=0.05)


def test_a_net_that_only_a_megohm_holds_picks_up_hum_and_a_terminated_one_does_not(job_folder: Path) -> None:
    """I = V 2 pi f C: 325 V through a femtofarad at 50 Hz is a tenth of a nanoampere."""
    parts = parts_of(job_folder)
    held = tuple(resistor for resistor in parts.resistors if resistor.a.startswith("scope"))
    network = Network(replace(parts, resistors=held))
    apart, closed = (
        np.zeros(len(parts.contacts), dtype=np.bool_),
        np.ones(len(parts.contacts), dtype=np.bool_),
    )
    open_v = 325 * abs(network.solve_at(apart, (False, False, True), (50.0,))[0, :2, 2])
    driven_v = 325 * abs(network.solve_at(closed, (True, True, True), (50.0,))[0, :2, 2])
    assert np.all((open_v > 50e-6) & (open_v < 2e-3))
    assert driven_v.max() < 0.1e-6


class Switched:
    """A world that notes what its relay board does."""

    def __init__(self) -> None:
        self.done: list[frozenset[int]] = []

    def set_channels(self, closed: frozenset[int]) -> None:
        self.done.append(closed)


def test_a_serial_board_is_late_now_and_then(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fiftieth of the changes here, in place of a five-thousandth, and none of them lost."""
    waits: list[float] = []

    class AtOnce:
        daemon = False

        def __init__(self, wait_s: float, act: Callable[[], None]) -> None:
            waits.append(wait_s)
            self.start = act

    monkeypatch.setattr("simulator.boards.threading.Timer", AtOnce)
    world = Switched()
    coils = boards.Coils(cast(World, world), 16, late_share=0.02, seed=1)
    for number in range(1000):
        coils.set(1, closed=number % 2 == 0)
        coils.set(2, closed=False)  # changes nothing
    assert 5 <= len(waits) <= 50
    assert all(0.05 <= wait_s <= 0.5 for wait_s in waits)
    assert len(world.done) == 2000


def test_the_legs_of_a_relay_have_times_of_their_own(job_folder: Path) -> None:
    module = load_job(job_folder).module
    for timing in build(module, "S1", Damage()).timings:
        assert len(set(timing.skew_s)) == len(set(timing.shares)) == len(timing.shares)
        assert all(0.85 <= share <= 1 for share in timing.shares)
        assert max(timing.skew_s) <= 0.15e-3
    for timing in build(module, "S1", Damage(), NONE).timings:
        assert set(timing.skew_s) == {0}
        assert set(timing.shares) == {1}
