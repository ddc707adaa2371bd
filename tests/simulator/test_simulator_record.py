"""The simulated scope's acquisitions and records, read by bare sockets."""

import threading
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from tests.simulator.conftest import Bench


def test_the_preamble_has_ten_fields_that_describe_the_block(bench: Bench) -> None:
    bench.scope.write(":CHAN1:SCAL 0.5;OFFS 0.25;:TIM:SCAL 1e-3;POS 2e-3;:ACQ:POIN 5000")
    bench.scope.write(":SINGle")
    assert bench.scope.query("*OPC?") == "1"
    fields = bench.scope.query(":WAVeform:PREamble?").split(",")
    assert len(fields) == 10
    assert fields[:4] == ["0", "0", "5000", "1"]
    x_increment, x_origin, x_reference, y_increment, y_origin, y_reference = (float(f) for f in fields[4:])
    assert x_increment == pytest.approx(10 * 1e-3 / 5000)  # ten divisions
    assert x_origin == pytest.approx(2e-3 - 5e-3)  # the trigger is at zero, the screen's centre 2 ms later
    assert x_reference == 0
    assert y_increment == pytest.approx(8 * 0.5 / 256)  # eight divisions in 8 bits
    assert (y_origin, y_reference) == (0.25, 128)
    assert len(bench.scope.block(":WAVeform:DATA?")) == 5000


def test_a_word_has_its_most_significant_byte_first_and_says_the_same_volts(bench: Bench) -> None:
    bench.capture(0.5, points=1000)
    as_bytes = np.frombuffer(bench.scope.block(":WAV:SOUR CHAN1;FORM BYTE;DATA?"), dtype=">u1")
    bench.scope.write(":WAV:FORM WORD")
    words = np.frombuffer(bench.scope.block(":WAV:DATA?"), dtype=">u2")
    fields = bench.scope.query(":WAV:PRE?").split(",")
    assert fields[0] == "1"
    assert float(fields[9]) == 128 * 256
    assert (words == as_bytes.astype(int) * 256).all()


def test_fewer_points_come_out_when_fewer_are_asked_for(bench: Bench) -> None:
    bench.capture(0.5, points=20_000)
    bench.scope.write(":WAV:POIN 5000")
    fields = bench.scope.query(":WAV:PRE?").split(",")
    assert fields[2] == "5000"
    assert float(fields[4]) == pytest.approx(0.02 / 5000)
    assert len(bench.scope.block(":WAV:DATA?")) == 5000


def test_there_is_no_data_without_a_record(bench: Bench) -> None:
    bench.scope.write(":WAVeform:DATA?")
    assert bench.scope.errors() == [-230]  # data corrupt or stale
    bench.capture(0.5)
    bench.scope.write(":CHAN2:DISP OFF;:SINGle")
    assert bench.scope.query("*OPC?") == "1"
    bench.scope.write(":WAV:SOUR CHAN2;DATA?")
    assert bench.scope.errors() == [-221]


def test_an_acquisition_takes_the_time_of_its_record(start: Callable[..., Any]) -> None:
    bench = start(speed=1.0)
    bench.scope.write(":TIM:SCAL 0.02;:ACQ:POIN 1000")  # 0.2 s
    began = time.monotonic()
    bench.scope.write(":SINGle")
    assert bench.scope.query("*OPC?") == "1"
    assert 0.2 <= time.monotonic() - began < 0.4


def test_a_faster_simulator_takes_less(start: Callable[..., Any]) -> None:
    bench = start(speed=100.0)
    bench.scope.write(":TIM:SCAL 1;:ACQ:POIN 1000")  # 10 s
    began = time.monotonic()
    bench.scope.write(":SINGle")
    assert bench.scope.query("*OPC?") == "1"
    assert 0.1 <= time.monotonic() - began < 2


def test_a_normal_sweep_without_a_trigger_completes_only_when_forced(
    bench: Bench, open_line: Callable[..., Any]
) -> None:
    bench.scope.write(":TRIG:SWE NORM;:TRIG:EDGE:LEV 3;:TIM:SCAL 1e-3;:SING;*OPC?")
    second = open_line(bench.addresses.oscilloscope)
    second.write(":WAV:DATA?")
    assert second.errors() == [-230]
    second.write(":TRIGger:FORCe")
    assert bench.scope.read() == "1"
    assert len(bench.scope.block(":WAV:DATA?")) == 1000


