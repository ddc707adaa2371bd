"""A session of tests at a bench: opened by the first test that needs it, one run, made safe at the end."""

from collections.abc import Generator, Sequence
from contextlib import ExitStack
from functools import partial
from pathlib import Path

import pytest

from harness.errors import OverCurrentError, RecordsError, SwitchwalkError
from harness.job.job import load_job
from harness.pytest_plugin.hands import PersonAtPytest, at_terminal
from harness.pytest_plugin.plugin import STATE
from harness.records.run import DEFAULT_RECORDS, CustomTestEnd
from harness.records.store import RunStore, open_records
from harness.report.run_report import write_part_report
from harness.report.words import TERMINAL_CAUTIONS
from harness.session.admission import check_serial
from harness.session.custom_tests import CustomTests
from harness.session.open_bench import at_bench, choose_bench
from harness.session.planned_job import read_job
from harness.session.request.header import RunRequest
from harness.units import counted

__all__ = ["BenchSession", "load_job"]

NEEDS_BENCH = "switchwalk_bench"
LONGEST_REASON = 300  # characters that the records keep of why a test failed


class BenchSession:
    """Watches how the tests at the bench end, and ends their run. records: None for the usual place.

    others: files that are read in place of the job's own, as `read_job` takes them.
    """

    def __init__(
        self, config: pytest.Config, *, folder: Path, records: str | None, others: dict[str, Path | None]
    ) -> None:
        self._config, self._folder, self._others = config, folder, others
        self._records: str | Path = records or DEFAULT_RECORDS
        self._open = ExitStack()
        self._store: RunStore | None = None
        self._tests: CustomTests | None = None
        self._refused = ""
        self._summary: list[str] = []
        self._states: tuple[str, ...] = ()

    def pytest_collection_finish(self, session: pytest.Session) -> None:
        """Note the states that tests are going to ask for, as far as their parameters say so."""
        asked = (item.callspec.params.get(STATE) for item in session.items if hasattr(item, "callspec"))
        self._states = tuple(dict.fromkeys(state for state in asked if isinstance(state, str)))

    @pytest.hookimpl(trylast=True)
    def pytest_sessionstart(self) -> None:
        """Show the cautions before anything is driven."""
        reporter = self._config.pluginmanager.get_plugin("terminalreporter")
        if reporter is not None:
            reporter.write_line(TERMINAL_CAUTIONS)

    def open(self) -> CustomTests:
        """Open the bench and begin the run, for the first test; if that fails, each test fails with why."""
        if self._tests is None and not self._refused:
            try:
                self._tests = self._opened()
            except SwitchwalkError as error:
                self._refused = _text_of(error)
        if self._tests is None:
            pytest.fail(self._refused, pytrace=False)
        return self._tests

    def _opened(self) -> CustomTests:
        option = self._config.getoption
        serial, faults = str(option("switchwalk_serial")), option("switchwalk_fault")
        bench_file, simulation = choose_bench(
            str(option("switchwalk_bench")), speed=option("switchwalk_speed")
        )
        job = read_job(self._folder, bench_file, **self._others)
        check_serial(serial, job.sequence)
        request = RunRequest(serial=serial, operator=option("switchwalk_operator"), faults=tuple(faults))
        with ExitStack() as opening:
            hands = partial(PersonAtPytest, self._config)
            bench = opening.enter_context(
                at_bench(job, bench_file=bench_file, simulation=simulation, hands=hands)
            )
            bench.place_unit(serial, faults)
            self._store = opening.enter_context(open_records(self._records))
            tests = opening.enter_context(CustomTests(bench, self._store, request))
            self._say_moves(tests.announce(self._states))
            self._open = opening.pop_all()
        return tests

    def _say_moves(self, setups: Sequence[str]) -> None:
        """Say which setups hands are going to make, before the first of them."""
        reporter = self._config.pluginmanager.get_plugin("terminalreporter")
        if not setups or reporter is None:
            return
        with at_terminal(self._config):
            reporter.ensure_newline()
            reporter.write_line(
                f"These tests need leads to be moved by hand, {counted(len(setups), 'setup')}:"
            )
            for number, name in enumerate(setups, start=1):
                reporter.write_line(f"  {number}. {name}")

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(
        self, item: pytest.Item, call: pytest.CallInfo[None]
    ) -> Generator[None, pytest.TestReport, pytest.TestReport]:
        """Tell a person's or a bench's mistake without a traceback, and keep how the test ended."""
        report = yield
        if call.excinfo is not None and isinstance(call.excinfo.value, SwitchwalkError):
            report.longrepr = _text_of(call.excinfo.value)
        if self._tests is not None and NEEDS_BENCH in getattr(item, "fixturenames", ()):
            end = _end_of(report, call)
            if end is not None:
                self._note(self._tests, item.nodeid, end, call)
        return report

    def _note(self, tests: CustomTests, name: str, end: CustomTestEnd, call: pytest.CallInfo[None]) -> None:
        lines = str(call.excinfo.value).splitlines() if call.excinfo is not None else []
        try:
            tests.note(name, end, lines[0][:LONGEST_REASON] if lines else "")
        except RecordsError as error:
            pytest.exit(str(error), returncode=pytest.ExitCode.INTERNAL_ERROR)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_teardown(self, item: pytest.Item) -> Generator[None, None, None]:
        """Switch off what a test, or a fixture of its own, left on."""
        try:
            yield
        finally:
            if self._tests is not None and NEEDS_BENCH in getattr(item, "fixturenames", ()):
                self._tests.idle()

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session, exitstatus: int) -> None:
        """Make the bench safe, and end the run."""
        if self._tests is None or self._store is None:
            return
        try:
            with self._open:
                interrupted = exitstatus in (pytest.ExitCode.INTERRUPTED, pytest.ExitCode.INTERNAL_ERROR)
                self._tests.finish(interrupted=interrupted)
                self._summary = _ended(self._store, self._tests.run_id, self._records)
        except SwitchwalkError as error:
            self._refused = _text_of(error)
            session.exitstatus = pytest.ExitCode.INTERNAL_ERROR

    def pytest_unconfigure(self) -> None:
        """Make the bench safe where the session's own end was cut short."""
        self._open.close()

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        """Say which run it was, how the unit did, and where the page is."""
        if not self._summary and not self._refused:
            return
        terminalreporter.section("switchwalk")
        for line in filter(None, (self._refused, *self._summary)):
            terminalreporter.line(line)


def _ended(store: RunStore, run_id: int, records: str | Path) -> list[str]:
    """Write the run's page; returns two lines: its file, and the unit's verdict."""
    report = write_part_report(store, run_id, records)
    run = store.run(run_id)
    verdict = f"{run.outcome.upper()}  unit {run.header.serial}, run {run_id}: {run.reason}"
    return [f"report: {report.page}", verdict]


def _end_of(report: pytest.TestReport, call: pytest.CallInfo[None]) -> CustomTestEnd | None:
    """How the test ended; None where this stage does not say so."""
    if report.passed:
        return "passed" if report.when == "call" else None
    if report.skipped:
        return "skipped"
    # A test fails by what it asserts, or by what the unit draws.
    of_unit = (AssertionError, pytest.fail.Exception, OverCurrentError)
    return "failed" if call.excinfo is None or isinstance(call.excinfo.value, of_unit) else "broken"


def _text_of(error: BaseException) -> str:
    return "\n".join((str(error), *getattr(error, "__notes__", ())))
