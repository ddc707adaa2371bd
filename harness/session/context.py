"""What every step at an open bench shares: how a state is set, and what the relay supply says of it."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import inf, sqrt
from statistics import mean, stdev
from typing import NoReturn

from harness.circuit.elements import BenchImpedances
from harness.circuit.predict import Prediction, predict
from harness.errors import BadReply, OverCurrentError
from harness.job.fixture import Setup
from harness.job.job import Job
from harness.job.module import Module
from harness.job.state import State
from harness.measure.tones import Stimulus
from harness.plan.model import Plan
from harness.plan.states import LIMIT_REACHED, expected_current_a
from harness.reading import Reading
from harness.records.run import Event
from harness.records.store import RunStore
from harness.roles import Bench, Generator, Oscilloscope, Supply, SupplyReading, Switchboard
from harness.session.events import Hands, Observer, ReadingsMade, StateBegun
from harness.session.instruments import CountedSwitchboard, Drive, Recovery, operations_of
from harness.session.recorder import Recorder

VOLTAGE_HELD = 0.9  # of the set voltage; below, the supply is in current limit
BEYOND_LIMIT = 1.2  # times the set limit: what no supply gives, however coarse its limit is
AGREE, AGREE_A, AGREE_V = 0.1, 0.001, 0.2  # of two readings; a supply at its limit is steady
EXCESS = 1.5  # of the predicted current: more than any mix of wrong coils that still work
EXCESS_A = 0.02  # what is not worth a stop, at small currents
LATER = 4.0  # settling times: until a second reading of what a late switchboard would explain
LATE_READINGS = 8  # at most, while the current still changes
READINGS = 5  # of a current that is judged: meters of supplies are noisy near the bottom of their range


class SupplyWatch:
    """Reads the relay supply, and blames the unit by nothing less than two readings that agree.

    settle_s: how long a change of state takes to settle. wait: lets seconds pass.
    """

    def __init__(
        self,
        module: Module,
        supply: Supply,
        switchboard: Switchboard,
        *,
        settle_s: float,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self._module, self._supply, self._switchboard = module, supply, switchboard
        self._settle_s, self._wait = settle_s, wait

    def average(self, state: State, *, limit_a: float) -> SupplyReading:
        """Check the relay supply, and read its current a few times: the mean, and what its scatter leaves.

        The scatter of so few says little of itself: (n - 1)/(n - 3) as in JCGM 101:2008, 6.4.9.
        """
        first = self.check(state, limit_a=limit_a)
        others_a = [self._read(state, limit_a).current_a for _ in range(READINGS - 1)]
        currents_a = [first.current_a, *others_a]
        return SupplyReading(
            voltage_v=first.voltage_v,
            current_a=mean(currents_a),
            current_standard_a=stdev(currents_a) * sqrt((READINGS - 1) / (READINGS - 3) / READINGS),
        )

    def check(self, state: State, *, limit_a: float) -> SupplyReading:
        """Read the relay supply; raises OverCurrentError with the state and the current in its message.

        Over-current counts against the unit only if two readings agree. A supply at its limit, or one that
        does not hold its voltage, is read again at once: an answer that lost its end on the wire is a number
        as well ("+2.999" of "+2.999E-02"). If the readings differ, or show what no supply gives, that is the
        bench's BadReply, and nothing is said of the unit. A current below the limit may be what another state
        draws: a switchboard that answers nothing may be late on a busy computer, so the supply is read again
        after the switchboard has had its time.
        """
        reading = self._read(state, limit_a)
        if self._may_be_late(reading, state):
            reading = self._when_in_time(reading, state, limit_a)
        if self._is_over(reading, state):
            self._blame(reading, state, limit_a)
        return reading

    def _read(self, state: State, limit_a: float) -> SupplyReading:
        """Read the supply, twice if it is at its limit; raises OverCurrentError if it stays there."""
        reading = self._supply.measure()
        if not self._is_limited(reading, limit_a):
            return reading
        in_time = self._switchboard.reads_back
        if not in_time:
            self._wait(LATER * self._settle_s)
        again = self._supply.measure()
        limited = self._is_limited(again, limit_a)
        if not in_time and not limited and not self._is_over(again, state):
            return again
        if limited and _agree(reading, again) and self._is_possible(again, state, limit_a):
            self._blame(again, state, limit_a)
        raise BadReply(
            f"measured {reading.current_a * 1e3:.1f} mA at {reading.voltage_v:.2f} V in state "
            f"{state.name}, and after that {again.current_a * 1e3:.1f} mA at "
            f"{again.voltage_v:.2f} V; one of the two is impossible",
            instrument="supply",
            address=self._supply.identity.address,
        )

    def _is_possible(self, reading: SupplyReading, state: State, limit_a: float) -> bool:
        """Whether a supply can read so: no more than its limit, and no coil's current without its voltage."""
        expected_a = expected_current_a(self._module, state)
        held = reading.voltage_v >= VOLTAGE_HELD * self._module.supply.voltage_v
        at_limit = reading.current_a >= LIMIT_REACHED * limit_a
        tripped = reading.current_a <= 0.5 * expected_a
        return abs(reading.current_a) <= BEYOND_LIMIT * limit_a and (held or at_limit or tripped)

    def _may_be_late(self, reading: SupplyReading, state: State) -> bool:
        """Whether another state could draw this: too much, or, if the board reads nothing back, one control
        line off.

        A change from a control line to another that draws the same shows in no current.
        """
        if self._is_over(reading, state):
            return True
        off_a = abs(reading.current_a - expected_current_a(self._module, state))
        return not self._switchboard.reads_back and off_a > self._half_a_control_a()

    def _half_a_control_a(self) -> float:
        """Half of what the control line draws that draws least; nothing is said by lines that draw
        nothing.
        """
        module = self._module
        idle_a = expected_current_a(module, State(on=()))
        controls_a = [
            expected_current_a(module, State(on=(control,))) - idle_a for control in module.control_names
        ]
        return min((control_a for control_a in controls_a if control_a > 0.0), default=inf) / 2

    def _when_in_time(self, seen: SupplyReading, state: State, limit_a: float) -> SupplyReading:
        """Read again until the current fits the state, or two readings agree that it is the unit's own."""
        for _ in range(LATE_READINGS):
            self._wait(LATER * self._settle_s)
            before, seen = seen, self._read(state, limit_a)
            if not self._may_be_late(seen, state):
                self._wait(self._settle_s)  # what was late has only just moved
                break
            if abs(seen.current_a - before.current_a) <= self._half_a_control_a():
                break
        return seen

    def _blame(self, again: SupplyReading, state: State, limit_a: float) -> NoReturn:
        expected_a = expected_current_a(self._module, state)
        tripped = (
            ""
            if again.current_a > 0.5 * limit_a
            else "That is below its limit: it tripped, or does not hold its voltage (check that too). "
        )
        raise OverCurrentError(
            f"over-current in state {state.name}: the relay supply gives "
            f"{again.current_a * 1e3:.1f} mA at {again.voltage_v:.2f} V with its limit at "
            f"{limit_a * 1e3:.0f} mA; the coils should draw {expected_a * 1e3:.1f} mA. {tripped}"
            "Look for a shorted coil, a reversed diode, or control lines swapped or bridged",
            state=state.name,
            limit_a=limit_a,
            current_a=again.current_a,
            voltage_v=again.voltage_v,
        )

    def _is_over(self, reading: SupplyReading, state: State) -> bool:
        """Whether the supply gives more than any mix of coils that still work."""
        return reading.current_a > EXCESS * expected_current_a(self._module, state) + EXCESS_A

    def _is_limited(self, reading: SupplyReading, limit_a: float) -> bool:
        """Whether it is in current limit; a number cut on the wire can be as far below zero."""
        return (
            abs(reading.current_a) >= LIMIT_REACHED * limit_a
            or reading.voltage_v < VOLTAGE_HELD * self._module.supply.voltage_v
        )


