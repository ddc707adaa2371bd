"""What every step at an open bench shares, and how a state is set."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import sqrt

import numpy as np

from harness.circuit.elements import BenchImpedances
from harness.circuit.predict import Prediction, predict
from harness.faults.lead_or_unit import LeadsPredicted
from harness.job.fixture import Setup
from harness.job.job import Job
from harness.job.state import IDLE_STATE, State
from harness.measure.tones import Stimulus
from harness.plan.model import Plan
from harness.plan.pulses import held, in_pulse, pulse_s, pulses_between, pulses_to
from harness.plan.setups import input_numbers
from harness.reading import Reading
from harness.records.run import Event, SupplyTrouble
from harness.records.store import RunStore
from harness.roles import Bench, Generator, Oscilloscope
from harness.session.events import Hands, Observer, ReadingsMade, Remark, StateBegun
from harness.session.instruments import (
    CountedSwitchboard,
    Drive,
    Recovery,
    SwitchedSupply,
    operations_of,
)
from harness.session.recorder import Recorder
from harness.session.supply_watch import SupplyWatch, Trouble


def peaks_of(setup: Setup, prediction: Prediction, level_vrms: float) -> dict[int, float]:
    """Peak volts that each input is to show, by its number, of two tones at this level."""
    levels = np.abs(prediction.transfer).sum(axis=1) * level_vrms / sqrt(2.0)
    return dict(zip(input_numbers(setup), map(float, levels), strict=True))


def impedances(generator: Generator, oscilloscope: Oscilloscope) -> BenchImpedances:
    """What these instruments put on the pins."""
    return BenchImpedances(
        source_ohm=generator.output_impedance_ohm,
        source_tolerance=generator.output_impedance_tolerance,
        winding_ohm=generator.winding_ohm,
        input_ohm=oscilloscope.input_impedance_ohm,
        input_f=oscilloscope.input_capacitance_f,
    )


@dataclass(frozen=True, kw_only=True)
class BenchContext:
    """An open bench with a unit of a job in its fixture.

    board, supply: the bench's switchboard, which counts, and its relay supply, which knows whether it is on.
    """

    job: Job
    bench: Bench
    board: CountedSwitchboard
    supply: SwitchedSupply
    supply_watch: SupplyWatch
    observe: Observer

    def operations(self) -> dict[str, int]:
        """How often each relay was operated so far."""
        return operations_of(self.job, self.board)

    def prepare(self) -> None:
        """Set generator and scope up again: hands may have turned knobs since the unit before."""
        self.bench.generator.prepare()
        self.bench.oscilloscope.prepare()

    @property
    def settle_s(self) -> float:
        """How long to wait after a change of state before anything is measured."""
        return self.job.sequence.settle_s + self.board.settle_s

    def predict(self, setup: Setup, state: State, stimulus: Stimulus) -> Prediction:
        """What the circuit predicts of a setup in a state, at both tones of a stimulus."""
        return self._predict(setup, state, stimulus.tones.frequencies_hz)

    def predict_at_one(self, setup: Setup, state: State, stimulus: Stimulus) -> Prediction:
        """The same with both legs driven at the frequency that the stimulus is for."""
        return self._predict(setup, state, (stimulus.frequency_hz, stimulus.frequency_hz))

    def _predict(self, setup: Setup, state: State, frequencies_hz: tuple[float, float]) -> Prediction:
        return predict(
            self.job.module,
            self.job.fixture,
            setup,
            state,
            frequencies_hz=frequencies_hz,
            impedances=impedances(self.bench.generator, self.bench.oscilloscope),
        )

    def set_state(self, setup: Setup | None, state: State, *, since: State | None = None) -> None:
        """Set a setup's select channels and a state's control lines, and let them settle."""
        self.wait_until(self.begin_state(setup, state, since=since))

    def begin_state(self, setup: Setup | None, state: State, *, since: State | None = None) -> float:
        """Set them; returns the time, of `time.monotonic`, when they have settled.

        Before that, if the relay supply is on, latching relays are brought to where the state has them.
        since: the state as which they surely stand; None if that is not known.
        """
        module = self.job.module
        if module.set_controls and state.powered and self.supply.is_on and not state.pulsed:
            pulses = pulses_to(module, state) if since is None else pulses_between(module, since, state)
            for control in pulses:
                self._pulse(setup, in_pulse(module, state, control))
        return self.hold(setup, state)

    def hold(self, setup: Setup | None, state: State) -> float:
        """Close the channels that are closed while a state lasts; latching relays stay where they are.

        Returns the time when that has settled.
        """
        select = () if setup is None or setup.select is None else setup.select
        self.supply_watch.enters("" if setup is None else setup.name, state)
        controls = tuple(self.job.fixture.controls[control] for control in held(self.job.module, state))
        self.board.set(frozenset(select + controls))
        return time.monotonic() + self.settle_s

    def select_again(self, setup: Setup, state: State) -> None:
        """Open a setup's channels and close them once more; no relay of the unit moves for it."""
        if held(self.job.module, state):
            self.wait_until(self.hold(None, state))
        else:
            self.board.off()  # also what is not known to be closed
        self.wait_until(self.hold(setup, state))

    def end_pulse(self, setup: Setup | None, state: State, pulsed: str, *, since_s: float) -> None:
        """Open a control line that has driven a coil since a time, once that was long enough."""
        self.wait_until(since_s + self._pulse_s(pulsed))
        self.hold(setup, state)
        time.sleep(self.board.settle_s)  # no other coil is driven before this one is free

    def _pulse(self, setup: Setup | None, driven: State) -> None:
        """Drive a coil for as long as its relays need; a supply that can be read shows that it is driven."""
        since_s = time.monotonic()
        self.hold(setup, driven)
        self.wait_until(since_s + self._pulse_s(driven.pulsed))
        if self.supply_watch.sees:
            self.supply_watch.check(driven, limit_a=self.job.module.supply.limit_a)
        self.end_pulse(setup, replace(driven, pulsed=""), driven.pulsed, since_s=since_s)

    def _pulse_s(self, control: str) -> float:
        """How long a control line is driven, with what the switchboard may take before it acts."""
        return self.settle_s + pulse_s(self.job.module, control)

    def wait_until(self, time_s: float) -> None:
        """Let the rest of a settling time pass."""
        left_s = time_s - time.monotonic()
        if left_s > 0:
            time.sleep(left_s)


