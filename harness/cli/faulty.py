"""Which units of a simulated batch are made faulty, and by what: drawn by a seed."""

import random
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.job.job import Job


def draw_faults(serials: Sequence[str], share: float, job: "Job", *, seed: int) -> dict[str, str]:
    """Give as many units as the share asks for a single fault each, by serial number.

    Any single fault that a unit can have, each as likely as the others; those of the loop plugs are the
    fixture's, which all units share, and are left out.
    """
    from harness.job.faults import ONE_RESISTANCE_OHM, single_faults

    listed = single_faults(job.module, job.fixture, contact_ohm=ONE_RESISTANCE_OHM)
    faults = [fault.name for fault in listed if not fault.kind.startswith("link")]
    draw = random.Random(f"faulty {seed}")
    chosen = sorted(draw.sample(range(len(serials)), round(share * len(serials))))
    return {serials[index]: draw.choice(faults) for index in chosen}
