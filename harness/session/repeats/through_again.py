"""A through reference that serves several units of a batch, as long as the bench is seen to be as it was."""

import time
from dataclasses import dataclass, replace

from harness.measure.reference import Reference
from harness.plan.model import Plan
from harness.records.run import ThroughReused
from harness.session.context import RunContext
from harness.session.events import Remark
from harness.session.through import bench_moved, instruments_of, lacks
from harness.units import counted

# That one reference serves, the first included: common practice, no source, as are the next two.
MOST_UNITS = 10
MOST_S = 1800.0
MOST_UNSEEN_S = 300.0  # for a plan that needs zeros, noise or harmonics, which a look at a tone does not show
# Standard uncertainties: of eight inputs that have not moved, one look in twenty finds one beyond.
AGREES = 2.7


@dataclass(frozen=True, kw_only=True)
class BatchThrough:
    """The through reference of a unit's run, for the units after it.

    acquisitions: of the plan that it was taken for, by number. units: that it has served.
    """

    reference: Reference
    acquisitions: frozenset[int]
    units: int = 1

    @classmethod
    def after(
        cls, reference: Reference | None, plan: Plan, used: "BatchThrough | None"
    ) -> "BatchThrough | None":
        """What the next unit may use after a test of one, by this plan and with this reference.

        used: what was there before. After runs that are no tests nothing is kept: a study of the bench has a
        reference for each run, as its spread is part of what they show.
        """
        if reference is None:
            return None
        if used is not None and used.reference is reference:
            return replace(used, units=used.units + 1)
        return cls(reference=reference, acquisitions=_numbers(plan))

    def serves(self, context: RunContext) -> Reference | None:
        """The reference, if the bench is as it was when it was taken; None if one is to be taken anew.

        The leads of the through setup are proven at a low level, as before any reference; then its first tone
        is recorded as often as it was then. Each input's level must agree within `AGREES` standard
        uncertainties of the difference.
        """
        plan, age_s = context.plan, time.time() - self.reference.taken_s
        is_all_seen = all(each.stimulus.tells_legs_apart for each in plan.acquisitions)
        most_s = MOST_S if is_all_seen else MOST_UNSEEN_S
        if (
            not plan.stimuli  # without a tone nothing would be looked at
            or self.units >= MOST_UNITS
            or age_s > most_s
            or not self.reference.serves(time.time(), instruments_of(context))
            or not _numbers(plan) <= self.acquisitions
            or lacks(self.reference.residuals, plan)
        ):
            return None
        if moved := bench_moved(context, self.reference, least_db=0.0, sure=AGREES):
            context.observe(Remark(text=f"the through reference is taken anew: {moved}"))
            return None
        age = counted(round(age_s), "second") if age_s < 100 else counted(round(age_s / 60), "minute")
        text = (
            f"the through reference taken {age} ago is used again: the leads are right, and "
            "the first tone is as it was"
        )
        context.record(ThroughReused(age_s=age_s, units=self.units), text)
        context.observe(Remark(text=text))
        return self.reference


def _numbers(plan: Plan) -> frozenset[int]:
    return frozenset(acquisition.number for acquisition in plan.acquisitions)
