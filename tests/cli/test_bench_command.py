"""`switchwalk bench` and `switchwalk find` at a simulated bench: what is well, what is not, and why."""

import json
import socket
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from harness.cli.bench import likely_cause
from harness.errors import LinkLost
from tests.cli.commands import Printed, switchwalk
from tests.wire.standing_bench import StandingBench, standing_bench, tiny_job

PROFILES = Path(__file__).resolve().parents[2] / "drivers" / "profiles"


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tiny_job(tmp_path_factory.mktemp("bench_check"))


@pytest.fixture(scope="module")
def standing(job: Path) -> Iterator[StandingBench]:
    with standing_bench(job) as bench:
        yield bench


def looked_at(capsys: pytest.CaptureFixture[str], job: Path, bench_file: Path) -> dict[str, dict[str, Any]]:
    """Each thing that was checked, by its name; the exit code and the words agree with them."""
    printed = switchwalk(capsys, "bench", str(job), "--bench", str(bench_file), "--json")
    result = json.loads(printed.out)
    assert printed.code == (0 if result["ready"] else 4)
    assert result["ready"] == all(each["ok"] is not False for each in result["checked"])
    return {each["what"]: each for each in result["checked"]}


def changed(standing: StandingBench, folder: Path, before: str, after: str) -> Path:
    text = standing.bench_file.read_text(encoding="utf-8")
    assert before in text
    file = folder / "bench.toml"
    file.write_text(text.replace(before, after, 1), encoding="utf-8")
    return file


def not_ok(result: dict[str, dict[str, Any]]) -> list[str]:
    return [what for what, each in result.items() if each["ok"] is False]


def test_a_bench_that_is_well_is_ready_and_left_off(
    capsys: pytest.CaptureFixture[str], job: Path, standing: StandingBench
) -> None:
    result = looked_at(capsys, job, standing.bench_file)
    assert list(result) == [
        "generator",
        "switchboard",
        "supply",
        "oscilloscope",
        "through",
        "swapped through",
    ]
    assert all(each["ok"] for each in result.values())
    assert "12 V set, 12.0" in result["supply"]["message"] or "12 V set, 11.9" in result["supply"]["message"]
    assert "15 channels closed one by one and opened, each read back" in result["switchboard"]["message"]
    assert standing.left_on() == []


@pytest.mark.parametrize(
    ("before", "after", "role", "cause"),
    [
        ('profile = "scpi-generator"', 'profile = "scpi-supply"', "generator", "the profile named"),
        ('profile = "scpi-supply"', 'profile = "scpi-suply"', "supply", "the profile named"),
        (
            'profile = "preamble-oscilloscope"', 'profile = "preamble-oscilloscope"\nidentity = "XYZ"',
            "oscilloscope", "the address is another instrument's",
        ),
        ("output = 1", "output = 3", "supply", "it refuses a value or a setting"),
    ],
)  # fmt: skip
def test_what_the_bench_file_says_wrongly_is_named_and_hides_nothing_of_the_others(
    capsys: pytest.CaptureFixture[str],
    job: Path,
    standing: StandingBench,
    tmp_path: Path,
    before: str,
    after: str,
    role: str,
    cause: str,
) -> None:
    result = looked_at(capsys, job, changed(standing, tmp_path, before, after))
    assert not_ok(result) == [role]
    assert result[role]["cause"].startswith(cause)
    assert standing.left_on() == []


def test_a_profile_whose_commands_an_instrument_does_not_know_is_told(
    capsys: pytest.CaptureFixture[str], job: Path, standing: StandingBench, tmp_path: Path
) -> None:
    text = (PROFILES / "scpi-generator.toml").read_text(encoding="utf-8")
    own = text.replace("FREQuency", "FREKuency")
    assert own != text
    (tmp_path / "my-generator.toml").write_text(own, encoding="utf-8")
    bench_file = changed(standing, tmp_path, '"scpi-generator"', '"my-generator"')
    result = looked_at(capsys, job, bench_file)
    assert not_ok(result) == ["generator"]
    assert "does not know a command of 'my-generator'" in result["generator"]["cause"]
    assert result["through"]["ok"] is None
    assert standing.left_on() == []


def test_an_instrument_that_does_not_answer_is_told_with_what_to_look_at(
    capsys: pytest.CaptureFixture[str], job: Path, standing: StandingBench
) -> None:
    standing.trouble("oscilloscope mute always")
    result = looked_at(capsys, job, standing.bench_file)
    standing.trouble("none")
    assert not_ok(result) == ["oscilloscope"]
    assert "takes the connection and says nothing" in result["oscilloscope"]["cause"]
    assert standing.left_on() == []


