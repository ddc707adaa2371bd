"""What `switchwalk resume` goes on with and what it refuses; `verify` and `rejudge` on the same runs."""

import json
import socket
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import pytest

from harness.records.store import open_records
from tests.wire.standing_bench import TINY, Bench, kept, nursery, standing_bench, tiny_job

PART = "LMX-TLS"
HALF_WAY = (2, "killed after readings")  # of four groups of two readings each


@pytest.fixture
def bench(lasting_bench: Bench) -> Bench:
    return lasting_bench


def killed(bench: Bench, serial: str, *, groups: int = 2) -> int:
    """The number of a run that was killed with some of its readings there."""
    code, message = bench.nursery.run(*bench.run_arguments(serial), befalls=(groups, "killed after readings"))
    assert code == -9, message
    run, readings = kept(bench, serial)
    assert len(readings) == 2 * groups
    return run


def refused(bench: Bench, run: int, serial: str, *, code: int = 2) -> str:
    """Why a run is not resumed; it stays as it is."""
    before = kept(bench, serial)
    result, message = bench.nursery.run(*bench.resume_arguments(run, serial))
    assert result == code, message
    assert kept(bench, serial)[1] == before[1]
    assert bench.standing.left_on() == []
    return message


def test_a_run_goes_on_and_says_so_in_its_record(bench: Bench) -> None:
    run = killed(bench, "GOES-ON", groups=3)  # in the second of two setups
    with open_records(bench.records, read_only=True) as store:
        assert store.run(run).outcome == "interrupted"
        references = len(store.references(run))
        # Of the setup that it came to the end of: each control line alone, then loop_a in it.
        assert store.operations(serial="GOES-ON")[PART, "GOES-ON", True]["K1"] == 2
    code, message = bench.nursery.run(*bench.resume_arguments(run, "GOES-ON"))
    assert code == 0, message
    with open_records(bench.records, read_only=True) as store:
        assert store.run(run).outcome == "pass"
        assert len(store.references(run)) == references + 1  # a new one was taken
        kinds = [event.kind for event in store.events(run) if event.kind != "relays"]
        assert kinds == ["currents", "resumed", "ended"]
        # And each control line alone once more; what is left of the second setup is released.
        assert store.operations(serial="GOES-ON")[PART, "GOES-ON", True]["K1"] == 3
    assert "there is nothing to continue" in refused(bench, run, "GOES-ON")


def test_what_was_commanded_read_back_and_proven_of_relays_is_shown(bench: Bench, passed: int) -> None:
    """Of each relay its operations; of the unit those of all its runs."""
    place = ("--records", str(bench.records))
    code, message = bench.nursery.run("show", str(passed), "--json", *place)
    assert code == 0, message
    relays = json.loads(message)["relays"]
    by_line = {"loop_a": ("K1", "K6"), "loop_b": ("K2", "K7")}
    for names in by_line.values():
        assert len({relays["operations"][name] for name in names}) == 1, "two relays on one line"
    # Each line alone; then loop_a, which stays on from one setup to the next.
    assert relays["operations"]["K1"] == 2
    assert relays["operations"]["K2"] == 1
    assert relays["read_back"] is True
    assert relays["control_currents_a"]["loop_a"] > relays["control_currents_a"]["idle"] > 0.0
    assert relays["contact_readings"] == {"pass": 4}
    code, message = bench.nursery.run(*bench.run_arguments("PASSED"), "--again", "anew")
    assert code == 0, message
    code, message = bench.nursery.run("show", str(passed), *place)
    assert "K1 2 of 4" in message
    assert "by the switchboard, after every change" in message


def test_another_serial_number_is_refused(bench: Bench) -> None:
    run = killed(bench, "SERIAL")
    code, message = bench.nursery.run(*bench.resume_arguments(run, "OTHER"))
    assert code == 2
    assert "the run is of unit SERIAL, and --serial says OTHER" in message
    code, message = bench.nursery.run("resume", str(run), "--records", str(bench.records))
    assert code == 2
    assert "name the unit in the fixture with --serial" in message


def test_another_unit_is_refused_by_what_it_draws(bench: Bench) -> None:
    run = killed(bench, "DRAWS")
    bench.standing.by_hand(unit="SIM-2", faults=["K1 coil open"])
    message = refused(bench, run, "DRAWS")
    assert "a different or changed unit: in loop_a it draws" in message
    bench.standing.by_hand(unit="SIM-1", faults=[])
    code, message = bench.nursery.run(*bench.resume_arguments(run, "DRAWS"))
    assert code == 0, message


