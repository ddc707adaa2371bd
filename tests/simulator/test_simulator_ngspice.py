"""The simulator's own solver against ngspice, on a shipped job with one serial number's values."""

import os
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.job.job import load_job
from simulator.circuit import GROUND, LEAK_S, Balanced, Element, Network, Parts, Source
from simulator.dynamics import OPERATED, RELEASED
from simulator.unit import Built, Damage, build
from simulator.wiring import Leads, Plugs, connect

NGSPICE = shutil.which("ngspice")
JOB = Path(__file__).parents[2] / "sequences" / "two_loop_switcher"
FREQUENCIES_HZ = (20.0, 1000.0, 20_000.0)
STATES = ((), ("loop_a",), ("loop_b", "swap"), ("loop_a", "loop_b"), ("loop_a", "loop_b", "swap"))
WIRE_OHM = 1e-6
EVERY_RELAY = tuple(f"K{number}" for number in range(1, 11))
FAINT = 1e-9  # below -180 dB both are numerical dust


def needs_ngspice() -> None:
    if NGSPICE is None and not os.environ.get("CI"):
        pytest.skip("ngspice is not installed: apt-get install ngspice")


def netlist(parts: Parts, closed: NDArray[np.bool], source: int) -> str:
    """Write the circuit for ngspice: node names as numbers, 1 V at one source, an AC point per frequency."""
    numbers = {GROUND: 0}

    def node(name: str) -> int:
        return numbers.setdefault(name, len(numbers))

    cards = [f"Rw{i} {node(a)} {node(b)} {WIRE_OHM}" for i, (a, b) in enumerate(parts.wires)]
    cards += [f"R{i} {node(e.a)} {node(e.b)} {e.value!r}" for i, e in enumerate(parts.resistors)]
    cards += [f"C{i} {node(e.a)} {node(e.b)} {e.value!r}" for i, e in enumerate(parts.capacitors)]
    for i, contact in enumerate(parts.contacts):
        kind, value = ("R", contact.closed_ohm) if closed[i] else ("C", contact.open_f)
        cards.append(f"{kind}k{i} {node(contact.a)} {node(contact.b)} {float(value)!r}")
    for i, one in enumerate(parts.sources):
        cards.append(f"Vs{i} {node(f'emf {i}')} 0 DC 0 AC {int(i == source)}")
        cards.append(f"Rs{i} {node(f'emf {i}')} {node(one.node)} {one.ohm}")
    cards += [f"Rleak{n} {n} 0 {1 / LEAK_S}" for n in list(numbers.values()) if n]
    columns = " ".join(f"vr({node(p)}) vi({node(p)})" for p in parts.probes)
    points = "\n".join(f"ac lin 1 {f} {f}\nprint {columns}" for f in FREQUENCIES_HZ)
    return "circuit\n" + "\n".join(cards) + f"\n.control\nset numdgt=12\n{points}\nquit\n.endc\n.end\n"


def run_ngspice(text: str, probes: int, tmp_path: Path) -> NDArray[np.complex128]:
    """Complex volts, shape (frequencies, probes)."""
    path = tmp_path / "circuit.cir"
    path.write_text(text)
    assert NGSPICE is not None
    output = subprocess.run([NGSPICE, "-b", path], capture_output=True, text=True, check=False).stdout
    values = [float(line.split("=")[1]) for line in output.splitlines() if line.startswith(("vr(", "vi("))]
    pairs = np.array(values).reshape(len(FREQUENCIES_HZ), probes, 2)
    return pairs[..., 0] + 1j * pairs[..., 1]


def moving_with(built: Built, relays: tuple[str, ...] | None) -> NDArray[np.bool] | None:
    """The contacts of some relays, as those that move while the rest is eliminated; None for the whole."""
    if relays is None:
        return None
    numbers = {int(name.removeprefix("K")) - 1 for name in relays}
    return built.of_poles([pole for pole in built.poles if pole[0] in numbers])


