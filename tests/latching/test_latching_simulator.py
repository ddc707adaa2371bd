"""A latching relay in the simulator: what moves it, what it remembers, what its coils draw."""

import pytest

from harness.job.faults import parse_fault
from simulator.dynamics import SupplySetting
from simulator.faults import apply
from simulator.sources import Output
from simulator.world import Clock, World
from tests.latching.selector import selector

JOB = selector()
RESERVE_ON, RESERVE_OFF, DESK_ON, TRUCK_ON, CLEAR, MUTE = range(1, 7)
LINE_DRIVEN = frozenset({11})
COIL_A, QUIESCENT_A = 12 / 720, 0.003  # Ohm's law, module.toml
SPREAD = 0.05  # of a lot's coils and of each: what the simulator draws
ON = SupplySetting(voltage_v=12.0, limit_a=0.2, on=True)
OFF = SupplySetting(voltage_v=12.0, limit_a=0.2, on=False)
LONG_S = 0.05
TONE_HZ = 1000.0


class SetClock(Clock):
    """Simulated seconds that pass only when a test says so."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 1.0

    def now(self) -> float:
        return self.now_s


class Bench:
    """A simulated bench with the line driven and the desk and the truck in view."""

    def __init__(self, *faults: str, serial: str = "OB-1") -> None:
        named = [each for fault in faults for each in parse_fault(fault, JOB.module, JOB.fixture)]
        self.clock = SetClock()
        self.world = World(JOB, self.clock, serial=serial, wrong=apply(named, JOB.module), bench_seed=1)
        for number, phase_deg in ((1, 0.0), (2, 180.0)):
            self.world.set_output(number, Output(on=True, amplitude_vpp=2.0, phase_deg=phase_deg))
        self.world.set_supply(ON)
        self.world.set_channels(LINE_DRIVEN)
        self.wait()

    def wait(self, seconds: float = LONG_S) -> None:
        self.clock.now_s += seconds

    def pulse(self, *channels: int, seconds: float = LONG_S) -> None:
        """Drive coils for so long, then let them go and the contacts settle."""
        self.world.set_channels(LINE_DRIVEN | set(channels))
        self.wait(seconds)
        self.world.set_channels(LINE_DRIVEN)
        self.wait()

    def live(self) -> tuple[bool, bool]:
        """Whether the line reaches the desk, and the truck."""
        (now,) = self.world.stretches(self.clock.now_s, self.clock.now_s + 1e-4)
        tone = min(range(len(now.tones_hz)), key=lambda k: abs(now.tones_hz[k] - TONE_HZ))
        levels = abs(now.phasors[:, tone])
        return bool(levels[0] > 0.1), bool(levels[2] > 0.1)

    def current_a(self, *channels: int) -> float:
        """What the supply gives while these are driven."""
        self.world.set_channels(LINE_DRIVEN | set(channels))
        self.wait()
        return self.world.supply().current_a


def test_a_latching_relay_stays_where_a_pulse_has_put_it() -> None:
    bench = Bench()
    bench.pulse(RESERVE_OFF)
    bench.pulse(CLEAR)
    assert bench.live() == (False, False)
    bench.pulse(DESK_ON)
    assert bench.live() == (True, False)
    bench.pulse(TRUCK_ON)
    assert bench.live() == (True, True)
    bench.pulse(RESERVE_ON)
    assert bench.live() == (False, False)
    bench.pulse(RESERVE_OFF)
    assert bench.live() == (True, True)
    bench.pulse(CLEAR)
    assert bench.live() == (False, False)


def test_power_off_keeps_its_side_and_a_pulse_without_power_moves_nothing() -> None:
    bench = Bench()
    for channel in (RESERVE_OFF, CLEAR, DESK_ON):
        bench.pulse(channel)
    bench.world.set_supply(OFF)
    bench.wait()
    assert bench.live() == (True, False)
    bench.pulse(CLEAR)
    assert bench.live() == (True, False)
    bench.world.set_supply(ON)
    bench.wait()
    assert bench.live() == (True, False)


def test_a_pulse_that_is_too_short_leaves_it_where_it_was() -> None:
    """Operate times are 0.35 to 0.7 of 4 ms here: 1 ms moves nothing for good, twice the 4 ms always do."""
    bench = Bench()
    for channel in (RESERVE_OFF, CLEAR):
        bench.pulse(channel)
    bench.pulse(DESK_ON, seconds=1e-3)
    assert bench.live() == (False, False)
    bench.pulse(DESK_ON, seconds=8e-3)
    assert bench.live() == (True, False)
    bench.pulse(CLEAR, seconds=1e-3)
    assert bench.live() == (True, False)


def test_set_and_reset_driven_together_move_nothing() -> None:
    bench = Bench()
    for channel in (RESERVE_OFF, CLEAR, DESK_ON):
        bench.pulse(channel)
    bench.pulse(DESK_ON, CLEAR)
    assert bench.live()[0]


@pytest.mark.parametrize(
    ("channels", "coils"),
    [((), 0), ((DESK_ON,), 1), ((RESERVE_OFF,), 1), ((CLEAR,), 2), ((DESK_ON, CLEAR), 3)],
)
def test_the_supply_feeds_the_coils_that_are_driven_and_none_at_rest(
    channels: tuple[int, ...], coils: int
) -> None:
    bench = Bench()
    assert bench.current_a(*channels) == pytest.approx(QUIESCENT_A + coils * COIL_A, rel=SPREAD)
    assert bench.current_a() == pytest.approx(QUIESCENT_A)


@pytest.mark.parametrize(
    ("fault", "pulses", "live", "channel", "coils"),
    [
        ("K2 set coil open", (CLEAR, DESK_ON), False, DESK_ON, 0),
        ("K2 reset coil open", (CLEAR, DESK_ON, CLEAR), True, CLEAR, 1),
        ("K2 never operates", (CLEAR, DESK_ON), False, DESK_ON, 1),
        ("K2 always operated", (CLEAR,), True, CLEAR, 2),
    ],
)
def test_a_fault_of_either_coil_leaves_the_relay_on_one_side(
    fault: str, pulses: tuple[int, ...], live: bool, channel: int, coils: int
) -> None:
    bench = Bench(fault)
    bench.pulse(RESERVE_OFF)
    for pulse in pulses:
        bench.pulse(pulse)
    assert bench.live()[0] == live
    assert bench.current_a(channel) == pytest.approx(QUIESCENT_A + coils * COIL_A, rel=SPREAD)


@pytest.mark.parametrize(
    ("fault", "channel"), [("K2 set coil shorted", DESK_ON), ("K3 reset coil shorted", CLEAR)]
)
def test_a_shorted_coil_takes_the_limit_in_its_pulse_alone(fault: str, channel: int) -> None:
    bench = Bench(fault)
    assert bench.current_a() == pytest.approx(QUIESCENT_A)
    assert bench.current_a(channel) == pytest.approx(ON.limit_a)


def test_units_come_to_the_bench_with_their_relays_on_either_side() -> None:
    came = {Bench(serial=f"OB-{number}").live() for number in range(12)}
    assert len(came) > 2