@pytest.mark.parametrize("name", ["module.toml", "fixture.toml", "sequence.toml", "standing_bench.toml"])
def test_files_that_were_changed_are_refused_by_name(bench: Bench, name: str) -> None:
    run = killed(bench, f"FILE {name}")
    path = bench.standing.bench_file if "bench" in name else bench.job / name
    before = path.read_bytes()
    path.write_bytes(before + b"# a remark\n")
    try:
        message = refused(bench, run, f"FILE {name}")
    finally:
        path.write_bytes(before)
    assert f"{name} in {bench.job} was changed since the run began" in message


@contextmanager
def forwarder() -> Iterator[tuple[int, list[int]]]:
    """A port of this computer that leads to another one; which, can be changed."""
    target: list[int] = []
    listener = socket.create_server(("127.0.0.1", 0))

    def pump(source: socket.socket, sink: socket.socket) -> None:
        with suppress(OSError):
            while data := source.recv(65536):
                sink.sendall(data)
        for end in (source, sink):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def serve() -> None:
        with suppress(OSError):
            while True:
                here, _ = listener.accept()
                there = socket.create_connection(("127.0.0.1", target[0]))
                ways = [
                    threading.Thread(target=pump, args=ends, daemon=True)
                    for ends in ((here, there), (there, here))
                ]
                for way in ways:
                    way.start()
                for way in ways:
                    way.join()
                here.close()
                there.close()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield listener.getsockname()[1], target
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join(5)


def test_another_instrument_at_the_same_address_is_refused(tmp_path: Path) -> None:
    job = tiny_job(tmp_path)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    with (
        standing_bench(tiny_job(elsewhere), "--bench-seed", "2") as other,
        standing_bench(job) as standing,
        nursery(tmp_path) as own,
        forwarder() as (port, target),
    ):
        address = str(standing.ready["generator"])
        text = standing.bench_file.read_text("utf-8")
        standing.bench_file.write_text(text.replace(address, f"TCPIP::127.0.0.1::{port}::SOCKET"), "utf-8")
        bench = Bench(tmp_path, job, standing, own)
        target.append(int(address.split("::")[2]))
        run = killed(bench, "IDENTITY")
        target[0] = int(str(other.ready["generator"]).split("::")[2])
        message = refused_by_identity(bench, run)
        assert "SIM0001" in message
        assert "SIM0002" in message
        target[0] = int(address.split("::")[2])
        code, message = own.run(*bench.resume_arguments(run, "IDENTITY"))
        assert code == 0, message


def refused_by_identity(bench: Bench, run: int) -> str:
    code, message = bench.nursery.run(*bench.resume_arguments(run, "IDENTITY"))
    assert code == 4, message
    assert "Put the same instrument back, or start a new run" in message
    return message


def test_a_simulated_run_is_resumed_with_its_faults(bench: Bench) -> None:
    place = ("--records", str(bench.records))
    arguments = ("run", str(bench.job), "--serial", "SIMULATED", "--simulate", "--speed", "20", *place)
    faulty = (*arguments, "--fault", "K1 never operates")
    code, message = bench.nursery.run(*faulty, befalls=HALF_WAY)
    assert code == -9, message
    run, _ = kept(bench, "SIMULATED")
    code, message = bench.nursery.run("resume", str(run), "--speed", "20", *place)
    assert code == 1, message
    assert len(kept(bench, "SIMULATED")[1]) == 8


@pytest.fixture(scope="module")
def passed(lasting_bench: Bench) -> int:
    code, message = lasting_bench.nursery.run(*lasting_bench.run_arguments("PASSED"))
    assert code == 0, message
    return kept(lasting_bench, "PASSED")[0]


