"""Whole runs of the line selector on a simulated bench: a good unit passes, faults are named."""

import json
from pathlib import Path

import pytest

from harness.reading import Reading
from harness.records.store import open_records
from harness.session.open_bench import at_bench
from harness.session.planned_job import read_job
from harness.session.request.header import RunRequest
from harness.session.simulated import Simulation
from harness.session.unit_run import run_one_of_many
from tests.cli.commands import Printed, switchwalk
from tests.jobs import RELAY_CURRENT, check_of
from tests.known import known
from tests.latching.selector import SELECTOR, selector_in
from tests.wire.standing_bench import standing_bench

STATES = ("idle", "desk_on", "truck_on", "reserve_on+desk_on")
COILS = RESERVE_ON, RESERVE_OFF, DESK_ON, TRUCK_ON, CLEAR = range(1, 6)  # fixture.toml
LEVELS = check_of("gain", at=("desk", "truck"), within="0.2 dB", silent_ports_below="-80 dB")


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def run(
    capsys: pytest.CaptureFixture[str], job: Path, *more: str, speed: str = "20"
) -> tuple[Printed, tuple[Reading, ...]]:
    printed = switchwalk(
        capsys, "run", str(job), "--serial", "OB-0501", "--simulate", "--speed", speed, *more
    )
    with open_records("switchwalk-records/records.sqlite", read_only=True) as store:
        return printed, tuple(store.readings(max(one.run_id for one in store.runs())))


def test_a_good_unit_passes_every_check(capsys: pytest.CaptureFixture[str]) -> None:
    printed, readings = run(capsys, SELECTOR)
    assert printed.code == 0, printed.out
    assert {reading.verdict for reading in readings} == {"pass"}
    drawn = {
        reading.key.measurand.state: known(reading.estimate).value
        for reading in readings
        if reading.key.measurand.quantity == "supply_current"
    }
    # module.toml and Ohm's law; a lot's coils differ by 3 % and among each other by half of that
    assert drawn["desk_on+truck_on"] == pytest.approx(0.003, rel=0.02)
    assert drawn["desk_on pulsed"] == pytest.approx(0.003 + 12 / 720, rel=0.06)
    assert drawn["clear pulsed"] == pytest.approx(0.003 + 2 * 12 / 720, rel=0.06)
    for reading in readings:
        if reading.key.measurand.quantity in ("operate_time", "release_time"):
            # from the pulse's edge: 0.35 to 0.7 of 4 ms, the simulator's own draw, and 3 % about it
            assert 1.3e-3 < known(reading.estimate).value < 2.9e-3


FAULTS = (
    "K2 set coil open",  # shares its reset line with K3
    "K2 set coil shorted",
    "K2.1.hot stuck operated",
)


