"""Bench troubles and the control port, as a program at the other end sees them."""

import socket
import time
from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import UsageError
from simulator.troubles import Trouble, parse_trouble
from tests.simulator.conftest import Bench


def let(bench: Bench, trouble: str) -> None:
    assert bench.hand(trouble=trouble) == {"ok": True}


def test_a_late_answer_comes_late_and_whole(bench: Bench) -> None:
    let(bench, "generator late 150 ms")
    began = time.monotonic()
    assert bench.generator.query("SOUR1:FREQ?") == "+1.000000000E+03"
    assert time.monotonic() - began >= 0.15
    began = time.monotonic()
    bench.generator.query("SOUR1:FREQ?")
    assert time.monotonic() - began < 0.15


def test_half_an_answer_is_followed_by_the_other_half(bench: Bench) -> None:
    let(bench, "generator half 100 ms")
    bench.generator.write("SOUR1:FREQ?")
    assert bench.generator.raw(8) == b"+1.00000"
    assert bench.generator.read() == "0000E+03"


def test_a_mute_instrument_says_nothing_once(bench: Bench) -> None:
    let(bench, "supply mute")
    bench.supply.socket.settimeout(0.1)
    bench.supply.write("*STB?")
    with pytest.raises(TimeoutError):
        bench.supply.socket.recv(1)
    bench.supply.socket.settimeout(5)
    bench.supply.socket.sendall(b"VOLT?\n")
    assert bench.supply.socket.recv(64) == b"+0.000000000E+00\n"


def test_the_connection_drops_after_so_many_answers(bench: Bench, open_line: Callable[..., Any]) -> None:
    let(bench, "oscilloscope drop after 3")
    for _ in range(3):
        assert bench.scope.query("*TST?") == "0"
    assert bench.scope.query("*TST?") == ""
    again = open_line(bench.addresses.oscilloscope)
    assert again.query("*TST?") == "0"


def test_refusing_ends_and_refuses_connections(bench: Bench) -> None:
    assert bench.supply.query("*TST?") == "0"
    let(bench, "supply refuse")
    assert bench.supply.raw(1) == b""
    port = int(bench.addresses.supply.split("::")[2])
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=2)


def test_a_garbled_block_has_no_count(bench: Bench) -> None:
    bench.capture(1.0, points=1000)
    let(bench, "oscilloscope garble")
    bench.scope.write(":WAV:DATA?")
    assert bench.scope.raw(2) == b"#x"


def test_a_short_block_lacks_bytes(bench: Bench) -> None:
    bench.capture(1.0, points=1000)
    let(bench, "oscilloscope short")
    bench.scope.write(":WAV:DATA?")
    bench.scope.socket.settimeout(0.2)
    received = b""
    while not received.endswith(b"\n") or len(received) < 900:
        received += bench.scope.socket.recv(4096)
    with pytest.raises(TimeoutError):
        bench.scope.socket.recv(1)
    assert received.startswith(b"#41000")
    assert len(received) == 6 + 1000 + 1 - 7


def test_an_error_is_pushed_into_the_queue(bench: Bench) -> None:
    let(bench, "generator error -221")
    assert bench.generator.errors() == [-221]


def test_rubbish_is_no_number(bench: Bench) -> None:
    let(bench, "supply rubbish")
    bench.supply.write("MEAS:VOLT?")
    assert b"\xff" in bench.supply.raw(8)


def test_always_lasts_until_none(bench: Bench) -> None:
    let(bench, "supply rubbish always")
    for _ in range(3):
        bench.supply.write("MEAS:VOLT?")
        assert bench.supply.socket.recv(64).startswith(b"\xff")
    let(bench, "none")
    bench.supply.write("VOLT?")
    assert bench.supply.socket.recv(64) == b"+0.000000000E+00\n"


@pytest.mark.parametrize(
    ("text", "trouble"),
    [
        ("oscilloscope drop after 20", Trouble(who="oscilloscope", kind="drop", after=20)),
        ("switchboard late 800 ms", Trouble(who="switchboard", kind="late", value=800)),
        ("generator error -221 after 2", Trouble(who="generator", kind="error", value=-221, after=2)),
        ("supply mute always", Trouble(who="supply", kind="mute", always=True)),
    ],
)
def test_a_trouble_reads_as_it_is_written(text: str, trouble: Trouble) -> None:
    assert parse_trouble(text) == trouble


@pytest.mark.parametrize("text", ["", "kettle late 3", "supply late", "supply mute 3", "supply explode"])
def test_an_unknown_trouble_is_refused_with_what_there_is(text: str) -> None:
    with pytest.raises(UsageError, match=r"expected INSTRUMENT|takes"):
        parse_trouble(text)


@pytest.mark.parametrize(
    ("request_", "message"),
    [
        ({"unit": "S2", "faults": ["K9 explodes"]}, "no such fault"),
        ({"unit": 3}, "expected a text"),
        ({"setup": "nowhere"}, "expected one of 'through', 'outputs', 'by hand'"),
        ({"trouble": "tea"}, "expected INSTRUMENT"),
        ({"what": "do you see"}, "expected one of unit, empty, setup, wires, trouble, quit"),
    ],
)
def test_the_control_port_says_what_it_did_not_understand(
    bench: Bench, request_: dict[str, int | list[str] | str | str], message: str
) -> None:
    answer = bench.hand(**request_)
    assert answer["ok"] is False
    assert message in str(answer["error"])


def test_the_control_port_refuses_what_is_no_json(bench: Bench) -> None:
    assert "no line of JSON" in bench.control.query("quit")
