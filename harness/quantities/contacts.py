"""What contacts show besides their routes: the resistance of closed ones, the capacitance of open ones.

Fifty milliohm into 10 kohm is worth 0.00004 dB, so most loads don't show a contact. The smallest resistance
that a reading could have shown is therefore held against its limit. A capacitance behind crosstalk or
off-isolation is known by its 6 dB an octave, and fitted in farads.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
from pydantic import AfterValidator

from harness.arrays import Complex, Floats
from harness.errors import ReadingError
from harness.measure.budget import below, is_detected, propagate
from harness.measure.transfer import Transfer
from harness.quantities.estimates import Estimates, PredictedUnits, ValueEstimates, is_present
from harness.quantities.forms import PortTransfer, Stack, differential, port_transfers
from harness.quantities.need import KnownOhm, Need, PortView, pair_tone
from harness.quantities.quantity import (
    LOW_LEVEL_VRMS,
    Frequencies,
    LimitRule,
    PlannedReading,
    SweptOptions,
    several,
)
from harness.quantities.steady import OfTransfers, Ratio, Steady, predicted_views
from harness.quantities.tolerance import GoodSpread
from harness.reading import Estimate

LEAST_LEVEL = 1e-6  # of the e.m.f.; below it, nothing passes


class ContactResistance(Ratio):
    """Resistance of a path's contacts, both legs in series; a floor if it can't be told from zero.

    The level is load / (source + path + load), so path = load (1/level - 1) - source. It is counted from the
    driven port where that is in view, so that nothing is before the path; else from the e.m.f., behind the
    source's resistance.
    """

    name, label, unit = "contact_resistance", "contact resistance", "ohm"
    of_both_legs = legs_apart = True
    limits = LimitRule(
        dimension="resistance", unit="ohm", kinds=("below",), example='below = "2 ohm"', tolerance=("below",)
    )
    default_level_vrms = most_level_vrms = LOW_LEVEL_VRMS
    only_with_signal = from_drive = True

    def denominator(self, views: Sequence[PortView], h: Sequence[Complex]) -> Complex | None:
        """The driven port's level; None if it is not in view."""
        rows = views[0].drive_rows
        return None if rows is None else differential(h[0], rows)

    def readings(self, need: Need) -> Iterable[PlannedReading[OfTransfers]]:
        """With what the path lies between."""
        if not need.live:
            return
        source, load = need.path()
        yield self.planned(need, self.captures(need), need.frequency_hz, source=source, load=load)

    def of_transfers(
        self, planned: PlannedReading[OfTransfers], transfers: Sequence[Transfer], k: float
    ) -> Estimate:
        """Raises ReadingError if nothing comes through, or where less than the limit could not be seen."""
        source, load, limit = planned.given.source, planned.given.load, planned.limit
        if source is None or load is None or limit is None or limit.high is None:
            raise ReadingError("the plan does not say what the path lies between")
        port = port_transfers(planned.given.views, transfers)[0]
        result = series_resistance(port, source, load, k)
        if result.smallest_ohm > limit.high and port.transfer.made != "predicted":
            raise ReadingError(
                f"not observable here: into {load.ohm:.4g} ohm, less than {result.smallest_ohm:.2g} ohm "
                f"can't be told from none, and the limit needs {limit.high:.2g} ohm to be. Use a load of "
                "fewer ohms"
            )
        return result.estimate

    def predict(self, planned: PlannedReading[OfTransfers], units: PredictedUnits) -> Estimates | None:
        """None if a good unit's is not observable: a run judges nothing then."""
        source, load, limit = planned.given.source, planned.given.load, planned.limit
        if source is None or load is None or limit is None:
            return None
        most_ohm = math.inf if limit.high is None else limit.high  # as yet, if it comes from the tolerance
        level, k = self.ratio_of_many(*predicted_views(planned, units)), units.coverage_factor
        size = np.maximum(np.abs(level.value), LEAST_LEVEL)
        standard = np.hypot(level.bench_standard, level.parts_standard) * load.ohm / size**2
        expanded = k * np.hypot(standard, source.standard_ohm)
        if expanded[0] > most_ohm:
            return None
        path_ohm = load.ohm * (1 / size - 1) - source.ohm
        return ValueEstimates(
            value=path_ohm,
            expanded=expanded,
            unit=self.unit,
            spread=_in_ohm(level.spread("linear"), source, load),
            taken=is_present(level, k),
        )


