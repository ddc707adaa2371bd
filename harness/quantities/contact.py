"""Series resistance of a path, from what it takes off the level in a known load.

Fifty milliohm into 10 kohm is worth 0.00004 dB, so most loads don't show a contact. The smallest resistance
that a reading could have shown is therefore held against its limit.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.budget import Component, below, propagate
from harness.measure.transfer import Transfer
from harness.quantities.estimates import Estimates, PredictedUnits, ValueEstimates, is_present
from harness.quantities.forms import Look, differential, looks_of
from harness.quantities.limits import LimitRule
from harness.quantities.need import KnownOhm, Need, pair_tone
from harness.quantities.quantity import LOW_LEVEL_VRMS, PlannedReading
from harness.quantities.steady import OfTransfers, Ratio, predicted_views
from harness.reading import Estimate

Complex = NDArray[np.complex128]

LEAST_LEVEL = 1e-6  # of the e.m.f.; below it, nothing passes


class ContactResistance(Ratio):
    """Resistance of a path's contacts, both legs in series; a floor where it can't be told from zero.

    The gain per volt of e.m.f. is load / (source + path + load), so path = load (1/gain - 1) - source.
    """

    name, words, unit = "contact_resistance", "contact resistance", "ohm"
    limits = LimitRule(dimension="resistance", unit="ohm", kinds=("below",), example='below = "2 ohm"')
    default_level_vrms = most_level_vrms = LOW_LEVEL_VRMS
    only_with_signal = True

    def readings(self, need: Need) -> Iterable[PlannedReading[OfTransfers]]:
        """With what the path lies between."""
        if not need.live:
            return
        source, load = need.path()
        own = need.capture(pair_tone(need))
        if own is not None:
            yield self.planned(need, [own], limit=need.check.limit, source=source, load=load)

    def of_transfers(
        self, planned: PlannedReading[OfTransfers], transfers: Sequence[Transfer], k: float
    ) -> Estimate:
        """Raises ReadingError where nothing comes through, or where less than the limit could not be seen."""
        source, load, limit = planned.given.source, planned.given.load, planned.limit
        if source is None or load is None or limit is None or limit.high is None:
            raise ReadingError("the plan does not say what the path lies between")
        look = looks_of(planned.given.views, transfers)[0]
        found = series_resistance(look, source, load, k)
        if found.smallest_ohm > limit.high and look.transfer.made != "predicted":
            raise ReadingError(
                f"not observable here: into {load.ohm:.4g} ohm, less than {found.smallest_ohm:.2g} ohm can't "
                f"be told from none, and the limit needs {limit.high:.2g} ohm to be. Use a load of fewer ohms"
            )
        return found.estimate

    def predict(self, planned: PlannedReading[OfTransfers], units: PredictedUnits) -> Estimates | None:
        """None where a good unit's is not observable: a run judges nothing then."""
        source, load, limit = planned.given.source, planned.given.load, planned.limit
        if source is None or load is None or limit is None or limit.high is None:
            return None
        level, k = self.ratio_of_many(*predicted_views(planned, units)), units.coverage_factor
        size = np.maximum(np.abs(level.value), LEAST_LEVEL)
        standard = np.hypot(level.bench_standard, level.parts_standard) * load.ohm / size**2
        expanded = k * np.hypot(standard, source.standard_ohm)
        if expanded[0] > limit.high:
            return None
        path_ohm = load.ohm * (1 / size - 1) - source.ohm
        return ValueEstimates(value=path_ohm, expanded=expanded, unit=self.unit, taken=is_present(level, k))


@dataclass(frozen=True, kw_only=True)
class SeriesResistance:
    """Resistance of a path, both legs in series; a floor where it can't be told from zero.

    smallest_ohm: the least that would have been told from zero.
    """

    estimate: Estimate
    smallest_ohm: float


def series_resistance(look: Look, source: KnownOhm, load: KnownOhm, k: float = 2.0) -> SeriesResistance:
    """Resistance in series with the legs, from the differential gain at low frequency.

    source, load: what it lies between, both legs of each. Raises ReadingError where nothing comes through.
    """
    transfer, rows = look.transfer, look.view.rows
    values, components = _with_loading(transfer.values, transfer.components, source, load)

    def path_ohm(v: Complex) -> Complex:
        h = v[..., :-2].reshape(*v.shape[:-1], *transfer.values.shape)
        source_ohm, load_ohm = v[..., -2].real, v[..., -1].real
        level = np.maximum(np.abs(differential(h, rows)), LEAST_LEVEL)
        return np.asarray(load_ohm * (1 / level - 1) - source_ohm)

    if not abs(complex(differential(transfer.values, rows))) > LEAST_LEVEL:
        raise ReadingError("no signal comes through: the path is open, and has no resistance to measure")
    found = propagate(path_ohm, values, components, coverage_factor=k)
    smallest_ohm = (found.high - found.low) / 2
    told = found if found.low > 0 else below(max(found.value, 0.0) + smallest_ohm, k=k)
    return SeriesResistance(estimate=told, smallest_ohm=smallest_ohm)


def _with_loading(
    values: Complex, components: Sequence[Component], source: KnownOhm, load: KnownOhm
) -> tuple[Complex, list[Component]]:
    """One flat array of the transfer's entries, the source and the load, and the components in its shape."""
    tail = np.array([source.ohm, load.ohm], dtype=np.complex128)
    flat = [
        replace(
            each,
            delta=np.concatenate([np.asarray(each.delta, dtype=np.complex128).ravel(), np.zeros(2)]),
        )
        for each in components
    ]
    for place, name, standard in (
        (-2, "tolerance of the source", source.standard_ohm),
        (-1, "tolerance of the load", load.standard_ohm),
    ):
        delta = np.zeros(values.size + 2, dtype=np.complex128)
        delta[place] = standard
        flat.append(Component(name=name, source=name, delta=delta))
    return np.concatenate([values.ravel(), tail]), flat
