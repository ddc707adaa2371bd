"""Which positions of the relays fault sets reach in some states."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.arrays import Flags, Indices
from harness.faults.effects import ControlSide, operated_relays
from harness.job.module import Module
from harness.job.state import State


@dataclass(frozen=True, kw_only=True, eq=False)
class Positions:
    """Every position of the relays that some fault set reaches in some state, once.

    operated: (positions, relays). index: (fault sets + 1, states), the position that each state reaches; the
    last row is a good unit's.
    """

    operated: Flags
    index: Indices


def positions_of(module: Module, states: Sequence[State], sides: Sequence[ControlSide]) -> Positions:
    """Find where each state leads the relays under each fault set's faults of control lines and coils.

    As `operated_relays` has it, for all states at once.
    """
    if module.set_controls:
        return _latching_positions(module, states, sides)
    names = module.control_names
    on = np.array([[control in state.on for control in names] for state in states]).reshape(
        len(states), len(names)
    )
    on &= np.array([state.powered for state in states], dtype=bool)[:, None]
    controls = [names.index(relay.operating_control) for relay in module.relays]
    numbers = {relay.name: number for number, relay in enumerate(module.relays)}
    known: dict[bytes, int] = {}

    def indices(operated: Flags) -> list[int]:
        return [known.setdefault(row.tobytes(), len(known)) for row in operated]

    index = np.tile(np.array(indices(on[:, controls]), dtype=np.intp), (len(sides) + 1, 1))
    for row, side in enumerate(sides):
        if not side.leads_elsewhere:
            continue
        reached = on.copy()
        for control, feed in side.feeds.items():
            reached[:, names.index(control)] = False if feed is None else on[:, names.index(feed)]
        operated = reached[:, controls]
        shorted = operated[:, [numbers[name] for name in side.coil_shorted]].any(axis=1)
        operated[shorted] = False
        index[row] = indices(operated)
    operated = np.frombuffer(b"".join(known), dtype=bool).reshape(len(known), len(module.relays))
    return Positions(operated=operated, index=index)


def _latching_positions(module: Module, states: Sequence[State], sides: Sequence[ControlSide]) -> Positions:
    """The same where relays stand as pulses leave them: state by state, for those that lead elsewhere."""
    known: dict[bytes, int] = {}

    def row(side: ControlSide) -> list[int]:
        reached = (operated_relays(module, state, side) for state in states)
        flags = (np.array([stands[relay.name] for relay in module.relays], dtype=bool) for stands in reached)
        return [known.setdefault(each.tobytes(), len(known)) for each in flags]

    good = row(ControlSide())
    index = np.array([row(side) if side.leads_elsewhere else good for side in sides] + [good], dtype=np.intp)
    operated = np.frombuffer(b"".join(known), dtype=bool).reshape(len(known), len(module.relays))
    return Positions(operated=operated, index=index.reshape(len(sides) + 1, len(states)))
