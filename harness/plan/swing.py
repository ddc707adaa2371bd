"""Whether the generator would drive an amplifier further than its output goes, before anything moves."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from harness.circuit.elements import AmplifierLeg, Circuit
from harness.circuit.expand import build_circuit
from harness.circuit.solve import solve, write_equations
from harness.errors import Mistake
from harness.job.fixture import Setup
from harness.job.job import Job
from harness.job.sequence import Check
from harness.job.state import State
from harness.measure.tones import Stimulus
from harness.plan.model import Plan
from harness.units import dbu_from_vrms, format_value

ROUNDING = 1e-3  # of a level: levels are printed to 0.01 dB


@dataclass(frozen=True, kw_only=True)
class _Driven:
    """Where a stimulus drives the unit."""

    setup: str
    state: State
    stimulus: Stimulus


def over_driven(job: Job, plan: Plan) -> Iterator[Mistake]:
    """A mistake for each check whose level is more than some amplifier's output can follow, with the figures.

    Only amplifiers with a maximum output can be told of. Each tone of a pair drives one leg, and their peaks
    meet, so that the sum of both counts.
    """
    most = {each.name: each.most_output_vrms for each in job.module.amplifiers if each.most_output_vrms}
    if not most:
        return
    where = _where(plan)
    known: dict[tuple[str, str, float], Mapping[str, float]] = {}
    for check in job.sequence.checks:
        captures = (number for one in plan.readings_by_check.get(check.name, ()) for number in one.captures)
        found: list[tuple[float, str, _Driven]] = []
        for driven in dict.fromkeys(one for number in captures for one in where.get(number, ())):
            key = driven.setup, driven.state.name, driven.stimulus.frequency_hz
            if key not in known:
                known[key] = _outputs(job, plan, driven)
            for name, gain in known[key].items():
                if name in most:
                    found.append((gain * driven.stimulus.level_vrms / most[name], name, driven))
        if found:
            excess, name, driven = max(found, key=lambda one: one[0])
            if excess > 1 + ROUNDING:
                yield _mistake(check, name, most[name], excess, driven)


def _where(plan: Plan) -> dict[int, list[_Driven]]:
    """Setup, state and stimulus of every capture with a tone; of a change of state, both of its states."""
    where = {
        one.number: [_Driven(setup=one.setup, state=one.state, stimulus=one.stimulus)]
        for one in plan.acquisitions
        if one.stimulus.has_tone
    }
    for change in plan.changes:
        if change.stimulus.has_tone:
            where[change.number] = [
                _Driven(setup=change.setup, state=state, stimulus=change.stimulus)
                for state in (change.change.before, change.change.after)
            ]
    return where


def _outputs(job: Job, plan: Plan, driven: _Driven) -> dict[str, float]:
    """What each amplifier gives between its legs without a load, per volt between the generator's outputs."""
    setup: Setup = next(setup for setup in job.fixture.setups if setup.name == driven.setup)
    circuit = build_circuit(job.module, job.fixture, setup, driven.state, plan.impedances)
    return amplifier_outputs(circuit, driven.stimulus.frequency_hz)


def amplifier_outputs(circuit: Circuit, frequency_hz: float) -> dict[str, float]:
    """The same of a circuit, at a frequency; by the amplifiers' names."""
    equations = write_equations(circuit)
    volts = solve(equations, equations.matrix([frequency_hz])[0], equations.source)
    volts = np.concatenate([volts, np.zeros((1, 2))])

    def emf(leg: AmplifierLeg) -> np.ndarray:
        hot, cold = (volts[equations.node.get(node, equations.size)] for node in (leg.hot, leg.cold))
        return np.asarray(leg.gain_hot * hot + leg.gain_cold * cold)

    between: dict[str, np.ndarray] = {}
    for leg in circuit.amplifiers:
        sign = 1 if leg.is_hot else -1
        between[leg.part] = between.get(leg.part, np.zeros(2)) + sign * emf(leg)
    return {name: float(np.abs(legs).sum() / 2) for name, legs in between.items()}


def _mistake(check: Check, name: str, most_vrms: float, excess: float, driven: _Driven) -> Mistake:
    level_vrms = driven.stimulus.level_vrms

    def dbu(vrms: float) -> str:
        return format_value(dbu_from_vrms(vrms), "dBu")

    return check.mistake(
        f"at {dbu(level_vrms)} {name} would have to give {dbu(excess * most_vrms)} in state "
        f"{driven.state.name} of {driven.setup!r}, and its maximum_output is {dbu(most_vrms)}; expected a "
        f"level of at most {dbu(level_vrms / excess)}"
    )
