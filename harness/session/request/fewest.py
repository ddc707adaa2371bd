"""The fewest steps that detect every fault that a whole sequence detects, found once and kept for next time.

Finding them takes seconds to minutes, so they are kept in a file whose name has a digest of all that they
follow from: another version, module, fixture, sequence or kind of instruments is another file.
"""

import json
import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from harness.errors import UsageError
from harness.faults.coverage import hard_faults
from harness.faults.suggestions.minimal import smallest_plan
from harness.plan.chosen import Steps
from harness.plan.model import Plan
from harness.plan.steps import first_of, left_out, part_of, steps_of
from harness.records.in_part import part_of_shortest
from harness.records.run import Noted, ShortestRun, StopAtFail
from harness.records.tables import from_json, to_json
from harness.session.planned_job import PlannedJob


@dataclass(frozen=True, kw_only=True)
class Fewest:
    """The steps, and how many of how many single faults they detect: as many as the whole sequence.

    proven: whether the search came to its end, so that there are no fewer.
    """

    steps: Steps
    detected: int
    faults: int
    proven: bool


@dataclass(frozen=True, kw_only=True)
class Production:
    """How a production run differs from a whole one. shortest: it makes the fewest steps alone.

    stop_at_fail: it ends with the first confirmed FAIL, and the fewest steps come first.
    """

    fewest: Fewest
    shortest: bool = False
    stop_at_fail: bool = False

    def plan_of(self, whole: Plan) -> Plan:
        """What the run carries out."""
        return in_production(
            whole,
            shortest=self.fewest.steps if self.shortest else None,
            first=self.fewest.steps if self.stop_at_fail else None,
        )

    def noted(self, whole: Plan) -> tuple[Noted, ...]:
        """What is recorded of it as the run begins."""
        events: list[Noted] = []
        if self.shortest:
            fewest, taken = self.fewest, self.plan_of(whole)
            event = ShortestRun(
                steps=fewest.steps,
                detected=fewest.detected,
                faults=fewest.faults,
                planned=whole.count,
                left_out=left_out(whole.readings, taken.readings),
            )
            events.append((event, part_of_shortest(event).text))
        if self.stop_at_fail:
            text = "the run ends with the first confirmed FAIL"
            events.append((StopAtFail(first=self.fewest.steps), text))
        return tuple(events)


def in_production(whole: Plan, *, shortest: Steps | None, first: Steps | None) -> Plan:
    """The plan of a shortest run, or one with the steps that see most first; None for either: as it is."""
    if shortest is not None:
        return part_of(whole, shortest)
    return whole if first is None else first_of(whole, first)


def fewest_steps(planned: PlannedJob, folder: Path, search: Callable[[], None] = lambda: None) -> Fewest:
    """The fewest steps of a job's plan, as kept in a folder, or found and kept there.

    search: called before the search, which may take minutes. Raises UsageError for a plan that detects
    nothing, CircuitError.
    """
    path = folder / f"fewest-steps-{planned.digest}.json"
    kept = _read(path, planned.plan)
    if kept is not None:
        return kept
    search()
    smallest = smallest_plan(planned.job, planned.plan)
    result = Fewest(
        steps=steps_of(smallest.plan),
        detected=smallest.seen,
        faults=len(hard_faults(planned.job)),
        proven=smallest.proven,
    )
    with suppress(OSError):  # if it can't be kept, it is found again next time
        folder.mkdir(parents=True, exist_ok=True)
        unfinished = path.with_name(f".{path.name}.{os.getpid()}.part")
        unfinished.write_text(json.dumps(to_json(result), indent=1), encoding="utf-8")
        os.replace(unfinished, path)
    return result


def _read(path: Path, plan: Plan) -> Fewest | None:
    """What is kept, if it is of this plan."""
    try:
        result = from_json(Fewest, json.loads(path.read_text(encoding="utf-8")))
        part_of(plan, result.steps)
    except (OSError, ValueError, TypeError, KeyError, RecursionError, UsageError):
        return None
    return result
