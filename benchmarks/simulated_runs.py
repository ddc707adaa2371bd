"""Runs in memory: the simulator's circuit and control side, a bench's errors, and what a run makes of them.

Nothing is sampled: phasors are computed, and get the noise that a fit of 20 000 samples would have.
"""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchmarks.drawn_strays import CABLE_F
from harness.arrays import Complex, Floats
from harness.circuit.elements import BenchImpedances
from harness.faults.diagnosis import telling
from harness.faults.evidence import Evidence, SupplyTrial, gather
from harness.job.faults import Fault
from harness.job.job import Job
from harness.job.module import Module
from harness.job.state import State
from harness.judge import unit_verdict
from harness.measure.clock import EXACT_CLOCK
from harness.measure.reference import (
    RangeGain,
    RecordSpread,
    Repeatability,
    SwappedReadings,
    ToneReference,
)
from harness.measure.tone import ToneFit
from harness.measure.tones import choose_tones
from harness.measure.transfer import GENERATOR_ACCURACY, Transfer, make_transfer
from harness.plan.model import Acquisition, Plan, SetupVisit
from harness.plan.pulses import control_line_states, held, in_pulse, pulsed_states, pulses_to
from harness.plan.setups import drive_rows, input_numbers
from harness.plan.states import limit_of
from harness.reading import Reading
from harness.roles import Capture, CaptureSetting, InputSetting, SupplyReading
from harness.session.instruments import NotTaken
from harness.session.recorder import FittedCapture, Measured, make_reading, make_state_reading
from simulator import dynamics, wiring
from simulator.circuit import Element, Network, Parts
from simulator.dynamics import RELEASED
from simulator.faults import apply
from simulator.imperfections import USUAL, Imperfections
from simulator.unit import Built, build