def _agree(a: SupplyReading, b: SupplyReading) -> bool:
    """Whether two readings of the supply are the same."""
    return (
        abs(a.current_a - b.current_a) <= AGREE * abs(b.current_a) + AGREE_A
        and abs(a.voltage_v - b.voltage_v) <= AGREE * abs(b.voltage_v) + AGREE_V
    )


def impedances(generator: Generator, oscilloscope: Oscilloscope) -> BenchImpedances:
    """What these instruments put on the pins."""
    return BenchImpedances(
        source_ohm=generator.output_impedance_ohm,
        input_ohm=oscilloscope.input_impedance_ohm,
        input_f=oscilloscope.input_capacitance_f,
    )


@dataclass(frozen=True, kw_only=True)
class BenchContext:
    """An open bench with a unit of a job in its fixture. board: the bench's switchboard, which counts."""

    job: Job
    bench: Bench
    board: CountedSwitchboard
    supply_watch: SupplyWatch
    observe: Observer

    def operations(self) -> dict[str, int]:
        """How often each relay was operated so far."""
        return operations_of(self.job, self.board)

    @property
    def settle_s(self) -> float:
        """How long to wait after a change of state before anything is measured."""
        return self.job.sequence.settle_s + self.board.settle_s

    def predict(self, setup: Setup, state: State, stimulus: Stimulus) -> Prediction:
        """What the circuit predicts of a setup in a state, at both tones of a stimulus."""
        return predict(
            self.job.module,
            self.job.fixture,
            setup,
            state,
            frequencies_hz=stimulus.tones.frequencies_hz,
            impedances=impedances(self.bench.generator, self.bench.oscilloscope),
        )

    def set_state(self, setup: Setup | None, state: State) -> None:
        """Set a setup's select channels and a state's control lines, and let them settle."""
        self.wait_until(self.begin_state(setup, state))

    def begin_state(self, setup: Setup | None, state: State) -> float:
        """Set them; returns the time, of `time.monotonic`, when they have settled."""
        select = () if setup is None or setup.select is None else setup.select
        controls = tuple(self.job.fixture.controls[control] for control in state.on)
        self.board.set(frozenset(select + controls))
        return time.monotonic() + self.settle_s

    def wait_until(self, time_s: float) -> None:
        """Let the rest of a settling time pass."""
        left_s = time_s - time.monotonic()
        if left_s > 0:
            time.sleep(left_s)


