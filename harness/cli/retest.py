"""Whether a unit that has been run may be run again, who says so, and why."""

import sys
from collections.abc import Sequence as Many
from typing import TYPE_CHECKING

from harness.cli.serials import ask
from harness.errors import UsageError
from harness.workbench.retest import Retest, check_count, said
from harness.workbench.serial import is_serial

if TYPE_CHECKING:
    from harness.job.sequence import Sequence
    from harness.records.history import RunLine


def leave_for(
    serial: str, earlier: "Many[RunLine]", sequence: "Sequence", *, who: str, why: str, attended: bool
) -> Retest | None:
    """Get leave to run a unit again; None for its first run. who, why: what the command line says already.

    Raises UsageError where it has had all its retests, or nobody gives a name and a reason.
    """
    if not earlier:
        return None
    allowed = sequence.retests
    check_count(serial, earlier, allowed)
    before = said(earlier[-1])
    number = len(earlier)
    if not why and attended and sys.stdin.isatty():
        of = "" if allowed is None else f" of {allowed}"
        question = f"unit {serial}: {before}. Retest {number}{of}: why? (empty: not run) "
        why = ask(question)
        if is_serial(why, sequence) or why == serial:
            raise UsageError(f"unit {serial} is not run again: {why} is a serial number and no reason")
        if why and not who:
            who = ask("Who says so? ")
    if not why or not who:
        raise UsageError(
            f"unit {serial}: {before}. It is run again only with a name and a reason: --operator NAME "
            "--again REASON"
        )
    return Retest(number=number, allowed=allowed, who=who, why=why, before=before)
