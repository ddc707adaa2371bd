"""Which fault would explain what a run measured, worked out from what it recorded."""

from dataclasses import dataclass, replace

from harness.faults.diagnosis import Diagnoser, Diagnosis
from harness.faults.evidence import Evidence
from harness.faults.probes import Probe, best_probe
from harness.job.faults import ONE_RESISTANCE_OHM, single_faults
from harness.records.evidence import evidence_of, stored_run
from harness.records.run import Explanation, RunRecord
from harness.records.store import RunStore
from harness.report.explanation import Explained, make_explanation, shown_groups
from harness.session.planned_job import PlannedJob, recorded_plan

LARGEST_AT_RUN_END = 60_000  # faults times acquisitions: what a report waits for without being asked


@dataclass(frozen=True, kw_only=True, eq=False)
class Recorded:
    """What a diagnosis starts from: a run's own job with its plan, and what it measured."""

    planned: PlannedJob
    evidence: Evidence

    @property
    def empty(self) -> bool:
        """Whether there is nothing to go by."""
        evidence = self.evidence
        return not (evidence.acquisitions or evidence.supply_a or evidence.over_current or evidence.edges)

    @property
    def quick(self) -> bool:
        """Whether all faults in these acquisitions are a matter of about a second."""
        job = self.planned.job
        faults = single_faults(job.module, job.fixture, contact_ohm=ONE_RESISTANCE_OHM)
        return len(self.evidence.acquisitions) * len(faults) <= LARGEST_AT_RUN_END


def read_recorded(store: RunStore, record: RunRecord, planned: PlannedJob | None = None) -> Recorded:
    """Read a run back. planned: its job and plan, if they are at hand; else made anew of its files.

    Raises RecordsError if its files no longer read, and for a run of an older version.
    """
    kept = stored_run(store, record)
    planned = planned or recorded_plan(record)
    evidence = evidence_of(planned.job, planned.plan, kept)
    notes = (*evidence.notes, *planned.notes)
    return Recorded(planned=planned, evidence=replace(evidence, notes=notes))


class Diagnosed:
    """A run's diagnosis with its next probe, in words. Raises CircuitError.

    diagnosers: what all faults would show, by acquisitions: kept there for the next run of the same job.
    """

    def __init__(
        self,
        recorded: Recorded,
        *,
        double: bool,
        diagnosers: dict[tuple[int, ...], Diagnoser] | None = None,
    ) -> None:
        planned, evidence = recorded.planned, recorded.evidence
        job, plan = planned.job, planned.plan
        known = {} if diagnosers is None else diagnosers
        key = tuple(each.number for each in evidence.acquisitions)
        if key not in known:
            known[key] = Diagnoser(job, plan, evidence.acquisitions, impedances=planned.impedances)
        self.job, self.empty = job, recorded.empty
        self.found: Diagnosis = known[key].diagnose(evidence, double=double)
        self.probe: Probe | None = None
        if not self.empty and not evidence.over_current and self.found.explained:
            self.probe = best_probe(
                job,
                plan,
                shown_groups(self.found),
                impedances=planned.impedances,
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
        """Of those faults together; 0 if there are none."""
        return self.found.groups[0].posterior if self.names else 0.0


def explain_run(
    store: RunStore,
    record: RunRecord,
    planned: PlannedJob | None = None,
    *,
    diagnosers: dict[tuple[int, ...], Diagnoser] | None = None,
    at_once: bool = True,
) -> Explained | None:
    """Which fault explains a failing run. Never in pairs.

    planned: the run's job and plan, if they are at hand. at_once: None if it would keep a person waiting.
    Raises RecordsError if its files no longer read, CircuitError.
    """
    if record.outcome != "fail":
        return None
    recorded = read_recorded(store, record, planned)
    if recorded.empty or (at_once and not recorded.quick):
        return None
    found = Diagnosed(recorded, double=False, diagnosers=diagnosers)
    return Explained(names=found.names, probability=found.probability, explanation=found.explanation)
