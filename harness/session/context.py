"""What every step at an open bench shares, what every step of a run shares, and how a state is set."""

from dataclasses import dataclass

from harness.circuit.elements import BenchImpedances
from harness.job.fixture import Hookup
from harness.job.job import Job
from harness.job.state import State
from harness.plan.model import Plan
from harness.roles import Bench
from harness.session.drive import Drive
from harness.session.events import Clock, Hands, Observer
from harness.session.recorder import Recorder
from harness.session.recovery import Recovery
from harness.session.supply_watch import SupplyWatch
from harness.session.wear import CountedSwitchboard, operations_of


def impedances(bench: Bench) -> BenchImpedances:
    """What this bench's instruments put on the pins."""
    return BenchImpedances(
        source_ohm=bench.generator.output_impedance_ohm,
        input_ohm=bench.oscilloscope.input_impedance_ohm,
        input_f=bench.oscilloscope.input_capacitance_f,
    )


@dataclass(frozen=True, kw_only=True)
class BenchContext:
    """An open bench with a unit of a job in its fixture. board: the bench's own, that counts."""

    job: Job
    bench: Bench
    board: CountedSwitchboard
    supply_watch: SupplyWatch
    observe: Observer
    clock: Clock

    def operations(self) -> dict[str, int]:
        """How often each relay was operated so far."""
        return operations_of(self.job, self.board)

    @property
    def settle_s(self) -> float:
        """How long to wait after a change of state before anything is believed."""
        return self.job.sequence.settle_s + self.bench.switchboard.settle_s

    def set_state(self, hookup: Hookup | None, state: State) -> None:
        """Set a hookup's select channels and a state's lines, and let them settle."""
        self.wait_until(self.begin_state(hookup, state))

    def begin_state(self, hookup: Hookup | None, state: State) -> float:
        """Set a hookup's select channels and a state's lines; returns the time when they have settled."""
        select = () if hookup is None or hookup.select is None else hookup.select
        lines = tuple(self.job.fixture.lines[line] for line in state.on)
        self.bench.switchboard.set(frozenset(select + lines))
        return self.clock.now_s() + self.settle_s

    def wait_until(self, time_s: float) -> None:
        """Let the rest of a settling time pass."""
        left_s = time_s - self.clock.now_s()
        if left_s > 0:
            self.clock.wait(left_s)


@dataclass(frozen=True, kw_only=True)
class RunContext(BenchContext):
    """The surroundings of a run. gain_accuracy: of a scope input, a fraction, from the bench file."""

    plan: Plan
    drive: Drive
    recorder: Recorder
    recovery: Recovery
    gain_accuracy: float
    hands: Hands

    def catch_up(self, *, until_s: float) -> None:
        """Do what the recorder has put off; nothing more is begun from that time on."""
        self.recorder.catch_up(lambda: self.clock.now_s() >= until_s)