def _in_ohm(level: GoodSpread, source: KnownOhm, load: KnownOhm) -> GoodSpread:
    """The spread of a path's resistance, load (1/level - 1) - source, from that of its level."""
    size = max(level.typical, LEAST_LEVEL)
    slope = load.ohm / size**2

    def path_ohm(magnitude: float) -> float:
        return load.ohm * (1 / max(magnitude, LEAST_LEVEL) - 1) - source.ohm

    known = {
        "tolerance of the source": source.standard_ohm,
        "tolerance of the load": load.standard_ohm * abs(1 / size - 1),
    }
    return GoodSpread(
        terms="linear",
        nominal=path_ohm(level.nominal),
        typical=path_ohm(level.typical),
        parts={name: -slope * change for name, change in level.parts.items()},
        bench={line: slope * standard for line, standard in level.bench.items()},
        known=known,
    )


@dataclass(frozen=True, kw_only=True)
class SeriesResistance:
    """Resistance of a path, both legs in series; a floor if it can't be told from zero.

    smallest_ohm: the least that would have been told from zero.
    """

    estimate: Estimate
    smallest_ohm: float


def series_resistance(
    port: PortTransfer, source: KnownOhm, load: KnownOhm, k: float = 2.0
) -> SeriesResistance:
    """Resistance in series with the legs, from the differential level at low frequency.

    source, load: what it lies between, both legs of each. The level is that over the driven port's where the
    view has it. Raises ReadingError if nothing comes through.
    """
    stack, rows, driven = Stack.of([port.transfer]), port.view.rows, port.view.drive_rows
    values, components = stack.with_known({"tolerance of the source": source, "tolerance of the load": load})

    def path_ohm(v: Complex) -> Complex:
        source_ohm, load_ohm = v[..., -2].real, v[..., -1].real
        h = stack.flat_parts(v)[0]
        before = 1.0 if driven is None else np.maximum(np.abs(differential(h, driven)), LEAST_LEVEL)
        level = np.maximum(np.abs(differential(h, rows)) / before, LEAST_LEVEL)
        return np.asarray(load_ohm * (1 / level - 1) - source_ohm)

    if not abs(complex(differential(stack.values, rows))) > LEAST_LEVEL:
        raise ReadingError("no signal comes through: the path is open, and has no resistance to measure")
    result = propagate(path_ohm, values, components, coverage_factor=k)
    smallest_ohm = (result.high - result.low) / 2
    if result.standard is None or not is_detected(result.value, result.standard, k):
        result = below(max(result.value, 0.0) + smallest_ohm, k=k)
    return SeriesResistance(estimate=result, smallest_ohm=smallest_ohm)


FEWEST = 3  # frequencies that a check has
FEWEST_SEEN = 2  # of them above the floor, for a slope; with fewer only a bound is known
CAPACITANCE_HZ = (20e3, 50e3, 100e3)
LEAST_COUPLING = 1e-6  # of the drive: what a record of a known tone resolves on the most sensitive range
LEAST_SLOPE_DB, MOST_SLOPE_DB = 5.0, 7.0  # per octave: common practice, no source; a capacitance has 6.02
LEAK_SLOPE_DB = 3.0  # halfway from a leak's to a capacitance's: a slope that may be less tells nothing
REFUSED = 3.0  # standard uncertainties: a slope that is so far off is surely no capacitance's


class CouplingCapacitanceOptions(SweptOptions):
    """Of a capacitance check. coupling: whether it is known by isolation or by crosstalk."""

    frequencies: Annotated[Frequencies, AfterValidator(several(FEWEST))] = CAPACITANCE_HZ
    coupling: Literal["isolation", "crosstalk"] = "isolation"

    tells_apart = ("coupling",)


