"""What every acquisition of a plan would show of every suspect, and how sure that would be."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.faults.doubt import Doubt, Level, doubt_of, ratio, weigh
from harness.faults.signatures import Signatures
from harness.job.fixture import Hookup, PortName
from harness.job.job import Job
from harness.measure.quantities import CERTAIN
from harness.measure.transfer import PREDICTED
from harness.plan.model import Plan, PlannedReading
from harness.quantities.registry import QUANTITIES

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

REJECTION = "common_mode_rejection"


@dataclass(kw_only=True, eq=False)
class Prospect:
    """What the bench would show of a healthy unit (first) and of all suspects.

    Levels are of shape (1 + suspects,). Numbers are the plan's, of acquisitions.
    """

    job: Job
    plan: Plan
    signatures: Signatures

    def __post_init__(self) -> None:
        self.coverage_factor = self.job.sequence.coverage_factor
        self._hookups = {visit.hookup.name: visit.hookup for visit in self.plan.visits}
        self._places = {each.number: place for place, each in enumerate(self.signatures.acquisitions)}
        self._shown: dict[int, tuple[Complex, Doubt]] = {}
        self._levels: dict[tuple[int, bool, bytes], Level] = {}

    def change(self, reading: PlannedReading, suspect: int) -> tuple[float, str]:
        """By how much a suspect's reading differs from a healthy unit's, and the unit of that."""
        if reading.quantity == "supply_current":
            place = self.signatures.states.index(reading.state)
            found = self.signatures.supply_a[suspect, place] - self.signatures.healthy_supply_a[place]
            return float(found), "A"
        if reading.quantity == "polarity" or QUANTITIES[reading.quantity].unit == "deg":
            level, _ = self.ratio_of(reading)
            return float(np.degrees(np.angle(level.value[1 + suspect] / level.value[0]))), "deg"
        if reading.quantity == "contact_resistance" and reading.load is not None:
            number = reading.acquisitions[0]
            level = self.pair_level(number, reading.channel, reading.port)
            with np.errstate(divide="ignore"):
                ohm = reading.load.ohm / np.abs(level.value)
            return float(ohm[1 + suspect] - ohm[0]), "ohm"
        if reading.quantity == REJECTION:
            level = self.converted(reading, reading.acquisitions[0])
        else:
            level, _ = self.ratio_of(reading)
        with np.errstate(divide="ignore", invalid="ignore"):
            change = 20 * np.log10(np.abs(level.value[1 + suspect]) / np.abs(level.value[0]))
        return float(change), "dB"

    def entries(self) -> tuple[Complex, Floats]:
        """Every entry of every acquisition as it would be shown, and its standard uncertainty.

        Shapes (1 + suspects, entries), a healthy unit first.
        """
        values, standards = [], []
        for acquisition in self.signatures.acquisitions:
            shown, doubt = self._show(acquisition.number)
            own = (np.abs(doubt.parts) ** 2).sum(axis=0) * doubt.scale**2
            relative = (doubt.relative**2).sum(axis=0) + (doubt.gains**2)[:, :, None]
            square = 2 * (doubt.noise**2)[:, :, None] + relative * np.abs(shown) ** 2 + own
            values.append(shown.reshape(len(shown), -1))
            standards.append(np.sqrt(square).reshape(len(shown), -1))
        if not values:
            nothing = np.zeros((1 + len(self.signatures.suspects), 0))
            return nothing.astype(complex), nothing
        return np.concatenate(values, axis=1), np.concatenate(standards, axis=1)

    def ratio_of(self, reading: PlannedReading) -> tuple[Level, NDArray[np.bool_]]:
        """The complex ratio that a reading is the level or the angle of, and where it can be taken at all."""
        number = reading.acquisitions[0]
        everywhere = np.ones(len(self.signatures.suspects) + 1, dtype=bool)
        if reading.quantity in ("balance", "balance_phase"):
            hot, cold = self._legs(number, reading.channel, reading.port)
            alike = self._exchanges(reading)
            one, other = (self.weighed(number, leg, alike=alike) for leg in (hot, cold))
            return ratio(one, other, together=True), self.there(one) & self.there(other)
        if QUANTITIES[reading.quantity].between_channels:
            first, second = reading.acquisitions
            other = self.pair_level(first, self._driven(first), reading.port)
            one = self.pair_level(second, reading.channel, reading.port)
            return ratio(one, other, together=False), self.there(other)
        one = self.pair_level(number, reading.channel, reading.port)
        if reading.quantity == "response":
            first = reading.acquisitions[1]
            other = self.pair_level(first, reading.channel, reading.port)
            return ratio(one, other, together=False), self.there(other)
        if reading.quantity == "crosstalk":
            other = self.pair_level(number, reading.driven, reading.port)
            return ratio(one, other, together=True), self.there(other)
        return one, everywhere

    def converted(self, reading: PlannedReading, number: int) -> Level:
        """What a common drive, one volt on both legs in phase, puts between them, over the differential."""
        alike = self._exchanges(reading)
        pair = self.pair(number, reading.channel, reading.port)
        common = self.weighed(number, 2 * pair * np.array([1, -1]), alike=alike)
        return ratio(common, self.weighed(number, pair, alike=alike), together=True)

    def hookup(self, number: int) -> Hookup:
        """The hookup that an acquisition is taken in."""
        return self._hookups[self.signatures.acquisitions[self._places[number]].hookup]

    def _driven(self, number: int) -> str:
        drive = self.hookup(number).drive
        return "" if drive is None else drive.channel

    def _legs(self, number: int, channel: str, net: str) -> tuple[Complex, Complex]:
        """Weights of each leg's answer to the antiphase drive."""
        hookup = self.hookup(number)
        place = hookup.view.index(PortName(channel=channel, net=net.split(".")[0]))
        weights = np.zeros((2, 2 * len(hookup.view), 2), dtype=complex)
        for leg in (0, 1):
            weights[leg, 2 * place + leg] = (0.5, -0.5)
        return weights[0], weights[1]

    def pair(self, number: int, channel: str, net: str) -> Complex:
        """Weights, (legs, 2), of a port's differential under the antiphase drive."""
        hot, cold = self._legs(number, channel, net)
        return hot - cold

    def pair_level(self, number: int, channel: str, net: str) -> Level:
        """The differential of a port under the antiphase drive, as an acquisition shows it."""
        return self.weighed(number, self.pair(number, channel, net))

    def there(self, level: Level) -> NDArray[np.bool_]:
        """Where a level surely stands above what the bench adds by itself."""
        k = max(self.coverage_factor, CERTAIN)
        return np.asarray(np.abs(level.value) > k * level.bench_quadrature)

    def _exchanges(self, reading: PlannedReading) -> bool:
        """Whether a reading's inputs are exchanged too, which takes the ratio of their gains out of it."""
        return any(self.hookup(number).exchanged for number in reading.acquisitions)

    def weighed(self, number: int, weights: Complex, *, alike: bool = False) -> Level:
        """A linear function of an acquisition's transfers; weights: (legs, 2).

        alike: the inputs are exchanged as well, so that errors of their gains cancel.
        """
        key = (number, alike, weights.tobytes())
        if key not in self._levels:
            transfers, doubt = self._show(number)
            if alike:
                crossed = (doubt.relative < 0).any(axis=(1, 2))
                doubt = replace(doubt, relative=doubt.relative[~crossed], gains=0 * doubt.gains)
            self._levels[key] = weigh(transfers, doubt, weights)
        return self._levels[key]

    def _show(self, number: int) -> tuple[Complex, Doubt]:
        """What an acquisition would show of every unit, its phases as a measurement has them."""
        if number not in self._shown:
            place = self._places[number]
            legs = self.signatures.legs[place]
            transfers = np.concatenate(
                [self.signatures.healthy[None, place, :legs], self.signatures.transfers[:, place, :legs]]
            )
            hookup, prediction = self.hookup(number), self.plan.predictions[number]
            shown = _as_measured(transfers, prediction.transfer, hookup)
            accuracy = self.job.bench.oscilloscope.gain_accuracy if self.job.bench else 0.02
            doubt = doubt_of(
                shown,
                prediction,
                hookup,
                gain_accuracy=accuracy,
                referenced=self.plan.through is not None,
            )
            self._shown[number] = (shown, doubt)
        return self._shown[number]


def _as_measured(transfers: Complex, predicted: Complex, hookup: Hookup) -> Complex:
    """Set one phase of each column, as `make_transfer` must: no acquisition knows when it began."""
    shown = transfers.copy()
    units = np.arange(len(transfers))
    for column in (0, 1):
        largest = np.abs(transfers[:, :, column]).argmax(axis=1)
        if hookup.drive is not None and hookup.drive in hookup.view:
            row = 2 * hookup.view.index(hookup.drive) + column
            largest = np.where(np.abs(transfers[:, row, column]) > 1e-4, row, largest)
        raw = transfers[units, largest, column]
        expected = predicted[largest, column]
        target = np.where(np.abs(expected) > PREDICTED * np.abs(raw), np.angle(expected), 0.0)
        shown[:, :, column] *= np.exp(1j * (target - np.angle(raw)))[:, None]
    return shown
