"""A record that is armed, something done, and triggered by the computer: a strict scope on a real socket."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from drivers.scope.oscilloscope import ScpiOscilloscope
from drivers.session import Session
from harness.errors import BenchError
from harness.roles import CaptureSetting, InputSetting
from tests.drivers.own_profiles import profile
from tests.drivers.peers import peer
from tests.drivers.strict_instruments import Scope


class Waiting(Scope):
    """A scope that also knows NORMal sweep and a forced trigger, and notes the order of things."""

    def __init__(self) -> None:
        super().__init__()
        self.heard: list[str] = []
        self.table |= {
            r":TRIGger:SWEep NORMal": lambda: self.words.__setitem__("sweep", "NORM"),
            r":TRIGger:FORCe": lambda: self.heard.append("force"),
        }

    def _single(self) -> None:
        super()._single()
        self.heard.append(f"single in {self.words['sweep']}")


@contextmanager
def opened(scope: Scope, changes: dict[str, str] | None = None) -> Iterator[ScpiOscilloscope]:
    with peer(scope.script) as served:
        session = Session(served.address, instrument="oscilloscope", timeout_s=0.5)
        try:
            session.start()
            shipped = profile("preamble-oscilloscope", changes)
            yield ScpiOscilloscope(session, shipped, profile_name="own", probe=1.0)
        finally:
            session.close()


def wanted(*inputs: int, duration_s: float = 0.2) -> CaptureSetting:
    return CaptureSetting(
        inputs={n: InputSetting(volts_per_division=0.2) for n in inputs}, duration_s=duration_s, samples=2000
    )


@pytest.mark.parametrize("duration_s", [0.01, 0.2, 0.5])
def test_a_record_waits_for_the_computer_with_half_of_it_before_the_trigger(duration_s: float) -> None:
    scope = Waiting()
    with opened(scope) as driver:
        assert driver.begin(wanted(1, 2, duration_s=duration_s)) == pytest.approx(duration_s / 2)
        driver._session.query("*OPC?")  # so that it has heard everything
        assert scope.heard == ["single in NORM"]
        driver.trigger()
        capture = driver.complete()
    assert scope.heard == ["single in NORM", "force"]
    assert capture.inputs == (1, 2)
    assert scope.values["level", 0] > 0.9 * 4 * 0.2  # near the edge of a screen of eight divisions
    assert scope.unknown == []


def test_what_is_done_meanwhile_is_done_after_the_trigger() -> None:
    scope = Waiting()
    with opened(scope) as driver:
        driver.begin(wanted(1))

        def meanwhile() -> None:
            driver._session.query("*OPC?")  # so that it has heard everything
            scope.heard.append("meanwhile")

        driver.trigger(meanwhile)
        driver.complete()
    assert scope.heard == ["single in NORM", "force", "meanwhile"]


def test_after_it_a_plain_capture_triggers_by_itself_again() -> None:
    scope = Waiting()
    with opened(scope) as driver:
        driver.begin(wanted(1))
        driver.trigger()
        driver.complete()
        driver.capture(wanted(1))
    assert scope.heard == ["single in NORM", "force", "single in AUTO"]
    assert scope.values["level", 0] == 0.0


def test_a_profile_without_a_forced_trigger_leaves_it_to_the_automatic_one() -> None:
    scope = Scope()
    without = {
        'trigger_normal = ":TRIGger:SWEep NORMal"\n': "",
        'trigger_force = ":TRIGger:FORCe"\n': "",
    }
    with opened(scope, without) as driver:
        wait_s = driver.begin(wanted(1, duration_s=0.2))
        assert 0.05 < wait_s < 0.1  # before the earliest trigger, which comes after half of the record
        driver.trigger()
        driver.complete()
    assert scope.words["sweep"] == "AUTO"
    assert scope.unknown == []


def test_nothing_is_completed_that_was_not_begun() -> None:
    with opened(Waiting()) as driver:
        with pytest.raises(BenchError, match="no acquisition was begun"):
            driver.trigger()
        with pytest.raises(BenchError, match="no acquisition was begun"):
            driver.complete()
