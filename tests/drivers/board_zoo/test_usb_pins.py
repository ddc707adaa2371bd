"""Relays on the pins of a USB chip: pyftdi and pyusb as they are, with a chip in place of libusb."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

pytest.importorskip("pyftdi")

from pyftdi.usbtools import UsbTools

from drivers.boards.library_switchboards import FtdiSwitchboard
from harness.bench_file import SwitchboardFile
from harness.errors import BenchError, JobError, LinkLost
from tests.drivers.board_zoo import usb_chip
from tests.drivers.own_profiles import profile

ADDRESS = "ftdi://ftdi:232r:ZOO1/1"


@contextmanager
def plugged_in(
    monkeypatch: pytest.MonkeyPatch, changes: dict[str, str] | None = None
) -> Iterator[tuple[usb_chip.Chip, FtdiSwitchboard]]:
    chip = usb_chip.Chip()
    monkeypatch.setattr(usb_chip, "THE_CHIP", [chip])
    monkeypatch.setattr(UsbTools, "BACKENDS", (usb_chip.__name__,))
    UsbTools.flush_cache()
    own = profile("ftdi-switchboard", changes)
    driver = FtdiSwitchboard(own, SwitchboardFile(address=ADDRESS, profile="own", settle_s=0.0))
    try:
        yield chip, driver
    finally:
        driver.close()
        UsbTools.flush_cache()


def test_exactly_the_channels_asked_for_are_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    with plugged_in(monkeypatch) as (chip, driver):
        assert (chip.mode, chip.direction, chip.levels) == (1, 0xFF, 0)
        for wanted, levels in (({1}, 0b1), ({1, 3, 8}, 0b10000101), ({2, 3}, 0b110), (set(), 0)):
            driver.set(frozenset(wanted))
            assert chip.levels == levels
        assert driver.reads_back


def test_relays_that_close_at_a_low_level_are_released_high(monkeypatch: pytest.MonkeyPatch) -> None:
    changes = {"active_low = false": "active_low = true", "pins = [0, 1, 2, 3, 4, 5, 6, 7]": "pins = [4, 2]"}
    with plugged_in(monkeypatch, changes) as (chip, driver):
        assert chip.levels & 0b10100 == 0b10100
        driver.set(frozenset({1}))
        assert chip.levels & 0b10100 == 0b00100
        assert chip.direction == 0b10100


def test_a_pin_that_does_not_follow_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    with plugged_in(monkeypatch) as (chip, driver):
        chip.held_low = 1 << 6
        with pytest.raises(BenchError, match=r"channels 2, 7 were to be closed.*it reads back 2 as closed"):
            driver.set(frozenset({2, 7}))
        driver.set(frozenset({3}))
        assert chip.levels == 0b100


def test_an_unplugged_chip_is_noticed_and_off_works_when_it_is_back(monkeypatch: pytest.MonkeyPatch) -> None:
    with plugged_in(monkeypatch) as (chip, driver):
        driver.set(frozenset({1}))
        chip.gone = True
        with pytest.raises(LinkLost, match="switchboard at ftdi://ftdi:232r:ZOO1/1: the pins are gone"):
            driver.set(frozenset({2}))
        with pytest.raises(LinkLost, match="cannot be opened"):
            driver.off()
        chip.gone = False
        UsbTools.flush_cache()
        driver.off()
        assert chip.levels == 0


def test_closing_lets_go_of_the_pins(monkeypatch: pytest.MonkeyPatch) -> None:
    with plugged_in(monkeypatch) as (chip, driver):
        driver.close()
        assert (chip.mode, chip.direction) == (0, 0)


@pytest.mark.parametrize("pins", ["[0, 0]", "[8]", "[]"])
def test_pins_are_eight_and_each_is_named_once(pins: str) -> None:
    with pytest.raises(JobError, match="pins"):
        profile("ftdi-switchboard", {"[0, 1, 2, 3, 4, 5, 6, 7]": pins})
