"""What every reading of a plan would be of faulty units, and whether it would be judged fail."""

import math
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from harness.arrays import Complex, Flags, Floats, Indices
from harness.bench_file import SUPPLY_METER
from harness.circuit.predict import side_by_side
from harness.faults.effects import ControlSide, FaultSet, drawn_a, shorts, side_of
from harness.faults.signatures import Signatures
from harness.faults.signatures import signatures as make_signatures
from harness.job.faults import Fault
from harness.job.fixture import PortName
from harness.job.job import Job
from harness.job.module import Module
from harness.measure.transfer import PREDICTED
from harness.plan.limits import capture_errors, quiet_of
from harness.plan.model import Plan, Planned, driven_channel
from harness.plan.pulses import control_line_states
from harness.plan.setups import drive_rows
from harness.plan.states import LIMIT_REACHED, limit_of
from harness.quantities.estimates import NO_EVIDENCE, PredictedUnits
from harness.quantities.predicted_ratios import PredictedTransfer
from harness.quantities.supply import current_standard
from harness.quantities.tolerance import ROOM

KEPT = 12  # captures whose errors are kept at a time
ANCHOR = 1e-4  # of an e.m.f.: a driven leg that shows less gives no phase
SURE = 1.0  # expanded uncertainties past its limit: from there on a nominal bench and unit show a fail
# From there on nearly every bench and unit do. A reading spreads by half an expanded uncertainty, so 1.5 of
# them are three standard deviations: 1 unit in 740 lies further off. A run asks for its own uncertainty
# beyond that, which may be a fifth more than is predicted.
CLEAR = 1.5 + ROOM
COLUMNS, PAIRS = 16, 4096  # that are compared at a time
PORTION = 1024  # fault sets that are judged at a time; most of them read alike in most captures


class PredictedReadings(PredictedUnits):
    """What the bench would show of a good unit, first, and of some of the fault sets that signatures are of.

    rows: of the fault sets; all where None. Arrays are (1 + rows,). Numbers are the plan's, of captures.
    """

    def __init__(
        self, job: Job, plan: Plan, signatures: Signatures, rows: Sequence[int] | Indices | None = None
    ) -> None:
        self.job, self.plan, self.signatures = job, plan, signatures
        self.rows = np.arange(len(signatures.fault_sets)) if rows is None else np.asarray(rows, dtype=np.intp)
        self.coverage_factor = job.sequence.coverage_factor
        self.quiescent_a = job.module.supply.quiescent_a
        self.meter_accuracy = job.bench.supply.current_accuracy if job.bench else SUPPLY_METER
        self.meter_zero_a = job.bench.supply.current_zero_a if job.bench else 0.0
        self._quiet = quiet_of(plan)
        self._setups = {visit.setup.name: visit.setup for visit in plan.visits}
        self._tones = {each.number: each.stimulus.tones for each in plan.acquisitions}
        self._indices = {each.number: index for index, each in enumerate(signatures.acquisitions)}
        self.transfer: Callable[[tuple[int, ...], bool], PredictedTransfer]
        self.transfer = lru_cache(maxsize=KEPT)(self._transfer)

    def transfers(
        self, captures: Sequence[tuple[int, ...]], *, inputs_swapped: bool = False
    ) -> list[PredictedTransfer]:
        """What captures would show of every unit, with their errors."""
        return [self.transfer(numbers, inputs_swapped) for numbers in captures]

    def currents_a(self, state: str) -> Floats:
        """The relay supply's current in a state, in amperes."""
        index = [known.name for known in self.signatures.states].index(state)
        good = self.signatures.good_supply_a[[index]]
        return np.concatenate([good, self.signatures.supply_a[self.rows, index]])

    def entries(self) -> tuple[Complex, Floats]:
        """Every entry of every capture as it would be shown, and its standard uncertainty.

        Shapes (1 + rows, entries).
        """
        values, standards = [], []
        for capture in self.signatures.acquisitions:
            shown = self.transfer((capture.number,), False)
            count = len(shown.kind)
            values.append(shown.values[shown.kind].reshape(count, -1))
            standards.append(shown.errors.standard(shown.values)[shown.kind].reshape(count, -1))
        if not values:
            nothing = np.zeros((1 + len(self.rows), 0))
            return nothing.astype(complex), nothing
        return np.concatenate(values, axis=1), np.concatenate(standards, axis=1)

    def _transfer(self, numbers: tuple[int, ...], inputs_swapped: bool) -> PredictedTransfer:
        """What captures would show together of every unit, its phases as a measurement has them."""
        of_units: list[Complex] = []
        ports: list[PortName] = []
        for index in (self._indices[number] for number in numbers):
            legs = slice(self.signatures.legs[index])
            good, faulty = self.signatures.good[None, index, legs], self.signatures.transfers[:, index, legs]
            of_units.append(np.concatenate([good, faulty[self.rows]]))
            setup = self._setups[self.signatures.acquisitions[index].setup]
            ports += setup.view
        prediction = side_by_side([self.plan.predictions[number] for number in numbers])
        drive = drive_rows(setup, ports)
        shown = _as_measured(np.concatenate(of_units, axis=1), prediction.transfer, drive)
        every, kind = _distinct(shown)
        alike = replace(prediction, spreads=_equivalent(prediction.spreads))
        errors = capture_errors(
            self.job,
            self.plan,
            every,
            alike,
            inputs_swapped=inputs_swapped,
            quiet=self._quiet[numbers[0]],
            tones=self._tones[numbers[0]] if len(numbers) > 1 else None,
        )
        return PredictedTransfer(values=every, errors=errors, kind=kind)


