"""Nobody but this machine reaches the simulated bench, whatever it simulates."""

import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from tests.simulator.listeners import is_loopback, reachable_at

pytestmark = pytest.mark.skipif(not Path("/proc/net/tcp").exists(), reason="needs Linux's list of sockets")


def test_the_list_of_sockets_tells_the_whole_world_from_loopback() -> None:
    open_to_all, own, own_6 = (
        socket.create_server(("", 0)),
        socket.create_server(("127.0.0.1", 0)),
        socket.create_server(("::1", 0), family=socket.AF_INET6),
    )
    with open_to_all, own, own_6:
        result = reachable_at(os.getpid())
        assert ("0.0.0.0", open_to_all.getsockname()[1]) in result
        assert ("127.0.0.1", own.getsockname()[1]) in result
        assert ("::1", own_6.getsockname()[1]) in result
    assert [is_loopback(address) for address in ("0.0.0.0", "127.0.0.1", "::", "::1")] == [0, 1, 0, 1]


@pytest.mark.parametrize("kind", ["frame", "text", "route", "modbus"])
def test_every_socket_of_the_simulator_is_on_loopback(job_folder: Path, kind: str) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "simulator", str(job_folder), "--switchboard", kind],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        ready = json.loads(process.stdout.readline())
        result = reachable_at(process.pid)
        process.communicate()
    assert [address for address, _ in result if not is_loopback(address)] == []
    ports = {port for _, port in result}
    told = (ready[name] for name in ("generator", "oscilloscope", "supply", "switchboard_tcp", "control"))
    assert ports == {_port(address) for address in told}


def _port(address: str) -> int:
    return int(address.removesuffix("::SOCKET").replace("::", ":").rsplit(":", 1)[1])
