"""What a person with a scope would see at the simulated bench; by bare sockets, computed here by hand."""

from collections.abc import Callable
from math import pi
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.simulator.conftest import Bench

HOT_HZ, COLD_HZ = 1850.0, 2050.0  # 37 and 41 cycles in 20 ms
RANGE_ERROR = 0.03  # scope 1.5 %, generator 1 %, and something for noise
SOURCE_OHM, LOAD_OHM = 50.0, 5000.0


def db(ratio: complex | NDArray[np.complex128]) -> NDArray[np.float64]:
    return np.asarray(20 * np.log10(np.abs(ratio)))


def measured(bench: Bench, *channels: int, scale_v: float = 0.5, vpp: float = 2.0) -> NDArray[np.complex128]:
    """Peak volts at each input (rows) of the hot and cold tones (columns), per volt of e.m.f."""
    bench.tones(HOT_HZ, COLD_HZ, vpp)
    bench.close_channels(*channels)
    return bench.phasors((HOT_HZ, COLD_HZ), scale_v) / (vpp / 2)


@pytest.mark.parametrize("vpp", [0.5, 2.0, 6.0])
def test_a_through_setup_shows_the_amplitude_that_was_set(bench: Bench, vpp: float) -> None:
    seen = np.abs(measured(bench, 9, vpp=vpp, scale_v=vpp / 6))
    assert seen[[0, 2], 0] == pytest.approx(1.0, rel=RANGE_ERROR)
    assert seen[[1, 3], 1] == pytest.approx(1.0, rel=RANGE_ERROR)
    assert (seen[[1, 3], 0] < 1e-3).all()


def test_an_output_set_for_50_ohm_gives_twice_as_much_unloaded(bench: Bench) -> None:
    """Closed form: 50 ohm into 50 ohm halves the e.m.f., and 20 lg 2 = 6.02 dB."""
    bench.generator.write("OUTP1:LOAD 50;:SOUR1:FREQ 1850;VOLT 1;:OUTP1 ON")
    assert bench.generator.errors() == []
    bench.close_channels(9)
    seen = bench.phasors((HOT_HZ,), 0.3)
    assert abs(seen[0, 0]) == pytest.approx(1.0, rel=RANGE_ERROR)


def test_antiphase_outputs_are_a_balanced_pair(bench: Bench) -> None:
    bench.tones(1000, 1000)
    bench.generator.write("SOUR2:PHAS 180")
    bench.close_channels(9)
    seen = bench.phasors((1000.0,), 0.5)[:, 0]
    assert np.angle(seen[1] / seen[0], deg=True) % 360 == pytest.approx(180, abs=0.5)


def test_with_no_setup_made_there_is_hum_and_noise_only(bench: Bench) -> None:
    for channels in ((), (10,), (9, 10, 11)):
        assert np.abs(measured(bench, *channels)).max() < 2e-3


def test_a_made_route_divides_by_source_and_load(bench: Bench) -> None:
    seen = np.abs(measured(bench, 10, 11))
    through = np.abs(measured(bench, 9))
    expected = LOAD_OHM / (LOAD_OHM + SOURCE_OHM)  # 1 Mohm and the contacts are below this test's error
    assert seen[0, 0] / through[0, 0] == pytest.approx(expected, rel=2e-3)
    assert seen[1, 1] / through[1, 1] == pytest.approx(expected, rel=2e-3)
    assert (seen[2:] < 1e-3).all()


def test_a_mute_relay_opens_the_output(bench: Bench) -> None:
    bench.power()
    made = measured(bench, 10, 11)
    muted = measured(bench, 10, 11, 2, scale_v=0.005)
    assert (db(muted[[0, 1], [0, 1]]) < db(made[[0, 1], [0, 1]]) - 60).all()


def test_the_insert_goes_through_its_resistor(bench: Bench) -> None:
    bench.power()
    bypassed, inserted = (np.abs(measured(bench, 10, 11, *line))[0, 0] for line in ((), (1,)))
    expected = (LOAD_OHM + SOURCE_OHM) / (LOAD_OHM + SOURCE_OHM + 1000)
    assert inserted / bypassed == pytest.approx(expected, rel=0.01)  # R1 is 1 %