class CouplingCapacitance(Steady):
    """What couples a port that should be silent to one that is driven."""

    name, label, unit = "coupling_capacitance", "coupling capacitance", "F"
    legs_apart = True
    limits = LimitRule(dimension="capacitance", unit="F", kinds=("below",), example='below = "10 pF"')
    options = CouplingCapacitanceOptions
    swept = True

    def across(self, options: CouplingCapacitanceOptions) -> bool:
        """Where it is told by crosstalk."""
        return options.coupling == "crosstalk"

    def unread(self, options: CouplingCapacitanceOptions) -> str:
        """See Quantity."""
        if self.across(options):
            return ""
        return (
            "it is measured from what one open contact lets through, and here none does; expected states in "
            "which the port is silent because of one open contact"
        )

    def readings(self, need: Need) -> Iterable[PlannedReading[OfTransfers]]:
        """Where one open contact couples; through two in a row nothing comes that a bench could see."""
        frequencies_hz = need.options.several_hz
        across = self.across(need.options)
        if need.live != across or need.led_here:
            return
        levels = [abs(complex(differential(need.predicted(hz), (0, 1)))) for hz in frequencies_hz]
        if not across and min(levels) <= LEAST_COUPLING:
            return
        captures = [need.capture(pair_tone(need, hz)) for hz in frequencies_hz]
        highest_hz = max(frequencies_hz)  # where most comes through, and which counts most
        load = need.coupled_into(highest_hz)
        if not across:
            ohm = need.coupled_from_drive(highest_hz)
            load = KnownOhm(ohm=ohm, standard_ohm=load.standard_ohm * ohm / load.ohm)
        yield self.planned(need, captures, None, load=load)

    def of_transfers(
        self, planned: PlannedReading[OfTransfers], transfers: Sequence[Transfer], k: float
    ) -> Estimate:
        """See `coupling_capacitance`."""
        if planned.given.load is None:
            raise ReadingError("the plan does not say what the capacitance feeds")
        ports = [
            PortTransfer(transfer=each, view=view)
            for each, view in zip(transfers, planned.given.views, strict=True)
        ]
        return coupling_capacitance(ports, planned.given.load, k).capacitance_f


@dataclass(frozen=True, kw_only=True)
class Coupling:
    """Capacitance in farads, and the slope it was known by, dB per octave; None: by none, a bound."""

    capacitance_f: Estimate
    slope_db_per_octave: Estimate | None


def coupling_capacitance(ports: Sequence[PortTransfer], load: KnownOhm, k: float = 2.0) -> Coupling:
    """Fit the capacitance that couples a silent port to a driven one, from three frequencies or more.

    ports: at the silent port, and at the driven one where the level is to count from there. load: the
    transfer resistance that the circuit has there: what the quiet port's differential is, in volts, per
    ampere that flows through the capacitance, while the coupled level is small. The level is then
    |h| = w R C / sqrt(1 + (w R C)²), from which each frequency gives a capacitance; the logarithms of these
    are averaged by their weights. A frequency at which the port shows nothing is left out, if the capacitance
    need not show there. Where fewer than two are left, or the slope is too unsure to tell a capacitance from
    a leak, the capacitance is no more than would make what the highest frequency shows, whatever couples.
    Raises ReadingError where the slope is not a capacitance's (a leak or a shared return is flat), where more
    should have shown at a frequency left out, or where the driven port shows nothing.
    """
    floors = {port.view.frequency_hz: _level_db(port, k) for port in ports}
    seen = [port for port in ports if not floors[port.view.frequency_hz].floor]
    frequencies = {round(port.view.frequency_hz, 6) for port in seen}
    if len(frequencies) < FEWEST_SEEN:
        return Coupling(capacitance_f=_at_most(ports, load, k), slope_db_per_octave=None)
    stack = Stack.of([port.transfer for port in seen])
    values, components = stack.with_known({"tolerance of the circuit": load})
    hz = np.array([port.view.frequency_hz for port in seen])

    def levels(v: Complex) -> Floats:
        return _levels(seen, stack.flat_parts(v))

    weights = _weights(seen, stack)
    slope = propagate(
        lambda v: _slope(np.log2(hz), 20 * np.log10(levels(v)), weights),
        values,
        components,
        coverage_factor=k,
    )
    if not _is_sure(slope):
        return Coupling(capacitance_f=_at_most(ports, load, k), slope_db_per_octave=None)

    def capacitance(v: Complex) -> Floats:
        level = np.minimum(levels(v), 0.999)
        each = level / np.sqrt(1 - level**2) / (2 * np.pi * hz * v[..., -1:].real)
        return np.asarray(np.exp(np.sum(weights * np.log(each), axis=-1)))

    result = propagate(capacitance, values, components, coverage_factor=k)
    for port in ports:
        if port not in seen:
            _check_may_be_unseen(port, floors[port.view.frequency_hz], result.low * load.ohm)
    return Coupling(capacitance_f=result, slope_db_per_octave=slope)


