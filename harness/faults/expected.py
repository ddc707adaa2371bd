"""What a suspect would show, with the spread that its own circuit gives to parts and strays.

A leg that a fault has opened hangs on picofarads. What it shows then depends on strays that no job's file
names, so they are parameters here, with a spread as large as they are.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.circuit.elements import BenchImpedances, Circuit, Element
from harness.circuit.expand import build_wiring, in_state
from harness.circuit.predict import Prediction, predict_circuit
from harness.descriptions.job import Job
from harness.descriptions.module import LEGS, Module, node_name
from harness.descriptions.state import State
from harness.faults.effects import Suspect, with_fault
from harness.measure.tones import choose_tones
from harness.plan.model import Acquisition

Complex = NDArray[np.complex128]

# Spreads of what a job's files say nothing of: common practice, no source.
STRAY_F = 0.3e-12  # between the same leg of a port in two channels, as much again as its spread
OFF_CAPACITANCE = 0.4  # of an open contact, a fraction
JOINT_CAPACITANCE = 2.0  # of a broken joint, a fraction
INPUT_RESISTANCE, INPUT_CAPACITANCE = 0.01, 0.05  # of a scope input, fractions
BAD_CONTACT = 0.5  # of a bad contact's resistance in a combination, a fraction
SHORT = 0.5  # of a short's resistance, a fraction


@dataclass(frozen=True, kw_only=True, eq=False)
class Expected:
    """What a suspect shows: transfers, (acquisitions, legs, 2), and by name what each parameter changes."""

    transfers: Complex
    spreads: Complex  # (parameters, acquisitions, legs, 2)


class Expecter:
    """Computes what suspects show in some acquisitions; keeps what it has computed of the healthy unit."""

    def __init__(self, job: Job, acquisitions: Sequence[Acquisition], impedances: BenchImpedances) -> None:
        self._job, self._acquisitions = job, tuple(acquisitions)
        hookups = {hookup.name: hookup for hookup in job.fixture.hookups}
        self._hookups = {one.hookup: hookups[one.hookup] for one in acquisitions}
        strays = tuple(_strays(job.module))
        self._wiring: dict[str, Circuit] = {}
        for name, hookup in self._hookups.items():
            wiring = build_wiring(job.module, job.fixture, hookup, impedances)
            self._wiring[name] = replace(wiring, elements=(*wiring.elements, *strays))
        self._legs = max((2 * len(hookup.view) for hookup in self._hookups.values()), default=0)
        self._circuits: dict[tuple[str, State], Circuit] = {}
        self._healthy: dict[int, Prediction] = {}

    def of(self, suspect: Suspect) -> Expected:
        """Compute one suspect. What it leaves as it was is not computed again."""
        broken = {
            place: self._broken(suspect, *place) for place in dict.fromkeys(map(_place, self._acquisitions))
        }
        predictions: list[Prediction] = []
        for number, acquisition in enumerate(self._acquisitions):
            circuit = broken[_place(acquisition)]
            predictions.append(
                self._sound(number)
                if circuit is None
                else _predict(circuit, acquisition, _bad_contacts(suspect))
            )
        names: dict[str, int] = {}
        for prediction in predictions:
            for name in prediction.spread_names:
                names.setdefault(name, len(names))
        shape = (len(predictions), self._legs, 2)
        transfers = np.zeros(shape, dtype=complex)
        spreads = np.zeros((len(names), *shape), dtype=complex)
        for place, prediction in enumerate(predictions):
            rows = len(prediction.legs)
            transfers[place, :rows] = prediction.transfer
            at = [names[name] for name in prediction.spread_names]
            spreads[at, place, :rows] = prediction.spreads
        return Expected(transfers=transfers, spreads=spreads)

    def _sound(self, number: int) -> Prediction:
        if number not in self._healthy:
            acquisition = self._acquisitions[number]
            self._healthy[number] = _predict(self._circuit(*_place(acquisition)), acquisition, {})
        return self._healthy[number]

    def _circuit(self, hookup: str, state: State) -> Circuit:
        """The sound circuit of a hookup in a state."""
        if (hookup, state) not in self._circuits:
            made = in_state(self._wiring[hookup], self._job.module, self._hookups[hookup], state)
            self._circuits[hookup, state] = made
        return self._circuits[hookup, state]

    def _broken(self, suspect: Suspect, hookup: str, state: State) -> Circuit | None:
        """The circuit with a suspect's faults in it; None where they change nothing there."""
        sound = self._circuit(hookup, state)
        if not suspect:
            return None
        broken = with_fault(sound, suspect, module=self._job.module, fixture=self._job.fixture, state=state)
        return None if broken.elements == sound.elements else broken


def _place(acquisition: Acquisition) -> tuple[str, State]:
    return acquisition.hookup, acquisition.state


def _predict(circuit: Circuit, acquisition: Acquisition, bad: Mapping[str, float]) -> Prediction:
    loose = tuple(_loosened(element, bad) for element in circuit.elements)
    tones = choose_tones(acquisition.stimulus.frequency_hz)
    return predict_circuit(
        replace(circuit, elements=loose), frequencies_hz=tones.frequencies_hz, with_live=False
    )


def _strays(module: Module) -> Iterator[Element]:
    for one, other in zip(module.channels, module.channels[1:], strict=False):
        for port in module.ports:
            for leg in LEGS:
                a, b = node_name(one, port.net, leg), node_name(other, port.net, leg)
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


def _bad_contacts(suspect: Suspect) -> dict[str, float]:
    """Bad contacts of a combination: there the resistance isn't fitted, and may well be another."""
    if len(suspect) == 1:
        return {}
    return {
        f"{fault.subject}.{fault.throw}": BAD_CONTACT * (fault.resistance_ohm or 0.0)
        for fault in suspect
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
