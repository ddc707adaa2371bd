"""The truth table of a job: what the circuit says of every port in every state."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import log10
from typing import Literal

from harness.circuit.elements import BenchImpedances
from harness.circuit.predict import differential, predict_states
from harness.circuit.routes import route
from harness.job.fixture import Fixture, Hookup, PortName
from harness.job.module import Module
from harness.job.state import State


@dataclass(frozen=True, kw_only=True)
class TruthRow:
    """One port in one state, driven at `driven`.

    gain_db is differential, re the generator's e.m.f.; None where nothing at all arrives. polarity is None at
    a silent port. hookup, and with it all else, is None where no hookup drives and views this pair of ports.
    """

    driven: str
    state: str
    port: str
    hookup: str | None
    route: str | None
    live: bool | None
    gain_db: float | None
    polarity: Literal["normal", "inverted"] | None


def truth_table(
    module: Module,
    fixture: Fixture,
    states: Sequence[State],
    *,
    frequency_hz: float,
    impedances: BenchImpedances,
) -> tuple[TruthRow, ...]:
    """Every driven port by every state by every port of its channel that gives signal, in the module's order.

    Each port is computed in the first hookup that drives and views it, so with the loads and plugs of a run.
    """
    driven = sorted(
        {hookup.drive for hookup in fixture.hookups if hookup.drive is not None},
        key=lambda port: (module.channels.index(port.channel), _place(module, port)),
    )
    rows: list[TruthRow] = []
    for drive in driven:
        columns = [
            tuple(_rows(module, fixture, states, drive, port, frequency_hz, impedances))
            for port in _ports(module, fixture, drive)
        ]
        rows += [row for of_state in zip(*columns, strict=True) for row in of_state]
    return tuple(rows)


def _place(module: Module, port: PortName) -> int:
    return [one.net for one in module.ports].index(port.net)


def _ports(module: Module, fixture: Fixture, drive: PortName) -> list[PortName]:
    """Outputs and sends of the driven channel, and what else of it is viewed; not the drive itself."""
    viewed = {port for hookup in fixture.hookups if hookup.drive == drive for port in hookup.view}
    ports = [
        (port.role, PortName(channel=drive.channel, net=port.net))
        for port in module.ports
        if port.net != drive.net
    ]
    return [port for role, port in ports if role in ("output", "send") or port in viewed]


def _rows(
    module: Module,
    fixture: Fixture,
    states: Sequence[State],
    drive: PortName,
    port: PortName,
    frequency_hz: float,
    impedances: BenchImpedances,
) -> Iterator[TruthRow]:
    """One port in every state."""
    hookup = _hookup(fixture, drive, port)
    if hookup is None:
        for state in states:
            yield TruthRow(
                driven=str(drive),
                state=state.name,
                port=str(port),
                hookup=None,
                route=None,
                live=None,
                gain_db=None,
                polarity=None,
            )
        return
    hot, cold = hookup.rows(port)
    frequencies_hz = (frequency_hz, frequency_hz)
    predictions = predict_states(
        module, fixture, hookup, states, frequencies_hz=frequencies_hz, impedances=impedances
    )
    for state, prediction in zip(states, predictions, strict=True):
        gain = complex(differential(prediction.transfer[[hot, cold]])[0])
        live = prediction.live[hot // 2]
        yield TruthRow(
            driven=str(drive),
            state=state.name,
            port=str(port),
            hookup=hookup.name,
            route=route(module, fixture, hookup, state, port),
            live=live,
            gain_db=20 * log10(abs(gain)) if gain else None,
            polarity=None if not live else "inverted" if gain.real < 0 else "normal",
        )


def _hookup(fixture: Fixture, drive: PortName, port: PortName) -> Hookup | None:
    return next((hookup for hookup in fixture.hookups if hookup.drive == drive and port in hookup.view), None)
