"""Everything about a fixture's wiring, gathered."""

from dataclasses import dataclass

from harness.job.job import Job
from harness.wiring.connectors import Fitted, fitted
from harness.wiring.parts import Needed, bill, loads
from harness.wiring.plugs import Chosen, Plug, plugs


@dataclass(frozen=True, kw_only=True)
class Board:
    """One switchboard channel and what it does."""

    channel: int
    does: str


@dataclass(frozen=True, kw_only=True)
class Wiring:
    """A job's wiring: connectors, switchboard, plugs, what ends the ports, and what to buy."""

    module: str
    fixture: str
    connectors: tuple[Fitted, ...]
    board: tuple[Board, ...]
    plugs: tuple[Plug, ...]
    loads: tuple[Chosen, ...]
    bill: tuple[Needed, ...]


def wiring_of(job: Job) -> Wiring:
    """Gather a job's wiring."""
    module, fixture = job.module, job.fixture
    connectors = fitted(module, fixture)
    made = plugs(module, fixture)
    return Wiring(
        module=f"{module.name} ({module.part} {module.revision})",
        fixture=fixture.name,
        connectors=connectors,
        board=_board(job),
        plugs=made,
        loads=loads(module, fixture),
        bill=bill(module, fixture, connectors, made),
    )


def _board(job: Job) -> tuple[Board, ...]:
    """The control lines' channels, then the hookups that each other channel takes part in."""
    lines = [Board(channel=number, does=f"energises {line}") for line, number in job.fixture.lines.items()]
    uses: dict[int, list[str]] = {}
    for hookup in job.fixture.hookups:
        for number in hookup.select or ():
            uses.setdefault(number, []).append(hookup.name)
    selects = [
        Board(channel=number, does=f"closed for: {'; '.join(names)}")
        for number, names in sorted(uses.items())
    ]
    return (*sorted(lines, key=lambda each: each.channel), *selects)
