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
from harness.job.fixture import Hookup, PortName
from harness.job.job import Job
from harness.job.state import State
from harness.measure.intermittency import missed
from harness.measure.tones import choose_tones
from harness.plan.cycles import levels_of
from harness.plan.model import Cycle, Plan
from harness.plan.states import energised
from harness.reading import Shown, Step

STEPS: tuple[Step, ...] = ("released", "operated")


@dataclass(frozen=True, kw_only=True, eq=False)
class Cycles:
    """Foretells cycles of a job; asked once for each suspect."""

    job: Job
    plan: Plan
    impedances: BenchImpedances
    _known: dict[tuple[Suspect, int], Missed] = field(default_factory=dict)

    def foretold(self, suspect: Suspect, cycle: Cycle) -> Missed:
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

    def _missed(self, suspect: Suspect, cycle: Cycle) -> Iterator[tuple[Step, Shown]]:
        """As a run tells of it: the first thing that is wrong after each step."""
        hookup = next(one for one in self.job.fixture.hookups if one.name == cycle.hookup)
        hot = 2 * hookup.view.index(PortName(channel=cycle.channel, net=cycle.port))
        states = (State(on=()), cycle.state)
        for step, state, wanted in zip(STEPS, states, (cycle.at_rest, cycle.operated), strict=True):
            if not suspect or (comes_and_goes(suspect) and not self._made_anew(suspect, step, cycle.state)):
                continue
            found = levels_of(self._volts(suspect, hookup, state, cycle), hot)
            shown: tuple[tuple[Shown, float, float], ...] = (
                ("hot leg", found.legs_vrms[hot], wanted.legs_vrms[hot]),
                ("cold leg", found.legs_vrms[hot + 1], wanted.legs_vrms[hot + 1]),
                ("between the legs", found.pair_vrms, wanted.pair_vrms),
            )
            for what, level, expected in shown:
                if missed(level, expected, drive_vrms=cycle.stimulus.level_vrms):
                    yield step, what
                    break

    def _made_anew(self, suspect: Suspect, step: Step, operated: State) -> bool:
        """Whether the step is the operation that may fail: the relay moves, onto this throw."""
        fault = suspect[0]
        relay = next(one for one in self.job.module.relays if one.name == fault.subject.rsplit(".", 2)[0])
        throw = "rest" if step == "released" else "operated"
        return fault.throw == throw and energised(relay, operated)

    def _volts(self, suspect: Suspect, hookup: Hookup, state: State, cycle: Cycle) -> NDArray[np.complex128]:
        module, fixture = self.job.module, self.job.fixture
        sound = build_circuit(module, fixture, hookup, state, self.impedances)
        broken = with_fault(sound, as_open(suspect), module=module, fixture=fixture, state=state)
        found = transfer(broken, choose_tones(cycle.stimulus.frequency_hz).frequencies_hz)
        return np.asarray((found[:, 0] - found[:, 1]) / 2 * cycle.stimulus.level_vrms)
