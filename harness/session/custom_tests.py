"""A person's custom tests of a unit: the states they ask for, on a bench that stays open, as one run."""

from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from types import TracebackType
from typing import Self

from harness.errors import OverCurrentError, RunStopped
from harness.plan.model import part_in_state, part_in_states
from harness.reading import Reading
from harness.records.run import CustomTestEnd, CustomTestEnded, Outcome
from harness.records.store import RunStore
from harness.roles import Bench
from harness.session.admission import check_bench_block
from harness.session.open_bench import OpenBench
from harness.session.request.header import RunRequest
from harness.session.unit_run import UnitRun
from harness.units import counted

NAMED = 3  # tests that the reason of a run names


class CustomTests:
    """One run for all of a person's tests of a unit. A context manager: within it the bench is open.

    Leaving it makes the bench safe and closes it; the run itself ends with `finish`, after the last test.
    An error before that makes the bench safe at once, and nothing is measured after it.
    """

    def __init__(self, bench: OpenBench, store: RunStore, request: RunRequest) -> None:
        self.bench = bench
        self._store, self._request = store, request
        self._run_open = ExitStack()
        self._made: dict[str, tuple[Reading, ...]] = {}
        self._wanted: tuple[str, ...] = ()
        self._tests: list[tuple[str, CustomTestEnd]] = []
        self._end: Exception | None = None
        self._is_open = False

    def __enter__(self) -> Self:
        self.bench.instruments()  # which say whether they are simulated
        check_bench_block(self._store, self.bench.job, simulated=self.bench.simulated)
        request = replace(self._request, purpose="custom tests", resumable=False)
        self._run = self._run_open.enter_context(UnitRun.begin(self.bench, self._store, request))
        self.run_id, self._is_open = self._run.run_id, True
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._close_bench()

    @property
    def instruments(self) -> Bench:
        """Generator, oscilloscope, supply and switchboard, for what no check of the sequence measures.

        Whatever a test leaves on is switched off after it.
        """
        if not self._is_open:
            raise self._is_over()
        return self.bench.instruments()

    def announce(self, states: Iterable[str]) -> tuple[str, ...]:
        """Say which states tests will ask for; returns the setups that hands make for them, in order.

        The first of these states that is asked for is then measured together with the others, setup by setup,
        so that no lead is moved twice. Others, and states without such setups, are measured when asked for.
        """
        readings = self._run.plan.state_readings
        known = dict.fromkeys(reading.measurand.state for reading in readings)
        part = part_in_states(self._run.plan, tuple(state for state in known if state in set(states)))
        setups = (*part.throughs, *(visit.setup for visit in part.visits))
        by_hand = tuple(dict.fromkeys(setup.name for setup in setups if setup.select is None))
        self._wanted = tuple(dict.fromkeys(r.measurand.state for r in part.readings)) if by_hand else ()
        return by_hand

    def measure(self, state: str) -> tuple[Reading, ...]:
        """Measure what the sequence checks in a state (`loop_a+swap`, `idle`, `unpowered`), in every setup.

        A state is measured once: the next test that asks for it gets the same readings. Raises UsageError for
        a state in which nothing is checked, OverCurrentError if the unit draws too much, BenchError.
        """
        part = replace(part_in_state(self._run.plan, state), keep_all=False)
        name = part.readings[0].measurand.state
        if name in self._made:
            return self._made[name]
        if not self._is_open:
            raise self._is_over()
        together = self._wanted if name in self._wanted else (name,)
        with self._stopping():
            readings = self._run.carry_out(part_in_states(self._run.plan, together))
            self._run.idle()
        for each in together:
            self._made[each] = tuple(reading for reading in readings if reading.key.measurand.state == each)
        return self._made[name]

    def idle(self) -> None:
        """Everything off, whatever a test has left on; the bench stays open."""
        if self._is_open:
            with self._stopping():
                self._run.idle()

    def note(self, test: str, end: CustomTestEnd, message: str = "") -> None:
        """Keep how a test ended."""
        self._tests.append((test, end))
        text = f"{end} {test}" + (f": {message}" if message else "")
        self._store.add_event(self.run_id, CustomTestEnded(test=test, end=end), text)

    def finish(self, *, interrupted: bool = False) -> None:
        """End the run by its readings and by how the tests ended."""
        moved = ""
        if self._is_open and self._end is None and not interrupted:
            with self._stopping():
                moved = self._run.look_for_change()
        self._close_bench()
        if self._end is None or isinstance(self._end, OverCurrentError):
            outcome, why = self._result()
            if moved:
                outcome, why = "stopped", moved
            if interrupted:
                outcome, why = "stopped", "the tests were interrupted"
            self._run.finish(outcome, why)
        self._run_open.close()

    def _result(self) -> tuple[Outcome, str]:
        """The outcome of the tests themselves, apart from the unit's readings."""
        failed = self._ended("failed", "failed")
        broken = self._ended("broken", "did not finish")
        text = "; ".join(filter(None, (failed, broken)))
        if text:
            return "fail" if failed else "unproven", text
        passed = sum(end == "passed" for _, end in self._tests)
        if not passed:
            return "unproven", "no test finished"
        return "pass", f"{counted(passed, 'test')} of a part of the sequence passed"

    def _ended(self, end: CustomTestEnd, words: str) -> str:
        """How many tests ended so, and which; "" if none did."""
        names = [name for name, how in self._tests if how == end]
        if not names:
            return ""
        more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
        return f"{len(names)} of {len(self._tests)} tests {words}: {', '.join(names[:NAMED])}{more}"

    @contextmanager
    def _stopping(self) -> Iterator[None]:
        """An error makes the bench safe, and stops the run unless it is the unit's own over-current."""
        try:
            yield
        except BaseException as error:
            if not isinstance(error, OverCurrentError):
                self._run.stop(error)
            self._end = error if isinstance(error, Exception) else RunStopped(str(error) or "stopped by hand")
            self._close_bench()
            raise

    def _close_bench(self) -> None:
        self._is_open = False
        self.bench.close()

    def _is_over(self) -> Exception:
        """Why nothing is measured any more."""
        return RunStopped(f"nothing is measured any more in run {self.run_id}: {self._end or 'it has ended'}")
