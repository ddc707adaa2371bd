"""A relay board that answers nothing and is late: no fault of the unit, and nothing to go on with after one.

The board is the simulator's; between it and the run stands a line that holds back what it carries.
"""

import queue
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from harness.records.store import open_records
from tests.wire.standing_bench import Bench, kept, nursery, smaller_job, standing_bench

LATE_S = 0.12  # sequence and board of the job settle within 35 ms
LINES = (1, 2, 3)  # channels of the unit's control lines; the others select a setup
FRAME = 4


@contextmanager
def late_line(to: tuple[str, int]) -> Iterator[str]:
    """A TCP address that hands frames on to a board, those for a control line so much later."""
    server = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        while True:
            try:
                client, _ = server.accept()
            except OSError:
                return
            threading.Thread(target=carry, args=(client,), daemon=True).start()

    def carry(client: socket.socket) -> None:
        prompt: queue.Queue[tuple[float, bytes]] = queue.Queue()
        late: queue.Queue[tuple[float, bytes]] = queue.Queue()
        for frames in (prompt, late):
            threading.Thread(target=hand_on, args=(frames,), daemon=True).start()
        with client, client.makefile("rb") as came:
            while frame := came.read(FRAME):
                if frame[1] in LINES:
                    late.put((time.monotonic() + LATE_S, frame))
                else:
                    prompt.put((0.0, frame))
        for frames in (prompt, late):
            frames.put((0.0, b""))

    def hand_on(frames: queue.Queue[tuple[float, bytes]]) -> None:
        with socket.create_connection(to) as board:
            while (item := frames.get())[1]:
                time.sleep(max(0.0, item[0] - time.monotonic()))
                board.sendall(item[1])

    threading.Thread(target=serve, daemon=True).start()
    yield "socket://127.0.0.1:" + str(server.getsockname()[1])
    server.close()


def test_a_late_board_is_not_the_units_fault_and_a_run_on_it_goes_on_after_a_fault(tmp_path: Path) -> None:
    job = smaller_job(tmp_path)
    with standing_bench(job, switchboard="frame") as standing, nursery(tmp_path) as made:
        place = standing.ready["switchboard_tcp"].removeprefix("socket://").rsplit(":", 1)
        with late_line((place[0], int(place[1]))) as address:
            file = standing.bench_file
            text = file.read_text(encoding="utf-8")
            file.write_text(text.replace(standing.ready["switchboard"], address), encoding="utf-8")
            bench = Bench(tmp_path, job, standing, made)
            standing.trouble("oscilloscope drop after 128")
            code, message = made.run(*bench.run_arguments("LATE"))
            assert code == 0, message
            run, readings = kept(bench, "LATE")
            assert [reading.verdict for reading in readings if reading.verdict != "pass"] == []
    with open_records(bench.records, read_only=True) as store:
        assert store.run(run).outcome == "pass"
        events = store.events(run)
    kinds = [event.kind for event in events]
    faults = [event.event for event in events if event.kind == "bench fault"]
    assert sum("oscilloscope" in str(fault) for fault in faults) == 1
    assert kinds.count("currents") == 1  # the control lines were proven anew, as the same unit's


@pytest.mark.parametrize("late_ms", [2150, 2400])
def test_an_answer_that_comes_while_the_board_is_reopened_does_not_end_the_run(
    tmp_path: Path, late_ms: int
) -> None:
    """The board is waited for during 2 s, and its answer comes after that."""
    job = smaller_job(tmp_path)
    with standing_bench(job, switchboard="text") as standing, nursery(tmp_path) as made:
        bench = Bench(tmp_path, job, standing, made)
        standing.trouble(f"switchboard late {late_ms} after 19")
        code, message = made.run(*bench.run_arguments("LATE"))
        assert code == 0, message
        assert standing.left_on("generator", "supply") == []
    run, _ = kept(bench, "LATE")
    with open_records(bench.records, read_only=True) as store:
        assert "bench fault" in [event.kind for event in store.events(run)]
