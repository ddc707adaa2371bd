"""What a unit with one bad contact shows, as a function of that contact's resistance.

Any volts of a linear circuit are bilinear in one resistance: with u ohms more than a good contact has,
h = h_good + D·u / (u + Z), where D is what the open contact changes and Z the impedance that the contact sees
in its gap (closed form, from Thévenin's theorem). Both follow from what two resistances show, so that a fit
solves no circuit.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.arrays import Complex
from harness.circuit.expand import Throw, throws_of
from harness.job.faults import Fault
from harness.job.module import Module, ThrowName

FAR_OHM = 1e5  # the other resistance than the one that is listed: what lies between is interpolated
NOTHING = 1e-12  # of an e.m.f.: where a contact changes no more, it changes nothing


@dataclass(frozen=True, kw_only=True, eq=False)
class ContactCurves:
    """Curves of a module's contacts.

    good: (acquisitions, legs, 2). rows: of each throw in what follows; good_ohm: of each, when it is good.
    opened: D, (throws, acquisitions, legs, 2); gap_ohm: Z, (throws, acquisitions, 1, 2).
    """

    good: Complex
    rows: dict[Throw, int]
    good_ohm: tuple[float, ...]
    opened: Complex
    gap_ohm: Complex

    def transfers(self, fault: Fault, ohm: float) -> Complex:
        """With another resistance than the fault's own: (acquisitions, legs, 2)."""
        row = self.rows[_throw(fault)]
        more = ohm - self.good_ohm[row]
        return np.asarray(self.good + self.opened[row] * (more / (more + self.gap_ohm[row])))


def far_contacts(faults: Sequence[Fault]) -> list[Fault]:
    """The bad contacts among these, of the other resistance."""
    return [
        Fault(kind=fault.kind, subject=fault.subject, throw=fault.throw, resistance_ohm=FAR_OHM)
        for fault in faults
        if fault.kind == "throw resistance"
    ]


def contact_curves(
    module: Module, good: Complex, faults: Sequence[Fault], near: Complex, far: Complex
) -> ContactCurves:
    """Curves through what bad contacts show: near with their own resistance, far with the other one.

    near, far: (faults, acquisitions, legs, 2).
    """
    throws = throws_of(module)
    good_ohm = tuple(throws[_throw(fault)][0].resistance_ohm or 0.0 for fault in faults)
    own = np.array([fault.resistance_ohm or 0.0 for fault in faults]) - good_ohm
    own, other = own[:, None, None, None], (FAR_OHM - np.array(good_ohm))[:, None, None, None]
    one, two = near - good, far - good
    # Z is the same for all legs of a column: it is taken from the leg that changes most
    size = np.abs(two)
    most = size.argmax(axis=2, keepdims=True) if size.size else np.zeros(size[:, :, :1].shape, dtype=np.intp)
    first, second = np.take_along_axis(one, most, axis=2), np.take_along_axis(two, most, axis=2)
    bend = first / own - second / other
    changes = (np.abs(second) > NOTHING) & (bend != 0)
    gap_ohm = np.where(changes, (second - first) / np.where(changes, bend, 1.0), 1.0)
    return ContactCurves(
        good=good,
        rows={_throw(fault): row for row, fault in enumerate(faults)},
        good_ohm=good_ohm,
        opened=np.where(changes, two * (other + gap_ohm) / other, 0.0),
        gap_ohm=gap_ohm,
    )


def _throw(fault: Fault) -> tuple[str, ThrowName]:
    if fault.throw is None:
        raise ValueError(f"{fault.name} is no fault of a contact")
    return fault.subject, fault.throw
