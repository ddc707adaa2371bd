"""What did not pass is measured again before it counts, and held against leads on wrong pins."""

from collections.abc import Sequence

from harness.errors import SetupError
from harness.job.state import IDLE_STATE, State
from harness.plan.model import Acquisition, ChangeAcquisition, Plan, Planned, SetupVisit, only_these
from harness.reading import Reading
from harness.session.events import Remark
from harness.session.leads.doubt import Failed
from harness.session.repeats.confirmation import confirmed, is_lost, same_value, unconfirmed
from harness.session.walk import Walk
from harness.units import counted

ROUNDS = 2  # of measuring again; the second for readings that the bench lost in one of the first two


class SecondMeasurement:
    """Confirms what a walk measured: what it holds back, and what it recorded as unproven."""

    def __init__(self, walk: Walk) -> None:
        self._walk, self._context = walk, walk.context

    def confirm(self, visits: Sequence[SetupVisit]) -> None:
        """Measure again what did not pass in these setups, all channels of the switchboard opened before.

        A reading that the bench lost in one of the two measurements, or that fails in the second alone, is
        measured once more: no unit fails by one measurement. Readings that need another setup as well wait
        until that can be made again.
        """
        self._context.recorder.catch_up()
        self._have_leads_looked_at(visits)
        for _ in range(ROUNDS):
            part = self._to_measure_again(visits)
            if not part.count:
                break
            self._settle(part, self._measured_again(part))
        self._measure_rest_again()
        self._conclude()

    def _have_leads_looked_at(self, visits: Sequence[SetupVisit]) -> None:
        """If leads of a setup that hands made explain what did not pass there, have them put right, once."""
        for visit in visits:
            held = [self._as_failed(pair) for pair in self._walk.held]
            here = [each for each in held if visit.setup.name in each.setups]
            if self._walk.leads.looked_at(visit.setup, here, self._walk.measured):
                self._check_earlier(visit)

    def _as_failed(self, pair: tuple[Planned, Reading]) -> Failed:
        planned, reading = pair
        return Failed(planned=planned, reading=reading, setups=frozenset(self._setups_of(planned)))

    def _check_earlier(self, visit: SetupVisit) -> None:
        """Measure again what passed in a setup before a lead of it was put right.

        Raises SetupError if a reading differs: it is in the records, and was of another pin.
        """
        held = {id(planned) for planned, _ in self._walk.held}
        wanted = [
            planned
            for planned in self._context.plan.state_readings
            if id(planned) not in held and self._setups_of(planned) == {visit.setup.name}
        ]
        before = {reading.key: reading for reading in self._walk.readings}
        part = only_these(self._context.plan, [planned for planned in wanted if planned.key in before])
        again = self._measured_again(part).held if part.count else []
        for planned, reading in again:
            if not is_lost(reading) and not same_value(before[planned.key], reading):
                happened = self._walk.leads.cause(visit.setup.name) or "a person checked the leads"
                raise SetupError(
                    f"setup {visit.setup.name!r}: {planned.key.check} at {planned.measurand.where} in "
                    f"{planned.measurand.state} was recorded before {happened}, "
                    "and differs now. Test the unit again",
                    instrument="the wiring",
                )

    def _measure_rest_again(self) -> None:
        """Measure again what passed in a setup, if a lead that came off since then would explain the rest."""
        failed = [self._as_failed(pair) for pair in self._walk.failed]
        setups = self._walk.leads.came_later(failed, self._walk.measured)
        made_twice = {id(planned) for planned, _ in self._walk.failed}
        rest = [
            planned
            for planned in self._context.plan.state_readings
            if id(planned) not in made_twice
            and self._setups_of(planned)
            and self._setups_of(planned) <= setups
        ]
        if setups and not rest:  # all of it failed: the look at the low level says what it shows now
            rest = [each for each, _ in self._walk.failed if self._setups_of(each) <= setups]
        if rest:
            again = self._measured_again(only_these(self._context.plan, rest))
            self._walk.leads.saw_again(setups, again.leads)

    def _conclude(self) -> None:
        """Record what failed twice. Raises SetupError if a lead on a wrong pin explains it, and it alone."""
        failed, self._walk.failed = self._walk.failed, []
        unproven, self._walk.unproven = self._walk.unproven, []
        settled, error = self._walk.leads.settled(
            [self._as_failed(pair) for pair in failed],
            [self._as_failed(pair) for pair in unproven],
            self._walk.measured,
        )
        self._record_settled(settled)
        if error is not None:
            raise error

    def _record_settled(self, pairs: Sequence[tuple[Planned, Reading]]) -> None:
        by_state: dict[State, list[Reading]] = {}
        for planned, reading in pairs:
            by_state.setdefault(self._state_of(planned), []).append(reading)
        for state, readings in by_state.items():
            self._walk.readings += readings
            self._context.add_readings(state, self._walk.begun, readings)

    def _to_measure_again(self, visits: Sequence[SetupVisit]) -> Plan:
        """The part of the plan for held readings that these setups can give whole."""
        setups = {visit.setup.name for visit in visits}

        doubtful = [planned for planned, _ in self._walk.held if self._setups_of(planned) <= setups]
        return only_these(self._context.plan, doubtful)

    def _measured_again(self, part: Plan) -> Walk:
        """Make a part of the plan again, nothing of it recorded."""
        context = self._context
        readings = counted(part.count, "reading")
        context.observe(Remark(text=f"{readings}: measured again, all channels opened before"))
        again = self._walk.again(part)
        again.release()
        for visit in part.visits:
            again.measure_setup(visit)
        context.recorder.catch_up()
        for number, made in again.measured.items():  # for readings that wait for another setup
            if made.fitted is not None:
                self._walk.measured[number] = made
        self._walk.leads.saw_second(again.leads)
        return again

    def _settle(self, part: Plan, again: Walk) -> None:
        """Record what two measurements of each of these readings come to."""
        context = self._context
        second = {id(planned): reading for planned, reading in again.held}
        settled: list[tuple[Planned, Reading]] = []
        held, self._walk.held = self._walk.held, []
        for planned, first in held:
            reading = second.get(id(planned))
            if reading is None or is_lost(reading):
                self._walk.held.append((planned, first))
            elif reading.verdict == "fail" and first.verdict != "fail":
                self._walk.held.append((planned, reading))
            else:
                result = confirmed(
                    first,
                    reading,
                    limit=planned.limit,
                    decision=context.job.sequence.decision,
                    cause=self._cause(planned),
                )
                if result.verdict == "fail":
                    self._walk.failed.append((planned, result))
                else:
                    settled.append((planned, result))
        self._record_settled(settled)

    def _setups_of(self, planned: Planned) -> set[str]:
        """The setups that a reading needs; of the supply's, those in which it can be taken."""
        plan, name = self._context.plan, planned.measurand.state
        if planned.captures:
            made: tuple[Acquisition | ChangeAcquisition, ...] = (*plan.acquisitions, *plan.changes)
            return {each.setup for each in made if each.number in planned.captures}
        if planned.quantity.family == "cycle":
            return {visit.setup.name for visit in plan.visits if planned in visit.cycles}
        return {
            visit.setup.name
            for visit in plan.visits
            for state in visit.states
            if state.judges_supply and state.state.name == name
        }

    def _cause(self, planned: Planned) -> str:
        """What the bench was seen to do in the setups and states of a reading, "" if nothing."""
        changes = [each.change for each in self._context.plan.changes if each.number in planned.captures]
        states = {planned.measurand.state}
        states |= {state.name for change in changes for state in (change.before, change.after)}
        setups = sorted(self._setups_of(planned))
        where = {(setup, state) for setup in setups for state in states}
        troubles = self._context.supply_watch.troubles
        seen = [trouble.text for trouble in troubles if trouble.of_bench and trouble.spoilt & where]
        return "; ".join(filter(None, (*seen, *map(self._walk.leads.cause, setups))))

    def _state_of(self, planned: Planned) -> State:
        """The state that a reading is of, or that the change ends in that it is of."""
        plan, name = self._context.plan, planned.measurand.state
        changes = (change.change for change in plan.changes if change.number in planned.captures)
        after = next((change.after for change in changes), IDLE_STATE)
        states = (state.state for visit in plan.visits for state in visit.states)
        return next((state for state in states if state.name == name), after)

    def record_unconfirmed(self) -> None:
        """Record what could not be measured again; a reading that failed is unproven then."""
        for planned, first in (*self._walk.held, *self._walk.failed):
            reading = unconfirmed(first)
            self._walk.readings.append(reading)
            self._context.add_readings(self._state_of(planned), self._walk.begun, [reading])
        self._walk.held.clear()
        self._walk.failed.clear()