def _equivalent(spreads: Complex) -> Complex:
    """As many parameters as there are real numbers in a transfer that spread what comes of it as these do.

    spreads: (parameters, legs, 2). A sum of squares over parameters of anything that is linear in real and
    imaginary parts stays the same where their matrix S becomes the R of S = QR, since Q'Q = 1.
    """
    entries = spreads.shape[1] * spreads.shape[2]
    if len(spreads) <= 2 * entries:
        return spreads
    flat = spreads.reshape(len(spreads), entries)
    triangle = np.asarray(np.linalg.qr(np.concatenate([flat.real, flat.imag], axis=1), mode="r"))
    return np.asarray(triangle[:, :entries] + 1j * triangle[:, entries:]).reshape(-1, *spreads.shape[1:])


def _distinct(transfers: Complex) -> tuple[Complex, Indices]:
    """Every transfer that some unit has, once, and which of them each unit has."""
    rows = np.ascontiguousarray(transfers).reshape(len(transfers), -1)
    _, first, kind = np.unique(
        rows.view(np.dtype((np.void, rows.itemsize * rows.shape[1]))), return_index=True, return_inverse=True
    )
    return transfers[first], kind.reshape(-1)


def _as_measured(transfers: Complex, predicted: Complex, drive: tuple[int, int] | None) -> Complex:
    """Set one phase of each column, as `turned` must: no capture knows when it began.

    drive: the rows of the driven port's hot and cold leg; None if that is not in view.
    """
    shown = transfers.copy()
    units = np.arange(len(transfers))
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


@dataclass(frozen=True, kw_only=True, eq=False)
class Margins:
    """Margins of every reading for every fault set, (sets, readings + 1); the last column is that of the
    over-current check of each control line before the plan.

    good: the same for a good unit, (readings,): how far inside its limits it is, in expanded uncertainties;
    below 1 a good unit may not pass. signatures: what the fault sets show.
    """

    signatures: Signatures
    readings: tuple[Planned, ...]
    margins: Floats
    good: Floats

    @property
    def of_readings(self) -> Floats:
        """The margins of the readings alone, (sets, readings)."""
        return self.margins[:, :-1]

    @property
    def best(self) -> Floats:
        """The largest margin of each fault set."""
        return np.asarray(self.margins.max(axis=1, initial=NO_EVIDENCE))


def weigh_margins(
    job: Job, plan: Plan, faults: Iterable[Fault | FaultSet], *, executor: Executor | None = None
) -> Margins:
    """Judge every reading of every fault or fault set, and of a good unit. Raises CircuitError."""
    return margins_of(job, plan, make_signatures(job, plan, faults, executor=executor))


def margins_of(job: Job, plan: Plan, signatures: Signatures) -> Margins:
    """Judge every reading of what is shown already."""
    readings, count = plan.state_readings, len(signatures.fault_sets)
    margins = np.full((count, len(readings) + 1), NO_EVIDENCE)
    good = np.full(len(readings), np.inf)
    order = sorted(range(len(readings)), key=lambda column: readings[column].captures)
    for start in range(0, max(count, 1), PORTION):
        rows = np.arange(start, min(start + PORTION, count))
        units = PredictedReadings(job, plan, signatures, rows)
        for column in order:
            estimates = readings[column].quantity.predict(readings[column], units)
            if estimates is not None:
                limit = readings[column].limit
                result = estimates.margins(limit)
                margins[rows, column] = result.broken[1:]
                if limit is None or not limit.tolerance:  # that one is where a good unit keeps it
                    good[column] = result.inside
    k = job.sequence.coverage_factor
    if plan.impedances.supply_current:
        stops = over_currents(job.module, signatures.fault_sets, coverage_factor=k)
        margins[:, -1] = [margin for margin, _ in stops]
    return Margins(signatures=signatures, readings=readings, margins=margins, good=good)


