"""Errors that a process hands to another arrive as they were, with the instrument and the figures."""

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import pytest

from harness.errors import (
    BenchTimeout,
    JobError,
    LinkLost,
    Mistake,
    OverCurrentError,
    RunStopped,
    SwitchwalkError,
)

ERRORS = (
    BenchTimeout(
        "no complete answer within 5 s", instrument="oscilloscope", address="192.0.2.3", command="WAV?"
    ),
    LinkLost("the connection is closed", instrument="supply"),
    OverCurrentError("1.2 A", state="idle", limit_a=0.4, current_a=1.2, voltage_v=12.0),
    JobError([Mistake(file="module.toml", line=3, key="relay", message="no coil")]),
    RunStopped("stopped by Ctrl-C"),
)


def throw(error: SwitchwalkError) -> None:
    raise error


def test_an_error_of_another_process_arrives_as_it_was() -> None:
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        for error in ERRORS:
            with pytest.raises(type(error)) as arrived:
                pool.submit(throw, error).result()
            assert str(arrived.value) == str(error)
            assert {key: value for key, value in vars(arrived.value).items() if key in vars(error)} == vars(
                error
            )
            assert isinstance(arrived.value, TimeoutError) == isinstance(error, TimeoutError)
