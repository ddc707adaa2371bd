"""The truth table of a job: what the circuit says of every port in every state."""

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import log10
from typing import Literal

from harness.circuit.elements import BenchImpedances
from harness.circuit.predict import differential, predict_states
from harness.circuit.routes import route
from harness.job.fixture import Fixture, PortName
from harness.job.module import Module
from harness.job.state import State

NOTHING_BELOW_DB = -200.0  # a circuit of ideal symmetry computes less than this; no bench has such symmetry


@dataclass(frozen=True, kw_only=True)
class TruthRow:
    """One port in one state, driven at `driven`.

    gain_db is differential, re the generator's e.m.f.; None if nothing at all arrives. polarity is None at
    a silent port. setup, and with it all else, is None if no setup drives and views this pair of ports.
    """

    driven: str
    state: str
    port: str
    setup: str | None = None
    route: str | None = None
    live: bool | None = None
    gain_db: float | None = None
    polarity: Literal["normal", "inverted"] | None = None


def truth_table(
    module: Module,
    fixture: Fixture,
    states: Sequence[State],
    *,
    frequency_hz: float,
    impedances: BenchImpedances,
) -> tuple[TruthRow, ...]:
    """Every driven port by every state by every port of its channel that gives signal, in the module's order.

    Each port is computed in the first setup that drives and views it, so with the loads and plugs of a run.
    """
    nets = [port.net for port in module.ports]
    driven = sorted(
        {setup.drive for setup in fixture.setups if setup.drive is not None},
        key=lambda port: (module.channels.index(port.channel), nets.index(port.net)),
    )
    rows: list[TruthRow] = []
    for drive in driven:
        columns = [
            _rows(module, fixture, states, drive, port, frequency_hz, impedances)
            for port in _ports(module, fixture, drive)
        ]
        rows += [row for of_state in zip(*columns, strict=True) for row in of_state]
    return tuple(rows)


def chosen_rows(
    rows: Iterable[TruthRow], *, driven: Collection[str] = (), ports: Collection[str] = ()
) -> tuple[TruthRow, ...]:
    """The rows of these driven ports and of these ports, by `left.out` or by net; of all if none is named."""

    def named(port: str, names: Collection[str]) -> bool:
        return not names or port in names or port.partition(".")[2] in names

    return tuple(row for row in rows if named(row.driven, driven) and named(row.port, ports))


def level_text(row: TruthRow) -> str:
    """A level as the circuit has it; where only symmetry is left of it, that it is beyond any bench."""
    if row.gain_db is None:
        return "nothing"
    if row.gain_db < NOTHING_BELOW_DB:
        return f"< {NOTHING_BELOW_DB:g}"
    return f"{row.gain_db:.2f}"


def _ports(module: Module, fixture: Fixture, drive: PortName) -> list[PortName]:
    """Outputs and sends of the driven channel, and what else of it is viewed; not the drive itself."""
    viewed = {port for setup in fixture.setups if setup.drive == drive for port in setup.view}
    ports = [
        (port.role, PortName(channel=drive.channel, net=port.net))
        for port in module.ports
        if port.net != drive.net and port.is_in(drive.channel)
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
    setup = next((setup for setup in fixture.setups if setup.drive == drive and port in setup.view), None)
    if setup is None:
        yield from (TruthRow(driven=str(drive), state=state.name, port=str(port)) for state in states)
        return
    hot, cold = setup.rows(port)
    frequencies_hz = (frequency_hz, frequency_hz)
    predictions = predict_states(
        module, fixture, setup, states, frequencies_hz=frequencies_hz, impedances=impedances
    )
    for state, prediction in zip(states, predictions, strict=True):
        gain = complex(differential(prediction.transfer[[hot, cold]])[0])
        live = prediction.live[hot // 2]
        yield TruthRow(
            driven=str(drive),
            state=state.name,
            port=str(port),
            setup=setup.name,
            route=route(module, fixture, setup, state, port),
            live=live,
            gain_db=20 * log10(abs(gain)) if gain else None,
            polarity=None if not live else "inverted" if gain.real < 0 else "normal",
        )
