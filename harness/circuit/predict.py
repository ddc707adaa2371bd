"""What every viewed leg must show in a state, how sure the circuit is of it, and which ports are silent."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from harness.arrays import Complex, Floats, Indices
from harness.circuit.elements import BenchImpedances, Circuit, Couplings
from harness.circuit.expand import build_wiring, in_state
from harness.circuit.solve import Equations, solve, write_equations
from harness.job.fixture import Fixture, Setup
from harness.job.module import Module
from harness.job.state import State

LIVE_AT_HZ = 1e3
LIVE_ABOVE = 1e-6  # differential gain of a route with ideal contacts; anything less is no route


@dataclass(frozen=True, kw_only=True, eq=False)
class Prediction:
    """What one acquisition must show in one state of one setup.

    legs: the viewed nodes, hot, cold, hot, cold…
    transfer: complex, (legs, 2): volts per volt of the hot and of the cold e.m.f., column k at frequency k.
    spreads: complex, (parameters, legs, 2): what one standard uncertainty of a toleranced part changes in the
    transfer; spread_names says which part. Parts that nothing joins to the generator are left out.
    live: for every viewed port, whether a route leads there.
    """

    legs: tuple[str, ...]
    transfer: Complex
    spreads: Complex
    spread_names: tuple[str, ...]
    live: tuple[bool, ...]


def side_by_side(predictions: Sequence[Prediction]) -> Prediction:
    """The legs of several acquisitions as those of one; a part of the unit is one part in all of them."""
    if len(predictions) == 1:
        return predictions[0]
    names = tuple(dict.fromkeys(name for each in predictions for name in each.spread_names))
    spreads = np.zeros((len(names), sum(len(each.legs) for each in predictions), 2), dtype=complex)
    start = 0
    for each in predictions:
        stop = start + len(each.legs)
        spreads[[names.index(name) for name in each.spread_names], start:stop] = each.spreads
        start = stop
    return Prediction(
        legs=tuple(leg for each in predictions for leg in each.legs),
        transfer=np.concatenate([each.transfer for each in predictions]),
        spreads=spreads,
        spread_names=names,
        live=tuple(live for each in predictions for live in each.live),
    )


def differential(transfer: Complex) -> Complex:
    """Differential gain of every viewed port, from transfers of shape (…, 2·ports, 2): shape (…, ports).

    D = ½[(H_hot,hot - H_cold,hot) - (H_hot,cold - H_cold,cold)]: the answer to +½ V and -½ V e.m.f.
    """
    pairs = transfer[..., 0::2, :] - transfer[..., 1::2, :]
    return np.asarray((pairs[..., 0] - pairs[..., 1]) / 2)


def predict(
    module: Module,
    fixture: Fixture,
    setup: Setup,
    state: State,
    *,
    frequencies_hz: tuple[float, float],
    impedances: BenchImpedances,
) -> Prediction:
    """Predict one state of one setup, with the hot output at the first frequency and the cold at the second.

    Raises CircuitError if the circuit has no solution.
    """
    return predict_states(
        module, fixture, setup, [state], frequencies_hz=frequencies_hz, impedances=impedances
    )[0]


def predict_states(
    module: Module,
    fixture: Fixture,
    setup: Setup,
    states: Sequence[State],
    *,
    frequencies_hz: tuple[float, float],
    impedances: BenchImpedances,
) -> tuple[Prediction, ...]:
    """Predict several states of one setup; what doesn't change between them is expanded once."""
    wiring = build_wiring(module, fixture, setup, impedances)
    return tuple(
        predict_circuit(in_state(wiring, module, setup, state), frequencies_hz=frequencies_hz)
        for state in states
    )


def predict_circuit(
    circuit: Circuit,
    *,
    frequencies_hz: tuple[float, float],
    with_live: bool = True,
    couplings: Couplings | None = None,
) -> Prediction:
    """Predict what a circuit shows, as built or with a fault in it; without `with_live`, `live` is empty.

    couplings: beside its elements; each of them is a parameter.
    """
    return PredictedCircuit(circuit, couplings).at(frequencies_hz, with_live=with_live)


