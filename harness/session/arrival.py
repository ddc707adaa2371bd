"""Between units: everything off while hands are at the fixture, then what the unit that came in draws.

Nothing is driven for this: the relay supply alone, line by line, at a limited current.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from harness.errors import OverCurrentError
from harness.job.module import Module
from harness.job.state import State
from harness.plan.states import expected_current_a
from harness.roles import Bench
from harness.session.preflight import energise
from harness.session.stage import Stage

SAME_WITHIN = 0.004  # of a current: a meter's own repeatability, and a coil that cooled by a kelvin
SAME_WITHIN_A = 0.0002  # a supply's meter near zero
NOTHING = 0.25  # of what the coils of the best line should add: less is no unit, or no supply lead


@dataclass(frozen=True, kw_only=True)
class Arrived:
    """What is in the fixture, as far as its relay supply tells; currents in amperes by state.

    same: it draws in every state what the unit before drew when it left. over-current: there is a unit, and
    the run will say so; `currents_a` is empty then.
    """

    what: Literal["a unit", "same", "nothing", "over-current"]
    currents_a: Mapping[str, float]


def make_idle(bench: Bench) -> None:
    """Generator, relay supply and switchboard off and verified, the bench still open. Raises BenchError."""
    bench.generator.off()
    bench.supply.off()
    bench.switchboard.off()


def what_arrived(stage: Stage, left_a: Mapping[str, float]) -> Arrived:
    """Look at the unit in the fixture; leaves everything off. left_a: of the unit before, {} without one."""
    now_a = signature(stage)
    if not now_a:
        return Arrived(what="over-current", currents_a=now_a)
    if draws_nothing(stage.job.module, now_a):
        return Arrived(what="nothing", currents_a=now_a)
    return Arrived(what="same" if draws_the_same(left_a, now_a) else "a unit", currents_a=now_a)


def signature(stage: Stage) -> Mapping[str, float]:
    """What the unit draws at rest and with each line alone; {} where it draws too much. Everything off."""
    try:
        return energise(stage)
    except OverCurrentError:
        return {}
    finally:
        make_idle(stage.bench)


def draws_nothing(module: Module, now_a: Mapping[str, float]) -> bool:
    """Whether no line adds what even a single coil of it would."""
    rest = State(on=())
    at_rest_a = expected_current_a(module, rest)
    added = [
        (now_a[line] - now_a[rest.name], expected_current_a(module, State(on=(line,))) - at_rest_a)
        for line in module.line_names
        if line in now_a
    ]
    coils = any(found > NOTHING * wanted for found, wanted in added if wanted > 0)
    return not coils and now_a[rest.name] < max(0.5 * at_rest_a, SAME_WITHIN_A)


def draws_the_same(before_a: Mapping[str, float], now_a: Mapping[str, float]) -> bool:
    """Whether two signatures agree in every state; never where there is none before."""
    return bool(before_a) and all(
        abs(current_a - before_a.get(state, float("inf"))) <= SAME_WITHIN * current_a + SAME_WITHIN_A
        for state, current_a in now_a.items()
    )
