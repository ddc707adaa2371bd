"""What a fault set would show, with the spread that its own circuit gives to parts and strays.

A leg that a fault has opened is held by picofarads alone. What it shows then depends on stray capacitances
that no job's file names, so they are parameters here (`harness/circuit/strays.py`).
"""

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from harness.arrays import Complex, Flags
from harness.circuit.elements import BenchImpedances, Circuit, Couplings, Element
from harness.circuit.predict import Prediction, predict_circuit
from harness.circuit.solve import transfer
from harness.faults.effects import FaultSet, FaultyCircuits
from harness.job.job import Job
from harness.measure.tones import choose_tones
from harness.plan.model import Acquisition

# Spreads of what a job's files say nothing of: common practice, no source.
OFF_CAPACITANCE = 0.4  # of an open contact, a fraction
JOINT_CAPACITANCE = 2.0  # of a broken joint, a fraction
INPUT_RESISTANCE, INPUT_CAPACITANCE = 0.01, 0.05  # of a scope input, fractions
FITTED_CONTACT = 0.04  # of a bad contact's resistance, which is given in two digits
BAD_CONTACT = 0.5  # of a bad contact's resistance in a combination, a fraction
SHORT = 0.5  # of a short's resistance, a fraction
FAINT = 1e-6  # V per V of e.m.f.: a parameter that changes no leg by more is left out


@dataclass(frozen=True, kw_only=True, eq=False)
class FaultPrediction:
    """What a fault set shows: transfers, (acquisitions, legs, 2), and what each parameter changes in them.

    spreads: (parameters, acquisitions, legs, 2). strays: which of the parameters are strays.
    """

    transfers: Complex
    spreads: Complex
    strays: Flags


class FaultPredictor:
    """Computes what fault sets show in some acquisitions; keeps what it has computed of the good unit."""

    def __init__(
        self, job: Job, acquisitions: Sequence[Acquisition], impedances: BenchImpedances, strays: Couplings
    ) -> None:
        setups = {setup.name: setup for setup in job.fixture.setups}
        self._acquisitions = [(acquisition, setups[acquisition.setup]) for acquisition in acquisitions]
        self._widest = max((2 * len(setup.view) for _, setup in self._acquisitions), default=0)
        self._circuits = FaultyCircuits(job.module, job.fixture, impedances)
        self._strays, self._named = strays, frozenset(strays.names)
        self._good: dict[int, Prediction] = {}

    def of(self, fault_set: FaultSet, *, at: Container[int] | None = None) -> FaultPrediction:
        """Compute one fault set. What it leaves as it was is not computed again.

        at: indices of the acquisitions in which its faults are there; in all if None.
        """
        bad = _bad_contacts(fault_set)
        predictions: list[Prediction] = []
        for index, (acquisition, setup) in enumerate(self._acquisitions):
            circuit = self._circuits.of(fault_set, setup, acquisition.state)
            good = self._circuits.of((), setup, acquisition.state)
            if circuit is not good and (at is None or index in at):
                predictions.append(_predict(circuit, acquisition, bad, self._strays))
            else:
                if index not in self._good:
                    self._good[index] = _predict(good, acquisition, {}, self._strays)
                predictions.append(self._good[index])
        numbers: dict[str, int] = {}
        for prediction in predictions:
            for name in prediction.spread_names:
                numbers.setdefault(name, len(numbers))
        transfers = np.zeros((len(predictions), self._widest, 2), dtype=complex)
        spreads = np.zeros((len(numbers), *transfers.shape), dtype=complex)
        for index, prediction in enumerate(predictions):
            legs = len(prediction.legs)
            transfers[index, :legs] = prediction.transfer
            rows = [numbers[name] for name in prediction.spread_names]
            spreads[rows, index, :legs] = prediction.spreads
        strays = np.array([name in self._named for name in numbers], dtype=bool)
        return FaultPrediction(transfers=transfers, spreads=spreads, strays=strays)

    def transfers(self, fault_set: FaultSet) -> Complex:
        """What `of` computes, without the spreads: (acquisitions, legs, 2)."""
        result = np.zeros((len(self._acquisitions), self._widest, 2), dtype=complex)
        for index, (acquisition, setup) in enumerate(self._acquisitions):
            circuit = self._circuits.of(fault_set, setup, acquisition.state)
            if index in self._good and circuit is self._circuits.of((), setup, acquisition.state):
                made = self._good[index].transfer
            else:
                made = transfer(circuit, _tones(acquisition.stimulus.frequency_hz), self._strays)
            result[index, : len(made)] = made
        return result


def _predict(
    circuit: Circuit, acquisition: Acquisition, bad: Mapping[str, float], strays: Couplings
) -> Prediction:
    loose = tuple(_loosened(element, bad) for element in circuit.elements)
    made = predict_circuit(
        replace(circuit, elements=loose),
        frequencies_hz=_tones(acquisition.stimulus.frequency_hz),
        with_live=False,
        couplings=strays,
    )
    loud = np.flatnonzero(np.abs(made.spreads).max(axis=(1, 2), initial=0.0) > FAINT)
    return replace(
        made, spreads=made.spreads[loud], spread_names=tuple(made.spread_names[index] for index in loud)
    )


@cache
def _tones(frequency_hz: float) -> tuple[float, float]:
    return choose_tones(frequency_hz).frequencies_hz


def _bad_contacts(fault_set: FaultSet) -> dict[str, float]:
    """Spread of bad contacts' resistance: alone it is fitted, but in a combination it may well be another."""
    share = FITTED_CONTACT if len(fault_set) == 1 else BAD_CONTACT
    return {
        f"{fault.subject}.{fault.throw}": share * (fault.resistance_ohm or 0.0)
        for fault in fault_set
        if fault.kind == "throw resistance"
    }


def _loosened(element: Element, bad: Mapping[str, float]) -> Element:
    """Give a spread to what the job's files say nothing of."""
    if element.conducts and element.name in bad:
        return replace(element, resistance_spread_ohm=bad[element.name])
    if element.kind == "contact" and not element.conducts:
        return replace(element, capacitance_spread_f=OFF_CAPACITANCE * element.capacitance_f)
    if element.kind == "connector" and element.resistance_ohm is None:
        return replace(element, capacitance_spread_f=JOINT_CAPACITANCE * element.capacitance_f)
    if element.kind == "scope" and element.resistance_ohm is not None:
        return replace(
            element,
            resistance_spread_ohm=INPUT_RESISTANCE * element.resistance_ohm,
            capacitance_spread_f=INPUT_CAPACITANCE * element.capacitance_f,
        )
    if element.name.startswith("short ") and element.resistance_ohm is not None:
        return replace(element, resistance_spread_ohm=SHORT * element.resistance_ohm)
    return element
