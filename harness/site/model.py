"""What the pages are about: units and batches, made from the lines of all runs, and where their pages are."""

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TypeVar

from harness.records.history import RunLine
from harness.records.run import INTERRUPTED
from harness.statistics.yields import Yields, yields

_LONGEST_SLUG = 40

Key = TypeVar("Key")


@dataclass(frozen=True, kw_only=True, order=True)
class UnitKey:
    """What makes a unit; simulated runs of a serial number are a unit of their own."""

    part: str
    serial: str
    simulated: bool


@dataclass(frozen=True, kw_only=True, order=True)
class BatchKey:
    """What makes a batch: units of one part tested under one name; "" for those that were given none."""

    part: str
    name: str
    simulated: bool

    @property
    def title(self) -> str:
        """The batch in words."""
        return f"{self.part}, {f'batch {self.name}' if self.name else 'no batch name'}"


@dataclass(frozen=True, kw_only=True)
class Unit:
    """A unit with its runs, oldest first. `stands` is the run that says how it stands now."""

    key: UnitKey
    slug: str
    runs: tuple[RunLine, ...]

    @cached_property
    def stands(self) -> RunLine:
        """The latest run that tested the unit; where all tested the bench by it, the latest of those."""
        return next((run for run in reversed(self.runs) if not run.purpose), self.runs[-1])

    @property
    def batch(self) -> BatchKey:
        """The batch that its latest test belongs to."""
        return batch_key(self.stands)


@dataclass(frozen=True, kw_only=True)
class BatchOfUnits:
    """The runs of a batch that tested units, oldest first."""

    key: BatchKey
    slug: str
    runs: tuple[RunLine, ...]

    @cached_property
    def yields(self) -> Yields:
        """First-pass and final yield."""
        return yields(self.runs)

    @cached_property
    def units(self) -> int:
        """How many units were tested, with or without a verdict."""
        return len({run.serial for run in self.runs})

    @property
    def latest(self) -> RunLine:
        """The run begun last."""
        return self.runs[-1]


@dataclass(frozen=True, kw_only=True)
class Catalogue:
    """All units, the one that was run last first, and all batches likewise; by the names of their pages."""

    units: Mapping[str, Unit]
    batches: Mapping[str, BatchOfUnits]
    runs: int
    open: tuple[RunLine, ...] = field(default=())  # begun and not ended, the latest first

    def unit_of(self, run: RunLine) -> Unit:
        """The unit that a run belongs to."""
        return self.units[unit_slug(run)]


def make_catalogue(lines: Sequence[RunLine]) -> Catalogue:
    """Sort runs, oldest first, into units and batches."""
    units: dict[UnitKey, list[RunLine]] = {}
    batches: dict[BatchKey, list[RunLine]] = {}
    for line in lines:
        units.setdefault(_unit_key(line), []).append(line)
        if not line.purpose:
            batches.setdefault(batch_key(line), []).append(line)
    made = [
        Unit(key=key, slug=slug(key.serial, key), runs=tuple(runs))
        for key, runs in _latest_first(units.items())
    ]
    gathered = [
        BatchOfUnits(key=key, slug=slug(f"{key.part}-{key.name}".rstrip("-"), key), runs=tuple(runs))
        for key, runs in _latest_first(batches.items())
    ]
    return Catalogue(
        units={unit.slug: unit for unit in made},
        batches={batch.slug: batch for batch in gathered},
        runs=len(lines),
        open=tuple(line for line in reversed(lines) if line.outcome == INTERRUPTED),
    )


def batch_key(run: RunLine) -> BatchKey:
    """The batch of a run."""
    return BatchKey(part=run.part, name=run.batch, simulated=run.simulated)


def slug(readable: str, key: UnitKey | BatchKey) -> str:
    """A file name that any system takes and no two units share, whatever their serial numbers are made of.

    The readable part is for people; the digest makes the difference, also where a disk ignores case.
    """
    stem = re.sub(r"[^A-Za-z0-9]+", "-", readable).strip("-")[:_LONGEST_SLUG]
    digest = hashlib.sha256(repr(key).encode()).hexdigest()[:10]
    return f"{stem}-{digest}" if stem else digest


def unit_slug(run: RunLine) -> str:
    """The name of the page of a run's unit."""
    return slug(run.serial, _unit_key(run))


def _unit_key(run: RunLine) -> UnitKey:
    return UnitKey(part=run.part, serial=run.serial, simulated=run.simulated)


def _latest_first(groups: Iterable[tuple[Key, list[RunLine]]]) -> list[tuple[Key, list[RunLine]]]:
    return sorted(groups, key=lambda group: group[1][-1].run_id, reverse=True)
