"""Whole runs with a two-input scope that is triggered by the generator's sync, on the foreign bench.

Its circuit, generator and scope share no code with the project: each sine of the generator starts anywhere,
and the scope counts from a sample up to one sampling interval behind the edge.
"""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.cli.commands import Printed, switchwalk
from tests.drivers.own_profiles import profile_text
from tests.drivers.zoo.at_bench import at_bench
from tests.drivers.zoo.synced import OneOutputsSync, SyncedGenerator, SyncedScope, phase_deg, synced_at_bench
from tests.drivers.zoo.test_contradicting_profiles import JOB
from tests.drivers.zoo.test_whole_runs import view_one_port
from tests.foreign.bench import ForeignBench
from tests.foreign.box import RELAYS, Unit, volts, wiring
from tests.jobs import check_of, edit, job_in

TWO_INPUTS = {"inputs = 4": "inputs = 2", "record_length_max = 1_000_000": "record_length_max = 40_000"}
VIEWS = {"left": (10, 12), "right": (11, 13)}  # of the output, of the input


@dataclass(frozen=True)
class Ran:
    printed: Printed
    readings: list[dict[str, Any]]
    late_s: list[float]


@contextmanager
def bench_of(
    folder: Path,
    unit: Unit,
    *checks: str,
    generator: type[SyncedGenerator] = SyncedGenerator,
    unplugged: bool = False,
) -> Iterator[tuple[Path, Path, SyncedScope]]:
    """A job, the file of a bench for it, and its scope."""
    job = job_in(folder / "job", *checks, of=JOB, states=["insert"])
    view_one_port(job)
    (folder / "mine.toml").write_text(profile_text("preamble-oscilloscope", TWO_INPUTS), encoding="utf-8")
    scope = SyncedScope()
    scope.unplugged = unplugged
    bench = ForeignBench(unit, scope=synced_at_bench(scope, at_bench(scope)), generator=generator)
    with bench:
        file = bench.write(folder / "bench.toml", scope_profile="mine")
        edit(file, "[oscilloscope]", "[oscilloscope]\nsync_connected = true")
        yield job, file, scope
        assert bench.is_safe()


def run(
    capsys: pytest.CaptureFixture[str],
    folder: Path,
    unit: Unit,
    *checks: str,
    generator: type[SyncedGenerator] = SyncedGenerator,
    unplugged: bool = False,
) -> Ran:
    records = str(folder / "records.sqlite")
    with bench_of(folder, unit, *checks, generator=generator, unplugged=unplugged) as (job, file, scope):
        printed = switchwalk(
            capsys, "run", str(job), "--serial", "F-1", "--bench", str(file), "--records", records
        )
    shown = switchwalk(capsys, "show", "1", "--json", "--records", records)
    readings = json.loads(shown.out)["readings"] if shown.code in (0, 1, 3) and shown.out else []
    return Ran(printed=printed, readings=readings, late_s=scope.counted_late_s)


def hand_made_phase_deg(unit: Unit, channel: str, frequency_hz: float) -> float:
    """Of an output against its input, with the relay K1 or K4 and K2 or K5 as in the state `insert`."""
    at = {relay: "operated" if line == "insert" else "released" for relay, line in RELAYS.items()}
    shown = []
    for select in VIEWS[channel]:
        h = volts(unit, at, wiring(frozenset({select, 14}), unit), (True, True), frequency_hz)
        shown.append((h[:2, 0] - h[:2, 1]) / 2)
    return phase_deg(shown[0], shown[1])


CHECKS = (
    check_of("phase", within="5 deg"),
    check_of("phase", name="Phase, 4 kHz", frequency="4 kHz", within="15 deg"),
    check_of("phase", name="Phase, 10 kHz", frequency="10 kHz", within="30 deg"),
    check_of("channel_phase_difference", within="5 deg"),
    check_of("gain", within="0.3 dB"),
)


