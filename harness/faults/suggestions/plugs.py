"""Loopback plugs that let the outputs alone tell most faults apart, chosen by search over E24 values.

Nothing here knows what makes a good plug. Straight plugs and matched pads are tried like any other set; that
two matched pads give the same level in either order, so that no reading at the output can prove an order
relay, comes out of the circuit as faults unseen.
"""

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations

import numpy as np

from harness.circuit.elements import BenchImpedances
from harness.errors import UsageError
from harness.faults.coverage import hard_faults
from harness.faults.margins import SURE, PredictedReadings, groups_of, told_apart, weigh_margins
from harness.faults.suggestions.additions import suggested_check
from harness.job.fixture import Fixture, Loopback, LoopbackLeg, PortName, Setup
from harness.job.job import Job
from harness.job.module import LEGS, Leg
from harness.job.sequence import Tone
from harness.plan.build import trial_plan
from harness.quantities.registry import SUGGESTED
from harness.units import E24

VALUES_OHM = tuple(float(value * decade) for decade in (10, 100) for value in E24)  # 100 ohm to 9.1 kohm
TOLERANCE = 0.001  # plugs are measured once, so that their resistors count as known to this
MATCHED = ((3.0, 600.0), (6.0, 600.0))  # loss in dB and impedance of the matched pads that are tried
STARTS, TRIES, SEED = 6, 48, 1


@dataclass(frozen=True, kw_only=True)
class PlugSet:
    """A set of plugs and what the outputs alone would see with it, of as many faults as are possible.

    alike: pairs of states in which the outputs of a good unit read the same.
    """

    description: str
    loopbacks: Mapping[str, Loopback]
    possible: int
    seen: int
    distinct: int
    unseen: tuple[str, ...]
    alike: tuple[tuple[str, str], ...]

    @property
    def score(self) -> tuple[float, int]:
        """Better is larger: the part of the faults seen, then how many different things they show."""
        return self.seen / self.possible, self.distinct


@dataclass(frozen=True, kw_only=True)
class PlugDesign:
    """The best set found, and those that it was tried against. `tried` counts circuits solved."""

    best: PlugSet
    others: tuple[PlugSet, ...]
    tried: int


