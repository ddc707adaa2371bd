"""The insert box on the foreign bench, by hand: which node is joined to which, and the volts that follow.

Nothing here comes from the project: admittances are stamped from the drawing below and solved with numpy.

    in ──┬─R1 22─── ins_send ⇢ plug ⇢ ins_return       per channel, each leg
         │                              │ operated
         └────────── released  K1/K4 common ┘ = bus
    bus ── K2/K5: released straight, operated crossed ── rev
    rev ──┬───────────── released  K3 common = out ── R4 100k to 0 V
          └─R2 1k5── padded ── operated ┘
                       └ R3 1k0 across the pair
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

CHANNELS = ("left", "right")
LEGS = ("hot", "cold")
RELAYS = {"K1": "insert", "K4": "insert", "K2": "reverse", "K5": "reverse", "K3": "pad"}
COIL_OHM = 2880.0
QUIESCENT_A = 0.003
RATED_V = 24.0
PLUG_OHM = {"left.hot": 470.0, "left.cold": 560.0, "right.hot": 680.0, "right.cold": 820.0}
PLUG_SHUNT_OHM = 2200.0
LOAD_LEG_OHM = 10e3
CONTACT_OHM = 0.06
OPEN_F = 0.8e-12
SCOPE_OHM, SCOPE_F = 1e6, 18e-12

Branch = tuple[str, str, complex]  # node, node, siemens
Position = str  # released, operated, or moving


@dataclass(frozen=True, kw_only=True)
class Unit:
    """One unit: what may be wrong with it, and with the leads around it."""

    pad_ohm: Mapping[str, float] = field(default_factory=dict)  # R2, R3, R12, R13 that differ
    stuck: Mapping[str, Position] = field(default_factory=dict)  # relay → where it stays
    coil_open: frozenset[str] = frozenset()
    open_leg: str | None = None  # a leg of `out` whose pin is not soldered, such as left.hot
    swapped_out: str | None = None  # the channel whose output connector has its legs swapped
    crosstalk_f: float = 0.0  # between left.rev.hot and right.rev.hot
    dc_on: str | None = None  # left.hot: 1 V behind 100 ohm on that leg of the output
    lost_lead: int | None = None  # scope input whose lead is off in the through setup and elsewhere
    inputs_swapped: tuple[int, int] | None = None  # scope inputs whose leads are swapped


@dataclass(frozen=True, kw_only=True)
class Wiring:
    """Where the fixture leads the generator and the scope: the node of each scope input."""

    through: bool
    driven: str | None
    inputs: tuple[str, ...]
    plugs: bool


def wiring(closed: frozenset[int], unit: Unit) -> Wiring:
    """Read the fixture's own relays: 9 through; 10, 11 outputs; 12, 13 input and output; 14 the plugs."""
    views = {
        10: ("left", ("left.out", "right.out")),
        11: ("right", ("right.out", "left.out")),
        12: ("left", ("left.in", "left.out")),
        13: ("right", ("right.in", "right.out")),
    }
    through = 9 in closed
    driven: str | None = None
    inputs = ["nowhere1", "nowhere2", "nowhere3", "nowhere4"]
    if through:
        inputs = ["gen.hot", "gen.cold", "gen.hot", "gen.cold"]
    else:
        for channel, (drive, ports) in views.items():
            if channel in closed:
                driven, inputs = drive, [f"{port}_pin.{leg}" for port in ports for leg in LEGS]
    if unit.inputs_swapped:
        a, b = (number - 1 for number in unit.inputs_swapped)
        inputs[a], inputs[b] = inputs[b], inputs[a]
    if unit.lost_lead:
        inputs[unit.lost_lead - 1] = f"nowhere{unit.lost_lead}"
    return Wiring(through=through, driven=driven, inputs=tuple(inputs), plugs=14 in closed)


def _ohm(a: str, b: str, ohm: float) -> Branch:
    return a, b, 1.0 / ohm


def _farad(a: str, b: str, farad: float, omega: float) -> Branch:
    return a, b, 1j * omega * farad


def _throw(common: str, throw: str, *, made: bool, omega: float) -> Branch:
    return _ohm(common, throw, CONTACT_OHM) if made else _farad(common, throw, OPEN_F, omega)


