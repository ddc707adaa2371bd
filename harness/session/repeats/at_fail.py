"""The end of a run that is to end with its first confirmed FAIL."""

from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import takewhile

from harness.plan.chosen import Steps
from harness.plan.model import Plan, Planned
from harness.plan.steps import is_first, left_out
from harness.reading import Reading
from harness.records.in_part import part_until_fail
from harness.records.run import EndedAtFail
from harness.session.repeats.second_measurement import SecondMeasurement
from harness.session.walk import Walk


class AtFail:
    """Decides whether a run has reached the end that a FAIL is.

    first: the steps that see every fault. They are all made before that, as a diagnosis needs them. recorded:
    the readings of a run that was resumed.
    """

    def __init__(self, plan: Plan, first: Steps, recorded: Sequence[Reading]) -> None:
        self._plan = plan
        self._first = len(list(takewhile(lambda visit: is_first(visit, first), plan.visits)))
        self._failed_before = _fails(recorded)

    def is_reached(self, made: int, walk: Walk, second: SecondMeasurement) -> bool:
        """Whether the run ends now, after so many setups; never before its last, which ends it anyway.

        What failed is measured again before that is said: no unit fails by one measurement.
        """
        if made < self._first or made == len(self._plan.visits):
            return False
        if made == self._first:
            walk.context.recorder.catch_up()
        if _fails(reading for _, reading in walk.held):
            second.confirm([visit for visit in self._plan.visits[:made] if visit.setup.select is not None])
        return self._failed_before or _fails(walk.readings)


def ended_at_fail(
    whole: Plan, readings: Iterable[Reading], *, shortest: bool = False
) -> tuple[EndedAtFail, str]:
    """What a run that ended at its first FAIL did not measure of the whole sequence, and that in words.

    shortest: whether it was to make the fewest steps alone.
    """
    left = Counter(reading.key for reading in readings)
    taken: list[Planned] = []
    for planned in whole.readings:
        if left[planned.key]:
            left[planned.key] -= 1
            taken.append(planned)
    event = EndedAtFail(planned=whole.count, left_out=left_out(whole.readings, taken))
    return event, part_until_fail(event, shortest=shortest).text


def _fails(readings: Iterable[Reading]) -> bool:
    return any(reading.verdict == "fail" for reading in readings)
