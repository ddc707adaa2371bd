"""A unit's inductors and transformers as windings, some of them on one core.

A transformer has L1 = leakage + Lm, L2 = n^2 Lm and M = n Lm, with n secondary turns for each of the primary:
all that leaks does so at the primary.
"""

from collections.abc import Collection, Mapping
from math import isfinite

from harness.job.module import Module
from simulator.circuit import Mutual, Winding
from simulator.sources import generator_for, within


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
