"""What every reading of a plan would be of a good unit and of faulty ones, and how sure that would be."""

from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from harness.faults.signatures import Signatures
from harness.job.fixture import Hookup
from harness.job.job import Job
from harness.measure.errors import predicted_errors
from harness.measure.transfer import PREDICTED
from harness.plan.model import Plan
from harness.quantities.propagation import PredictedTransfer

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

KEPT = 12  # captures whose errors are kept at a time
ANCHOR = 1e-4  # of an e.m.f.: a driven leg that shows less gives no phase


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

    @property
    def quiescent_a(self) -> float:
        """What a unit draws besides its coils."""
        return self.job.module.supply.quiescent_a

    def currents_a(self, state: str) -> Floats:
        """The relay supply's current in a state, in amperes."""
        place = self.signatures.state_index(state)
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