@dataclass(frozen=True, kw_only=True)
class RunContext(BenchContext):
    """What every step of a run shares; the run is `run_id` in the records of `store`.

    gain_accuracy: of a scope input, a fraction, from the bench file.
    """

    store: RunStore
    run_id: int
    plan: Plan
    drive: Drive
    recorder: Recorder
    recovery: Recovery
    gain_accuracy: float
    hands: Hands

    def record(self, event: Event, text: str = "") -> None:
        """Keep an event with the run."""
        self.store.add_event(self.run_id, event, text)

    def begin_recording(self, setup: Setup, state: State, done: int, doing: str = "") -> None:
        """Tell the observer which state is set next, after `done` acquisitions, and what is done in it."""
        self.observe(
            StateBegun(
                setup=setup.name,
                state=state,
                done=done,
                total=self.plan.capture_count,
                operations=self.operations(),
                doing=doing,
            )
        )

    def add_readings(self, state: State, done: int, readings: Sequence[Reading]) -> None:
        """Commit readings to the records, then show them to the observer."""
        self.store.add_readings(self.run_id, readings)
        total = self.plan.capture_count
        self.observe(ReadingsMade(state=state, done=done, total=total, readings=tuple(readings)))

    def catch_up(self, *, until_s: float) -> None:
        """Do what the recorder has deferred; nothing more is begun from that time on."""
        self.recorder.catch_up(lambda: time.monotonic() >= until_s)


def bench_context(job: Job, bench: Bench, observe: Observer) -> BenchContext:
    """What every step at an open bench shares; its relays' operations are counted from now on."""
    board = CountedSwitchboard(bench.switchboard)
    settle_s = job.sequence.settle_s + board.settle_s
    return BenchContext(
        job=job,
        bench=replace(bench, switchboard=board),
        board=board,
        supply_watch=SupplyWatch(job.module, bench.supply, board, settle_s=settle_s),
        observe=observe,
    )


def run_context(
    plan: Plan, job: Job, bench: Bench, store: RunStore, run_id: int, *, hands: Hands, observe: Observer
) -> RunContext:
    """What every step of a run shares."""
    if job.bench is None:
        raise ValueError("a job without a bench has no instruments to run on")
    shared = bench_context(job, bench, observe)
    drive = Drive(bench.generator, job.bench.generator)
    return RunContext(
        **vars(shared),
        store=store,
        run_id=run_id,
        plan=plan,
        drive=drive,
        recorder=Recorder(bench.oscilloscope, store, run_id),
        recovery=Recovery(shared.bench, drive, store, run_id, observe),
        gain_accuracy=job.bench.oscilloscope.gain_accuracy,
        hands=hands,
    )