@pytest.mark.parametrize("on", STATES, ids=lambda on: "+".join(on) or "idle")
@pytest.mark.parametrize("setup_name", ["drive left, view both outputs", "drive left, view sends"])
@pytest.mark.parametrize("moving", [None, ("K1", "K2"), EVERY_RELAY], ids=["whole", "two move", "all move"])
def test_the_solver_agrees_with_ngspice(
    on: tuple[str, ...], setup_name: str, moving: tuple[str, ...] | None, tmp_path: Path
) -> None:
    needs_ngspice()
    job = load_job(JOB)
    module, fixture = job.module, job.fixture
    built = build(module, "NG-1", Damage())
    setup = next(h for h in fixture.setups if h.name == setup_name)
    leads = Leads(inputs=4, probe=1.0, seed=3)
    parts = connect(module, fixture, built, plugs=Plugs(), setup=setup, leads=leads)
    positions = [
        [OPERATED if relay.control in on else RELEASED] * len(relay.poles) for relay in module.relays
    ]
    closed = built.closed(positions)
    volts = Network(parts).solve_at(closed, (True, True, True), FREQUENCIES_HZ, moving_with(built, moving))
    for source in (0, 1):
        theirs = run_ngspice(netlist(parts, closed, source), len(parts.probes), tmp_path)
        ours = volts[:, : len(parts.probes), source]
        loud = np.abs(theirs) > FAINT
        assert loud.any()
        difference_db = np.abs(20 * np.log10(np.abs(ours[loud] / theirs[loud])))
        made = np.abs(theirs[loud]) > 0.01
        assert difference_db[made].max(initial=0) < 0.001
        assert difference_db[~made].max(initial=0) < 0.1
        assert np.abs(np.angle(ours[loud] / theirs[loud], deg=True))[made].max(initial=0) < 0.01


def network(
    *,
    resistors: Sequence[Any] = (),
    capacitors: Sequence[Any] = (),
    contacts: Sequence[Any] = (),
    amplifiers: Sequence[Any] = (),
    wires: Sequence[Any] = (),
    sources: Sequence[Source] = (),
    probes: Sequence[str] = (),
) -> Network:
    return Network(
        Parts(
            wires=tuple(wires),
            resistors=tuple(resistors),
            capacitors=tuple(capacitors),
            contacts=tuple(contacts),
            amplifiers=tuple(amplifiers),
            sources=tuple(sources),
            probes=tuple(probes),
        )
    )


NONE_CLOSED = np.zeros(0, dtype=np.bool_)


def test_a_low_pass_is_3_db_down_at_its_corner() -> None:
    """1/(2 pi R C), 10 log10(1/2) = -3.0103 dB."""
    circuit = network(
        sources=[Source(node="in", ohm=1000.0)],
        capacitors=[Element(a="in", b=GROUND, value=1e-7)],
        probes=["in"],
    )
    corner_hz = 1 / (2 * np.pi * 1000.0 * 1e-7)
    seen = circuit.solve_at(NONE_CLOSED, (True,), (corner_hz,))[0, 0, 0]
    assert 20 * np.log10(abs(seen)) == pytest.approx(-3.0103, abs=1e-4)
    assert np.angle(seen, deg=True) == pytest.approx(-45)


def test_a_balanced_amplifier_gives_its_gain_into_its_load() -> None:
    """Gain -2, 100 ohm out into 100 ohm: half of twice, inverted; common mode 40 dB down."""
    circuit = network(
        sources=[Source(node="a", ohm=0.0), Source(node="b", ohm=0.0)],
        amplifiers=[
            Balanced(inputs=("a", "b"), outputs=("x", "y"), gain=-2.0, output_ohm=100.0, conversion=0.01)
        ],
        resistors=[Element(a="x", b="y", value=100.0), Element(a="a", b="b", value=10e3)],
        probes=["x", "y"],
    )
    hot, cold = circuit.solve_at(NONE_CLOSED, (True, True), (1000.0,))[0, :, :2].T
    differential = ((hot[0] - hot[1]) - (cold[0] - cold[1])) / 2
    common = (hot[0] - hot[1]) + (cold[0] - cold[1])
    assert differential.real == pytest.approx(-1.0)
    assert 20 * np.log10(abs(common / differential)) == pytest.approx(-40.0, abs=0.01)


def test_a_source_that_is_off_is_an_open_circuit() -> None:
    circuit = network(
        sources=[Source(node="n", ohm=50.0), Source(node="n", ohm=50.0)],
        resistors=[Element(a="n", b=GROUND, value=50.0)],
        probes=["n"],
    )
    assert abs(circuit.solve_at(NONE_CLOSED, (True, True), (1000.0,))[0, 0, 0]) == pytest.approx(1 / 3)
    assert abs(circuit.solve_at(NONE_CLOSED, (True, False), (1000.0,))[0, 0, 0]) == pytest.approx(1 / 2)