class PredictedCircuit:
    """A circuit that is predicted at several frequencies; what they have in common is worked out once."""

    def __init__(self, circuit: Circuit, couplings: Couplings | None = None) -> None:
        self._circuit = circuit
        self._equations = write_equations(circuit, couplings)
        self._viewed = [self._equations.node.get(node, self._equations.size) for node in circuit.view]
        self._parameters = _parameters(circuit, self._equations, couplings)
        self._gains = _gains(circuit, self._equations)

    @cached_property
    def _ideal(self) -> Equations:
        return self._equations.with_ideal_contacts(self._circuit)

    def at(self, frequencies_hz: tuple[float, float], *, with_live: bool = True) -> Prediction:
        """With the hot output at the first frequency and the cold at the second."""
        view = self._circuit.view
        state, adjoint = _state_and_adjoint(self._equations, self._viewed, frequencies_hz)
        live: tuple[bool, ...] = ()
        if with_live:
            live = _live(self._ideal, view, frequency_hz=sum(frequencies_hz) / 2)
        return Prediction(
            legs=view,
            transfer=state[:, self._viewed].T,
            spreads=np.concatenate(
                [
                    _spreads(self._parameters, frequencies_hz, state, adjoint),
                    *(_spread_of_gain(gain, state, adjoint) for gain in self._gains.values()),
                ]
            ),
            spread_names=(*self._parameters.names, *(f"{name} gain" for name in self._gains)),
            live=live,
        )


def find_live(
    circuit: Circuit, equations: Equations, legs: Sequence[str], *, frequency_hz: float = LIVE_AT_HZ
) -> tuple[bool, ...]:
    """Tell for every pair of `legs` (hot, cold, hot, cold…) whether a signal path leads there.

    Solved with open contacts gone and closed ones ideal: what comes by stray capacitance, and what a contact
    that shorts the pair leaves over, is no route.
    """
    return _live(equations.with_ideal_contacts(circuit), legs, frequency_hz=frequency_hz)


def _live(ideal: Equations, legs: Sequence[str], *, frequency_hz: float) -> tuple[bool, ...]:
    """The same, for equations that have ideal contacts already."""
    volts = solve(ideal, ideal.matrix([frequency_hz])[0], ideal.source)
    volts = np.concatenate([volts, np.zeros((1, 2))])
    viewed = [ideal.node.get(node, ideal.size) for node in legs]
    return tuple(bool(gain > LIVE_ABOVE) for gain in np.abs(differential(volts[viewed])))


def _state_and_adjoint(
    equations: Equations, viewed: Sequence[int], frequencies_hz: tuple[float, float]
) -> tuple[Complex, Complex]:
    """Solve at both frequencies: the unknowns, and what each viewed leg owes to a feed at any unknown.

    Shapes (2, unknowns + 1) and (2, unknowns + 1, legs); the last row is ground, and zero.
    """
    size, legs = equations.size, len(viewed)
    matrix = equations.matrix(frequencies_hz)
    drive = equations.source.T[:, :, None]  # output k at frequency k
    feeds = np.zeros((size + 1, legs))
    feeds[viewed, np.arange(legs)] = 1
    feeds = np.broadcast_to(feeds[:size], (2, size, legs))
    solution = np.zeros((2, size + 1, 1 + legs), dtype=complex)
    if equations.symmetric:
        solution[:, :size] = solve(equations, matrix, np.concatenate([drive, feeds], axis=2))
    else:
        solution[:, :size, :1] = solve(equations, matrix, drive)
        solution[:, :size, 1:] = np.linalg.solve(matrix.transpose(0, 2, 1), feeds)
    return solution[:, :, 0], solution[:, :, 1:]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Parameters:
    """Toleranced values: the unknowns that each sits between, and what one standard uncertainty adds there.

    `siemens` and `farads` have shape (parameters,).
    """

    names: tuple[str, ...]
    a: Indices
    b: Indices
    siemens: Floats
    farads: Floats