def _at_most(ports: Sequence[PortTransfer], load: KnownOhm, k: float) -> Estimate:
    """What the level at the highest frequency bounds the capacitance to, where it shows most.

    Raises ReadingError if the driven port shows nothing, or the silent one as much as it.
    """
    port = max(ports, key=lambda each: each.view.frequency_hz)
    rows, driven = port.view.rows, port.view.driven_rows

    def level(h: Complex) -> Complex:
        return differential(h, rows) / (1.0 if driven is None else differential(h, driven))

    transfer = port.transfer
    if driven is not None and _level_db(port, k, driven).floor:
        raise ReadingError("the driven port shows no signal, so nothing can be said of what couples it")
    result = propagate(level, transfer.values, transfer.components, coverage_factor=k, scale="db")
    most = 10 ** (result.high / 20)
    if most >= 1:
        raise ReadingError(
            f"at {port.view.frequency_hz:g} Hz the level is anything up to that of the drive, and bounds no "
            "capacitance. Drive a higher level"
        )
    least_ohm = max(load.ohm - k * load.standard_ohm, load.ohm / 2)
    return below(most / math.sqrt(1 - most**2) / (2 * math.pi * port.view.frequency_hz * least_ohm), k=k)


def _level_db(port: PortTransfer, k: float, rows: tuple[int, int] | None = None) -> Estimate:
    """The level at its rows, or at others."""
    return propagate(
        lambda h: differential(h, rows or port.view.rows),
        port.transfer.values,
        port.transfer.components,
        coverage_factor=k,
        scale="db",
    )


def _check_may_be_unseen(port: PortTransfer, level_db: Estimate, least_rc_s: float) -> None:
    """Raise ReadingError where a port is quieter than the least R C of the other frequencies makes it."""
    w_rc = 2 * math.pi * port.view.frequency_hz * least_rc_s
    least = w_rc / math.hypot(1.0, w_rc)
    if port.view.driven_rows is not None:
        least *= abs(complex(differential(port.transfer.values, port.view.driven_rows)))
    if least > 10 ** (level_db.high / 20):
        raise ReadingError(
            f"at {port.view.frequency_hz:g} Hz the level is below {level_db.high:.1f} dB, and the other "
            f"frequencies show a capacitance that would make it {20 * math.log10(least):.1f} dB: "
            "more than one couples, or a resonance does"
        )


def _levels(ports: Sequence[PortTransfer], h: Sequence[Complex]) -> Floats:
    """Level of each port, over its driven port if it has one: from (…, legs, 2) each to (…, ports)."""
    levels = []
    for port, transfer in zip(ports, h, strict=True):
        level = np.abs(differential(transfer, port.view.rows))
        if port.view.driven_rows is not None:
            level = level / np.abs(differential(transfer, port.view.driven_rows))
        levels.append(np.maximum(level, 1e-30))
    return np.stack(levels, axis=-1)


def _weights(ports: Sequence[PortTransfer], stack: Stack) -> Floats:
    """Weight of each port by the variance that noise gives its logarithm; errors they share don't count.

    A capacitance's level is as its frequency, so that is what noise is compared with: with the level as seen,
    the frequency at which noise added to it would weigh too much. Sum 1.
    """
    noise = [component.delta for component in stack.components if component.origin == "noise"]
    if not noise:
        return np.full(len(ports), 1 / len(ports))
    hz = np.array([port.view.frequency_hz for port in ports])
    level = _levels(ports, stack.parts(stack.values))
    moved = (_levels(ports, stack.parts(stack.values + np.stack(noise))) - level) / hz
    variance = np.sum(moved**2, axis=0)
    variance = variance / max(float(variance.max()), 1e-300) + 1e-12
    return np.asarray(1 / variance / np.sum(1 / variance))


def _slope(octaves: Floats, level_db: Floats, weights: Floats) -> Floats:
    """Slope of a weighted straight line; level_db: (batch, points)."""
    centred = octaves - np.sum(weights * octaves)
    return np.asarray(np.sum(weights * centred * level_db, axis=-1) / np.sum(weights * centred**2))


def _is_sure(slope: Estimate) -> bool:
    """Whether a slope tells a capacitance from a leak. Raises ReadingError if it is not a capacitance's."""
    half = (slope.high - slope.low) / 2
    if not math.isfinite(half) or (slope.low < LEAK_SLOPE_DB and slope.high > LEAST_SLOPE_DB):
        return False
    result = f"{slope.value:.1f} dB per octave, ±{half:.1f}"
    surely = REFUSED * (slope.standard or 0.0)
    if slope.value + surely < LEAST_SLOPE_DB:
        raise ReadingError(
            f"the slope is {result}, and a capacitance has 6: this is a leak or a shared return"
        )
    if slope.value - surely > MOST_SLOPE_DB:
        raise ReadingError(
            f"the slope is {result}, and a capacitance has 6: more than one couples, or a resonance does"
        )
    return slope.high > LEAST_SLOPE_DB and slope.low < MOST_SLOPE_DB