RANGES = (1e-3, 2e-3, 5e-3, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
DIVISIONS = 8
NOISE = 0.05  # of a division, RMS, as runs on the simulated scope leave over
LEAST_NOISE_V = 0.19e-3
SAMPLES = 20_000
GAIN = 0.02  # limits of the inputs' and the generator's own errors
LEVEL = 0.01
RANGE_GAIN = 3e-4
REPEATABILITY = 7e-5  # of one record, from another bench's: this one's repeat exactly
METER = 0.01
WITHOUT_STRAYS = replace(USUAL, cables=0.0, nets=0.0, neighbours=0.0, source_resistance=0.0)


Strays = Callable[[Module, Parts, str], Iterable[Element]]
"""From a module, what a unit of it is made of in some setup, and its serial, to its stray capacitors."""


@dataclass(frozen=True, kw_only=True)
class InMemory:
    """What became of one unit: the run's verdict, and its evidence."""

    verdict: str
    evidence: Evidence
    not_passed: tuple[Reading, ...] = ()


class Bench:
    """One bench with errors of its own, and a job on it."""

    def __init__(
        self,
        job: Job,
        plan: Plan,
        *,
        seed: int,
        lead_seed: int = 1,
        imperfections: Imperfections = WITHOUT_STRAYS,
        strays: Strays | None = None,
    ) -> None:
        """seed: draws the instruments' errors. lead_seed: draws loads, scope inputs and cables."""
        self._job, self._plan, self._seed, self._strays = job, plan, seed, strays
        self._lead_seed, self._imperfections = lead_seed, imperfections
        self._rng = np.random.default_rng(seed)
        self._gain = 1 + GAIN * self._rng.uniform(-1, 1, 4)
        self._ranges = {
            (row, volts): 1 + RANGE_GAIN * self._rng.normal() for row in range(4) for volts in RANGES
        }
        self._level = 1 + LEVEL * self._rng.uniform(-1, 1, 2)
        self._meter = 1 + METER * self._rng.uniform(-1, 1) / math.sqrt(3)
        # a lead's capacitance at each input; each leg's two inputs are in parallel in the through setup
        self._leads_f = self._rng.uniform(*CABLE_F, 4) if strays is not None else np.zeros(4)
        self._references = {
            stimulus: self._through(stimulus.frequency_hz, stimulus.level_vrms) for stimulus in plan.stimuli
        }

    def run(self, serial: str, faults: Sequence[Fault]) -> InMemory:
        """Put a unit through the plan, with its strays if the bench has any."""
        job, module = self._job, self._job.module
        wrong = apply(list(faults), module)
        built = build(module, serial, wrong.damage, self._imperfections)
        trials, supply = self._supply(built)
        if trials[-1].limited:
            return InMemory(
                verdict="fail", evidence=replace(gather([], [], supply_a={}), trials=tuple(trials))
            )
        rng = np.random.default_rng([self._seed, *serial.encode()])
        made: list[Acquisition] = []
        transfers: list[Transfer] = []
        measured: dict[int, Measured] = {}
        for visit in self._plan.visits:
            parts = wiring.connect(
                module,
                job.fixture,
                built,
                plugs=wrong.plugs,
                setup=visit.setup,
                leads=wiring.Leads(
                    inputs=4, probe=1.0, seed=self._lead_seed, imperfections=self._imperfections
                ),
            )
            if self._strays is not None:
                strays = self._strays(module, parts, serial)
                parts = replace(parts, capacitors=(*parts.capacitors, *strays))
            network = Network(parts)
            for state in visit.states:
                closed = built.closed(self._positions(built, state.state))
                for acquisition in state.acquisitions:
                    if acquisition.stimulus.kind != "pair":
                        continue
                    tones = acquisition.stimulus.tones
                    seen = [number - 1 for number in input_numbers(visit.setup)]
                    truth = np.column_stack(
                        [
                            network.solve_at(closed, (True, True), (hz,))[0, seen, column]
                            for column, hz in enumerate(tones.frequencies_hz)
                        ]
                    )
                    one = self._measure(visit, acquisition, truth, rng)
                    made.append(acquisition)
                    assert one.transfer is not None
                    transfers.append(one.transfer)
                    measured[acquisition.number] = one
        wanted = set(telling(self._plan, job))
        chosen = [(one, transfer) for one, transfer in zip(made, transfers, strict=True) if one in wanted]
        evidence = gather([one for one, _ in chosen], [each for _, each in chosen], supply_a=supply)
        evidence = replace(evidence, trials=tuple(trials))
        readings = self._readings(measured, supply)
        return InMemory(
            verdict=unit_verdict([reading.verdict for reading in readings]),
            evidence=evidence,
            not_passed=tuple(reading for reading in readings if reading.verdict != "pass"),
        )

    def _readings(self, measured: dict[int, Measured], supply: dict[str, float]) -> list[Reading]:
        readings = []
        sequence = self._job.sequence
        for planned in self._plan.of("supply"):
            supplied = SupplyReading(voltage_v=12.0, current_a=supply[planned.measurand.state])
            readings.append(make_reading(planned, [supplied], sequence=sequence))
        for planned in self._plan.of("steady"):
            if not set(planned.captures) <= measured.keys():
                continue
            reading = make_state_reading(
                planned,
                [measured[number] for number in planned.captures],
                sequence=sequence,
                reference=None,
                gain_accuracy=GAIN,
            )
            readings.append(reading)
        return readings

    def _controls(self, state: State) -> frozenset[str]:
        return frozenset(held(self._job.module, state))

    def _positions(self, built: Built, state: State) -> list[list[int]]:
        """Where the poles are: each control line has been on alone, as before a plan, then comes what leads
        to the state.
        """
        module = self._job.module
        before = replace(state, powered=True)
        pulses = [in_pulse(module, before, control) for control in pulses_to(module, state)]
        now = {relay.name: built.held.get(relay.name, RELEASED) for relay in module.relays}
        for one in (*control_line_states(module), *pulses, state):
            on = dynamics.energised(module, built, self._controls(one))
            voltage_v = self._supplied(built, one, module.supply.limit_a).voltage_v
            for relay in module.relays:
                now[relay.name] = dynamics.position(
                    relay,
                    built,
                    voltage_v=voltage_v,
                    nominal_v=module.supply.voltage_v,
                    controls=on,
                    now=now[relay.name],
                )
        return [[now[relay.name]] * len(relay.poles) for relay in module.relays]

    def _supplied(self, built: Built, state: State, limit_a: float) -> dynamics.SupplyState:
        module = self._job.module
        setting = dynamics.SupplySetting(voltage_v=module.supply.voltage_v, limit_a=limit_a, on=state.powered)
        on = dynamics.energised(module, built, self._controls(state))
        return dynamics.supply_state(module, built, setting, on)

    def _supply(self, built: Built) -> tuple[list[SupplyTrial], dict[str, float]]:
        module = self._job.module
        trials: list[SupplyTrial] = []
        for state in control_line_states(module):
            limit_a = limit_of(module, state)
            result = self._supplied(built, state, limit_a)
            limited = result.voltage_v < module.supply.voltage_v
            trials.append(
                SupplyTrial(
                    state=state,
                    limit_a=limit_a,
                    limited=limited,
                    voltage_v=round(result.voltage_v, 2) if limited else None,
                )
            )
            if limited:
                return trials, {}
        states = [state for state in self._job.sequence.states if state.powered]
        supply = {
            state.name: self._supplied(built, state, module.supply.limit_a).current_a * self._meter
            for state in (*states, *pulsed_states(module))
        }
        return trials, supply

    def _range(self, peak_v: float) -> float:
        return next((volts for volts in RANGES if volts * DIVISIONS / 2 > 1.05 * peak_v), RANGES[-1])

    def _noise_v(self, volts_per_division: float) -> float:
        return math.hypot(NOISE * volts_per_division, LEAST_NOISE_V) / math.sqrt(SAMPLES)

    def _read(
        self, emf_vrms: tuple[float, float], truth: Complex, inputs: Sequence[int], rng: np.random.Generator
    ) -> tuple[Complex, Floats, list[float]]:
        """Phasors of a capture with their standard uncertainties and the ranges they were taken on."""
        volts = truth * (np.asarray(emf_vrms) * self._level)
        ranges = [self._range(float(np.abs(leg).sum() * math.sqrt(2))) for leg in volts]
        noise = np.array([self._noise_v(volts_per_division) for volts_per_division in ranges])
        phase = np.exp(2j * np.pi * rng.uniform(size=2))
        gain = np.array(
            [
                self._gain[number - 1] * self._ranges[number - 1, volts_per_division]
                for number, volts_per_division in zip(inputs, ranges, strict=True)
            ]
        )
        result = volts * gain[:, None] * phase
        result = result + noise[:, None] * (
            rng.normal(size=result.shape) + 1j * rng.normal(size=result.shape)
        )
        return result, np.repeat(noise[:, None], 2, axis=1), ranges

    def _through(self, frequency_hz: float, level_vrms: float) -> ToneReference:
        tones = choose_tones(frequency_hz, self._job.mains_hz)
        emf = (level_vrms / 2, level_vrms / 2)
        impedances = BenchImpedances()
        through, truth = [], np.zeros((4, 2), dtype=complex)
        for leg, hz in enumerate(tones.frequencies_hz):
            load = 2 * (1 / impedances.input_ohm + 2j * np.pi * hz * impedances.input_f)
            through.append(1 / (1 + impedances.source_ohm * load))
            load += 2j * np.pi * hz * self._leads_f[leg::2].sum()
            truth[leg::2, leg] = 1 / (1 + impedances.source_ohm * load)
        result, noise, ranges = self._read(emf, truth, (1, 2, 3, 4), self._rng)
        swapped = None
        if self._plan.swapped_through is not None:
            drawn = np.random.default_rng([self._seed, int(frequency_hz), int(1e6 * level_vrms)])
            other, _, _ = self._read(emf, truth[[1, 0, 3, 2]], (1, 2, 3, 4), drawn)
            swapped = SwappedReadings(
                source=tuple(float(abs(other[row, 1 - row % 2])) for row in range(4)),
                source_standard=tuple(float(noise[row, 0]) for row in range(4)),
                spread=RecordSpread(records=1, variance=(0.0,) * 4, noise=(0.0,) * 4),
                repeatability=Repeatability(standard=(REPEATABILITY,) * 4, freedom=(math.inf,) * 4),
            )
        result = result * np.exp(-1j * np.angle([result[0, 0], result[1, 1]]))
        return ToneReference(
            identity=f"through at {frequency_hz:g} Hz",
            frequencies_hz=tones.frequencies_hz,
            emf_vrms=emf,
            clock=EXACT_CLOCK,
            inputs=(1, 2, 3, 4),
            source=tuple(complex(result[row, row % 2]) for row in range(4)),
            source_standard=tuple(float(noise[row, 0]) for row in range(4)),
            spread=RecordSpread(records=1, variance=(0.0,) * 4, noise=(0.0,) * 4),
            repeatability=Repeatability(standard=(REPEATABILITY,) * 4, freedom=(math.inf,) * 4),
            through=tuple(complex(through[row % 2]) for row in range(4)),
            ranges=tuple(self._range_gains(ranges)),
            swapped=swapped,
        )

    def _range_gains(self, ranges: Sequence[float]) -> Iterator[RangeGain]:
        for row in range(4):
            for volts in RANGES:
                true = self._ranges[row, volts] / self._ranges[row, ranges[row]]
                same = volts == ranges[row]
                yield RangeGain(
                    input=row + 1,
                    volts_per_division=volts,
                    gain=complex(1 if same else true + 1e-4 * self._rng.normal()),
                    standard=0.0 if same else 1e-4,
                )

    def _measure(
        self, visit: SetupVisit, acquisition: Acquisition, truth: Complex, rng: np.random.Generator
    ) -> Measured:
        emf = (acquisition.stimulus.level_vrms / 2, acquisition.stimulus.level_vrms / 2)
        inputs = input_numbers(visit.setup)
        phasors, noise, ranges = self._read(emf, truth, inputs, rng)
        tones = acquisition.stimulus.tones
        zeros = np.zeros(len(inputs))
        capture = Capture(
            inputs=inputs,
            volts=np.zeros((len(inputs), 0)),
            interval_s=tones.duration_s / tones.samples,
            full_scale_v=tuple(DIVISIONS * volts for volts in ranges),
            step_v=(0.0,) * len(inputs),
            clipped=(0,) * len(inputs),
            setting=CaptureSetting(
                inputs={
                    number: InputSetting(volts_per_division=volts)
                    for number, volts in zip(inputs, ranges, strict=True)
                },
                duration_s=tones.duration_s,
                samples=tones.samples,
            ),
        )
        fit = ToneFit(
            frequencies_hz=tones.frequencies_hz,
            phasors=phasors,
            standard=noise,
            correlation=np.zeros(len(inputs) // 2, dtype=np.complex128),
            offset_v=zeros,
            offset_standard_v=zeros,
            residual_v=zeros,
            noise_v=zeros,
            quiet_v=zeros,
            hum_v=zeros,
            lines_v=zeros,
            line_hz=zeros,
            clock=EXACT_CLOCK,
            duration_s=tones.duration_s,
            samples=tones.samples,
        )
        prediction = self._plan.predictions[acquisition.number]
        transfer = make_transfer(
            capture,
            fit,
            emf_vrms=emf,
            reference=self._references[acquisition.stimulus],
            prediction=prediction.transfer,
            drive_rows=drive_rows(visit.setup),
            gain_accuracy=GAIN,
            generator_accuracy=GENERATOR_ACCURACY,
            acquisition=f"acquisition {acquisition.number}",
        )
        return Measured(
            setup=visit.setup,
            stimulus=acquisition.stimulus,
            fitted=FittedCapture(capture=capture, fit=fit, record=acquisition.number, problems=()),
            transfer=transfer,
            prediction=prediction,
            missing=NotTaken(reason=""),
        )
