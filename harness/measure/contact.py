"""Series resistance of a path, from what it takes off the level in a known load.

Fifty milliohm into 10 kohm is worth 0.00004 dB, so most loads don't show a contact. The smallest resistance
that a reading could have shown is therefore always given with it.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.budget import Component, propagate
from harness.measure.levels import below
from harness.measure.quantities import View, differential
from harness.reading import Estimate

Complex = NDArray[np.complex128]
LEAST_LEVEL = 1e-6  # of the e.m.f.; below it, nothing passes


@dataclass(frozen=True, kw_only=True)
class Loading:
    """What a path lies between: the source's impedance, both legs, and the load across the pair, ohm.

    standard: one standard uncertainty of each.
    """

    source_ohm: float
    source_standard_ohm: float
    load_ohm: float
    load_standard_ohm: float


@dataclass(frozen=True, kw_only=True)
class SeriesResistance:
    """Resistance of a path, both legs in series; a floor where it can't be distinguished from zero.

    smallest_ohm: the least that would have been distinguished from zero. observable: whether that is small
    enough. sentence: where it isn't, why, and what would make it so; else "".
    """

    estimate: Estimate
    smallest_ohm: float
    observable: bool
    sentence: str


def series_resistance(view: View, loading: Loading, *, wanted_ohm: float, k: float = 2.0) -> SeriesResistance:
    """Resistance in series with the legs, from the differential gain at low frequency.

    The gain per volt of e.m.f. is load / (source + path + load), so path = load (1/gain - 1) - source.
    wanted_ohm: the smallest resistance that must show.
    Raises ReadingError where nothing comes through.
    """
    values, components = _with_loading(view.transfer.values, view.transfer.components, loading)

    def path(v: Complex) -> Complex:
        h = v[..., :-2].reshape(*v.shape[:-1], *view.transfer.values.shape)
        source_ohm, load_ohm = v[..., -2].real, v[..., -1].real
        level = np.maximum(np.abs(differential(h, view.hot, view.cold)), LEAST_LEVEL)
        return np.asarray(load_ohm * (1 / level - 1) - source_ohm)

    _need_level(view)
    found = propagate(path, values, components, coverage_factor=k)
    return _told(found, loading, wanted_ohm, k)


def _with_loading(
    values: Complex, components: tuple[Component, ...], loading: Loading
) -> tuple[Complex, list[Component]]:
    """One flat array of the transfer's entries, the source and the load, and the components in its shape."""
    tail = np.array([loading.source_ohm, loading.load_ohm], dtype=np.complex128)
    flat = [
        replace(
            each,
            delta=np.concatenate([np.asarray(each.delta, dtype=np.complex128).ravel(), np.zeros(2)]),
        )
        for each in components
    ]
    for place, name, standard in (
        (-2, "tolerance of the source", loading.source_standard_ohm),
        (-1, "tolerance of the load", loading.load_standard_ohm),
    ):
        delta = np.zeros(values.size + 2, dtype=np.complex128)
        delta[place] = standard
        flat.append(Component(name=name, source=name, delta=delta))
    return np.concatenate([values.ravel(), tail]), flat


def _told(found: Estimate, loading: Loading, wanted_ohm: float, k: float) -> SeriesResistance:
    """Say a floor as one, and whether the hookup shows what is wanted."""
    smallest_ohm = (found.high - found.low) / 2
    estimate = found if found.low > 0 else below(max(found.value, 0.0) + smallest_ohm, k=k)
    observable = smallest_ohm <= wanted_ohm
    sentence = (
        ""
        if observable
        else f"not observable here: into {loading.load_ohm:.4g} ohm, less than {smallest_ohm:.2g} ohm can't "
        f"be told from none, and the limit needs {wanted_ohm:.2g} ohm to be. Use a load of fewer ohms"
    )
    return SeriesResistance(
        estimate=estimate, smallest_ohm=smallest_ohm, observable=observable, sentence=sentence
    )


def _need_level(view: View) -> None:
    level = abs(complex(differential(view.transfer.values, view.hot, view.cold)))
    if not level > LEAST_LEVEL:
        raise ReadingError("no signal comes through: the path is open, and has no resistance to measure")
