"""The drivers and the simulator, written apart from one text, meet here for the first time: on the wire.

The simulator is a process of its own. What is asked is what any bench must do; nothing is known of it.
"""

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from drivers.bench import open_bench
from harness.bench_file import (
    BenchFile,
    BenchHead,
    GeneratorFile,
    OscilloscopeFile,
    SupplyFile,
    SwitchboardFile,
)
from harness.errors import BenchError, BenchTimeout, LinkLost
from harness.roles import Bench, CaptureSetting, InputSetting

ROOT = Path(__file__).resolve().parents[2]
JOB = ROOT / "sequences" / "two_loop_switcher"
THROUGH = 15  # the fixture's switchboard channel for the through reference


@contextmanager
def simulated(board: str, *options: str) -> Iterator[BenchFile]:
    process = subprocess.Popen(
        [sys.executable, "-m", "simulator", str(JOB), "--switchboard", board, *options],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        if process.stdout is None:
            raise RuntimeError("no output")
        ready = json.loads(process.stdout.readline())
        yield BenchFile(
            bench=BenchHead(name="Simulated"),
            generators=(
                GeneratorFile(
                    address=ready["generator"], profile="scpi-generator", identity=None, hot=1, cold=2
                ),
            ),
            oscilloscope=OscilloscopeFile(
                address=ready["oscilloscope"],
                profile="preamble-oscilloscope",
                identity=None,
                probe=1.0,
                gain_accuracy=0.02,
            ),
            supply=SupplyFile(address=ready["supply"], profile="scpi-supply", identity=None, output=1),
            switchboards=(
                SwitchboardFile(
                    address=ready["switchboard"],
                    profile=f"{board}-switchboard",
                    identity=None,
                    settle_s=0.015,
                ),
            ),
        )
    finally:
        process.communicate(timeout=10)


def capture_of_both(bench: Bench) -> np.ndarray:
    """Hot and cold output at two neighbouring tones into inputs 1 and 2, 20 ms of them."""
    bench.switchboard.set(frozenset({THROUGH}))
    for output, cycles in ((1, 37), (2, 41)):
        bench.generator.sine(output, frequency_hz=cycles / 0.02, amplitude_vpp=2.0)
        bench.generator.switch(output, on=True)
    setting = CaptureSetting(
        inputs={n: InputSetting(volts_per_division=0.5) for n in (1, 2)}, duration_s=0.02, samples=20_000
    )
    bench.oscilloscope.capture(setting)  # lets the fixture's relays settle
    capture = bench.oscilloscope.capture(setting)
    assert capture.volts.shape == (2, 20_000)
    assert capture.interval_s == pytest.approx(1e-6)
    assert capture.clipped == (0, 0)
    return capture.volts


@pytest.mark.parametrize("board", ["route", "text", "modbus", "frame"])
def test_every_kind_of_switchboard_selects_the_through_reference(board: str, tmp_path: Path) -> None:
    with simulated(board) as file, open_bench(file, folder=tmp_path) as bench:
        volts = capture_of_both(bench)
        spectrum = np.abs(np.fft.rfft(volts)) / (volts.shape[1] / 2)
        # 1 V peak at each output's own tone; outputs and inputs within 5 %: common practice, no source.
        assert spectrum[0, 37] == pytest.approx(1.0, rel=0.05)
        assert spectrum[1, 41] == pytest.approx(1.0, rel=0.05)
        bench.supply.set(voltage_v=12.0, limit_a=0.4)
        bench.supply.switch(on=True)
        assert bench.supply.measure().voltage_v == pytest.approx(12.0, rel=0.02)


def use(file: BenchFile, folder: Path) -> None:
    with open_bench(file, folder=folder) as bench:
        for _ in range(3):
            capture_of_both(bench)


@pytest.mark.parametrize(
    ("trouble", "expected"),
    [
        ("oscilloscope drop after 10", LinkLost),
        ("oscilloscope mute after 8", BenchTimeout),
        ("oscilloscope garble after 8", BenchError),
        ("oscilloscope short after 8", BenchError),
        ("generator error -221 after 12", BenchError),
    ],
)
def test_a_bench_in_trouble_raises_its_error_and_is_left_safe(
    trouble: str, expected: type[BenchError], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("drivers.scope.oscilloscope.MARGIN_S", 0.5)
    with simulated("route", "--trouble", trouble) as file:
        with pytest.raises(expected):
            use(file, tmp_path)
        with open_bench(file, folder=tmp_path):  # it can be opened again
            pass
