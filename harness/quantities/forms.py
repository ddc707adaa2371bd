"""Captures of a state as readings are made of them, and linear functions of their transfers.

The drive is antiphase: +½ V of e.m.f. on the hot source leg, -½ V on the cold one, 1 V between them.
Transfers are of shape (…, legs, 2).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.arrays import Complex
from harness.measure.budget import Component, merged
from harness.measure.reference import NO_RESIDUALS, BenchResiduals, InputOffset, Reference
from harness.measure.tone import ToneFit
from harness.measure.tones import Stimulus
from harness.measure.transfer import Transfer, combine_swapped, without_gain_ratios
from harness.quantities.need import KnownOhm, PortView
from harness.roles import Capture


@dataclass(frozen=True, kw_only=True, eq=False)
class StateSeen:
    """What was captured in a state, and what is known of the bench by itself.

    transfer: None if the stimulus has none; predicted: the same by the circuit. reference: the through
    reference, None if none was taken. gain_accuracy: of a scope input, a fraction.
    """

    stimulus: Stimulus
    capture: Capture
    fit: ToneFit
    transfer: Transfer | None
    predicted: Transfer | None
    reference: Reference | None
    gain_accuracy: float

    @property
    def bench(self) -> BenchResiduals:
        """What the bench shows by itself."""
        return NO_RESIDUALS if self.reference is None else self.reference.residuals

    def zero(self, row: int) -> InputOffset | None:
        """What a row's input reads with nothing there, on the same range; None if it is not known."""
        number = self.capture.inputs[row]
        if self.reference is None:
            return None
        return self.reference.offset(number, self.volts_per_division(row))

    def volts_per_division(self, row: int) -> float:
        """The range that a row was recorded on."""
        return self.capture.setting.inputs[self.capture.inputs[row]].volts_per_division


def leg_answer(h: Complex, row: int) -> Complex:
    """Volts on a leg."""
    return np.asarray((h[..., row, 0] - h[..., row, 1]) / 2)


def differential(h: Complex, rows: tuple[int, int]) -> Complex:
    """Volts between the legs of a port: D = ½[(Hhh - Hch) - (Hhc - Hcc)]."""
    hot, cold = rows
    return leg_answer(h, hot) - leg_answer(h, cold)


def converted(h: Complex, rows: tuple[int, int]) -> Complex:
    """Volts between the legs of a port per volt of e.m.f. on both source legs in phase."""
    hot, cold = rows
    pair = h[..., hot, :] - h[..., cold, :]
    return np.asarray(pair[..., 0] + pair[..., 1])


@dataclass(frozen=True, kw_only=True, eq=False)
class PortTransfer:
    """A port as one transfer shows it."""

    transfer: Transfer
    view: PortView


def port_transfers(views: Sequence[PortView], transfers: Sequence[Transfer]) -> list[PortTransfer]:
    """Each transfer with its view; one that was taken with the inputs swapped is combined with its partner.

    A prediction knows no inputs, and is taken as it is. Raises ReadingError for partners of other legs.
    """
    ports = [
        PortTransfer(transfer=transfer, view=view) for transfer, view in zip(transfers, views, strict=True)
    ]
    swapped = next((port for port in ports if port.view.swapped), None)
    if swapped is None:
        return ports
    plain = next((port for port in ports if not port.view.swapped), ports[0])
    if plain.transfer.made == "predicted":
        return [plain]
    combine = without_gain_ratios if plain.transfer.made == "referenced" else combine_swapped
    return [PortTransfer(transfer=combine(plain.transfer, swapped.transfer), view=plain.view)]


@dataclass(frozen=True, kw_only=True, eq=False)
class Stack:
    """Some transfers as one array, along its first axis; errors of one source act on all of them at once.

    That is all the correlation there is.
    """

    values: Complex
    components: tuple[Component, ...]
    starts: tuple[tuple[int, int], ...]

    @classmethod
    def of(cls, transfers: Sequence[Transfer]) -> "Stack":
        """One that several ports share stands there once."""
        distinct = list({id(transfer): transfer for transfer in transfers}.values())
        if len(distinct) == 1:
            only = distinct[0]
            ends = ((0, len(only.values)),) * len(transfers)
            return cls(values=only.values, components=only.components, starts=ends)
        at: dict[int, tuple[int, int]] = {}
        size = 0
        for transfer in distinct:
            at[id(transfer)] = (size, size + len(transfer.values))
            size += len(transfer.values)
        values = np.concatenate([transfer.values for transfer in distinct])
        changes = (
            (component, slice(*at[id(transfer)]), component.delta)
            for transfer in distinct
            for component in transfer.components
        )
        return cls(
            values=values,
            components=merged(values.shape, changes),
            starts=tuple(at[id(transfer)] for transfer in transfers),
        )

    def parts(self, values: Complex) -> list[Complex]:
        """The transfers in an array of the stack's shape behind any leading axes."""
        return [values[..., start:stop, :] for start, stop in self.starts]

    def with_known(self, known: Mapping[str, KnownOhm]) -> tuple[Complex, list[Component]]:
        """The stack's entries, and resistances behind them, as one flat array; and what is wrong with these.

        known: by the name of their uncertainty.
        """
        values = np.concatenate([self.values.ravel(), [resistance.ohm for resistance in known.values()]])
        nothing = np.zeros(len(known))
        components = [
            replace(component, delta=np.concatenate([component.delta.ravel(), nothing]))
            for component in self.components
        ]
        for index, (name, resistance) in enumerate(known.items(), start=self.values.size):
            delta = np.zeros_like(values)
            delta[index] = resistance.standard_ohm
            components.append(Component(name=name, source=name, delta=delta))
        return values, components

    def flat_parts(self, flat: Complex) -> list[Complex]:
        """The transfers in arrays as `with_known` has them, behind any leading axes."""
        return self.parts(flat[..., : self.values.size].reshape(*flat.shape[:-1], *self.values.shape))