def describe(reading: Planned) -> str:
    """`gain at left.out, loop_a, driving left`; `supply current, loop_a`."""
    quantity, measurand = reading.quantity, reading.measurand
    if not quantity.at_ports:
        return f"{quantity.spoken}, {measurand.state}"
    channel = driven_channel(reading)
    driven = "" if channel in ("", measurand.channel) else f", driving {channel}"
    return f"{quantity.spoken} at {measurand.where}, {measurand.state}{driven}"


def over_currents(
    module: Module, fault_sets: Sequence[FaultSet], *, coverage_factor: float
) -> list[tuple[float, str]]:
    """What the check of each control line alone, before the plan, finds of each unit.

    Margin, in expanded uncertainties past the limit, and state in which the supply first reaches it. A run
    stops there with the verdict fail, and nothing else is measured. The margin is infinite at a short; the
    state is "" if no control line alone surely draws too much.
    """
    states = control_line_states(module)
    limits_a = [limit_of(module, state) for state in states]

    def checked(side: ControlSide) -> tuple[float, str]:
        worst = -math.inf
        for state, limit_a in zip(states, limits_a, strict=True):
            if shorts(module, state, side):
                return math.inf, state.name
            wanted_a = drawn_a(module, state, side)
            doubt_a = coverage_factor * float(current_standard(SUPPLY_METER * wanted_a, wanted_a))
            if doubt_a:
                worst = max(worst, (wanted_a - LIMIT_REACHED * limit_a) / doubt_a)
            if worst >= CLEAR:
                return worst, state.name
        return worst, ""

    good = checked(ControlSide())
    sides = (side_of(fault_set) for fault_set in fault_sets)
    return [checked(side) if side.draws_otherwise else good for side in sides]


def told_apart(units: PredictedReadings) -> Flags:
    """Whether some entry of some capture, or the supply current of some state, tells two fault sets apart.

    Shape (sets, sets). Entries count as different beyond their difference's expanded uncertainty. A fault set
    that the over-current check stops shows the state where it stopped, and nothing else.
    """
    signatures, job = units.signatures, units.job
    k = units.coverage_factor
    values, standards = units.entries()
    values, standards = values[1:], standards[1:]
    supply = signatures.supply_a
    coils = np.maximum(signatures.good_supply_a - job.module.supply.quiescent_a, 0)
    meter_a = np.hypot(units.meter_accuracy * supply, units.meter_zero_a)
    uncertainty_a = current_standard(meter_a, coils) + 1e-9
    seen = signatures.fault_sets if units.plan.impedances.supply_current else ()
    stops = [
        state if margin >= CLEAR else ""  # in which the check surely stops a run
        for margin, state in over_currents(job.module, seen, coverage_factor=k)
    ] or [""] * len(signatures.fault_sets)
    stop = np.array(stops, dtype=object)
    stopped = np.asarray(stop[:, None] != stop, dtype=bool)
    one_stops = (stop != "")[:, None] | (stop != "")
    levels = _differ(values, standards, k) | _differ(supply, uncertainty_a, k)
    return np.where(one_stops, stopped, levels)


def _differ(values: Complex | Floats, standards: Floats, k: float) -> Flags:
    """Which two rows differ in some column beyond the difference's expanded uncertainty: (rows, rows).

    Columns come first in which many rows differ from the first one: most pairs differ in a few of these, and
    only the others go on to the next ones.
    """
    count = len(values)
    firsts, seconds = np.triu_indices(count, 1)
    differs = np.zeros((count, count), dtype=bool)
    moved = (values != values[:1]).sum(axis=0)
    moving = np.argsort(-moved, kind="stable")[: np.count_nonzero(moved)]
    for start in range(0, len(moving), COLUMNS):
        columns = moving[start : start + COLUMNS]
        some, spread = np.ascontiguousarray(values[:, columns]), np.ascontiguousarray(standards[:, columns])
        left = []
        for low in range(0, len(firsts), PAIRS):
            one, other = firsts[low : low + PAIRS], seconds[low : low + PAIRS]
            beyond = np.abs(some[one] - some[other]) > k * np.hypot(spread[one], spread[other])
            apart = beyond.any(axis=1)
            differs[one[apart], other[apart]] = True
            left.append(~apart)
        still = np.concatenate(left) if left else np.zeros(0, dtype=bool)
        firsts, seconds = firsts[still], seconds[still]
    return differs | differs.T


def groups_of(apart: Flags, members: Sequence[int]) -> tuple[tuple[int, ...], ...]:
    """Put members together that none of the group tells apart, in their order; groups of one included."""
    groups: list[list[int]] = []
    for member in members:
        for group in groups:
            if not apart[member, group].any():
                group.append(member)
                break
        else:
            groups.append([member])
    return tuple(tuple(group) for group in groups)
