"""Netlists for ngspice: from the harness's elements, and in another way straight from the descriptions."""

import math
import os
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from harness.circuit.elements import BenchImpedances, Circuit, IdealTransformer
from harness.circuit.expand import build_circuit
from harness.circuit.solve import LEAK_S
from harness.job.fixture import Fixture, Loopback, Setup
from harness.job.module import GROUND, LEGS, Amplifier, Module, Transformer
from harness.job.state import State


@dataclass(frozen=True, kw_only=True)
class Block:
    """One circuit on its own: lines such as `R a b 50`, the nodes where the legs are driven, those viewed."""

    lines: tuple[tuple[str, ...], ...]
    drive: tuple[str, str]
    source_ohm: float
    view: tuple[str, ...]


def ngspice() -> str:
    """Where ngspice is; without it the test is skipped, but not in CI."""
    program = shutil.which("ngspice")
    if program is None:
        if os.environ.get("CI"):
            pytest.fail("ngspice is not installed, and CI must not go without it")
        pytest.skip("ngspice is not installed (Debian: apt-get install ngspice)")
    return program


def transfers(blocks: Sequence[Block], frequencies_hz: Sequence[float], folder: Path) -> list[np.ndarray]:
    """Solve all blocks in one run: for each the transfers, shape (frequencies, legs, 2).

    Each block stands there twice, once for either leg's e.m.f.; they share nothing but ground.
    """
    program = ngspice()
    deck, saved = ["* blocks that share nothing but ground"], []
    for number, block in enumerate(blocks):
        for column in (0, 1):
            text, nodes = _block(block, f"{number}_{column}", column)
            deck += text
            saved += [f"v({nodes[node]})" for node in block.view]
    deck += [f".save {vector}" for vector in dict.fromkeys(saved)]
    deck += [".control", "set noaskquit"]
    for index, frequency_hz in enumerate(frequencies_hz):
        deck += [f"ac lin 1 {frequency_hz} {frequency_hz}", f"write {folder / f'{index}.raw'}"]
    deck += ["quit 0", ".endc", ".end"]
    path = folder / "blocks.cir"
    path.write_text("\n".join(deck) + "\n")
    run = subprocess.run(
        [program, "-b", path], capture_output=True, text=True, timeout=120, cwd=folder, check=False
    )
    assert run.returncode == 0, run.stdout[-2000:] + run.stderr[-2000:]
    spectra = [read_raw(folder / f"{index}.raw") for index in range(len(frequencies_hz))]
    solved = []
    start = 0
    for block in blocks:
        legs = len(block.view)
        names = saved[start : start + 2 * legs]
        start += 2 * legs
        values = [[spectrum[name] for name in names] for spectrum in spectra]
        solved.append(np.array(values).reshape(len(frequencies_hz), 2, legs).transpose(0, 2, 1))
    return solved


def read_raw(path: Path) -> dict[str, complex]:
    """Read one point of a binary raw file of complex vectors."""
    header, _, data = path.read_bytes().partition(b"Binary:\n")
    lines = header.decode().split("\n")
    start = next(index for index, line in enumerate(lines) if line.startswith("Variables:"))
    names = [line.split()[1] for line in lines[start + 1 :] if line.strip()]
    return dict(zip(names, np.frombuffer(data, dtype=complex), strict=True))


def _block(block: Block, suffix: str, driven: int) -> tuple[list[str], dict[str, str]]:
    nodes = {GROUND: "0"}
    text = []

    def name(node: str) -> str:
        return nodes.setdefault(node, f"n{suffix}_{len(nodes)}")

    for count, (letter, *ends, value) in enumerate(block.lines):
        if letter == "K":  # of the two inductors that stand before it
            text.append(f"K{suffix}_{count} L{suffix}_{count - 2} L{suffix}_{count - 1} {value}")
            continue
        text.append(f"{letter}{suffix}_{count} {' '.join(name(end) for end in ends)} {value}")
    for column, node in enumerate(block.drive):
        text.append(f"V{suffix}_{column} e{suffix}_{column} 0 DC 0 AC {int(column == driven)}")
        text.append(f"Rs{suffix}_{column} e{suffix}_{column} {name(node)} {block.source_ohm!r}")
    text += [f"Rl{suffix}_{node} {node} 0 {1 / LEAK_S:g}" for node in nodes.values() if node != "0"]
    return text, nodes