def test_a_dead_relay_leaves_the_rest_route(start: Callable[..., Any]) -> None:
    bench = start(faults=("K1 never operates",))
    bench.power()
    bypassed, inserted = (np.abs(measured(bench, 10, 11, *line))[0, 0] for line in ((), (1,)))
    assert inserted / bypassed == pytest.approx(1, rel=2e-3)
    assert float(bench.supply.query("MEAS:CURR?")) == pytest.approx(0.005 + 2 * 12 / 1028, rel=0.06)


def test_an_open_coil_shows_in_the_current_as_well(start: Callable[..., Any]) -> None:
    bench = start(faults=("K1 coil open",))
    bench.power()
    bench.close_channels(10, 11, 1)
    assert float(bench.supply.query("MEAS:CURR?")) == pytest.approx(0.005 + 12 / 1028, rel=0.06)


@pytest.mark.parametrize(("lines", "relays"), [((), 0), ((1,), 2), ((2,), 2), ((1, 2), 4)])
def test_the_supply_current_is_the_sum_of_its_coils(
    bench: Bench, lines: tuple[int, ...], relays: int
) -> None:
    bench.power()
    bench.close_channels(*lines)
    expected_a = 0.005 + relays * 12 / 1028
    assert float(bench.supply.query("MEAS:CURR?")) == pytest.approx(expected_a, rel=0.05)
    assert float(bench.supply.query("MEAS:VOLT?")) == pytest.approx(12, abs=0.03)


def test_a_shorted_coil_draws_the_limit_and_pulls_the_voltage_down(start: Callable[..., Any]) -> None:
    bench = start(faults=("K1 coil shorted",))
    bench.power()
    bench.close_channels(1)
    assert float(bench.supply.query("MEAS:CURR?")) == pytest.approx(0.2, rel=0.01)
    assert float(bench.supply.query("MEAS:VOLT?")) < 0.5


@pytest.mark.parametrize(("volts", "operates"), [(12.0, True), (9.0, True), (7.0, False)])
def test_a_relay_needs_70_percent_to_operate(bench: Bench, volts: float, operates: bool) -> None:
    """Must-operate voltage: 70 % in TE Connectivity's IM relay data sheet, 75 % in Omron's of the G6H-2."""
    bench.power(volts)
    bypassed, inserted = (np.abs(measured(bench, 10, 11, *line))[0, 0] for line in ((), (1,)))
    assert (inserted < 0.9 * bypassed) == operates


def test_a_relay_once_operated_holds_until_10_percent(bench: Bench) -> None:
    bench.power()
    inserted = np.abs(measured(bench, 10, 11, 1))[0, 0]
    for volts, holds in ((3.0, True), (1.0, False)):
        bench.supply.write(f"VOLT {volts}")
        assert bench.supply.errors() == []
        bench.pass_time(0.02)
        seen = np.abs(bench.phasors((HOT_HZ, COLD_HZ), 0.5))[0, 0]
        assert (seen < 1.05 * inserted) == holds


def test_a_dead_leg_into_loads_to_ground_costs_6_db(start: Callable[..., Any]) -> None:
    """Closed form: half of a balanced signal is 20 lg 2 = 6.02 dB less."""
    good, broken = start(), start(faults=("left.out.cold open",))
    levels = []
    for bench in (good, broken):
        bench.tones(1000, 1000)
        bench.generator.write("SOUR2:PHAS 180")
        bench.close_channels(10, 11)
        seen = bench.phasors((1000.0,), 0.5)[:, 0]
        levels.append(db(seen[0] - seen[1]))
    assert levels[1] - levels[0] == pytest.approx(-6.02, abs=0.05)


def test_two_units_differ_and_the_same_unit_is_the_same(start: Callable[..., Any]) -> None:
    currents = []
    for serial in ("S1", "S1", "S2"):
        bench = start(serial=serial)
        bench.power()
        bench.close_channels(1, 2)
        currents.append(np.mean([float(bench.supply.query("MEAS:CURR?")) for _ in range(50)]))
    assert currents[0] == pytest.approx(currents[1], rel=5e-4)
    assert currents[2] != pytest.approx(currents[0], rel=2e-3)


