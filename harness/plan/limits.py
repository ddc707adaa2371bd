"""Limits that come from the tolerance of parts and the bench: from a plan to the numbers of its readings.

They follow from the job's files and its bench's profiles alone, so that every computation makes the same,
also for a run that takes no through reference though there is a setup for it.
"""

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.arrays import Complex, Floats
from harness.bench_file import LEVEL_DRIFT, SUPPLY_METER
from harness.circuit.elements import Circuit
from harness.circuit.expand import build_wiring, in_state
from harness.circuit.predict import PredictedCircuit, Prediction, side_by_side
from harness.circuit.strays import strays_of
from harness.job.job import Job
from harness.measure.errors import ErrorModel, predicted_errors
from harness.measure.tones import TonePair
from harness.plan.model import Plan, Planned
from harness.quantities.estimates import PredictedUnits
from harness.quantities.predicted_ratios import PredictedTransfer
from harness.quantities.tolerance import AT_THE_END, GoodSpread, GoodUnits
from harness.reading import Limit

NEAREST_TO_NOTHING = 0.1  # of a part's value that its tolerance leaves, at least
USUAL_GAIN_ACCURACY = 0.02  # of a scope's inputs, where no bench is named
STRAYS = "strays of acquisition"


def capture_errors(
    job: Job,
    plan: Plan,
    h: Complex,
    good: Prediction,
    *,
    inputs_swapped: bool,
    quiet: float,
    names: Sequence[str] = (),
    tones: TonePair | None = None,
) -> ErrorModel:
    """What may be wrong with a capture of a plan, h of shape (units, legs, 2), on its bench.

    good: what a good unit shows. tones: of captures that show h together, each counted from its own trigger.
    The others as those of `predicted_errors`.
    """
    triggers: tuple[tuple[float, float], ...] = ()
    if tones is not None:
        within_s = plan.impedances.trigger_within_s
        within_s = tones.duration_s / tones.samples if within_s is None else within_s
        triggers = tuple((hz, within_s / math.sqrt(3)) for hz in tones.frequencies_hz)
    return predicted_errors(
        h,
        spreads=good.spreads,
        good=good.transfer,
        gain_accuracy=job.bench.oscilloscope.gain_accuracy if job.bench else USUAL_GAIN_ACCURACY,
        referenced=plan.through is not None,
        ratios_known=plan.swapped_through is not None,
        inputs_swapped=inputs_swapped,
        level_drifts=job.bench.level_drifts if job.bench else (LEVEL_DRIFT, LEVEL_DRIFT),
        quiet=quiet,
        names=names,
        triggers=triggers,
    )


def quiet_of(plan: Plan) -> dict[int, float]:
    """The noise of a quiet leg over its e.m.f., by the number of the capture."""
    return {
        each.number: 2 * plan.impedances.quiet_vrms / each.stimulus.level_vrms
        for each in plan.acquisitions
        if each.stimulus.level_vrms
    }


class GoodUnit(PredictedUnits):
    """A good unit on a plan's bench: nominal, and then with typical strays if any are given.

    typical: by the number of a capture, what it shows with strays.
    """

    def __init__(self, job: Job, plan: Plan, typical: Mapping[int, Prediction] | None = None) -> None:
        self.coverage_factor = job.sequence.coverage_factor
        self.quiescent_a = job.module.supply.quiescent_a
        self.meter_accuracy = job.bench.supply.current_accuracy if job.bench else SUPPLY_METER
        self.meter_zero_a = job.bench.supply.current_zero_a if job.bench else 0.0
        self._job, self._plan, self._typical = job, plan, typical or {}
        self._known: dict[tuple[tuple[int, ...], bool], PredictedTransfer] = {}
        self._tones = {each.number: each.stimulus.tones for each in plan.acquisitions}
        self._quiet = quiet_of(plan)
        self._currents_a = {
            reading.measurand.state: float(reading.given.expected_a) for reading in plan.of("supply")
        }

    def transfers(
        self, captures: Sequence[tuple[int, ...]], *, inputs_swapped: bool = False
    ) -> list[PredictedTransfer]:
        """See PredictedUnits."""
        return [self._transfer(numbers, inputs_swapped) for numbers in captures]

    def currents_a(self, state: str) -> Floats:
        """See PredictedUnits."""
        return np.array([self._currents_a[state]])

    def _transfer(self, numbers: tuple[int, ...], inputs_swapped: bool) -> PredictedTransfer:
        key = numbers, inputs_swapped
        if key not in self._known:
            predictions = self._plan.predictions
            nominal = side_by_side([predictions[number] for number in numbers])
            typical = nominal
            if self._typical.keys() >= set(numbers):
                typical = side_by_side([self._typical[number] for number in numbers])
            shown: list[Complex] = [nominal.transfer, *([] if typical is nominal else [typical.transfer])]
            values = np.stack(shown)
            errors = capture_errors(
                self._job,
                self._plan,
                values,
                typical,
                inputs_swapped=inputs_swapped,
                quiet=self._quiet[numbers[0]],
                names=typical.spread_names,
                tones=self._tones[numbers[0]] if len(numbers) > 1 else None,
            )
            kind = np.arange(len(shown))
            self._known[key] = PredictedTransfer(values=values, errors=errors, kind=kind)
        return self._known[key]