def test_an_address_where_nothing_listens_is_told(
    capsys: pytest.CaptureFixture[str], job: Path, standing: StandingBench, tmp_path: Path
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as closing:
        free = closing.getsockname()[1]
    bench_file = changed(standing, tmp_path, standing.ready["generator"], f"TCPIP::127.0.0.1::{free}::SOCKET")
    result = looked_at(capsys, job, bench_file)
    assert not_ok(result) == ["generator"]
    assert result["generator"]["cause"].startswith("the address or the port is another, it is switched off")


@contextmanager
def answering(answer: bytes) -> Iterator[int]:
    """A peer that gives the same answer to whatever it is sent; gives its port."""

    def serve() -> None:
        while True:
            try:
                link, _ = server.accept()
            except OSError:
                return
            with link:
                while link.recv(1024):
                    link.sendall(answer)

    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield server.getsockname()[1]
        server.shutdown(socket.SHUT_RDWR)
    thread.join(5)


@pytest.mark.parametrize(
    ("answer", "cause"),
    [
        (b"Ferncastle Instruments,FG2,1,1.0\r", "the termination: it ends its answers with something else"),
        (b"HTTP/1.1 400 Bad Request\r\n", "what answers here is not the kind of instrument"),
    ],
)
def test_answers_that_are_none_are_told_by_what_is_odd_about_them(
    capsys: pytest.CaptureFixture[str],
    job: Path,
    standing: StandingBench,
    tmp_path: Path,
    answer: bytes,
    cause: str,
) -> None:
    with answering(answer) as port:
        bench_file = changed(
            standing, tmp_path, standing.ready["supply"], f"TCPIP::127.0.0.1::{port}::SOCKET"
        )
        result = looked_at(capsys, job, bench_file)
    assert not_ok(result) == ["supply"]
    assert result["supply"]["cause"].startswith(cause)


@pytest.mark.skipif(sys.platform == "win32", reason="there are no ptys")
def test_a_serial_port_that_another_program_holds_is_told(
    capsys: pytest.CaptureFixture[str], job: Path
) -> None:
    import serial

    with (
        standing_bench(job, switchboard="frame") as standing,
        serial.Serial(standing.ready["switchboard"], exclusive=True),
    ):
        result = looked_at(capsys, job, standing.bench_file)
    assert not_ok(result) == ["switchboard"]
    assert result["switchboard"]["cause"].startswith("another program holds it")
    assert "not switched on, as the switchboard is not known to be open" in result["supply"]["message"]


@pytest.mark.skipif(sys.platform == "win32", reason="device files have no groups there")
def test_a_device_file_without_permission_is_told_with_the_group_that_has_it(tmp_path: Path) -> None:
    error = LinkLost("no connection", instrument="switchboard", address="/dev/null")
    error.__cause__ = PermissionError(13, "Permission denied", "/dev/null")
    group = Path("/dev/null").group()
    message = likely_cause(error, address="ASRL/dev/null::INSTR", profile="frame-switchboard")
    assert message == (
        f"no permission on the device file /dev/null: join its group {group!r} and log in again"
    )


def test_the_simulated_bench_is_ready_and_says_so_within_80_columns(
    capsys: pytest.CaptureFixture[str], job: Path
) -> None:
    printed = switchwalk(capsys, "bench", str(job), "--simulate", "--speed", "20")
    assert printed.code == 0
    assert max(map(len, printed.out.splitlines())) <= 80
    cautions, *lines = printed.out.split("Local codes and licensed practice come first.\n")
    assert "Supply off before you plug or unplug anything" in " ".join(cautions.split())
    lines = lines[0].splitlines()
    assert lines[0].startswith("OK      generator     Ferncastle Instruments,FG2,")
    assert lines[-1] == "Simulated bench is ready; everything that was opened is off"


# -- find ----------------------------------------------------------------------------------------------


def found_at(capsys: pytest.CaptureFixture[str], *hosts: str, code: int = 0) -> list[dict[str, str]]:
    options = [part for host in hosts for part in ("--host", host)]
    printed = switchwalk(capsys, "find", "--json", *options)
    assert printed.code == code
    return [each for each in json.loads(printed.out)["seen"] if each["wire"] == "network"]


def test_find_asks_the_addresses_that_are_given_and_gives_what_bench_toml_wants(
    capsys: pytest.CaptureFixture[str], standing: StandingBench
) -> None:
    hosts = [standing.ready[role].split("::")[1:3] for role in ("generator", "supply")]
    generator, supply = found_at(capsys, *(":".join(host) for host in hosts))
    assert generator["address"] == standing.ready["generator"]
    assert generator["what"].startswith("Ferncastle Instruments,FG2")
    assert supply["what"].startswith("Ferncastle Instruments,PS32")


def test_find_says_what_does_not_answer(capsys: pytest.CaptureFixture[str]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as closing:
        free = closing.getsockname()[1]
    (seen,) = found_at(capsys, f"127.0.0.1:{free}", code=4)
    assert "no connection" in seen["trouble"]
    assert "bench file" not in seen["trouble"]  # none was named


def test_find_asks_nobody_unasked(capsys: pytest.CaptureFixture[str]) -> None:
    assert found_at(capsys) == []


@pytest.mark.parametrize("host", ["127.0.0.1:99999", "http://127.0.0.1:80", "/dev/ttyUSB0"])
def test_find_refuses_what_is_no_host_and_port(capsys: pytest.CaptureFixture[str], host: str) -> None:
    printed: Printed = switchwalk(capsys, "find", "--host", host)
    assert printed.code == 2
    assert "expected HOST, HOST:PORT" in " ".join(printed.err.split())