def design_plugs(
    job: Job,
    *,
    impedances: BenchImpedances,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> PlugDesign:
    """Search E24 values for every leg of every loop.

    Starts at random sets and changes one thing at a time, keeping what is better. Raises UsageError for a
    fixture without loopbacks.
    """
    if not job.fixture.loopbacks:
        raise UsageError(
            f"{job.folder}: fixture.toml has no [loopbacks.…]; there are no loopback plugs to design"
        )
    rng = np.random.default_rng(SEED)
    total = STARTS + TRIES + 3

    def tried(description: str, loopbacks: Mapping[str, Loopback]) -> PlugSet:
        made = _evaluate(job, description, loopbacks, impedances, executor)
        counter.append(made)
        progress(len(counter), total)
        return made

    counter: list[PlugSet] = []
    others = [tried("the plugs as they are", job.fixture.loopbacks)]
    others += [tried(description, loopbacks) for description, loopbacks in _ready_made(job)]
    genes = [_coded(partial(_random, job, rng)) for _ in range(STARTS)]
    sets = [tried("coded plugs", _loopbacks(job, gene)) for gene in genes]
    first = max(range(STARTS), key=lambda index: sets[index].score)
    gene, best = genes[first], sets[first]
    for _ in range(TRIES):
        other = _coded(partial(_mutated, gene, rng))
        made = tried("coded plugs", _loopbacks(job, other))
        if made.score >= best.score:
            gene, best = other, made
    return PlugDesign(best=best, others=tuple(others), tried=len(counter))


@dataclass(frozen=True, kw_only=True)
class _Gene:
    """Indices in VALUES_OHM: series by loopback, channel and leg; shunt by loopback."""

    series: tuple[tuple[int, ...], ...]
    shunt: tuple[int, ...]


def _coded(draw: Callable[[], _Gene]) -> _Gene:
    """Draw until every leg of every loop has a series resistor that no other has."""
    while True:
        gene = draw()
        series = [value for loopback in gene.series for value in loopback]
        if len(set(series)) == len(series):
            return gene


def _random(job: Job, rng: np.random.Generator) -> _Gene:
    legs = len(job.module.channels) * len(LEGS)
    last = len(VALUES_OHM) - 1
    series = []
    for _ in job.fixture.loopbacks:
        start, step = int(rng.integers(0, last - 3 * legs)), int(rng.integers(1, 4))
        series.append(tuple(min(start + step * leg, last) for leg in range(legs)))
    return _Gene(
        series=tuple(series), shunt=tuple(int(rng.integers(12, last)) for _ in job.fixture.loopbacks)
    )


def _mutated(gene: _Gene, rng: np.random.Generator) -> _Gene:
    """One loopback's values moved up or down together, or one of them alone, or its shunt."""
    loopback = int(rng.integers(len(gene.series)))
    step = int(rng.choice([-6, -3, -2, -1, 1, 2, 3, 6]))
    last = len(VALUES_OHM) - 1

    def moved(value: int) -> int:
        return min(max(value + step, 0), last)

    series, shunt = list(gene.series), list(gene.shunt)
    match int(rng.integers(3)):
        case 0:
            series[loopback] = tuple(moved(value) for value in series[loopback])
        case 1:
            leg = int(rng.integers(len(series[loopback])))
            series[loopback] = tuple(
                moved(value) if index == leg else value for index, value in enumerate(series[loopback])
            )
        case _:
            shunt[loopback] = moved(shunt[loopback])
    return _Gene(series=tuple(series), shunt=tuple(shunt))


def _loopbacks(job: Job, gene: _Gene) -> dict[str, Loopback]:
    made: dict[str, Loopback] = {}
    for loopback, series, shunt in zip(job.fixture.loopbacks.values(), gene.series, gene.shunt, strict=True):
        values = iter(series)
        legs: dict[str, dict[Leg, LoopbackLeg]] = {
            channel: {
                leg: LoopbackLeg(series_ohm=VALUES_OHM[next(values)], shunt_ohm=VALUES_OHM[shunt])
                for leg in LEGS
            }
            for channel in job.module.channels
        }
        made[loopback.name] = replace(
            loopback, legs=legs, pad_db=None, pad_impedance_ohm=None, tolerance=TOLERANCE, plug=None
        )
    return made


def _ready_made(job: Job) -> Iterator[tuple[str, dict[str, Loopback]]]:
    """Plugs that need no design: straight ones, and symmetric pads matched to one impedance."""
    loopbacks = job.fixture.loopbacks
    plain = {
        name: replace(loopback, legs=None, pad_db=0.0, pad_impedance_ohm=None, plug=None)
        for name, loopback in loopbacks.items()
    }
    yield "straight plugs", plain
    losses = [MATCHED[index % len(MATCHED)] for index in range(len(loopbacks))]
    description = " and ".join(f"{loss_db:g} dB" for loss_db, _ in losses)
    yield (
        f"matched pads, {description} at {MATCHED[0][1]:g} ohm",
        {
            name: replace(loopback, pad_db=loss_db, pad_impedance_ohm=ohm, tolerance=TOLERANCE)
            for (name, loopback), (loss_db, ohm) in zip(plain.items(), losses, strict=True)
        },
    )


def _evaluate(
    job: Job,
    description: str,
    loopbacks: Mapping[str, Loopback],
    impedances: BenchImpedances,
    executor: Executor | None,
) -> PlugSet:
    """What the outputs alone see with these plugs, in the sequence's states."""
    trial = _at_outputs(job, loopbacks)
    plan = trial_plan(trial, impedances=impedances)
    faults = hard_faults(trial)
    made = weigh_margins(trial, plan, faults, executor=executor)
    seen = made.best >= SURE
    units = PredictedReadings(trial, plan, made.signatures)
    groups = groups_of(told_apart(units), np.flatnonzero(seen).tolist())
    return PlugSet(
        description=description,
        loopbacks=loopbacks,
        possible=len(faults),
        seen=int(seen.sum()),
        distinct=len(groups),
        unseen=tuple(name for name, is_seen in zip(made.signatures.names, seen, strict=True) if not is_seen),
        alike=_alike(units),
    )


def _alike(units: PredictedReadings) -> tuple[tuple[str, str], ...]:
    """Pairs of powered states that no output tells apart."""
    acquisitions, k = units.signatures.acquisitions, units.coverage_factor
    values, standards = (array[0].reshape(len(acquisitions), -1) for array in units.entries())
    rows = {
        state.name: [index for index, each in enumerate(acquisitions) if each.state == state]
        for state in units.signatures.states
        if state.powered
    }
    return tuple(
        (one, other)
        for one, other in combinations(rows, 2)
        if (
            np.abs(values[rows[one]] - values[rows[other]])
            <= k * np.hypot(standards[rows[one]], standards[rows[other]])
        ).all()
    )


def _at_outputs(job: Job, loopbacks: Mapping[str, Loopback]) -> Job:
    """The job with levels at the outputs alone, each channel driven in turn, and the supply current.

    Of a unit that may invert, the driven port is in view as well: polarity is read against it.
    """
    outputs = tuple(port.net for port in job.module.ports if port.role == "output")
    drives = dict.fromkeys(
        setup.drive
        for setup in job.fixture.setups
        if setup.drive is not None and setup.drive.channel in job.sequence.channels
    )
    setups = tuple(
        Setup(
            name=f"drive {drive}, view {net}",
            through=False,
            drive=drive,
            view=(*([drive] if job.module.may_invert else []), PortName(channel=drive.channel, net=net)),
            loopbacks=tuple(loopbacks),
            select=(),
        )
        for drive in drives
        for net in outputs
        if job.module.has_port(drive.channel, net)
    )
    tone = next(
        (check.tone for check in job.sequence.checks if check.quantity.judges_silent_ports),
        Tone(frequency_hz=1e3, level_vrms=1.228),
    )
    checks = tuple(
        suggested_check(quantity, suggestion.limit, outputs, tone)
        for quantity, suggestion in SUGGESTED
        if quantity.at_ports and not quantity.between_channels and not quantity.across(quantity.options())
    )
    supply = tuple(check for check in job.sequence.checks if check.quantity.family == "supply")
    through = tuple(setup for setup in job.fixture.setups if setup.through)
    fixture: Fixture = replace(job.fixture, loopbacks=loopbacks, setups=(*through, *setups))
    return replace(job, fixture=fixture, sequence=replace(job.sequence, checks=(*checks, *supply)))
