"""What faults do to a line that is operated again and again: in which steps a leg shows the wrong level."""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.circuit.elements import BenchImpedances
from harness.circuit.expand import build_circuit
from harness.circuit.solve import transfer
from harness.faults.at_times import as_open, comes_and_goes
from harness.faults.effects import Suspect, with_fault
from harness.faults.observed import CycleSeen, Missed
from harness.job.fixture import Hookup
from harness.job.job import Job
from harness.job.state import State
from harness.plan.model import Plan
from harness.plan.states import energised
from harness.quantities.cycle import OfOperations, levels_of, missed
from harness.quantities.quantity import PlannedReading
from harness.reading import Shown, Step

STEPS: tuple[Step, ...] = ("released", "operated")

Operated = PlannedReading[OfOperations]


@dataclass(frozen=True, kw_only=True, eq=False)
class Cycles:
    """Foretells cycles of a job; asked once for each suspect."""

    job: Job
    plan: Plan
    impedances: BenchImpedances
    _known: dict[tuple[Suspect, int], Missed] = field(default_factory=dict)

    def foretold(self, suspect: Suspect, cycle: Operated) -> Missed:
        """Where a unit with these faults misses: at every operation, or where it comes and goes, at some."""
        key = (suspect, id(cycle))
        if key not in self._known:
            self._known[key] = frozenset(self._missed(suspect, cycle))
        return self._known[key]

    def explains(self, suspect: Suspect, seen: CycleSeen) -> bool:
        """Whether such a unit would have failed as was seen: in the same steps and legs, and as often."""
        wanted = self.foretold(suspect, seen.cycle)
        if not seen.failed:
            return not wanted or comes_and_goes(suspect)
        return bool(wanted & seen.missed) and (comes_and_goes(suspect) or seen.failed == 1)

    def _missed(self, suspect: Suspect, cycle: Operated) -> Iterator[tuple[Step, Shown]]:
        """As a run tells of it: the first thing that is wrong after each step."""
        given = cycle.given
        hookup = next(one for one in self.job.fixture.hookups if one.name == given.setup)
        hot, cold = given.rows
        operated = State(on=(given.line,))
        states = (State(on=()), operated)
        for step, state, wanted in zip(STEPS, states, (given.at_rest, given.operated), strict=True):
            if not suspect or (comes_and_goes(suspect) and not self._made_anew(suspect, step, operated)):
                continue
            found = levels_of(self._volts(suspect, hookup, state, given), given.rows)
            shown: tuple[tuple[Shown, float, float], ...] = (
                ("hot leg", found.legs_vrms[hot], wanted.legs_vrms[hot]),
                ("cold leg", found.legs_vrms[cold], wanted.legs_vrms[cold]),
                ("between the legs", found.pair_vrms, wanted.pair_vrms),
            )
            for what, level, expected in shown:
                if missed(level, expected, drive_vrms=given.stimulus.level_vrms):
                    yield step, what
                    break

    def _made_anew(self, suspect: Suspect, step: Step, operated: State) -> bool:
        """Whether the step is the operation that may fail: the relay moves, onto this throw."""
        fault = suspect[0]
        relay = next(one for one in self.job.module.relays if one.name == fault.subject.rsplit(".", 2)[0])
        throw = "rest" if step == "released" else "operated"
        return fault.throw == throw and energised(relay, operated)

    def _volts(
        self, suspect: Suspect, hookup: Hookup, state: State, given: OfOperations
    ) -> NDArray[np.complex128]:
        module, fixture = self.job.module, self.job.fixture
        sound = build_circuit(module, fixture, hookup, state, self.impedances)
        broken = with_fault(sound, as_open(suspect), module=module, fixture=fixture, state=state)
        found = transfer(broken, given.stimulus.tones.frequencies_hz)
        return np.asarray((found[:, 0] - found[:, 1]) / 2 * given.stimulus.level_vrms)
