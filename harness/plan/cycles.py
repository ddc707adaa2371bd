"""Which lines are operated again and again, to catch a contact that fails now and then. Pure."""

from collections.abc import Iterator
from typing import cast

from harness.job.fixture import Hookup, PortName
from harness.job.state import State
from harness.plan.draft import Draft, NeedInState
from harness.plan.hookups import Need
from harness.quantities.cycle import CycleLevels, OfCycle, OfOperations, levels_of
from harness.quantities.quantity import PlannedReading

SILENT = 0.01  # of a leg's drive: a line that is operated between two states below this shows nothing


def cycles_of(draft: Draft, need: Need, hookup: Hookup) -> Iterator[PlannedReading[OfOperations]]:
    """One for each control line, operated from rest, at whose port a signal shows before or after.

    A line that leaves the port silent both times is left out: no failure could be seen there, and none in ten
    operations would mean nothing.
    """
    tone = need.check.tone
    rows = hookup.rows(PortName(channel=need.channel, net=need.port))

    def levels(state: State) -> CycleLevels:
        transfer = draft.predict(hookup, state, tone.frequency_hz).transfer
        return levels_of((transfer[:, 0] - transfer[:, 1]) / 2 * tone.level_vrms, rows)

    for line in draft.job.module.line_names:
        state = State(on=(line,))
        if not need.check.covers(state):
            continue
        at_rest, operated = levels(State(on=())), levels(state)
        most = max(one.legs_vrms[row] for one in (at_rest, operated) for row in rows)
        if most > SILENT * tone.level_vrms / 2:
            here = NeedInState(draft=draft, need=need, hookup=hookup, in_state=state, check=need.check)
            yield cast(OfCycle, need.check.quantity).planned(
                here, setup=hookup.name, line=line, rows=rows, at_rest=at_rest, operated=operated
            )