def from_elements(circuit: Circuit) -> Block:
    """The harness's own elements, one by one."""
    lines: list[tuple[str, ...]] = []
    for element in circuit.elements:
        if element.inductance_h:
            inside = f"{element.name} inside"
            lines.append(("R", element.a, inside, repr(max(element.resistance_ohm or 0.0, 1e-6))))
            lines.append(("L", inside, element.b, repr(element.inductance_h)))
            continue
        if element.resistance_ohm is not None:
            lines.append(("R", element.a, element.b, repr(element.resistance_ohm)))
        if element.capacitance_f:
            lines.append(("C", element.a, element.b, repr(element.capacitance_f)))
    for transformer in circuit.transformers:
        lines += _ideal(transformer)
    for leg in circuit.amplifiers:
        inside = f"{leg.name} inside"
        lines.append(("E", f"{inside} 1", GROUND, leg.hot, GROUND, repr(leg.gain_hot)))
        lines.append(("E", inside, f"{inside} 1", leg.cold, GROUND, repr(leg.gain_cold)))
        lines.append(("R", inside, leg.output, repr(max(leg.output_ohm, 1e-6))))
    hot, cold = circuit.generator
    return Block(
        lines=tuple(lines), drive=(hot.node, cold.node), source_ohm=hot.output_ohm, view=circuit.view
    )


def _ideal(transformer: IdealTransformer) -> Iterator[tuple[str, ...]]:
    """A source of volts at the secondary, and of current at the primary, whose sum of powers is nothing.

    The current is read as the volts of a milliohm in series with the secondary.
    """
    (a, b), (c, d) = transformer.primary, transformer.secondary
    inside, ratio = f"{transformer.name} core", transformer.ratio
    yield ("E", inside, d, a, b, repr(ratio))
    yield ("R", inside, c, "1e-3")
    yield ("G", a, b, inside, c, repr(ratio * 1e3))


def element_block(
    module: Module, fixture: Fixture, setup: Setup, state: State, bench: BenchImpedances
) -> Block:
    return from_elements(build_circuit(module, fixture, setup, state, bench))


def described_block(
    module: Module, fixture: Fixture, setup: Setup, state: State, bench: BenchImpedances
) -> Block:
    """Straight from the descriptions, by nothing of the harness's circuit: no pins, no joints."""
    lines: list[tuple[str, ...]] = [("R", part.a, part.b, repr(part.value)) for part in module.resistors]
    lines += [("C", part.a, part.b, repr(part.value)) for part in module.capacitors]
    for relay in module.relays:
        thrown = state.powered and (relay.control or relay.set_control) in state.on
        for pole in relay.poles:
            for far, made in ((pole.released, not thrown), (pole.operated, thrown)):
                if far is not None and made:
                    lines.append(("R", pole.common, far, repr(relay.type.contact_ohm)))
                elif far is not None:
                    lines.append(("C", pole.common, far, repr(relay.type.off_capacitance_f)))
    lines += [("R", link.a, link.b, "1e-6") for link in module.links]
    for port in (port for port in module.ports if port.unbalanced):
        lines += [
            ("R", f"{channel}.{port.net}.cold", GROUND, "1e-6")
            for channel in module.channels
            if port.is_in(channel)
        ]
    for coil in module.inductors:
        lines.append(("R", coil.a, f"{coil.name} inside", repr(coil.resistance_ohm)))
        lines.append(("L", f"{coil.name} inside", coil.b, repr(coil.value)))
    for transformer in module.transformers:
        lines += _transformer(transformer)
    for amplifier in module.amplifiers:
        lines += _amplifier(amplifier)
    for channel in module.channels:
        for net, load in fixture.loads.items():
            if not module.has_port(channel, net):
                continue
            lines += _ended(channel, net, load.across_ohm, load.leg_ohm)
        idle = fixture.undriven_inputs
        for port in module.ports:
            if port.role != "input" or idle is None or not port.is_in(channel):
                continue
            if str(setup.drive) != f"{channel}.{port.net}":
                lines += _ended(channel, port.net, idle.across_ohm, idle.leg_ohm)
        for name in setup.loopbacks:
            lines += _plug(channel, fixture.loopbacks[name])
    view = tuple(f"{port}.{leg}" for port in setup.view for leg in LEGS)
    for node in view:
        lines.append(("R", node, GROUND, repr(bench.input_ohm)))
        lines.append(("C", node, GROUND, repr(bench.input_f)))
    drive = {leg: f"{setup.drive}.{leg}" for leg in LEGS}
    if setup.source_added is not None:
        leg = setup.source_added.leg
        lines.append(("R", f"source {leg}", drive[leg], repr(setup.source_added.series_ohm)))
        drive[leg] = f"source {leg}"
    return Block(
        lines=tuple(lines),
        drive=(drive["hot"], drive["cold"]),
        source_ohm=bench.source_ohm,
        view=view,
    )