def test_the_phases_are_those_of_the_circuit(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    unit = Unit()
    ran = run(capsys, tmp_path, unit, *CHECKS)
    assert ran.printed.code == 0, ran.printed.out + ran.printed.err
    assert np.ptp(ran.late_s) > 2e-6  # of 3.1 us: the trigger really was somewhere between two samples
    phases = [each for each in ran.readings if each["quantity"] == "phase"]
    assert len(phases) == 6
    for phase in phases:
        channel = phase["channel"]
        truth = hand_made_phase_deg(unit, channel, phase["frequency_hz"])
        assert abs(phase["value"] - truth) < 3 * phase["standard"]
        (line,) = [each for each in phase["budget"] if each["name"] == "trigger"]
        # Closed form: the limit is one sample, 0.1 s / 32 000, of each of four records that count half.
        assert line["standard"] == pytest.approx(
            360 * phase["frequency_hz"] * 3.125e-6 / np.sqrt(3), rel=0.03
        )
    (difference,) = [each for each in ran.readings if each["quantity"] == "channel_phase_difference"]
    left, right = (hand_made_phase_deg(unit, channel, 1e3) for channel in ("left", "right"))
    assert abs(difference["value"] - (right - left)) < 3 * difference["standard"]
    (line,) = [each for each in difference["budget"] if each["name"] == "trigger"]
    assert line["standard"] == pytest.approx(np.sqrt(2) * 360 * 1e3 * 3.125e-6 / np.sqrt(3), rel=0.03)


def test_legs_that_are_exchanged_behind_the_output_fail(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    ran = run(capsys, tmp_path, Unit(swapped_out="left"), *CHECKS)
    assert ran.printed.code == 1, ran.printed.out + ran.printed.err
    verdicts = {(each["quantity"], each["channel"]): each["verdict"] for each in ran.readings}
    assert verdicts["phase", "left"] == "fail"
    assert verdicts["phase", "right"] == "pass"
    assert verdicts["channel_phase_difference", "right"] == "fail"
    (left,) = [each for each in ran.readings if each["check"] == "Phase" and each["channel"] == "left"]
    assert abs(abs(left["value"]) - 180.0) < 3 * left["standard"]


@pytest.mark.parametrize(
    ("unplugged", "generator", "message"),
    [
        (True, SyncedGenerator, "waits for the generator's sync"),
        (False, OneOutputsSync, "records that begin at the generator's sync differ by"),
    ],
    ids=["no cable", "another sync"],
)
def test_the_unit_is_not_blamed_for_a_sync_that_is_not_there(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    unplugged: bool,
    generator: type[SyncedGenerator],
    message: str,
) -> None:
    ran = run(capsys, tmp_path, Unit(), *CHECKS, generator=generator, unplugged=unplugged)
    assert ran.printed.code == 4, ran.printed.out + ran.printed.err
    assert message in " ".join((ran.printed.out + ran.printed.err).split())
    assert not [each for each in ran.readings if each["quantity"] == "phase"]


@pytest.mark.parametrize(
    ("unplugged", "generator", "message"),
    [
        (False, SyncedGenerator, "its sync starts records at one phase"),
        (True, SyncedGenerator, "waits for the generator's sync"),
        (False, OneOutputsSync, "records that begin at the generator's sync differ by"),
    ],
    ids=["as it must be", "no cable", "another sync"],
)
def test_the_bench_check_tries_the_sync(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    unplugged: bool,
    generator: type[SyncedGenerator],
    message: str,
) -> None:
    with bench_of(tmp_path, Unit(), *CHECKS, generator=generator, unplugged=unplugged) as (job, file, _):
        printed = switchwalk(capsys, "bench", str(job), "--bench", str(file))
    ready = not unplugged and generator is SyncedGenerator
    assert printed.code == (0 if ready else 4), printed.out + printed.err
    assert message in " ".join((printed.out + printed.err).split())
