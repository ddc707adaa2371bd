"""Whether a plan's readings would see a fault: every reading of every suspect, judged as a run would.

A margin counts expanded uncertainties between a reading and the limit that it breaks: at 1 it is judged fail
even so. The uncertainty holds the bench's, the prediction's and the spread of sound parts in the unit itself.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.descriptions.fixture import Hookup, PortName
from harness.descriptions.job import Job
from harness.descriptions.module import Module
from harness.descriptions.sequence import Limit
from harness.descriptions.state import State
from harness.faults.doubt import Doubt, Level, doubt_of, ratio, weigh
from harness.faults.effects import Suspect, control_of
from harness.faults.signatures import Signatures
from harness.judge import limits_for
from harness.measure.contact import LEAST_LEVEL
from harness.measure.quantities import CERTAIN, CLEAR_DEG
from harness.measure.transfer import PREDICTED
from harness.plan.model import Plan, PlannedReading
from harness.plan.states import energised
from harness.plan.supply import expected_current_a

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

REJECTION = "common_mode_rejection"
KNOWN = frozenset(
    {"gain", "isolation", "polarity", "phase", "balance", "crosstalk", "channel_match", "supply_current"}
    | {"response", "contact_resistance", REJECTION}
)  # others count as no evidence: nothing here predicts what a fault does to them
NONE = -math.inf  # the margin of a reading that says nothing
SURE = 1.0  # the margin from which a fault counts as seen
COIL_SPREAD = 0.04  # half-width of a lot's coils round their nominal: practice, coils of one lot agree so
SUPPLY_METER = 0.01  # of the supply's own current reading: common practice, no source
PREFLIGHT_OVER, PREFLIGHT_LEAST_A = 1.3, 0.02  # a line alone is limited to this over what it should draw
LIMIT_REACHED = 0.97  # of a supply's limit


@dataclass(frozen=True, kw_only=True, eq=False)
class Margins:
    """Margins of every reading for every suspect, (suspects, readings + 1); the last is the over-current
    check of each line before the plan.

    sound: the same for a healthy unit, (readings,): how far inside its limits it is, in expanded
    uncertainties; below 1 a healthy unit may not pass.
    """

    readings: tuple[PlannedReading, ...]
    margins: Floats
    sound: Floats

    @property
    def best(self) -> Floats:
        """The largest margin of each suspect."""
        return np.asarray(self.margins.max(axis=1, initial=NONE))


def weigh_margins(job: Job, plan: Plan, signatures: Signatures) -> Margins:
    """Judge every reading of every suspect, and of a healthy unit."""
    prospect = Prospect(job=job, plan=plan, signatures=signatures)
    columns = [prospect.margins(reading) for reading in plan.readings]
    over = np.array([over_current(job.module, suspect)[0] for suspect in signatures.suspects])
    margins = np.stack([*(broken for broken, _ in columns), over.reshape(len(signatures.suspects))], axis=1)
    return Margins(readings=plan.readings, margins=margins, sound=np.array([inside for _, inside in columns]))


def words_for(reading: PlannedReading) -> str:
    """`gain at left.out, loop_a, driving left`."""
    if reading.quantity == "supply_current":
        return f"supply current, {reading.state.name}"
    quantity = reading.quantity.replace("_", " ")
    driven = "" if reading.driven == reading.channel else f", driving {reading.driven}"
    return f"{quantity} at {reading.channel}.{reading.port}, {reading.state.name}{driven}"


@dataclass(kw_only=True, eq=False)
class Prospect:
    """What the bench would show of a healthy unit (first) and of all suspects."""

    job: Job
    plan: Plan
    signatures: Signatures

    def __post_init__(self) -> None:
        self._hookups = {visit.hookup.name: visit.hookup for visit in self.plan.visits}
        self._places = {each.number: place for place, each in enumerate(self.signatures.acquisitions)}
        self._shown: dict[int, tuple[Complex, Doubt]] = {}
        self._levels: dict[tuple[int, bool, bytes], Level] = {}

    def margins(self, reading: PlannedReading) -> tuple[Floats, float]:
        """Margin by which each suspect breaks this reading's limit, and by which a healthy unit keeps it."""
        if reading.quantity == "supply_current":
            return self._supply(reading)
        if reading.quantity not in KNOWN:
            return np.full(len(self.signatures.suspects), NONE), math.inf
        if reading.quantity == "polarity":
            return self._polarity(reading)
        if reading.quantity == "phase":
            return self._phase(reading)
        if reading.quantity == REJECTION:
            return self._rejection(reading)
        if reading.quantity == "contact_resistance":
            return self._contact(reading)
        return self._level(reading)

    def change(self, reading: PlannedReading, suspect: int) -> tuple[float, str]:
        """By how much a suspect's reading differs from a healthy unit's, and the unit of that."""
        if reading.quantity == "supply_current":
            place = self.signatures.states.index(reading.state)
            found = self.signatures.supply_a[suspect, place] - self.signatures.healthy_supply_a[place]
            return float(found), "A"
        if reading.quantity in ("phase", "polarity"):
            number = reading.acquisitions[0]
            level = self._weighed(number, self._pair(number, reading.channel, reading.port))
            return float(np.degrees(np.angle(level.value[1 + suspect] / level.value[0]))), "deg"
        if reading.quantity == "contact_resistance" and reading.load is not None:
            number = reading.acquisitions[0]
            level = self._weighed(number, self._pair(number, reading.channel, reading.port))
            with np.errstate(divide="ignore"):
                ohm = reading.load.ohm / np.abs(level.value)
            return float(ohm[1 + suspect] - ohm[0]), "ohm"
        if reading.quantity == REJECTION:
            level = self._converted(reading, reading.acquisitions[0])
        else:
            level, _ = self._in_db(reading)
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

    def _level(self, reading: PlannedReading) -> tuple[Floats, float]:
        level, needed = self._in_db(reading)
        expected_db, doubt = _expected_db(level)
        limit = reading.limit or Limit(kind="between", unit="dB")
        low_db, high_db = limits_for(limit, expected_db)
        k = self.job.sequence.coverage_factor
        magnitude = np.abs(level.value)
        there = magnitude > k * level.bench_quadrature
        bench = np.where(there, level.bench_standard, level.bench_quadrature)
        own = doubt * magnitude if limit.kind == "within" else 0.0 * magnitude
        broken = np.full(len(magnitude), NONE)
        inside = math.inf
        for end, sign in ((low_db, -1.0), (high_db, 1.0)):
            if end is None:
                continue
            edge = 10 ** (end / 20)
            whole = k * np.sqrt(bench**2 + level.parts_standard**2 + own**2) + 1e-300
            margin = sign * (magnitude - edge) / whole
            broken = np.maximum(broken, margin)
            inside = min(inside, -float(margin[0]))
        broken = np.where(np.isfinite(magnitude) & needed, broken, NONE)
        return broken[1:], inside

    def _in_db(self, reading: PlannedReading) -> tuple[Level, NDArray[np.bool_]]:
        """The complex ratio that a reading is the level of, and where it can be taken at all."""
        number = reading.acquisitions[0]
        everywhere = np.ones(len(self.signatures.suspects) + 1, dtype=bool)
        if reading.quantity == "balance":
            hot, cold = self._legs(number, reading.channel, reading.port)
            alike = self._exchanges(reading)
            one, other = (self._weighed(number, leg, alike=alike) for leg in (hot, cold))
            return ratio(one, other, together=True), self._there(one) & self._there(other)
        if reading.quantity == "channel_match":
            first, second = reading.acquisitions
            other = self._weighed(first, self._pair(first, self._driven(first), reading.port))
            one = self._weighed(second, self._pair(second, reading.channel, reading.port))
            return ratio(one, other, together=False), self._there(other)
        one = self._weighed(number, self._pair(number, reading.channel, reading.port))
        if reading.quantity == "response":
            first = reading.acquisitions[1]
            other = self._weighed(first, self._pair(first, reading.channel, reading.port))
            return ratio(one, other, together=False), self._there(other)
        if reading.quantity == "crosstalk":
            other = self._weighed(number, self._pair(number, reading.driven, reading.port))
            return ratio(one, other, together=True), self._there(other)
        return one, everywhere

    def _rejection(self, reading: PlannedReading) -> tuple[Floats, float]:
        """The worst of its sources' rejections: the differential over what a common drive makes of it."""
        k = self.job.sequence.coverage_factor
        broken = np.full(len(self.signatures.suspects), NONE)
        inside = math.inf
        limit = reading.limit
        if limit is None or limit.low is None:
            return broken, inside
        edge = 10 ** (-limit.low / 20)
        for number in reading.acquisitions:
            if self._hookup(number).exchanged:
                continue
            level = self._converted(reading, number)
            through = self._weighed(number, self._pair(number, reading.channel, reading.port))
            bench = np.maximum(level.bench_standard, level.bench_quadrature)
            whole = k * np.hypot(bench, level.parts_standard)
            margin = (np.abs(level.value) - edge) / (whole + 1e-300)
            broken = np.maximum(broken, np.where(self._there(through), margin, NONE)[1:])
            inside = min(inside, -float(margin[0]))
        return broken, inside

    def _contact(self, reading: PlannedReading) -> tuple[Floats, float]:
        """A path's series resistance, by what it takes off the level: as `series_resistance` has it."""
        nothing = np.full(len(self.signatures.suspects), NONE)
        source, load, limit = reading.source, reading.load, reading.limit
        if source is None or load is None or limit is None or limit.high is None:
            return nothing, math.inf
        number = reading.acquisitions[0]
        level = self._weighed(number, self._pair(number, reading.channel, reading.port))
        magnitude = np.maximum(np.abs(level.value), LEAST_LEVEL)
        found_ohm = load.ohm * (1 / magnitude - 1) - source.ohm
        doubt = np.hypot(level.bench_standard, level.parts_standard) * load.ohm / magnitude**2
        whole_ohm = self.job.sequence.coverage_factor * np.hypot(doubt, source.standard_ohm)
        high_ohm = limits_for(limit, float(found_ohm[0]))[1]
        if high_ohm is None or whole_ohm[0] > limit.high:
            return nothing, math.inf  # a run says of it that it isn't observable, and judges nothing
        margin = (found_ohm - high_ohm) / whole_ohm
        return np.where(self._there(level), margin, NONE)[1:], -float(margin[0])

    def _converted(self, reading: PlannedReading, number: int) -> Level:
        """What a common drive, one volt on both legs in phase, puts between them, over the differential."""
        alike = self._exchanges(reading)
        pair = self._pair(number, reading.channel, reading.port)
        common = self._weighed(number, 2 * pair * np.array([1, -1]), alike=alike)
        return ratio(common, self._weighed(number, pair, alike=alike), together=True)

    def _polarity(self, reading: PlannedReading) -> tuple[Floats, float]:
        number = reading.acquisitions[0]
        level = self._weighed(number, self._pair(number, reading.channel, reading.port))
        angle = np.abs(np.degrees(np.angle(level.value)))
        sign = np.where(angle <= CLEAR_DEG, 1, np.where(angle >= 180 - CLEAR_DEG, -1, 0))
        k = max(self.job.sequence.coverage_factor, CERTAIN)
        certain = np.abs(level.value) / (k * np.maximum(level.bench_standard, level.bench_quadrature))
        broken = np.where(sign * sign[0] == -1, certain, NONE)
        return broken[1:], float(certain[0])

    def _phase(self, reading: PlannedReading) -> tuple[Floats, float]:
        number = reading.acquisitions[0]
        level = self._weighed(number, self._pair(number, reading.channel, reading.port))
        turned = np.degrees(np.angle(level.value / level.value[0]))
        expected = float(np.degrees(np.angle(level.value[0])))
        limit = reading.limit or Limit(kind="between", unit="deg")
        low, high = limits_for(limit, expected)
        k = self.job.sequence.coverage_factor
        with np.errstate(divide="ignore", invalid="ignore"):
            side = np.sqrt(level.bench_quadrature**2 + (np.abs(level.parts) ** 2).sum(axis=0)) / np.abs(
                level.value
            )
        whole = k * np.degrees(side)
        broken = np.full(len(turned), NONE)
        inside = math.inf
        for end, sign in ((low, -1.0), (high, 1.0)):
            if end is not None:
                margin = sign * (turned - (end - expected)) / whole
                broken = np.maximum(broken, margin)
                inside = min(inside, -float(margin[0]))
        return np.where(self._there(level), broken, NONE)[1:], inside

    def _supply(self, reading: PlannedReading) -> tuple[Floats, float]:
        place = self.signatures.states.index(reading.state)
        found = self.signatures.supply_a[:, place]
        expected = float(self.signatures.healthy_supply_a[place])
        low, high = limits_for(reading.limit or Limit(kind="between", unit="A"), expected)
        coils = max(expected - self.job.module.supply.quiescent_a, 0.0)
        k = self.job.sequence.coverage_factor

        def over(value: Floats) -> Floats:
            whole = k * np.hypot(SUPPLY_METER * value, COIL_SPREAD * coils) / math.sqrt(3) + 1e-12
            return np.maximum(
                np.full(len(value), NONE) if low is None else (low - value) / whole,
                np.full(len(value), NONE) if high is None else (value - high) / whole,
            )

        return over(found), -float(over(np.array([expected]))[0])

    def _hookup(self, number: int) -> Hookup:
        return self._hookups[self.signatures.acquisitions[self._places[number]].hookup]

    def _driven(self, number: int) -> str:
        drive = self._hookup(number).drive
        return "" if drive is None else drive.channel

    def _legs(self, number: int, channel: str, net: str) -> tuple[Complex, Complex]:
        """Weights of each leg's answer to the antiphase drive."""
        hookup = self._hookup(number)
        place = hookup.view.index(PortName(channel=channel, net=net.split(".")[0]))
        weights = np.zeros((2, 2 * len(hookup.view), 2), dtype=complex)
        for leg in (0, 1):
            weights[leg, 2 * place + leg] = (0.5, -0.5)
        return weights[0], weights[1]

    def _pair(self, number: int, channel: str, net: str) -> Complex:
        hot, cold = self._legs(number, channel, net)
        return hot - cold

    def _there(self, level: Level) -> NDArray[np.bool_]:
        k = max(self.job.sequence.coverage_factor, CERTAIN)
        return np.asarray(np.abs(level.value) > k * level.bench_quadrature)

    def _exchanges(self, reading: PlannedReading) -> bool:
        """Whether a reading's inputs are exchanged too, which takes the ratio of their gains out of it."""
        return any(self._hookup(number).exchanged for number in reading.acquisitions)

    def _weighed(self, number: int, weights: Complex, *, alike: bool = False) -> Level:
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
            hookup, prediction = self._hookup(number), self.plan.predictions[number]
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


