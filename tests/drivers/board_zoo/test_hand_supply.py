"""A supply without an interface: what a person is asked for, and what happens if nobody is there."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.bench import make_left_safe, open_bench
from drivers.by_hand import Ask, HandSupply
from drivers.claim import LeftOnMarker
from harness.bench_file import BenchFile, SupplyFile
from harness.errors import BenchError, UsageError
from tests.drivers.own_profiles import profile
from tests.drivers.test_bench import Rig, standing

NAME = f"zoo-grey-supply-{os.getpid()}"  # a name of its own for each process of the tests
OFF = f"Switch the relay supply {NAME!r} off"
FILE = SupplyFile(address=NAME, profile="hand-supply")


def test_a_person_is_asked_once_for_each_thing() -> None:
    asked: list[str] = []
    supply = HandSupply(profile("hand-supply"), FILE, asked.append)
    supply.set(voltage_v=12.0, limit_a=0.4)
    assert asked == [OFF]
    supply.switch(on=True)
    supply.switch(on=True)
    supply.set(voltage_v=12.0, limit_a=0.4)
    supply.switch(on=True)
    on = f"Set the relay supply {NAME!r} to 12 V with a current limit of 400 mA, and switch it on"
    assert asked == [OFF, on]
    supply.off()
    supply.off()
    assert asked == [OFF, on, OFF]


def test_what_it_gives_is_unknown() -> None:
    supply = HandSupply(profile("hand-supply"), FILE, lambda text: None)
    assert not supply.measures_current
    assert supply.identity.text == "DC supply, switched by hand (its current is unknown)"
    with pytest.raises(BenchError, match="what it gives is unknown"):
        supply.measure()


@pytest.mark.parametrize(("volts", "amperes"), [(31.0, 0.1), (5.0, 3.5), (-1.0, 0.1)])
def test_more_than_its_profile_allows_is_not_asked_for(volts: float, amperes: float) -> None:
    supply = HandSupply(profile("hand-supply"), FILE, lambda text: None)
    with pytest.raises(BenchError, match="by its profile, asked for"):
        supply.set(voltage_v=volts, limit_a=amperes)


@contextmanager
def bench_by_hand() -> Iterator[tuple[Rig, BenchFile]]:
    with standing() as rig:
        try:
            yield rig, replace(rig.file, supply=FILE)
        finally:
            LeftOnMarker(NAME, instrument="supply").remove()


def test_the_end_asks_the_person_to_switch_it_off_after_generator_and_switchboard(tmp_path: Path) -> None:
    said: list[tuple[str, bool, bool]] = []
    with bench_by_hand() as (rig, file):

        def ask(text: str) -> None:
            said.append((text, any(rig.generator.on.values()), bool(rig.switch.closed)))

        with open_bench(file, folder=tmp_path, ask=ask) as bench:
            bench.generator.switch(1, on=True)
            bench.supply.set(voltage_v=5.0, limit_a=0.1)
            bench.supply.switch(on=True)
            bench.switchboard.set(frozenset({1}))
        assert said[-1] == (OFF, False, False)


def test_a_supply_that_nobody_switches_off_is_named_and_the_others_are_made_safe(tmp_path: Path) -> None:
    with bench_by_hand() as (rig, file):
        gone: list[bool] = []

        def ask(text: str) -> None:
            if gone:
                raise KeyboardInterrupt("the terminal was closed")

        with pytest.raises(BenchError, match=r"NOT SAFE.*supply: .*nobody said that it is switched off"):
            leave(file, tmp_path, ask, gone)
        assert not rig.switch.closed
        assert LeftOnMarker(NAME, instrument="supply").left_by
        told: list[str] = []
        asked: list[str] = []
        make_left_safe(file, folder=tmp_path, tell=told.append, ask=asked.append)
        assert asked[0] == OFF
        assert "supply: nobody knows whether it was on" in told[0]
        assert not LeftOnMarker(NAME, instrument="supply").left_by


def leave(file: BenchFile, folder: Path, ask: Ask, gone: list[bool]) -> None:
    with open_bench(file, folder=folder, ask=ask) as bench:
        bench.supply.set(voltage_v=5.0, limit_a=0.1)
        bench.supply.switch(on=True)
        bench.switchboard.set(frozenset({1}))
        gone.append(True)


def test_without_a_person_nothing_begins(tmp_path: Path) -> None:
    with (
        bench_by_hand() as (rig, file),
        pytest.raises(UsageError, match="nobody can be asked here: Switch the relay supply"),
        open_bench(file, folder=tmp_path),
    ):
        pass
    assert not any(rig.generator.on.values())