def _channel(
    channel: str, unit: Unit, at: Mapping[str, Position], plugs: bool, omega: float
) -> Iterator[Branch]:
    right = channel == "right"
    insert, reverse = ("K4", "K5") if right else ("K1", "K2")
    ten = "1" if right else ""
    for leg in LEGS:
        other = "cold" if leg == "hot" else "hot"
        node = {
            net: f"{channel}.{net}.{leg}"
            for net in ("in", "ins_send", "ins_return", "bus", "rev", "padded", "out")
        }
        yield _ohm(node["in"], f"{channel}.in_pin.{leg}", 1e-3)
        yield _ohm(node["in"], node["ins_send"], 22.0)
        yield _throw(node["bus"], node["in"], made=at[insert] == "released", omega=omega)
        yield _throw(node["bus"], node["ins_return"], made=at[insert] == "operated", omega=omega)
        yield _throw(node["rev"], node["bus"], made=at[reverse] == "released", omega=omega)
        yield _throw(node["rev"], f"{channel}.bus.{other}", made=at[reverse] == "operated", omega=omega)
        yield _ohm(node["rev"], node["padded"], unit.pad_ohm.get(f"R{ten}2", 1500.0))
        yield _throw(node["out"], node["rev"], made=at["K3"] == "released", omega=omega)
        yield _throw(node["out"], node["padded"], made=at["K3"] == "operated", omega=omega)
        yield _ohm(node["out"], "0", 100e3)
        pin = other if unit.swapped_out == channel else leg
        if unit.open_leg == f"{channel}.{leg}":
            yield _farad(node["out"], f"{channel}.out_pin.{pin}", 0.5e-12, omega)
        else:
            yield _ohm(node["out"], f"{channel}.out_pin.{pin}", 1e-3)
        yield _ohm(f"{channel}.out_pin.{leg}", "0", LOAD_LEG_OHM)
        if plugs:
            yield _ohm(node["ins_send"], node["ins_return"], PLUG_OHM[f"{channel}.{leg}"])
            yield _ohm(node["ins_return"], "0", PLUG_SHUNT_OHM)
    yield _ohm(f"{channel}.padded.hot", f"{channel}.padded.cold", unit.pad_ohm.get(f"R{ten}3", 1000.0))


def volts(
    unit: Unit, at: Mapping[str, Position], wired: Wiring, on: tuple[bool, bool], frequency_hz: float
) -> NDArray[np.complex128]:
    """Solve for every scope input, (4, 3): per volt of hot source, of cold source, of the unit's own DC.

    An output that is off is an open circuit.
    """
    omega = 2 * np.pi * max(frequency_hz, 1e-6)
    branches: list[Branch] = []
    for channel in CHANNELS:
        branches += _channel(channel, unit, at, wired.plugs, omega)
        if wired.driven != channel:
            branches += [_ohm(f"{channel}.in_pin.{leg}", "0", 50.0) for leg in LEGS]
    if unit.crosstalk_f:
        branches.append(_farad("left.rev.hot", "right.rev.hot", unit.crosstalk_f, omega))
    for node in wired.inputs:
        branches += [_ohm(node, "0", SCOPE_OHM), _farad(node, "0", SCOPE_F, omega)]
    sources: list[tuple[str, int, complex]] = []
    for column, leg in enumerate(LEGS):
        where = f"{wired.driven}.in_pin.{leg}" if wired.driven else f"gen.{leg}"
        if on[column]:
            branches.append(_ohm(where, "0", 50.0))
            sources.append((where, column, 1 / 50.0))
    if unit.dc_on:
        channel, leg = unit.dc_on.split(".")
        branches.append(_ohm(f"{channel}.out.{leg}", "0", 100.0))
        sources.append((f"{channel}.out.{leg}", 2, 1 / 100.0))
    return _solved(branches, sources, wired.inputs)


def _solved(
    branches: list[Branch], sources: list[tuple[str, int, complex]], wanted: tuple[str, ...]
) -> NDArray[np.complex128]:
    names = sorted({node for a, b, _ in branches for node in (a, b)} - {"0"})
    index = {name: position for position, name in enumerate(names)}
    matrix = np.zeros((len(names), len(names)), dtype=np.complex128)
    right = np.zeros((len(names), 3), dtype=np.complex128)
    np.fill_diagonal(matrix, 1e-13)  # leakage of everything, so that an open leg has some potential
    for a, b, siemens in branches:
        for one, two in ((a, b), (b, a)):
            if one != "0":
                matrix[index[one], index[one]] += siemens
                if two != "0":
                    matrix[index[one], index[two]] -= siemens
    for node, column, amperes in sources:
        right[index[node], column] += amperes
    solved = np.linalg.solve(matrix, right)
    return np.asarray(solved[[index[node] for node in wanted]], dtype=np.complex128)