def _transformer(transformer: Transformer) -> Iterator[tuple[str, ...]]:
    """Two coupled inductors: k is their mutual inductance over the root of both (any text on circuits)."""
    (a, b), (c, d) = transformer.primary, transformer.secondary
    ratio, shared_h = abs(transformer.ratio), transformer.magnetising_h
    own_h = shared_h + transformer.leakage_h
    p, s = (f"{transformer.name} winding {number}" for number in (1, 2))
    yield ("R", a, p, repr(transformer.primary_ohm))
    yield ("R", c if transformer.ratio > 0 else d, s, repr(transformer.secondary_ohm))
    yield ("L", p, b, repr(own_h))
    yield ("L", s, d if transformer.ratio > 0 else c, repr(ratio**2 * shared_h))
    yield ("K", repr(math.sqrt(shared_h / own_h)))


def _amplifier(amplifier: Amplifier) -> Iterator[tuple[str, ...]]:
    hot, cold = (f"{amplifier.channel}.{amplifier.from_net}.{leg}" for leg in LEGS)
    rejection_db = amplifier.common_mode_rejection_db
    common = 0.0 if rejection_db is None else 10 ** (-rejection_db / 20)
    yield ("R", hot, cold, repr(amplifier.input_ohm))
    for leg, sign in (("hot", 1), ("cold", -1)):
        a, b, c = (f"{amplifier.name} {leg} {step}" for step in range(3))
        yield ("E", a, GROUND, hot, cold, repr(sign * amplifier.gain / 2))
        yield ("E", b, a, hot, GROUND, repr(sign * amplifier.gain * common / 4))
        yield ("E", c, b, cold, GROUND, repr(sign * amplifier.gain * common / 4))
        output = f"{amplifier.channel}.{amplifier.to_net}.{leg}"
        yield ("R", c, output, repr(max(amplifier.output_ohm / 2, 1e-6)))


def _ended(
    channel: str, net: str, across_ohm: float | None, leg_ohm: float | None
) -> Iterator[tuple[str, ...]]:
    if across_ohm is not None:
        yield ("R", f"{channel}.{net}.hot", f"{channel}.{net}.cold", repr(across_ohm))
    if leg_ohm is not None:
        for leg in LEGS:
            yield ("R", f"{channel}.{net}.{leg}", GROUND, repr(leg_ohm))


def _plug(channel: str, loopback: Loopback) -> Iterator[tuple[str, ...]]:
    ends = {
        leg: (f"{channel}.{loopback.from_net}.{leg}", f"{channel}.{loopback.to_net}.{leg}") for leg in LEGS
    }
    if loopback.legs is not None:
        for leg, (near, far) in ends.items():
            yield ("R", near, far, repr(loopback.legs[channel][leg].series_ohm or 1e-6))
            shunt_ohm = loopback.legs[channel][leg].shunt_ohm
            if shunt_ohm is not None:
                yield ("R", far, GROUND, repr(shunt_ohm))
    elif not loopback.pad_db or loopback.pad_impedance_ohm is None:
        for near, far in ends.values():
            yield ("R", near, far, "1e-6")
    else:
        # an O pad has the same three-terminal behaviour as the H pad of that loss, with other parts
        ratio = 10 ** (loopback.pad_db / 20)
        shunt = loopback.pad_impedance_ohm * (ratio + 1) / (ratio - 1)
        arm = loopback.pad_impedance_ohm * (ratio - 1 / ratio) / 4
        for near, far in ends.values():
            yield ("R", near, far, repr(arm))
        for end in (0, 1):
            yield ("R", ends["hot"][end], ends["cold"][end], repr(shunt))


def differential(transfer: np.ndarray) -> np.ndarray:
    """Answer of every pair to +½ V on hot and -½ V on cold, written once more."""
    weights = np.array([[1, -1], [-1, 1]]) / 2
    legs = transfer.shape[-2]
    pairs = transfer.reshape(*transfer.shape[:-2], legs // 2, 2, 2)
    return np.asarray((pairs * weights).sum(axis=(-1, -2)))
