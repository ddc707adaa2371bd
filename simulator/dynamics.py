"""What the steady state leaves out: capacitors on their way to it, and coils that couple into contacts.

Between two movements a circuit of resistors and a few large capacitors relaxes: dv/dt = -A v for what the
capacitors' volts still lack, a sum of exponentials. Picofarads are taken to be there at once. A coil's edge
drives a current through the picofarads between coil and contacts, into whatever holds the contacts.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.circuit import Network

ESR_OHM = 1e-3  # in series with each, so that two in parallel are no contradiction
NEGLIGIBLE_V = 1e-9
COIL_EDGE_S = 1e-6  # of the driver that energises a coil or lets it go
CLAMP_V = 0.7  # below zero, where a diode across the coil holds it at release
LEAD_F = 20e-12  # at each contact: a lead and a scope input
LOOK_BACK_S = 0.5  # how long before a record a circuit with slow capacitors is followed
GONE = 30.0  # time constants after which nothing is left


@dataclass(frozen=True, kw_only=True)
class Decay:
    """volts(t) += Re(amplitudes exp(-rate (t - start))), at each scope input, from the stretch's start on."""

    rate_per_s: complex
    amplitudes_v: NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True)
class Modes:
    """A resistive circuit's capacitors: d(t) = vectors exp(-rates t) inverse d(0); inputs see `seen` d."""

    rates_per_s: NDArray[np.complex128]
    vectors: NDArray[np.complex128]
    inverse: NDArray[np.complex128]
    seen: NDArray[np.float64]


def find_modes(network: Network, closed: NDArray[np.bool_], on: tuple[bool, ...]) -> Modes:
    """How a network's large capacitors relax, for one position of its contacts."""
    farads = network.slow_f
    transfer, own = network.inject(closed, on, network.slow_ends)
    inverse = np.linalg.inv(own + ESR_OHM * np.eye(len(farads)))
    rates, vectors = np.linalg.eig(inverse / farads[:, None])
    return Modes(
        rates_per_s=rates.astype(np.complex128),
        vectors=vectors.astype(np.complex128),
        inverse=np.linalg.inv(vectors).astype(np.complex128),
        seen=transfer @ inverse,
    )


def decays_of(modes: Modes, lacking_v: NDArray[np.float64]) -> tuple[Decay, ...]:
    """What the inputs see of capacitors that lack these volts at the start."""
    if np.abs(lacking_v).max(initial=0.0) < NEGLIGIBLE_V:
        return ()
    shares = modes.inverse @ lacking_v
    return tuple(
        Decay(rate_per_s=complex(rate), amplitudes_v=(modes.seen @ modes.vectors[:, m]) * shares[m])
        for m, rate in enumerate(modes.rates_per_s)
    )


def lacking_after(modes: Modes, lacking_v: NDArray[np.float64], later_s: float) -> NDArray[np.float64]:
    """What the capacitors still lack after a while."""
    fallen = np.exp(-modes.rates_per_s * later_s)
    return np.asarray((modes.vectors @ (fallen * (modes.inverse @ lacking_v))).real)


@dataclass(frozen=True, kw_only=True)
class CoilEdge:
    """A coil's volts change by `step_v`; the charge goes into these nodes, through a few picofarads each."""

    at_s: float
    step_v: float
    nodes: tuple[str, ...]
    farads: tuple[float, ...]


def coupled(
    network: Network, closed: NDArray[np.bool_], on: tuple[bool, ...], edges: Sequence[CoilEdge]
) -> tuple[Decay, ...]:
    """What the inputs see of coils' edges: a current C V/tau exp(-t/tau) into R in parallel with C0.

    The answer of such a node is Q R/(tau - R C0) (exp(-t/tau) - exp(-t/(R C0))), Q = C V.
    """
    found: list[Decay] = []
    for edge in edges:
        transfer, own = network.inject(closed, on, [(node, None) for node in edge.nodes])
        for n, farads in enumerate(edge.farads):
            own_s = max(float(own[n, n]), 1.0) * LEAD_F
            if abs(own_s / COIL_EDGE_S - 1) < 0.01:
                own_s *= 1.02
            size = farads * edge.step_v * transfer[:, n] / (COIL_EDGE_S - own_s)
            found.append(Decay(rate_per_s=1 / COIL_EDGE_S, amplitudes_v=size.astype(np.complex128)))
            found.append(Decay(rate_per_s=1 / own_s, amplitudes_v=-size.astype(np.complex128)))
    return tuple(found)


class CoilEdges:
    """Coils' edges by their instants."""

    def __init__(self, edges: Sequence[CoilEdge]) -> None:
        self._edges = edges

    def at(self, instant_s: float) -> list[CoilEdge]:
        """Those at exactly this instant, where a scene begins."""
        return [edge for edge in self._edges if edge.at_s == instant_s]


@dataclass(frozen=True, kw_only=True, eq=False)
class Steady:
    """Where a circuit goes from `start_s` on: inputs first, then the volts across each slow capacitor."""

    start_s: float
    constant_v: NDArray[np.float64]
    tones: Mapping[float, NDArray[np.complex128]]
    inputs: int

    def capacitors_v(self, at_s: float) -> NDArray[np.float64]:
        """Volts across each slow capacitor, were they there already."""
        volts = self.constant_v[self.inputs :].copy()
        for tone_hz, phasors in self.tones.items():
            volts += (phasors[self.inputs :] * np.exp(2j * np.pi * (tone_hz * at_s % 1.0))).real
        return volts


class Memory:
    """What the slow capacitors hold from one stretch to the next: their volts do not jump."""

    def __init__(self) -> None:
        self._before: tuple[Steady, Modes, NDArray[np.float64]] | None = None

    def change(
        self, steady: Steady, network: Network, closed: NDArray[np.bool_], on: tuple[bool, ...]
    ) -> tuple[Decay, ...]:
        """Go over to another steady state; gives what the inputs see of the way there."""
        if not network.slow_f.size:
            return ()
        modes = find_modes(network, closed, on)
        lacking_v = np.zeros(len(network.slow_f))
        if self._before is not None:
            old, old_modes, old_lacking_v = self._before
            now_v = old.capacitors_v(steady.start_s) + lacking_after(
                old_modes, old_lacking_v, steady.start_s - old.start_s
            )
            lacking_v = now_v - steady.capacitors_v(steady.start_s)
        self._before = steady, modes, lacking_v
        return decays_of(modes, lacking_v)
