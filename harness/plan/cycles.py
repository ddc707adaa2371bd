"""Which lines are operated again and again, to catch a contact that fails now and then. Pure."""

import numpy as np

from harness.descriptions.fixture import Hookup, PortName
from harness.descriptions.state import State
from harness.plan.draft import Draft
from harness.plan.hookups import Need
from harness.plan.model import Cycle, Stimulus

SILENT = 0.01  # of a leg's drive: a line that is operated between two states below this shows nothing


def cycles_of(draft: Draft, need: Need, hookup: Hookup) -> tuple[Cycle, ...]:
    """One for each control line, operated from rest, whose port is led the drive on either side.

    Of one that is silent both times no failure could be seen, and none of ten would say nothing. Both outputs
    are at one frequency, so that a record is short.
    """
    tone = need.check.tone
    stimulus = Stimulus(kind="antiphase", frequency_hz=tone.frequency_hz, level_vrms=tone.level_vrms)

    def legs_vrms(state: State) -> tuple[float, ...]:
        transfer = draft.predict(hookup, state, tone.frequency_hz).transfer
        return tuple(float(v) for v in np.abs(transfer[:, 0] - transfer[:, 1]) / 2 * tone.level_vrms)

    hot = 2 * hookup.view.index(PortName(channel=need.channel, net=need.port))

    def shows(line: str) -> bool:
        levels = (*legs_vrms(State(on=()))[hot : hot + 2], *legs_vrms(State(on=(line,)))[hot : hot + 2])
        return max(levels) > SILENT * tone.level_vrms / 2

    lines = draft.job.module.line_names
    return tuple(
        Cycle(
            check=need.check,
            hookup=hookup.name,
            line=line,
            stimulus=stimulus,
            driven=need.drive.channel,
            channel=need.channel,
            port=need.port,
            at_rest=legs_vrms(State(on=())),
            operated=legs_vrms(State(on=(line,))),
        )
        for line in lines
        if need.check.covers(State(on=(line,))) and shows(line)
    )
