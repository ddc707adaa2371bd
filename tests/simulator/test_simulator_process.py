"""The simulator as a process of its own: how it says where it is, and how it ends."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from harness.bench_file import load_bench
from tests.children import Started


@pytest.fixture
def process(job_folder: Any) -> Iterator[Callable[..., Any]]:
    """Starts `python -m simulator` on the small job; gives the process and what it said."""
    started = []

    def start(*options: str, begun_anew: bool = False) -> tuple[subprocess.Popen[str], str]:
        one = (Started if begun_anew else subprocess.Popen)(
            [sys.executable, "-m", "simulator", str(job_folder), *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        started.append(one)
        assert one.stdout is not None
        return one, one.stdout.readline()

    yield start
    for one in started:
        one.kill()
        one.wait()
        for pipe in (one.stdin, one.stdout, one.stderr):
            if pipe is not None:
                pipe.close()


def processor_s(pid: int) -> float:
    """What a process has used of the processors, as proc(5) has it."""
    user, system = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[11:13]
    return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")


@pytest.mark.skipif(sys.platform != "linux", reason="there is no /proc")
def test_it_says_where_it_is_in_one_line_and_soon(
    process: Callable[..., Any], open_line: Callable[..., Any]
) -> None:
    one, message = process("--serial", "P1", "--speed", "5", begun_anew=True)
    assert (
        processor_s(one.pid) < 3.0
    )  # alone under one; by the wall clock other tests may have both processors
    ready = json.loads(message)
    assert ready["serial"] == "P1"
    assert ready["speed"] == 5
    assert open_line(ready["generator"]).query("*IDN?").startswith("Ferncastle Instruments,")


def test_it_ends_when_its_input_closes(process: Callable[..., Any]) -> None:
    one, _ = process()
    one.stdin.close()
    assert one.wait(5) == 0
    assert one.stderr.read() == ""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGTERM to send")
def test_it_ends_on_sigterm(process: Callable[..., Any]) -> None:
    one, _ = process()
    one.send_signal(signal.SIGTERM)
    assert one.wait(5) == 0
    assert one.stderr.read() == ""


def test_it_ends_when_the_control_port_says_so(
    process: Callable[..., Any], open_line: Callable[..., Any]
) -> None:
    one, message = process()
    assert json.loads(open_line(json.loads(message)["control"]).query('{"quit": true}')) == {"ok": True}
    assert one.wait(5) == 0


@pytest.mark.parametrize("kind", ["frame", "text", "route", "modbus"])
def test_it_writes_a_bench_file_that_reads(process: Callable[..., Any], tmp_path: Path, kind: str) -> None:
    path = tmp_path / "bench.toml"
    _, message = process("--switchboard", kind, "--bench-file", str(path))
    bench = load_bench(path)
    ready = json.loads(message)
    assert bench.generator.address == ready["generator"]
    assert bench.switchboards[0].address == ready["switchboard"]
    assert bench.switchboards[0].profile == f"{kind}-switchboard"


@pytest.mark.parametrize(
    ("options", "message"),
    [(("--fault", "K9 open"), "no such fault"), (("--trouble", "tea"), "no such trouble")],
)
def test_a_wrong_wish_is_one_message_and_exit_code_2(
    process: Callable[..., Any], options: tuple[str, str], message: str
) -> None:
    one, line = process(*options)
    assert line == ""
    assert one.wait(5) == 2
    error = one.stderr.read()
    assert message in error
    assert "Traceback" not in error