def _expected_db(level: Level) -> tuple[float | None, float]:
    """What a healthy unit shows, and the relative spread of that."""
    magnitude = float(np.abs(level.value[0]))
    if not magnitude or not math.isfinite(magnitude):
        return None, 0.0
    return 20 * math.log10(magnitude), float(level.parts_standard[0]) / magnitude


def over_current(module: Module, suspect: Suspect) -> tuple[float, str]:
    """Margin, and state, of the check of each line alone before the plan: the first that no sound unit shows.

    A run stops there with the verdict fail, and nothing else is measured.
    """
    control = control_of(suspect)
    worst = NONE
    for state in (State(on=()), *(State(on=(line,)) for line in module.line_names)):
        expected = expected_current_a(module, state)
        limit = min(max(PREFLIGHT_OVER * expected, expected + PREFLIGHT_LEAST_A), module.supply.limit_a)
        on = tuple(line for line in module.line_names if control.feeds.get(line, line) in state.on)
        driven = [relay for relay in module.relays if energised(relay, State(on=on))]
        if any(relay.name in control.coil_shorted for relay in driven):
            return math.inf, state.name
        wanted = module.supply.quiescent_a + sum(
            module.supply.voltage_v / relay.type.coil_ohm
            for relay in driven
            if relay.name not in control.coil_open
        )
        doubt = 2 * wanted * math.hypot(SUPPLY_METER, COIL_SPREAD) / math.sqrt(3)
        if doubt:
            worst = max(worst, (wanted - LIMIT_REACHED * limit) / doubt)
        if worst >= SURE:
            return worst, state.name
    return worst, ""
