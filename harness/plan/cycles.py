"""Which lines are operated again and again, to catch a contact that fails now and then. Pure."""

import numpy as np
from numpy.typing import NDArray

from harness.job.fixture import Hookup, PortName
from harness.job.state import State
from harness.plan.draft import Draft
from harness.plan.hookups import Need
from harness.plan.model import Cycle, CycleLevels, Stimulus
from harness.quantities.cycle import IntermittencyOptions

SILENT = 0.01  # of a leg's drive: a line that is operated between two states below this shows nothing


def levels_of(volts: NDArray[np.complex128], hot: int) -> CycleLevels:
    """From the legs' phasors by row; hot: the row of the port's hot leg."""
    return CycleLevels(
        legs_vrms=tuple(float(level) for level in np.abs(volts)),
        pair_vrms=float(abs(volts[hot] - volts[hot + 1])),
    )


def cycles_of(draft: Draft, need: Need, hookup: Hookup) -> tuple[Cycle, ...]:
    """One for each control line, operated from rest, at whose port a signal shows before or after.

    A line that leaves the port silent both times is left out: no failure could be seen there, and none in ten
    operations would mean nothing. Both outputs are at one frequency, so that a record is short.
    """
    tone = need.check.tone
    stimulus = Stimulus(kind="antiphase", frequency_hz=tone.frequency_hz, level_vrms=tone.level_vrms)

    def levels(state: State) -> CycleLevels:
        transfer = draft.predict(hookup, state, tone.frequency_hz).transfer
        return levels_of((transfer[:, 0] - transfer[:, 1]) / 2 * tone.level_vrms, hot)

    hot = 2 * hookup.view.index(PortName(channel=need.channel, net=need.port))

    def shows(line: str) -> bool:
        either = (levels(State(on=())), levels(State(on=(line,))))
        most = max(level for one in either for level in one.legs_vrms[hot : hot + 2])
        return most > SILENT * tone.level_vrms / 2

    lines = draft.job.module.line_names
    options = need.check.options
    operations = options.operations if isinstance(options, IntermittencyOptions) else 0
    return tuple(
        Cycle(
            check=need.check,
            hookup=hookup.name,
            line=line,
            operations=operations,
            stimulus=stimulus,
            driven=need.drive.channel,
            channel=need.channel,
            port=need.port,
            at_rest=levels(State(on=())),
            operated=levels(State(on=(line,))),
        )
        for line in lines
        if need.check.covers(State(on=(line,))) and shows(line)
    )