@pytest.mark.parametrize(
    ("old", "new", "code", "now", "changed", "absent"),
    [
        ('within = "0.2 dB"', 'within = "0.5 dB"', 0, "pass", set(), 0),
        ('within = "0.2 dB"', 'within = "0.00001 dB"', None, None, {"gain"}, 0),
        ('within = "0.2 dB"', 'above = "-1 dB"', 1, "fail", {"gain"}, 0),
        ('within = "8 %"', 'below = "1 mA"', 1, "fail", {"supply_current"}, 0),
        ('between = ["-20 dB", "20 dB"]', 'within = "0.1 dB"', 0, "pass", set(), 0),
        ('"loop_a"]', '"loop_a", "swap"]', 3, "unproven", set(), 4),
        ('at = ["out"]\nwithin', 'at = ["out", "in"]\nwithin', 3, "unproven", set(), 4),
        ('"idle", "loop_a"', '"idle"', 0, "pass", set(), 0),
    ],
)
def test_kept_readings_are_judged_by_another_sequence(
    bench: Bench, passed: int, tmp_path: Path, old: str, new: str, code: int | None, now: str | None,
    changed: set[str], absent: int,
) -> None:  # fmt: skip
    assert old in TINY
    sequence = tmp_path / "sequence.toml"
    sequence.write_text(TINY.replace(old, new, 1), "utf-8")
    arguments = ("rejudge", str(passed), "--sequence", str(sequence), "--records", str(bench.records))
    result, message = bench.nursery.run(*arguments, "--json")
    judged = json.loads(message)
    if code is None:  # far inside the uncertainty: which of the two, chance says
        assert judged["now"] in ("unproven", "fail")
    else:
        assert (result, judged["now"]) == (code, now)
    assert judged["was"] == "pass"
    assert {one["now"]["quantity"] for one in judged["changed"]} == changed
    assert len(judged["absent"]) == absent
    with open_records(bench.records, read_only=True) as store:
        assert store.run(passed).outcome == "pass"
        assert store.verify(passed).findings == ()
    _, message = bench.nursery.run(*arguments)
    assert "its own verdict does not change: PASS" in message


def test_verify_says_which_run_was_meddled_with(bench: Bench, passed: int) -> None:
    arguments = ("verify", "--records", str(bench.records))
    code, message = bench.nursery.run(*arguments)
    assert code == 0, message
    noted = message.strip().rpartition(" ")[2]
    assert bench.nursery.run(*arguments, str(passed), "--expect", noted)[0] == 0
    with closing(sqlite3.connect(bench.records)) as database:
        database.execute("UPDATE readings SET reason = 'fine' WHERE run_id = ? AND unit = 'A'", (passed,))
        database.commit()
        code, message = bench.nursery.run(*arguments)
        assert code == 4
        assert f"run {passed}: reading " in message
        assert "is not what was recorded" in message
        code, message = bench.nursery.run(*arguments, "--json")
        result = json.loads(message)
        assert (result["intact"], {one["run_id"] for one in result["findings"]}) == (False, {passed})
        database.execute("UPDATE readings SET reason = '' WHERE run_id = ? AND unit = 'A'", (passed,))
        database.commit()


def test_a_run_at_the_addresses_of_a_simulator_is_recorded_as_simulated(bench: Bench, passed: int) -> None:
    """Its instruments' identities say so; the bench file that leads there is what `resume` needs."""
    with open_records(bench.records, read_only=True) as store:
        header = store.run(passed).header
    assert header.simulated
    assert not header.bench_started
    assert Path(header.bench_file) == bench.standing.bench_file.resolve()
    assert all(each.simulated for each in header.instruments if each.role != "switchboard")


def test_a_run_with_another_sequence_goes_on_with_it_and_not_with_a_changed_one(
    bench: Bench, tmp_path: Path
) -> None:
    other = tmp_path / "other.toml"
    other.write_text(TINY.replace("Tiny", "Another"), encoding="utf-8")
    begun = (*bench.run_arguments("OTHER"), "--sequence", str(other))
    code, message = bench.nursery.run(*begun, befalls=HALF_WAY)
    assert code == -9, message
    run, _ = kept(bench, "OTHER")
    other.write_text(TINY, encoding="utf-8")
    assert f"{other} was changed since the run began" in refused(bench, run, "OTHER")
    other.unlink()
    assert f"{other}: no such file" in refused(bench, run, "OTHER")
    other.write_text(TINY.replace("Tiny", "Another"), encoding="utf-8")
    code, message = bench.nursery.run(*bench.resume_arguments(run, "OTHER"))
    assert code == 0, message
    with open_records(bench.records, read_only=True) as store:
        assert store.run(run).outcome == "pass"
        assert store.run(run).header.sequence_name == "Another"


def test_a_shortest_run_that_was_killed_goes_on_with_its_own_steps(bench: Bench) -> None:
    code, message = bench.nursery.run(*bench.run_arguments("SHORT"), "--shortest", befalls=HALF_WAY)
    assert code == -9, message
    run, before = kept(bench, "SHORT")
    code, message = bench.nursery.run(*bench.resume_arguments(run, "SHORT"))
    assert code == 0, message
    with open_records(bench.records, read_only=True) as store:
        record = store.run(run)
        assert record.reason.startswith("shortest run: ")
        assert len(before) < len(store.readings(run)) == record.header.planned_readings
        assert [line.extent for line in store.lines(serial="SHORT")] == ["shortest"]
