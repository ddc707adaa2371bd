"""However an interruption comes up through other people's code, it is the stop that was asked for."""

import os
import signal
from collections.abc import Iterator

import pytest

from harness.cli.terminal import signals_as_before, stoppable
from harness.errors import EXIT_BENCH, BenchError, RunStopped


@pytest.fixture(autouse=True)
def _signals_are_the_tests_own_again() -> Iterator[None]:
    with signals_as_before():
        yield


def cut_short(error: Exception) -> None:
    """Ask for the end, and make another error of the interruption."""
    try:
        os.kill(os.getpid(), signal.SIGTERM)
    except KeyboardInterrupt:
        raise error from None


def test_a_library_that_makes_its_own_error_of_an_interruption_still_ends_as_stopped() -> None:
    with pytest.raises(RunStopped, match="stopped by SIGTERM") as caught, stoppable():
        cut_short(AssertionError("a commit was cut in half"))
    assert caught.value.exit_code == EXIT_BENCH


def test_what_could_not_be_made_safe_after_a_stop_is_what_is_told() -> None:
    with pytest.raises(BenchError, match="output 1 is still on"), stoppable():
        cut_short(BenchError("output 1 is still on", instrument="generator", address="-"))


def test_an_error_that_nobody_asked_for_stays_what_it_is() -> None:
    with pytest.raises(AssertionError, match="a mistake of ours"), stoppable():
        raise AssertionError("a mistake of ours")


def test_a_key_that_is_held_down_cuts_off_nothing_of_how_a_stop_is_told() -> None:
    messages = []
    handler = signal.getsignal(signal.SIGINT)
    with signals_as_before():
        with pytest.raises(RunStopped, match="stopped by SIGINT"), stoppable():
            os.kill(os.getpid(), signal.SIGINT)
        os.kill(os.getpid(), signal.SIGINT)
        messages.append("run 7 is kept")
    assert messages
    assert signal.getsignal(signal.SIGINT) is handler


def test_what_ends_without_a_stop_leaves_signals_as_they_were() -> None:
    handler = signal.getsignal(signal.SIGINT)
    with stoppable():
        assert signal.getsignal(signal.SIGINT) is not handler
    assert signal.getsignal(signal.SIGINT) is handler