def spreads_of(planned: Planned, unit: GoodUnit, limit: Limit) -> Sequence[GoodSpread]:
    """What takes good units from a reading, as a limit of this kind sees it; () if nothing predicts it."""
    estimates = planned.quantity.predict(planned, unit)
    return () if estimates is None else estimates.spreads(limit)


@dataclass(frozen=True, kw_only=True, eq=False)
class Tolerances:
    """What the limits "tolerance" of a plan come from: each reading that has one, with its spreads."""

    good: GoodUnits
    readings: tuple[tuple[Planned, Sequence[GoodSpread]], ...]


def tolerances_of(job: Job, plan: Plan) -> Tolerances:
    """Predict what good units show in every reading with a limit "tolerance". Raises CircuitError."""
    wanted = [(each, each.limit) for each in plan.readings if each.limit is not None and each.limit.tolerance]
    typical = _Typical.of(job, plan, {number for each, _ in wanted for number in each.captures})
    unit = GoodUnit(job, plan, typical.predictions)
    readings = tuple((each, spreads_of(each, unit, limit)) for each, limit in wanted)
    good = GoodUnits(
        beyond=GoodUnits.beyond_of(sum(len(spreads) for _, spreads in readings)),
        guard=job.sequence.coverage_factor if job.sequence.decision == "guarded" else 0.0,
        contacts=frozenset(
            f"{pole.name}.{throw}"
            for relay in job.module.relays
            for pole in relay.poles
            for throw in pole.throws
        ),
        strays=typical.strays,
        stretch=typical.stretch,
    )
    return Tolerances(good=good, readings=readings)


def with_limits(job: Job, plan: Plan) -> Plan:
    """The plan with its limits "tolerance" in numbers. Raises CircuitError."""
    if not any(each.limit is not None and each.limit.tolerance for each in plan.readings):
        return plan
    made = tolerances_of(job, plan)
    limits = {
        id(each): made.good.limit(spreads, each.limit)
        for each, spreads in made.readings
        if each.limit is not None and spreads
    }
    return replace(
        plan,
        readings=tuple(
            replace(each, limit=limits[id(each)]) if id(each) in limits else each for each in plan.readings
        ),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Typical:
    """What captures show with typical strays, by number; and `strays` and `stretch` as of GoodUnits."""

    predictions: Mapping[int, Prediction]
    strays: frozenset[str]
    stretch: Mapping[str, float]

    @classmethod
    def of(cls, job: Job, plan: Plan, numbers: set[int]) -> "_Typical":
        """Predict these captures."""
        predictions: dict[int, Prediction] = {}
        stretch: dict[str, float] = {}
        strays = strays_of(job.module)
        names = frozenset(strays.names)
        for visit in plan.visits:
            wiring = build_wiring(job.module, job.fixture, visit.setup, plan.impedances)
            stretch |= dict(_stretched(wiring))
            for visited in visit.states:
                its = [
                    each for each in visited.acquisitions if each.number in numbers and each.stimulus.has_tone
                ]
                if its:
                    circuit = in_state(wiring, job.module, visit.setup, visited.state)
                    predicted = PredictedCircuit(circuit, strays)
                    for each in its:
                        tones = each.stimulus.tones.frequencies_hz
                        made = predicted.at((tones[0], tones[1]), with_live=False)
                        predictions[each.number] = _gathered(made, names, f"{STRAYS} {each.number}")
        return cls(
            predictions=predictions,
            strays=frozenset(
                name for made in predictions.values() for name in made.spread_names if name.startswith(STRAYS)
            ),
            stretch=stretch,
        )


def _gathered(made: Prediction, strays: Collection[str], name: str) -> Prediction:
    """The same with its strays, which are hundreds, as no more than it has figures; these come last.

    Each of these is a sum of strays, so that their squares add up in any sum of figures as those of all
    strays do: the rows of R in S = Q R, as RᵀR = SᵀS.
    """
    at = np.array([each in strays for each in made.spread_names], dtype=bool)
    its = made.spreads[at].reshape(int(at.sum()), -1)
    rows = np.asarray(np.linalg.qr(np.concatenate([its.real, its.imag], axis=1), mode="r"))
    gathered = (rows[:, : its.shape[1]] + 1j * rows[:, its.shape[1] :]).reshape(-1, *made.spreads.shape[1:])
    parts = tuple(each for each in made.spread_names if each not in strays)
    return replace(
        made,
        spreads=np.concatenate([made.spreads[~at], gathered]),
        spread_names=(*parts, *(f"{name} {row}" for row in range(len(gathered)))),
    )


def _stretched(wiring: Circuit) -> Iterator[tuple[str, float]]:
    """How much more than by its derivative a part changes at its end, by name.

    What a circuit shows is a ratio of two linear functions of any one part's value, s·d / (1 + c·d) away from
    nominal for a change d of it, and c·d is above -t for a passive part with the tolerance t (closed form).
    """
    for element in wiring.elements:
        if element.kind == "contact":
            continue
        spreads = (
            (element.resistance_spread_ohm, element.resistance_ohm),
            (element.capacitance_spread_f, element.capacitance_f),
            (element.inductance_spread_h, element.inductance_h),
        )
        tolerance = max(
            (AT_THE_END * spread / value for spread, value in spreads if spread and value), default=0.0
        )
        if tolerance:
            yield element.name, 1 / max(1 - tolerance, NEAREST_TO_NOTHING)
