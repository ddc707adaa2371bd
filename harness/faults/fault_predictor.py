"""What a fault set would show, with the spread that its own circuit gives to parts and strays.

A leg that a fault has opened is held by picofarads alone. What it shows then depends on stray capacitances
that no job's file names, so they are parameters here, with a spread as large as their value.
"""

from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from harness.circuit.elements import BenchImpedances, Circuit, Element
from harness.circuit.expand import build_wiring, contacts, in_state
from harness.circuit.predict import Prediction, predict_circuit
from harness.faults.effects import FaultSet, Throws, edit_wiring, faulty_contacts, side_of
from harness.job.job import Job
from harness.job.module import LEGS, Module, node_name
from harness.job.state import State
from harness.measure.tones import choose_tones
from harness.plan.model import Acquisition

Complex = NDArray[np.complex128]

# Spreads of what a job's files say nothing of: common practice, no source.
STRAY_F = 0.3e-12  # between the same leg of a port in two channels, as much again as its spread
OFF_CAPACITANCE = 0.4  # of an open contact, a fraction
JOINT_CAPACITANCE = 2.0  # of a broken joint, a fraction
INPUT_RESISTANCE, INPUT_CAPACITANCE = 0.01, 0.05  # of a scope input, fractions
FITTED_CONTACT = 0.04  # of a bad contact's resistance, which is given in two digits
BAD_CONTACT = 0.5  # of a bad contact's resistance in a combination, a fraction
SHORT = 0.5  # of a short's resistance, a fraction


@dataclass(frozen=True, kw_only=True, eq=False)
class Expected:
    """What a fault set shows: transfers, (acquisitions, legs, 2), and by name what each parameter changes."""

    transfers: Complex
    spreads: Complex  # (parameters, acquisitions, legs, 2)


class FaultPredictor:
    """Computes what fault sets show in some acquisitions; keeps what it has computed of the good unit."""

    def __init__(self, job: Job, acquisitions: Sequence[Acquisition], impedances: BenchImpedances) -> None:
        self._job, self._acquisitions = job, tuple(acquisitions)
        setups = {setup.name: setup for setup in job.fixture.setups}
        self._setups = {acquisition.setup: setups[acquisition.setup] for acquisition in acquisitions}
        strays = tuple(_strays(job.module))
        self._wiring: dict[str, Circuit] = {}
        for name, setup in self._setups.items():
            wiring = build_wiring(job.module, job.fixture, setup, impedances)
            self._wiring[name] = replace(wiring, elements=(*wiring.elements, *strays))
        self._legs = max((2 * len(setup.view) for setup in self._setups.values()), default=0)
        self._circuits: dict[tuple[str, State], Circuit] = {}
        self._good_contacts: dict[State, tuple[Element, ...]] = {}
        self._healthy: dict[int, Prediction] = {}
        self._throws = Throws.of(job.module)

    def of(self, fault_set: FaultSet, *, at: Container[int] | None = None) -> Expected:
        """Compute one fault set. What it leaves as it was is not computed again.

        at: places of the acquisitions in which its faults are there; in all where None.
        """
        changed = self._changed(fault_set)
        bad = _bad_contacts(fault_set)
        predictions: list[Prediction] = []
        for number, acquisition in enumerate(self._acquisitions):
            circuit = changed[_place(acquisition)]
            predictions.append(
                self._good(number)
                if circuit is None or (at is not None and number not in at)
                else _predict(circuit, acquisition, bad)
            )
        names: dict[str, int] = {}
        for prediction in predictions:
            for name in prediction.spread_names:
                names.setdefault(name, len(names))
        shape = (len(predictions), self._legs, 2)
        transfers = np.zeros(shape, dtype=complex)
        spreads = np.zeros((len(names), *shape), dtype=complex)
        for index, prediction in enumerate(predictions):
            rows = len(prediction.legs)
            transfers[index, :rows] = prediction.transfer
            at = [names[name] for name in prediction.spread_names]
            spreads[at, index, :rows] = prediction.spreads
        return Expected(transfers=transfers, spreads=spreads)

    def _good(self, number: int) -> Prediction:
        if number not in self._healthy:
            acquisition = self._acquisitions[number]
            self._healthy[number] = _predict(self._circuit(*_place(acquisition)), acquisition, {})
        return self._healthy[number]

    def _circuit(self, setup: str, state: State) -> Circuit:
        """The fault-free circuit of a setup in a state."""
        if (setup, state) not in self._circuits:
            made = in_state(self._wiring[setup], self._job.module, self._setups[setup], state)
            self._circuits[setup, state] = made
        return self._circuits[setup, state]

    def _changed(self, fault_set: FaultSet) -> dict[tuple[str, State], Circuit | None]:
        """The circuits with a fault set's faults in them; None where they change nothing.

        As `with_fault` has it; but contacts are the same in every setup, and the wiring in every state.
        """
        module, side = self._job.module, side_of(fault_set)
        places = dict.fromkeys(map(_place, self._acquisitions))
        standing: dict[State, tuple[Element, ...] | None] = {}
        for state in dict.fromkeys(state for _, state in places):
            made = tuple(faulty_contacts(module, state, side, self._throws)) if fault_set else ()
            standing[state] = None if not fault_set or made == self._contacts(state) else made
        wiring: dict[str, list[Element] | None] = {}
        for setup in self._setups:
            good = list(self._wiring[setup].elements)
            edited = good
            for fault in fault_set:
                edited = edit_wiring(edited, fault, module=module, fixture=self._job.fixture)
            wiring[setup] = None if edited == good else edited
        result: dict[tuple[str, State], Circuit | None] = {}
        for setup, state in places:
            result[setup, state] = None
            throws, parts = standing[state], wiring[setup]
            if throws is not None or parts is not None:
                whole = (
                    *(parts if parts is not None else self._wiring[setup].elements),
                    *(throws if throws is not None else self._contacts(state)),
                )
                result[setup, state] = replace(self._circuit(setup, state), elements=whole)
        return result

    def _contacts(self, state: State) -> tuple[Element, ...]:
        if state not in self._good_contacts:
            self._good_contacts[state] = tuple(contacts(self._job.module, state))
        return self._good_contacts[state]


def _place(acquisition: Acquisition) -> tuple[str, State]:
    return acquisition.setup, acquisition.state


def _predict(circuit: Circuit, acquisition: Acquisition, bad: Mapping[str, float]) -> Prediction:
    loose = tuple(_loosened(element, bad) for element in circuit.elements)
    return predict_circuit(
        replace(circuit, elements=loose),
        frequencies_hz=_tones(acquisition.stimulus.frequency_hz),
        with_live=False,
    )


@cache
def _tones(frequency_hz: float) -> tuple[float, float]:
    return choose_tones(frequency_hz).frequencies_hz


def _strays(module: Module) -> Iterator[Element]:
    for channel, other in zip(module.channels, module.channels[1:], strict=False):
        for port in module.ports:
            for leg in LEGS:
                a, b = node_name(channel, port.net, leg), node_name(other, port.net, leg)
                yield Element(
                    name=f"stray {a} {b}",
                    part="stray",
                    kind="capacitor",
                    a=a,
                    b=b,
                    resistance_ohm=None,
                    capacitance_f=STRAY_F,
                    capacitance_spread_f=STRAY_F,
                )


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
