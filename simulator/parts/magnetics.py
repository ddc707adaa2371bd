"""Inductors and transformers of a unit, and the bench's balancing transformer: windings, some on one core.

A transformer has L1 = leakage + Lm, L2 = n^2 Lm and M = n Lm, with n secondary turns for each of the primary:
all that leaks does so at the primary.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from math import isfinite

from harness.job.module import Module
from simulator.circuit import GROUND, Mutual, Winding
from simulator.sources import generator_for, within

MAGNETISING_H, LEAKAGE_H, LEAST_OHM = 10.0, 10e-6, 1e-3
"""Of a line transformer, seen at its primary; common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Balancing:
    """A transformer that makes one output of a generator balanced; the centre of its secondary is ground.

    turns: of the whole secondary over the primary's. winding_ohm: of each half of the secondary.
    """

    turns: float
    winding_ohm: float

    def wound(
        self, *, primary: str, ends: tuple[str, str], first: int
    ) -> tuple[tuple[Winding, ...], tuple[Mutual, ...]]:
        """Its primary, from a node to ground, and the two halves of its secondary, hot first.

        first: the number that its first winding has in the network.
        """
        half = self.turns / 2.0
        ohm = max(self.winding_ohm, LEAST_OHM)
        windings = (
            Winding(a=primary, b=GROUND, ohm=LEAST_OHM, henry=LEAKAGE_H + MAGNETISING_H),
            Winding(a=ends[0], b=GROUND, ohm=ohm, henry=half**2 * MAGNETISING_H),
            Winding(a=GROUND, b=ends[1], ohm=ohm, henry=half**2 * MAGNETISING_H),
        )
        shares = ((0, 1, half), (0, 2, half), (1, 2, half**2))
        mutuals = tuple(
            Mutual(first=first + one, second=first + other, henry=share * MAGNETISING_H)
            for one, other, share in shares
        )
        return windings, mutuals


def wind(
    module: Module, serial: str, *, values: Mapping[str, float], broken: Collection[str]
) -> tuple[tuple[Winding, ...], tuple[Mutual, ...]]:
    """Those of one unit, each value drawn within its tolerance.

    values: of inductors that have another, in henries; infinite: left out. broken: windings that are open, as
    `T1.primary`.
    """
    windings: list[Winding] = []
    mutuals: list[Mutual] = []
    for coil in module.inductors:
        rng = generator_for("inductor", module.part, serial, coil.name)
        ohm = coil.resistance_ohm * within(coil.tolerance, rng)
        henry = values.get(coil.name, coil.value * within(coil.tolerance, rng))
        if isfinite(henry):
            windings.append(Winding(a=coil.a, b=coil.b, ohm=ohm, henry=henry))
    for transformer in module.transformers:
        rng = generator_for("transformer", module.part, serial, transformer.name)
        primary_ohm, secondary_ohm, magnetising_h, leakage_h = (
            value * within(transformer.tolerance, rng)
            for value in (
                transformer.primary_ohm,
                transformer.secondary_ohm,
                transformer.magnetising_h,
                transformer.leakage_h,
            )
        )
        ratio = transformer.ratio
        (a, b), (c, d) = transformer.primary, transformer.secondary
        both = {
            "primary": Winding(a=a, b=b, ohm=primary_ohm, henry=leakage_h + magnetising_h),
            "secondary": Winding(a=c, b=d, ohm=secondary_ohm, henry=ratio**2 * magnetising_h),
        }
        whole = [winding for name, winding in both.items() if f"{transformer.name}.{name}" not in broken]
        if len(whole) == len(both):
            first = len(windings)
            mutuals.append(Mutual(first=first, second=first + 1, henry=ratio * magnetising_h))
        windings += whole
    return tuple(windings), tuple(mutuals)
