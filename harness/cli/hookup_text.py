"""A hookup as a drawing in plain text: which lead is on which pin."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.job.fixture import Hookup
    from harness.job.job import Job

WIRE = " ------> "


def drawing(job: "Job", hookup: "Hookup") -> str:
    """Draw a hookup: the generator's leads, the scope's, the plugs."""
    from harness.report.hookup_picture import GROUND_CLIPS, leads_of

    rows = leads_of(job, hookup)
    width = max(len(left) for left, _ in rows)
    lines = [f"  {left:<{width}}{WIRE}{right}" for left, right in rows]
    return "\n".join([f"Hookup {hookup.name!r}:", *lines, f"  {GROUND_CLIPS}"])


def lead_words(job: "Job", lead: str) -> str:
    """Name a lead as the drawing does: `generator hot` is `generator output 1 (hot)`."""
    from harness.report.hookup_picture import output_words

    words = {f"generator {leg}": output_words(job, leg) for leg in ("hot", "cold")}
    return words.get(lead, f"scope {lead}")
