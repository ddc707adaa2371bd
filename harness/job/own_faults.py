"""Faults beside a job's single ones: those that module.toml and a command name, and pairs of any."""

from collections.abc import Iterator, Sequence
from itertools import combinations

from harness.job.faults import Fault, contradict, parse_fault
from harness.job.job import Job

Faults = tuple[Fault, ...]  # that a unit has at once


def own_suspects(job: Job, names: Sequence[str] = ()) -> tuple[Faults, ...]:
    """What module.toml lists as suspects, then those of these names; each once.

    Raises UsageError for a name that no fault of the job has.
    """
    made = (parse_fault(name, job.module, job.fixture) for name in (*job.module.suspects, *names))
    return tuple(dict.fromkeys(made))


def doubles_of(fault_sets: Sequence[Faults]) -> Iterator[Faults]:
    """Every two of some fault sets that a unit can have at once."""
    yield from ((*one, *other) for one, other in combinations(fault_sets, 2) if _go_together(one, other))


def _go_together(one: Faults, other: Faults) -> bool:
    return not any(contradict(first, second) or first == second for first in one for second in other)
