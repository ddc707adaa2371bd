"""The check of each control line alone, before the plan: which faults it stops at, and in which state."""

import math

from harness.faults.doubt import SURE, supply_standard
from harness.faults.effects import Suspect, control_of, drawn_a, shorts
from harness.job.module import Module
from harness.job.state import State
from harness.plan.states import LIMIT_REACHED, limit_of


def over_current(module: Module, suspect: Suspect, *, coverage_factor: float) -> tuple[float, str]:
    """Margin, in expanded uncertainties past the limit, and state in which the supply first reaches it.

    A run stops there with the verdict fail, and nothing else is measured. The margin is infinite at a short;
    the state is "" where no line alone surely draws too much.
    """
    control = control_of(suspect)
    worst = -math.inf
    for state in (State(on=()), *(State(on=(line,)) for line in module.line_names)):
        if shorts(module, state, control):
            return math.inf, state.name
        wanted_a = drawn_a(module, state, control)
        doubt_a = coverage_factor * float(supply_standard(wanted_a, wanted_a))
        if doubt_a:
            worst = max(worst, (wanted_a - LIMIT_REACHED * limit_of(module, state)) / doubt_a)
        if worst >= SURE:
            return worst, state.name
    return worst, ""