def test_a_waiting_query_is_interrupted_by_the_next_message(bench: Bench) -> None:
    bench.scope.write(":TRIG:SWE NORM;:TRIG:EDGE:LEV 3;:SING;*OPC?")
    bench.scope.write(":STOP")
    assert bench.scope.errors() == [-410]
    assert bench.scope.query("*OPC?") == "1"  # nothing is pending any more


def test_opc_sets_its_bit_only_when_the_record_is_complete(start: Callable[..., Any]) -> None:
    bench = start(speed=1.0)
    bench.scope.write("*CLS;:TIM:SCAL 0.02;:SING;*OPC")
    assert bench.scope.query("*ESR?") == "0"
    bench.scope.write("*WAI")
    assert bench.scope.query("*ESR?") == "1"


@pytest.mark.parametrize(("slope", "sign"), [("POSitive", 1), ("NEGative", -1)])
def test_the_record_shows_the_edge_it_was_triggered_by(bench: Bench, slope: str, sign: int) -> None:
    bench.tones(1000, 1000)
    bench.close_channels(9)
    bench.scope.write(f":CHAN1:SCAL 0.3;:TRIG:EDGE:LEV 0.5;SLOP {slope};:TIM:SCAL 1e-4;:ACQ:POIN 1000")
    bench.scope.write(":WAV:POIN 1000;:TRIG:SWE NORM;:SING")
    assert bench.scope.query("*OPC?") == "1"
    fields = [float(field) for field in bench.scope.query(":WAV:SOUR CHAN1;PRE?").split(",")]
    raw = np.frombuffer(bench.scope.block(":WAV:DATA?"), dtype=np.uint8).astype(float)
    volts = (raw - fields[9]) * fields[7] + fields[8]
    at = round(-fields[5] / fields[4])
    assert volts[at - 10 : at + 10].mean() == pytest.approx(0.5, abs=0.05)
    assert np.sign(volts[at + 50 : at + 100].mean() - volts[at - 100 : at - 50].mean()) == sign


def test_what_exceeds_the_screen_is_cut_at_the_first_and_last_code(bench: Bench) -> None:
    bench.tones(1000, 1000, vpp=4)
    bench.close_channels(9)
    bench.capture(0.1)
    codes = np.frombuffer(bench.scope.block(":WAV:SOUR CHAN1;DATA?"), dtype=np.uint8)
    assert codes.min() == 0
    assert codes.max() == 255
    assert np.mean((codes == 0) | (codes == 255)) > 0.5


def test_averaging_quietens_what_the_trigger_does_not_hold(bench: Bench) -> None:
    bench.scope.write(":CHAN1:SCAL 0.01;:TIM:SCAL 1e-4;:ACQ:POIN 1000;:WAV:FORM WORD")
    spread = {}
    for kind in ("NORM", "AVER"):
        bench.scope.write(f":ACQ:TYPE {kind};COUN 64;:SING")
        assert bench.scope.query("*OPC?") == "1"
        fields = [float(field) for field in bench.scope.query(":WAV:PRE?").split(",")]
        raw = np.frombuffer(bench.scope.block(":WAV:DATA?"), dtype=">u2").astype(float)
        spread[kind] = np.std(raw) * fields[7]
    assert spread["AVER"] < spread["NORM"] / 4  # 1/sqrt(64) = 1/8, and some hum


def test_running_freely_and_stopping_leaves_the_last_record(bench: Bench) -> None:
    bench.scope.write(":TIM:SCAL 1e-4;:ACQ:POIN 500;:RUN")
    deadline = time.monotonic() + 5
    while time.monotonic() < deadline:
        bench.scope.write(":STOP")
        bench.scope.write(":WAV:DATA?")
        if bench.scope.errors() != [-230]:
            break
        bench.scope.write(":RUN")
        threading.Event().wait(0.005)
    # The answer to the last :WAV:DATA? was interrupted by reading the queue; the record is still there.
    assert len(bench.scope.block(":WAV:DATA?")) == 500


def test_a_probe_setting_scales_what_the_screen_says(bench: Bench) -> None:
    bench.scope.write(":CHAN1:SCAL 0.1;PROB 10")
    assert float(bench.scope.query(":CHAN1:SCAL?")) == pytest.approx(1.0)
    bench.scope.write(":CHAN1:SCAL 0.005")  # 0.5 mV/div behind the probe: below the attenuator's last step
    assert bench.scope.errors() == [-222]


def test_a_record_of_a_million_points_is_whole(bench: Bench) -> None:
    bench.scope.write(":ACQ:POIN 1000000;:TIM:SCAL 1e-3;:SING")
    assert bench.scope.query("*OPC?") == "1"
    assert len(bench.scope.block(":WAV:DATA?")) == 1_000_000