@pytest.fixture(scope="module")
def tested(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The records of a unit with each of these faults, numbered as they are: one bench for all of them."""
    folder = tmp_path_factory.mktemp("faulty")
    job = read_job(selector_in(folder / "job", LEVELS, RELAY_CURRENT, states=STATES))
    with (
        open_records(folder / "records.sqlite") as store,
        at_bench(job, simulation=Simulation(speed=20.0)) as bench,
    ):
        for number, fault in enumerate(FAULTS, start=1):
            request = RunRequest(serial=f"OB-{number:04d}", faults=(fault,))
            bench.place_unit(request.serial, request.faults)
            assert run_one_of_many(bench, store, request).outcome == "fail"
    return folder / "records.sqlite"


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_of_a_latching_relay_fails_and_is_named(
    fault: str, tested: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    number = str(1 + FAULTS.index(fault))
    result = json.loads(switchwalk(capsys, "diagnose", number, "--json", "--records", str(tested)).out)
    named = [each["name"] for each in result["groups"][0]["faults"]]
    assert result["explained"]
    assert fault in named
    # with no other relay on its line, an open coil and a dead line are the same; else one thing alone
    relay, _, coil = fault.partition(" ")
    lines = {("K2", "set"): "desk_on"}
    dead = lines.get((relay, coil.removesuffix(" coil open")))
    assert set(named) == {fault, *([f"control line {dead} dead"] if dead else [])}


def test_a_slow_latching_relay_is_timed_from_its_pulse(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    checks = [
        check_of(quantity, at=("desk",), below=below)
        for quantity, below in (
            *(("operate_time", "4 ms"), ("release_time", "4 ms")),
            *(("bounce_time", "2 ms"), ("click_peak", "100 mV")),
        )
    ]
    job = selector_in(tmp_path / "job", *checks, states=["idle", "desk_on"])
    printed, readings = run(capsys, job, "--fault", "K2 slow to release", speed="10")
    assert printed.code == 1, printed.out
    failed = {
        (reading.key.measurand.quantity, reading.key.measurand.state)
        for reading in readings
        if reading.verdict == "fail"
    }
    assert failed == {("release_time", "desk_on > idle")}
    assert "most likely: K2 slow to release" in printed.out


def test_a_contact_that_comes_and_goes_is_found_by_set_and_reset_pulses(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    check = check_of("intermittency", at=("desk", "truck"), operations=12, below="30 %")
    job = selector_in(tmp_path / "job", check, states=["idle", "desk_on", "truck_on"])
    printed, readings = run(capsys, job, "--fault", "K3.1.hot operated intermittent 90 %")
    assert printed.code == 1, printed.out
    verdicts = {reading.key.measurand.state: reading.verdict for reading in readings}
    assert verdicts == {"desk_on": "pass", "truck_on": "fail"}


def test_one_coil_is_driven_at_a_time_long_enough_and_the_relays_are_left_reset(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """As the frames on the switchboard's wire say: A0, channel, 1 for closed, sum."""
    job = selector_in(tmp_path / "job", RELAY_CURRENT, states=["desk_on", "desk_on+truck_on+mute"])
    printed, _ = run(capsys, job, "--transcript", "wires.jsonl")
    assert printed.code == 0, printed.out
    closed: dict[int, float] = {}
    pulses: list[tuple[int, float]] = []
    for line in Path("wires.jsonl").read_text(encoding="utf-8").splitlines():
        sent = json.loads(line)
        frame = sent.get("bytes", "").encode().decode("unicode_escape").encode("latin-1")
        if (sent["instrument"], sent.get("direction"), frame[:1]) != ("switchboard", "out", b"\xa0"):
            continue
        channel, is_on = frame[1], frame[2] == 1
        if channel in COILS and is_on:
            assert not closed
            closed[channel] = sent["monotonic_s"]
        elif channel in closed:
            pulses.append((channel, sent["monotonic_s"] - closed.pop(channel)))
    assert len(pulses) > 15
    assert min(seconds for _, seconds in pulses) >= 0.008  # twice the 4 ms of module.toml
    assert [channel for channel, _ in pulses[-2:]] == [RESERVE_OFF, CLEAR]


def test_a_coil_that_the_relay_board_drives_on_is_the_benchs_fault(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The channel of a set line sticks: one coil, 16.7 mA, draws less than any over-current."""
    job = selector_in(tmp_path / "job", LEVELS, RELAY_CURRENT, states=STATES)
    with standing_bench(job, "--trouble", f"switchboard closed {DESK_ON} after 60") as bench:
        printed = switchwalk(capsys, "run", str(job), "--serial", "OB-0501", "--bench", str(bench.bench_file))
        assert printed.code == 4, printed.out
        assert "the switchboard did not open a channel" in " ".join(printed.err.split())
        assert bench.left_on("generator", "supply") == []


def test_after_a_fault_of_the_bench_the_relays_are_brought_to_their_state_anew(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    job = selector_in(tmp_path / "job", LEVELS, RELAY_CURRENT, states=["idle", "desk_on"])
    with standing_bench(job, "--trouble", "supply drop after 40") as bench:
        printed = switchwalk(capsys, "run", str(job), "--serial", "OB-0501", "--bench", str(bench.bench_file))
        assert "all instruments reopened" in " ".join(printed.out.split())
        assert printed.code == 0, printed.out
        assert bench.left_on() == []
