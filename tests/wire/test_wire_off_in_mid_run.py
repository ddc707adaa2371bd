"""A wire that comes off while a good unit is measured stops the run; a fault from the start fails."""

from contextlib import ExitStack
from pathlib import Path

from benchmarks.lead_slips import Bench, ask
from harness.session.events import StateBegun
from harness.session.request.header import RunRequest
from harness.session.unit_run import run_one_of_many

PIN = "left.out.hot"


class WireOff:
    """Takes the wire off its pin when so many states of the setup were begun."""

    def __init__(self, bench: Bench, setup: str, after: int) -> None:
        self._bench, self._setup, self._left = bench.bench, setup, after

    def __call__(self, event: object) -> None:
        if isinstance(event, StateBegun) and event.setup == self._setup:
            self._left -= 1
            if self._left == 0:
                assert self._bench.simulator is not None
                ask(self._bench.simulator, {"wires": {f"input pin {PIN}": ()}})


def test_a_wire_that_comes_off_in_mid_run_stops_it_and_is_named(tmp_path: Path) -> None:
    kind, setup = "two-loop switcher", "drive left, view both outputs"
    with ExitStack() as stack:
        bench = Bench(kind, tmp_path, stack)
        bench.bench.place_unit("GOOD", ())
        observe = WireOff(bench, setup, after=2)
        result = run_one_of_many(bench.bench, bench.store, RunRequest(serial="GOOD"), observe=observe)
    assert result.outcome == "stopped", result.reason
    assert f"its lead is off, or not on {PIN}" in result.reason


def test_a_fault_that_shows_in_some_states_alone_fails_the_unit(tmp_path: Path) -> None:
    with ExitStack() as stack:
        bench = Bench("two-loop switcher", tmp_path, stack)
        bench.bench.place_unit("FAULTY", ["K1 never operates"])
        result = run_one_of_many(bench.bench, bench.store, RunRequest(serial="FAULTY"))
    assert result.outcome == "fail", result.reason
