"""What every reading of a plan would be of a good unit and of faulty ones, and how sure that would be."""

from collections.abc import Callable, Sequence
from functools import lru_cache, partial

import numpy as np
from numpy.typing import NDArray

from harness.faults.signatures import Signatures
from harness.faults.supply import supply_standard
from harness.job.fixture import Hookup, PortName
from harness.job.job import Job
from harness.job.sequence import AGAINST_THE_DRIVE, BETWEEN_CHANNELS
from harness.measure.common_mode import converted
from harness.measure.contact import LEAST_LEVEL
from harness.measure.errors import predicted_errors
from harness.measure.propagation import ComplexEstimates, LinearForm, PredictedTransfer, propagate_many
from harness.measure.quantities import differential, leg_answer
from harness.measure.transfer import PREDICTED
from harness.plan.model import Plan, PlannedReading
from harness.quantities.estimates import (
    AngleEstimates,
    Estimates,
    LevelEstimates,
    RejectionEstimates,
    SignEstimates,
    ValueEstimates,
    is_present,
)

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

KEPT = 12  # captures whose errors are kept at a time
ANCHOR = 1e-4  # of an e.m.f.: a driven leg that shows less gives no phase
LEAST_SUPPLY_A = 1e-12


class PredictedReadings:
    """What the bench would show of a good unit, first, and of some of the fault sets that signatures are of.

    rows: of the fault sets; all where None. Arrays are (1 + rows,). Numbers are the plan's, of captures.
    """

    def __init__(
        self, job: Job, plan: Plan, signatures: Signatures, rows: Sequence[int] | Rows | None = None
    ) -> None:
        self.job, self.plan, self.signatures = job, plan, signatures
        self.rows = np.arange(len(signatures.suspects)) if rows is None else np.asarray(rows, dtype=np.intp)
        self.coverage_factor = job.sequence.coverage_factor
        self._hookups = {visit.hookup.name: visit.hookup for visit in plan.visits}
        self._places = {each.number: place for place, each in enumerate(signatures.acquisitions)}
        self.transfer: Callable[[int, bool], PredictedTransfer] = lru_cache(maxsize=KEPT)(self._transfer)

    def transfers(self, numbers: Sequence[int], *, inputs_swapped: bool = False) -> list[PredictedTransfer]:
        """What captures would show of every unit, with their errors."""
        return [self.transfer(number, inputs_swapped) for number in numbers]

    def currents_a(self, state: object) -> Floats:
        """The relay supply's current in a state, in amperes."""
        place = self.signatures.states.index(state)
        found = self.signatures.supply_a[self.rows, place]
        return np.concatenate([self.signatures.healthy_supply_a[[place]], found])

    def entries(self) -> tuple[Complex, Floats]:
        """Every entry of every capture as it would be shown, and its standard uncertainty.

        Shapes (1 + rows, entries).
        """
        values, standards = [], []
        for capture in self.signatures.acquisitions:
            shown = self.transfer(capture.number, False)
            count = len(shown.kind)
            values.append(shown.values[shown.kind].reshape(count, -1))
            standards.append(shown.errors.standard(shown.values)[shown.kind].reshape(count, -1))
        if not values:
            nothing = np.zeros((1 + len(self.rows), 0))
            return nothing.astype(complex), nothing
        return np.concatenate(values, axis=1), np.concatenate(standards, axis=1)

    def hookup(self, number: int) -> Hookup:
        """The hookup that a capture is taken in."""
        return self._hookups[self.signatures.acquisitions[self._places[number]].hookup]

    def _transfer(self, number: int, inputs_swapped: bool) -> PredictedTransfer:
        """What a capture would show of every unit, its phases as a measurement has them."""
        place = self._places[number]
        legs = self.signatures.legs[place]
        good, faulty = self.signatures.healthy[None, place, :legs], self.signatures.transfers[:, place, :legs]
        prediction = self.plan.predictions[number]
        shown = _as_measured(
            np.concatenate([good, faulty[self.rows]]), prediction.transfer, self.hookup(number)
        )
        every, kind = _distinct(shown)
        errors = predicted_errors(
            every,
            spreads=prediction.spreads,
            good=prediction.transfer,
            gain_accuracy=self.job.bench.oscilloscope.gain_accuracy if self.job.bench else 0.02,
            referenced=self.plan.through is not None,
            inputs_swapped=inputs_swapped,
        )
        return PredictedTransfer(values=every, errors=errors, kind=kind)


def _distinct(transfers: Complex) -> tuple[Complex, Rows]:
    """Every transfer that some unit has, once, and which of them each unit has."""
    rows = np.ascontiguousarray(transfers).reshape(len(transfers), -1)
    _, first, kind = np.unique(
        rows.view(np.dtype((np.void, rows.itemsize * rows.shape[1]))), return_index=True, return_inverse=True
    )
    return transfers[first], kind.reshape(-1)


def _as_measured(transfers: Complex, predicted: Complex, hookup: Hookup) -> Complex:
    """Set one phase of each column, as `make_transfer` must: no capture knows when it began."""
    shown = transfers.copy()
    units = np.arange(len(transfers))
    drive = None
    if hookup.drive is not None and hookup.drive in hookup.view:
        drive = hookup.rows(hookup.drive)
    for column in (0, 1):
        largest = np.abs(transfers[:, :, column]).argmax(axis=1)
        if drive is not None:
            row = drive[column]
            largest = np.where(np.abs(transfers[:, row, column]) > ANCHOR, row, largest)
        raw = transfers[units, largest, column]
        expected = predicted[largest, column]
        target = np.where(np.abs(expected) > PREDICTED * np.abs(raw), np.angle(expected), 0.0)
        shown[:, :, column] *= np.exp(1j * (target - np.angle(raw)))[:, None]
    return shown


