"""What the drivers add to a bare wire, session and oscilloscope: ratios, medians of runs that alternate.

Run it as `python benchmarks/wire.py`. The instrument is a process of its own on loopback.
"""

import itertools
import multiprocessing
import socket
import statistics
import sys
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
import pyvisa

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from drivers.profile import OscilloscopeProfile, load_profile
from drivers.scope.oscilloscope import ScpiOscilloscope
from drivers.session import Session
from harness.roles import CaptureSetting, InputSetting

POINTS = 1_000_000
QUERIES = 2000
ROUNDS = 9
RAW = np.random.default_rng(20261125).integers(0, 256, POINTS, dtype=np.uint8).tobytes()
BLOCK = b"#7%07d" % POINTS + RAW + b"\n"
OTHER = b"#7%07d" % POINTS + RAW[::-1] + b"\n"  # in turn: a scope that sends one record twice is refused
INTERVAL_S, STEP_V, MIDDLE = 1e-6, 0.04, 128
PREAMBLE = f"0,0,{POINTS},1,{INTERVAL_S},-0.5,0,{STEP_V},0,{MIDDLE}".encode()
SETTING = CaptureSetting(
    inputs={1: InputSetting(volts_per_division=1.0)}, duration_s=POINTS * INTERVAL_S, samples=POINTS
)


def serve(pipe: Connection) -> None:
    """One instrument that knows two questions; each connection is served until it closes."""
    import threading

    with socket.create_server(("127.0.0.1", 0)) as listener:
        pipe.send(listener.getsockname()[1])
        while True:
            link, _ = listener.accept()
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            threading.Thread(target=answer, args=(link,), daemon=True).start()


def answer(link: socket.socket) -> None:
    known = {b"*IDN": b"Bench,Mark,1,1", b"*OPC": b"1", b"PRE": PREAMBLE, b"ERR": b'0,"No error"'}
    blocks = itertools.cycle([BLOCK, OTHER])
    with link, link.makefile("rb") as lines:
        for line in lines:
            if b"DATA" in line:
                link.sendall(next(blocks))
            elif b"?" in line:
                link.sendall(next(known[word] for word in known if word in line.upper()) + b"\n")


def bare_block(link: socket.socket) -> np.ndarray:
    """The least that can be done: header, then exactly the bytes, into one buffer."""
    link.sendall(b":WAVeform:DATA?\n")
    header = link.recv(9, socket.MSG_WAITALL)
    data = bytearray(int(header[2:]) + 1)
    view, have = memoryview(data), 0
    while have < len(data):
        have += link.recv_into(view[have:])
    return np.frombuffer(data, dtype=np.uint8)[:-1]


def bare_volts(link: socket.socket) -> np.ndarray:
    """A whole record in volts, by the same questions and the least arithmetic."""
    for text in (b":SINGle\n*OPC?\n", b":WAVeform:SOURce CHANnel1\n:WAVeform:PREamble?\n"):
        link.sendall(text)
        link.recv(256)
    volts = (bare_block(link).astype(np.float64) - MIDDLE) * STEP_V
    link.sendall(b"SYSTem:ERRor?\n")
    link.recv(256)
    return volts


def timed(action: Callable[[], object]) -> float:
    begun = time.perf_counter()
    action()
    return time.perf_counter() - begun


def medians(actions: dict[str, Callable[[], object]], rounds: int) -> dict[str, float]:
    """Median time of each, all of them once a round so that the machine's moods hit all alike."""
    times: dict[str, list[float]] = {name: [] for name in actions}
    for _ in range(rounds):
        for name, action in actions.items():
            times[name].append(timed(action))
    return {name: statistics.median(values) for name, values in times.items()}


def main() -> None:
    ours, theirs = multiprocessing.Pipe()
    server = multiprocessing.get_context("spawn").Process(target=serve, args=(theirs,), daemon=True)
    server.start()
    port = ours.recv()
    address = f"TCPIP::127.0.0.1::{port}::SOCKET"
    session = Session(address, instrument="benchmark")
    resource = pyvisa.ResourceManager("@py").open_resource(
        address, read_termination="\n", write_termination="\n", timeout=5000
    )
    assert isinstance(resource, pyvisa.resources.MessageBasedResource)
    bare = socket.create_connection(("127.0.0.1", port))
    bare.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def session_queries() -> None:
        for _ in range(QUERIES):
            session.query("SYSTem:ERRor?")

    def visa_queries() -> None:
        for _ in range(QUERIES):
            resource.query("SYSTem:ERRor?")

    def session_block() -> np.ndarray:
        return np.frombuffer(session.query_block(":WAVeform:DATA?", expected=POINTS), dtype=np.uint8)

    def visa_block() -> np.ndarray:
        return np.asarray(resource.query_binary_values(":WAVeform:DATA?", datatype="B", container=list))

    for block in (session_block, visa_block, lambda: bare_block(bare)):
        if not np.array_equal(block(), np.frombuffer(RAW, dtype=np.uint8)):
            raise SystemExit("a block came out wrong")
    profile = load_profile("preamble-oscilloscope", role="oscilloscope", folder=Path())
    if not isinstance(profile, OscilloscopeProfile):
        raise SystemExit("no profile of a scope")
    scope_session = Session(address, instrument="benchmark")
    scope = ScpiOscilloscope(scope_session, profile, profile_name="preamble-oscilloscope")
    if not np.array_equal(scope.capture(SETTING).volts[0], bare_volts(bare)[::-1]):
        raise SystemExit("a record came out wrong")
    query = medians({"session": session_queries, "visa": visa_queries}, ROUNDS)
    block_s = medians(
        {"session": session_block, "visa": visa_block, "socket": lambda: bare_block(bare)}, 3 * ROUNDS
    )
    session_us, visa_us = (1e6 * query[name] / QUERIES for name in ("session", "visa"))
    print(f"query: session {session_us:.0f} µs, PyVISA {visa_us:.0f} µs")
    print(f"  session / PyVISA                      {session_us / visa_us:6.2f}   (at most 1.5)")
    print(
        f"1 M points: session {1e3 * block_s['session']:.2f} ms, query_binary_values "
        f"{1e3 * block_s['visa']:.1f} ms, bare socket {1e3 * block_s['socket']:.2f} ms"
    )
    print(
        f"  query_binary_values / session         {block_s['visa'] / block_s['session']:6.1f}   (at least 10)"
    )
    print(
        f"  session / bare socket                 {block_s['session'] / block_s['socket']:6.2f}   (at most 4)"
    )
    record_s = medians(
        {
            "scope": lambda: scope.capture(SETTING),
            "volts": lambda: bare_volts(bare),
            "socket": lambda: bare_block(bare),
        },
        3 * ROUNDS,
    )
    print(
        f"1 M points in volts: oscilloscope {1e3 * record_s['scope']:.2f} ms, bare socket and numpy "
        f"{1e3 * record_s['volts']:.2f} ms, bare socket alone {1e3 * record_s['socket']:.2f} ms"
    )
    share = record_s["volts"] / record_s["scope"]
    print(f"  bare socket and numpy / oscilloscope  {share:6.2f}   (at least 0.5)")
    scope_session.close()
    session.close()
    resource.close()
    bare.close()
    server.terminate()


if __name__ == "__main__":
    main()