def _parameters(circuit: Circuit, equations: Equations, couplings: Couplings | None) -> _Parameters:
    node, ground = equations.node, equations.size
    toleranced = [
        element
        for element in circuit.elements
        if (element.resistance_spread_ohm or element.capacitance_spread_f or element.inductance_spread_h)
        and (element.a in node or element.b in node)
    ]
    names: list[str] = []
    a: list[int] = []
    b: list[int] = []
    real: list[float] = []
    imaginary: list[float] = []
    for element in toleranced:
        names.append(element.name)
        imaginary.append(element.capacitance_spread_f)
        if element.name in equations.branch:
            a.append(equations.branch[element.name])
            b.append(ground)
            real.append(-element.resistance_spread_ohm)
        else:
            ohm = element.resistance_ohm
            a.append(node.get(element.a, ground))
            b.append(node.get(element.b, ground))
            real.append(0.0 if ohm is None else -element.resistance_spread_ohm / ohm**2)
        if element.inductance_spread_h:
            # it stands in a branch's own row, where a capacitance of an admittance would
            names.append(f"{element.name} inductance")
            a.append(a[-1])
            b.append(b[-1])
            real.append(0.0)
            imaginary.append(-element.inductance_spread_h)
    outputs = [leg for leg in circuit.generator if leg.output_spread_ohm]
    a += [equations.branch[leg.name] for leg in outputs]
    b += [ground] * len(outputs)
    real += [-leg.output_spread_ohm for leg in outputs]
    imaginary += [0.0] * len(outputs)
    parameters = _Parameters(
        names=(*names, *(leg.name for leg in outputs)),
        a=np.array(a, dtype=np.intp),
        b=np.array(b, dtype=np.intp),
        siemens=np.asarray(real),
        farads=np.asarray(imaginary),
    )
    if couplings is None:
        return parameters
    return _Parameters(
        names=(*parameters.names, *couplings.names),
        a=np.concatenate([parameters.a, equations.coupled[0]]),
        b=np.concatenate([parameters.b, equations.coupled[1]]),
        siemens=np.concatenate([parameters.siemens, np.zeros(len(couplings.names))]),
        farads=np.concatenate([parameters.farads, couplings.spread_f]),
    )


def _spreads(
    parameters: _Parameters, frequencies_hz: tuple[float, float], state: Complex, adjoint: Complex
) -> Complex:
    """First order: dV_leg = -(w_a - w_b)·dy·(x_a - x_b), w being the leg's adjoint solution.

    Director and Rohrer, "The generalized adjoint network and network sensitivities", IEEE Trans. CT-16, 1969,
    from memory.
    """
    across = state[:, parameters.a] - state[:, parameters.b]
    weight = adjoint[:, parameters.a] - adjoint[:, parameters.b]
    omega = 2 * np.pi * np.asarray(frequencies_hz)
    admittance = parameters.siemens + 1j * omega[:, None] * parameters.farads
    change: Complex = -(admittance * across)[:, :, None] * weight
    return change.transpose(1, 2, 0)


@dataclass(frozen=True, kw_only=True)
class _LegGain:
    """One leg of an amplifier: its equation's row, and what one standard uncertainty adds to its gains."""

    row: int
    hot: int
    cold: int
    of_hot: float
    of_cold: float


def _gains(circuit: Circuit, equations: Equations) -> dict[str, list[_LegGain]]:
    """The legs of each amplifier whose gain has a tolerance; both have the same gain."""
    gains: dict[str, list[_LegGain]] = {}
    for leg in circuit.amplifiers:
        if leg.gain_spread and leg.name in equations.branch:
            gains.setdefault(leg.part, []).append(
                _LegGain(
                    row=equations.branch[leg.name],
                    hot=equations.node.get(leg.hot, equations.size),
                    cold=equations.node.get(leg.cold, equations.size),
                    of_hot=leg.gain_spread * leg.gain_hot,
                    of_cold=leg.gain_spread * leg.gain_cold,
                )
            )
    return gains


def _spread_of_gain(legs: Sequence[_LegGain], state: Complex, adjoint: Complex) -> Complex:
    """As `_spreads`, of one amplifier, in whose rows -gain·v stands: (1, legs, 2)."""
    change = sum(
        (leg.of_hot * state[:, leg.hot] + leg.of_cold * state[:, leg.cold])[:, None] * adjoint[:, leg.row]
        for leg in legs
    )
    return np.asarray(change).T[None]
