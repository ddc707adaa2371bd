"""Which fault would explain what a run measured, worked out from what it recorded."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from harness.workbench.described import Described, recorded_description

if TYPE_CHECKING:
    from harness.faults.diagnosis import Diagnosis
    from harness.faults.observed import Evidence
    from harness.faults.probes import Probe
    from harness.records.run import Explanation, RunRecord
    from harness.records.store import RunStore
    from harness.report.explanation import Explained


@dataclass(frozen=True, kw_only=True, eq=False)
class Recorded:
    """What a diagnosis starts from: a run's own job with its plan, and what it measured."""

    described: Described
    evidence: "Evidence"

    @property
    def empty(self) -> bool:
        """Whether there is nothing to go by."""
        evidence = self.evidence
        return not (evidence.acquisitions or evidence.supply_a or evidence.over_current or evidence.edges)


def read_recorded(store: "RunStore", record: "RunRecord", described: Described | None = None) -> Recorded:
    """Read a run back. described: its job and plan, where they are at hand; else made anew of its files.

    Raises RecordsError where its files no longer read, and for a run of an older version.
    """
    from harness.records.evidence import evidence_of, stored_run

    kept = stored_run(store, record)
    described = described or recorded_description(record)
    evidence = evidence_of(described.job, described.plan, kept)
    notes = (*evidence.notes, *described.notes)
    return Recorded(described=described, evidence=replace(evidence, notes=notes))


class Diagnosed:
    """A run's diagnosis with its next probe, in words. Raises CircuitError."""

    def __init__(self, recorded: Recorded, *, double: bool) -> None:
        from harness.faults.probes import best_probe
        from harness.report.explanation import make_explanation, shown_groups

        described, evidence = recorded.described, recorded.evidence
        job, plan = described.job, described.plan
        self.job, self.empty = job, recorded.empty
        self.found: Diagnosis = described.diagnoser(evidence.acquisitions).diagnose(evidence, double=double)
        self.probe: Probe | None = None
        if not self.empty and not evidence.over_current and self.found.explained:
            self.probe = best_probe(
                job,
                plan,
                shown_groups(self.found),
                impedances=described.impedances,
                supply_read=tuple(evidence.supply_a),
            )
        self.explanation: Explanation = make_explanation(self.found, self.probe, job.module, job.fixture)

    @property
    def names(self) -> tuple[str, ...]:
        """Faults that explain the run best and are not told apart, the likeliest first."""
        said = self.found.explained and not self.found.says_healthy and bool(self.found.groups)
        return self.found.groups[0].names if said else ()

    @property
    def probability(self) -> float:
        """Of those faults together; 0 where there are none."""
        return self.found.groups[0].posterior if self.names else 0.0


def explain_run(
    store: "RunStore", record: "RunRecord", described: Described | None = None, *, at_once: bool = True
) -> "Explained | None":
    """Which fault explains a failing run. Never in pairs.

    described: the run's job and plan, where they are at hand. at_once: None where that would keep a person
    waiting. Raises RecordsError where its files no longer
    read, CircuitError.
    """
    if record.outcome != "fail":
        return None
    from harness.report.explanation import Explained

    recorded = read_recorded(store, record, described)
    if recorded.empty:
        return None
    if at_once and not recorded.described.is_quick(len(recorded.evidence.acquisitions)):
        return None
    found = Diagnosed(recorded, double=False)
    return Explained(names=found.names, probability=found.probability, explanation=found.explanation)