def predict_reading(planned: PlannedReading, units: PredictedReadings) -> Estimates | None:
    """What a reading would be of every unit; None where nothing predicts what a fault does to it."""
    k = units.coverage_factor
    match planned.quantity:
        case "supply_current":
            return _supply(planned, units)
        case "polarity":
            return SignEstimates(level=_pair(planned, units), k=k)
        case "common_mode_rejection":
            return _rejection(planned, units)
        case "contact_resistance":
            return _contact(planned, units)
        case "gain" | "isolation" | "balance" | "crosstalk" | "channel_match" | "response":
            level, needed = _ratio(planned, units)
            return LevelEstimates(level=level, taken=needed, k=k)
        case quantity if quantity in AGAINST_THE_DRIVE:
            level, needed = _ratio(planned, units)
            return AngleEstimates(level=level, taken=needed, k=k, opposite=quantity == "balance_phase")
        case _:
            return None


def _rows(units: PredictedReadings, number: int, channel: str, port: str) -> tuple[int, int]:
    return units.hookup(number).rows(PortName(channel=channel, net=port.split(".")[0]))


def _pair(planned: PlannedReading, units: PredictedReadings) -> ComplexEstimates:
    number = planned.acquisitions[0]
    rows = _rows(units, number, planned.channel, planned.port)
    return propagate_many(lambda h: differential(h[0], *rows), None, units.transfers([number]))


def _ratio(planned: PlannedReading, units: PredictedReadings) -> tuple[ComplexEstimates, NDArray[np.bool_]]:
    """The complex ratio that a reading is the level or the angle of, and where it can be taken at all."""
    numbers, k = planned.acquisitions, units.coverage_factor

    def pair_of(place: int, channel: str) -> LinearForm:
        return partial(_differential, place, _rows(units, numbers[place], channel, planned.port))

    if planned.quantity in ("balance", "balance_phase"):
        swapped = any(units.hookup(number).exchanged for number in numbers)
        seen = units.transfers(numbers[:1], inputs_swapped=swapped)
        rows = _rows(units, numbers[0], planned.channel, planned.port)
        hot, cold = (partial(_leg, row) for row in rows)
        needed = [is_present(propagate_many(leg, None, seen), k) for leg in (hot, cold)]
        return propagate_many(hot, cold, seen), needed[0] & needed[1]
    if planned.quantity in BETWEEN_CHANNELS:
        drive = units.hookup(numbers[0]).drive
        above, below = pair_of(1, planned.channel), pair_of(0, "" if drive is None else drive.channel)
    elif planned.quantity == "response":
        above, below = pair_of(0, planned.channel), pair_of(1, planned.channel)
    elif planned.quantity == "crosstalk":
        numbers = numbers[:1]
        above, below = pair_of(0, planned.channel), pair_of(0, planned.driven)
    else:
        level = _pair(planned, units)
        return level, np.ones(len(level.value), dtype=bool)
    seen = units.transfers(numbers)
    return propagate_many(above, below, seen), is_present(propagate_many(below, None, seen), k)


def _leg(row: int, h: Sequence[Complex]) -> Complex:
    return leg_answer(h[0], row)


def _differential(capture: int, rows: tuple[int, int], h: Sequence[Complex]) -> Complex:
    return differential(h[capture], *rows)


def _converted(rows: tuple[int, int], h: Sequence[Complex]) -> Complex:
    return converted(h[0], *rows)


def _rejection(planned: PlannedReading, units: PredictedReadings) -> Estimates:
    levels, taken = [], []
    swapped = any(units.hookup(number).exchanged for number in planned.acquisitions)
    for number in planned.acquisitions:
        if units.hookup(number).exchanged:
            continue
        rows = _rows(units, number, planned.channel, planned.port)
        seen = units.transfers([number], inputs_swapped=swapped)
        below = partial(_differential, 0, rows)
        levels.append(propagate_many(partial(_converted, rows), below, seen))
        through = propagate_many(below, None, units.transfers([number]))
        taken.append(is_present(through, units.coverage_factor))
    return RejectionEstimates(levels=levels, taken=taken, k=units.coverage_factor)


def _contact(planned: PlannedReading, units: PredictedReadings) -> Estimates | None:
    """A path's series resistance, by what it takes off the level: as `series_resistance` has it."""
    source, load, limit = planned.source, planned.load, planned.limit
    if source is None or load is None or limit is None or limit.high is None:
        return None
    level = _pair(planned, units)
    magnitude = np.maximum(np.abs(level.value), LEAST_LEVEL)
    doubt = np.hypot(level.bench_standard, level.parts_standard) * load.ohm / magnitude**2
    expanded = units.coverage_factor * np.hypot(doubt, source.standard_ohm)
    if expanded[0] > limit.high:
        return None  # a run says of it that it isn't observable, and judges nothing
    return ValueEstimates(
        value=load.ohm * (1 / magnitude - 1) - source.ohm,
        expanded=expanded,
        unit="ohm",
        taken=is_present(level, units.coverage_factor),
    )


def _supply(planned: PlannedReading, units: PredictedReadings) -> Estimates:
    found = units.currents_a(planned.state)
    coils = max(float(found[0]) - units.job.module.supply.quiescent_a, 0.0)
    expanded = units.coverage_factor * supply_standard(found, coils) + LEAST_SUPPLY_A
    return ValueEstimates(value=found, expanded=expanded, unit="A")