def test_another_unit_is_put_in_by_hand(start: Callable[..., Any]) -> None:
    bench = start()
    bench.power()
    bench.close_channels(1)
    assert bench.hand(unit="S9", faults=["control line insert dead"]) == {"ok": True}
    assert float(bench.supply.query("MEAS:CURR?")) == pytest.approx(0.005, abs=5e-4)


def test_leads_are_moved_by_hand_where_no_channel_selects_them(bench: Bench) -> None:
    bench.tones(HOT_HZ, COLD_HZ)
    bench.close_channels()
    assert np.abs(bench.phasors((HOT_HZ,), 0.5)).max() < 2e-3
    assert bench.hand(setup="by hand") == {"ok": True}
    seen = np.abs(bench.phasors((HOT_HZ, COLD_HZ), 0.5))
    assert seen[[0, 2], 0] == pytest.approx(LOAD_OHM / (LOAD_OHM + SOURCE_OHM), rel=RANGE_ERROR)


def test_crosstalk_of_a_capacitance_rises_6_db_an_octave(bench: Bench) -> None:
    """Closed form: through a capacitor into a small resistor, 20 lg 2 = 6.02 dB an octave."""
    levels = []
    for hz in (5000.0, 10_000.0):
        bench.tones(hz, hz, vpp=20)
        bench.generator.write("SOUR2:PHAS 180")
        bench.close_channels(10, 11)
        quiet = bench.phasors((hz,), 0.001)[:, 0]
        levels.append(db((quiet[2] - quiet[3]) / 20))
    assert levels[1] - levels[0] == pytest.approx(6.02, abs=0.5)
    strays_f = 10 ** (levels[1] / 20) / (2 * pi * 10_000 * LOAD_OHM)
    assert 0.02e-12 < strays_f < 2e-12  # half a picofarad to two, over all nets


def test_a_moving_contact_leaves_a_gap_and_bounces(bench: Bench) -> None:
    """A change-over breaks before it makes: the output is open meanwhile (common practice, no source)."""
    bench.power()
    bench.generator.write("OUTP1:LOAD INF;:SOUR1:FREQ 1000;VOLT 0.002;VOLT:OFFS 1;:OUTP1 ON")
    assert bench.generator.errors() == []
    bench.close_channels(10, 11)
    bench.scope.write(":CHAN1:SCAL 0.5;OFFS 0;:TIM:SCAL 2e-3;POS 9.8e-3;:ACQ:POIN 20000;:WAV:POIN 20000")
    armed = bench.scope.query(":TRIG:EDGE:LEV 0.5;SLOP NEG;:TRIG:SWE NORM;:SING;*ESR?")
    assert armed == "128"
    bench.board.write("ROUT:CLOS (@1)")
    assert bench.scope.query("*OPC?") == "1"
    fields = [float(field) for field in bench.scope.query(":WAV:SOUR CHAN1;PRE?").split(",")]
    raw = np.frombuffer(bench.scope.block(":WAV:DATA?"), dtype=np.uint8).astype(float)
    volts = (raw - fields[9]) * fields[7] + fields[8]
    times = fields[5] + np.arange(len(volts)) * fields[4]
    assert volts[times < -1e-4] == pytest.approx(LOAD_OHM / (LOAD_OHM + SOURCE_OHM), abs=0.15)
    assert np.mean(np.abs(volts[(times > 0) & (times < 1e-4)])) < 0.15
    after = volts[times > 8e-3]
    assert after.mean() == pytest.approx(LOAD_OHM / (LOAD_OHM + SOURCE_OHM + 1000), rel=0.05)
    open_s = np.sum(np.abs(volts) < 0.4) * fields[4]
    assert 0.1e-3 < open_s < 5e-3


def test_the_scope_is_wrong_by_no_more_than_its_data_sheet(start: Callable[..., Any]) -> None:
    seen = []
    for seed in range(1, 6):
        bench = start(bench_seed=seed)
        seen.append(np.abs(measured(bench, 9))[0, 0])
    assert np.std(seen) > 1e-3
    assert np.array(seen) == pytest.approx(1.0, abs=0.026)  # 1.5 % of the scope, 1 % of the generator
