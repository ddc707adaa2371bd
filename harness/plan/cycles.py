"""Which lines are operated again and again, to catch a contact that fails now and then. Pure."""

import numpy as np

from harness.descriptions.fixture import Hookup
from harness.descriptions.state import State
from harness.plan.draft import Draft
from harness.plan.hookups import Need
from harness.plan.model import Cycle, Stimulus


def cycles_of(draft: Draft, need: Need, hookup: Hookup) -> tuple[Cycle, ...]:
    """One for each control line, operated from rest.

    Both outputs are at one frequency, so that a record is short.
    """
    tone = need.check.tone
    stimulus = Stimulus(kind="antiphase", frequency_hz=tone.frequency_hz, level_vrms=tone.level_vrms)

    def legs_vrms(state: State) -> tuple[float, ...]:
        transfer = draft.predict(hookup, state, tone.frequency_hz).transfer
        return tuple(float(v) for v in np.abs(transfer[:, 0] - transfer[:, 1]) / 2 * tone.level_vrms)

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
        if need.check.covers(State(on=(line,)))
    )