@dataclass(frozen=True, kw_only=True)
class RunContext(BenchContext):
    """What every step of a run shares; the run is `run_id` in the records of `store`.

    gain_accuracy: of a scope input, a fraction, from the bench file, as are level_drifts, of the hot and the
    cold leg's output.
    """

    store: RunStore
    run_id: int
    plan: Plan
    drive: Drive
    recorder: Recorder
    recovery: Recovery
    gain_accuracy: float
    level_drifts: tuple[float, float]
    hands: Hands
    leads_predicted: LeadsPredicted

    def make_safe(self) -> None:
        """Drive nothing and release every relay, before hands touch the leads."""
        self.drive.silence()
        self.set_state(None, IDLE_STATE)

    def record(self, event: Event, text: str = "") -> None:
        """Keep an event with the run."""
        self.store.add_event(self.run_id, event, text)

    def doubt_of_coils(self) -> str:
        """What was seen of a coil that may come and go, "" if nothing; in this run, also before a resume."""
        for stored in self.store.events(self.run_id):
            if isinstance(stored.event, SupplyTrouble) and not stored.event.of_bench:
                return stored.text
        return ""

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


def bench_context(
    job: Job, bench: Bench, observe: Observer, record: Callable[[Event, str], None] = lambda *_: None
) -> BenchContext:
    """What every step at an open bench shares; its relays' operations are counted from now on.

    record: keeps an event with the run, if there is one.
    """
    board, supply = CountedSwitchboard(bench.switchboard), SwitchedSupply(bench.supply)

    def report(trouble: Trouble) -> None:
        record(SupplyTrouble(of_bench=trouble.of_bench), trouble.text)
        counts = ". It counts as a fault of the bench" if trouble.of_bench else ""
        observe(Remark(text=trouble.text + counts))

    settle_s = job.sequence.settle_s + board.settle_s
    return BenchContext(
        job=job,
        bench=replace(bench, switchboard=board, supply=supply),
        board=board,
        supply=supply,
        supply_watch=SupplyWatch(job.module, supply, board, settle_s=settle_s, report=report),
        observe=observe,
    )


def run_context(
    plan: Plan,
    job: Job,
    bench: Bench,
    store: RunStore,
    run_id: int,
    *,
    hands: Hands,
    observe: Observer,
    leads_predicted: LeadsPredicted | None = None,
) -> RunContext:
    """What every step of a run shares. leads_predicted: of the units before this one, if there are any."""
    if job.bench is None:
        raise ValueError("a job without a bench has no instruments to run on")
    shared = bench_context(job, bench, observe, partial(store.add_event, run_id))
    drive = Drive(bench.generator, job.bench.feeds)
    return RunContext(
        **vars(shared),
        store=store,
        run_id=run_id,
        plan=plan,
        drive=drive,
        recorder=Recorder(bench.oscilloscope, drive, store, run_id),
        recovery=Recovery(shared.bench, drive, store, run_id, observe),
        gain_accuracy=job.bench.oscilloscope.gain_accuracy,
        level_drifts=job.bench.level_drifts,
        hands=hands,
        leads_predicted=leads_predicted or LeadsPredicted(job, plan.impedances),
    )
