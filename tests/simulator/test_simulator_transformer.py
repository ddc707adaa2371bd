"""A simulated generator of one output before a balancing transformer: by bare sockets, and in whole runs.

An ideal transformer of n turns of the whole secondary to one of the primary shows n e.m.f.s between its ends,
half of that at each, and n^2 times the output's resistance (closed form).
"""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from harness.job.job import load_job
from harness.session.planned_job import BALANCED
from simulator.server import Simulator, write_bench
from tests.cli.commands import switchwalk
from tests.jobs import RELAY_CURRENT, SWITCHER, check_of, insert_switch, job_in
from tests.simulator.conftest import SPEED, Bench, Line

OUTPUT_OHM, LOAD_OHM, TURNS, WINDING_OHM = 50.0, 5000.0, 2.0, 400.0
TONE_HZ = 1850.0  # 37 cycles in 20 ms
BALANCED_BENCH = f"""\
profile = "one-frequency-generator"
transformer = "1:{TURNS:g}"
winding = "{WINDING_OHM:g} ohm"\
"""
SWITCHERS = 'profile = "scpi-generator"\nhot = 1\ncold = 2'


def test_both_legs_are_driven_opposite_behind_the_resistance_of_output_and_winding(
    tmp_path: Path, open_line: Callable[[str], Line]
) -> None:
    folder = insert_switch(tmp_path)
    text = (SWITCHER / "bench.toml").read_text(encoding="utf-8")
    write_bench(folder / "bench.toml", text.replace(SWITCHERS, BALANCED_BENCH))
    with Simulator(load_job(folder), serial="S1", speed=SPEED, switchboard="route") as simulator:
        bench = Bench(simulator, open_line)
        bench.generator.write(f"OUTP1:LOAD INF;:SOUR1:FREQ {TONE_HZ};VOLT 2;:OUTP1 ON")
        bench.close_channels(9)
        open_circuit = bench.phasors((TONE_HZ,), 0.5)[:2, 0]
        bench.close_channels(10, 11)
        loaded = bench.phasors((TONE_HZ,), 0.5)[:2, 0]
        bench.generator.write("SOUR1:FUNC DC")
        assert bench.generator.query("SOUR1:FUNC?") == "DC"
        silent = bench.phasors((TONE_HZ,), 0.5)
    assert np.abs(open_circuit) == pytest.approx(TURNS / 2, rel=0.03)  # scope 1.5 %, generator 1 %
    assert np.angle(-open_circuit[1] / open_circuit[0], deg=True) == pytest.approx(0.0, abs=0.1)
    leg_ohm = OUTPUT_OHM * TURNS**2 / 2 + WINDING_OHM
    assert np.abs(loaded / open_circuit) == pytest.approx(LOAD_OHM / (LOAD_OHM + leg_ohm), rel=2e-3)
    assert np.abs(silent).max() < 2e-3


def job_of(folder: Path) -> Path:
    return job_in(
        folder / "job",
        check_of("gain", within="0.3 dB", silent_ports_below="-60 dB"),
        check_of("phase", within="5 deg"),
        check_of("distortion", below="0.3 %"),
        RELAY_CURRENT,
        edits=[("bench.toml", SWITCHERS, BALANCED_BENCH)],
        states=["idle", "loop_a"],
        settle="10 ms",
    )


@pytest.mark.parametrize("fault", ["", "K1 never operates"])
def test_a_run_finds_the_good_unit_and_the_faulty_one(
    fault: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    job, faults = job_of(tmp_path), (["--fault", fault] if fault else [])
    ran = switchwalk(
        capsys, "run", str(job), "--serial", "T-1", "--simulate", "--speed", "20", "--json", *faults
    )
    assert ran.code == (1 if fault else 0), ran.out + ran.err
    likely = json.loads(ran.out)["likely"]
    assert fault in json.dumps(likely) if fault else not likely
    planned = switchwalk(capsys, "plan", str(job))
    assert BALANCED in " ".join(planned.out.split())


def test_the_bench_check_passes_on_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = load_job(job_of(tmp_path))
    with Simulator(job, serial="none", speed=SPEED) as simulator:
        write_bench(tmp_path / "simulated.toml", simulator.bench_toml())
        printed = switchwalk(capsys, "bench", str(job.folder), "--bench", str(tmp_path / "simulated.toml"))
    assert printed.code == 0, printed.out + printed.err
