"""What the circuit says of a change of state: which legs move, and what of it a record shows. Pure."""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from harness.circuit.elements import BenchImpedances, Circuit
from harness.circuit.expand import build_wiring, in_state
from harness.circuit.solve import transfer
from harness.job.fixture import Hookup, PortName
from harness.job.job import Job
from harness.job.module import LEGS, Leg, Relay
from harness.job.state import Edge, State
from harness.measure.tones import choose_tones
from harness.plan.states import energised

MOVES = 0.05  # of a leg's signal: a smaller change of route than this is none that a record shows

Complex = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True)
class LegMoves:
    """What a record shows of one leg at an edge.

    moves: its signal changes. closes: the new route differs from none, so that the closing contact is seen.
    breaks: the old one does. relays: that interrupt this leg's old or new route when they alone are open.
    """

    moves: bool
    closes: bool
    breaks: bool
    relays: tuple[str, ...]


@dataclass
class Routes:
    """What the circuit predicts of each hookup and state, asked once."""

    job: Job
    impedances: BenchImpedances
    known: dict[tuple[str, str, tuple[str, ...], str, float], Complex] = field(default_factory=dict)
    wired: dict[tuple[str, tuple[str, ...], str], Circuit] = field(default_factory=dict)

    def transfer(
        self,
        hookup: Hookup,
        state: State,
        frequency_hz: float,
        opened: tuple[str, ...] = (),
        leg: Leg | None = None,
    ) -> Complex:
        """(legs, 2); `opened`: relays whose contacts are all open, or those of one `leg`."""
        key = (hookup.name, state.name, opened, leg or "", frequency_hz)
        if key not in self.known:
            module = self.job.module
            if opened:
                relays = (_opened(relay, leg) if relay.name in opened else relay for relay in module.relays)
                module = replace(module, relays=tuple(relay for relay in relays if relay.poles))
            wiring = (hookup.name, opened, leg or "")
            if wiring not in self.wired:
                self.wired[wiring] = build_wiring(module, self.job.fixture, hookup, self.impedances)
            circuit = in_state(self.wired[wiring], module, hookup, state)
            self.known[key] = transfer(circuit, choose_tones(frequency_hz).frequencies_hz)
        return self.known[key]

    def movers(self, edge: Edge) -> tuple[str, ...]:
        """Relays that change sides at an edge."""
        return tuple(relay.name for relay in self.job.module.relays if moves(relay, edge))

    def of_port(
        self, hookup: Hookup, edge: Edge, port: PortName, frequency_hz: float
    ) -> tuple[LegMoves, LegMoves]:
        """What a record in a hookup shows of a viewed port's legs, hot first."""
        opened = self.movers(edge)
        before = self.transfer(hookup, edge.before, frequency_hz)
        after = self.transfer(hookup, edge.after, frequency_hz)
        between = self.transfer(hookup, edge.before, frequency_hz, opened)
        level = np.maximum(np.abs(before), np.abs(after)).max(axis=1)

        def shows(change: Complex, row: int) -> bool:
            return bool(level[row] > MOVES and np.abs(change[row]).max() > MOVES * level[row])

        hot = 2 * hookup.view.index(port)
        found = []
        for row, leg in zip((hot, hot + 1), LEGS, strict=True):
            here = tuple(
                relay.name
                for relay in self.job.module.relays
                if relay.name in opened and any(pole.leg == leg for pole in relay.poles)
            )
            alone = here if len(here) < 2 else tuple(
                name
                for name in here
                if any(
                    shows(self.transfer(hookup, state, frequency_hz, (name,), leg) - closed, row)
                    for state, closed in ((edge.before, before), (edge.after, after))
                )
            )  # fmt: skip
            found.append(
                LegMoves(
                    moves=shows(between - before, row) or shows(after - before, row),
                    closes=shows(after - between, row),
                    breaks=shows(before - between, row),
                    relays=alone,
                )
            )
        return found[0], found[1]


def _opened(relay: Relay, leg: Leg | None) -> Relay:
    """A relay without the poles of one leg, or of both."""
    return replace(relay, poles=tuple(pole for pole in relay.poles if leg not in (None, pole.leg)))


def moves(relay: Relay, edge: Edge) -> bool:
    """Whether a relay changes sides at an edge; a latching one may, when either of its lines comes on."""
    if relay.line is not None:
        return energised(relay, edge.before) != energised(relay, edge.after)
    return any(line in edge.lines and line in edge.after.on for line in (relay.set_line, relay.reset_line))
