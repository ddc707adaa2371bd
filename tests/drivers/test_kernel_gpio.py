"""The GPIO switchboard on lines that the kernel simulates (gpio-sim), where it does."""

import contextlib
import importlib.util
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from drivers.boards.library_switchboards import GpioSwitchboard
from harness.errors import LinkLost
from tests.drivers.board_rigs import board_file
from tests.drivers.own_profiles import profile

CONFIG = Path("/sys/kernel/config/gpio-sim")
pytestmark = [
    pytest.mark.skipif(not CONFIG.is_dir(), reason="this kernel offers no simulated GPIO lines (gpio-sim)"),
    pytest.mark.skipif(importlib.util.find_spec("gpiod") is None, reason="the extra [gpio] is not installed"),
]


@contextmanager
def simulated_chip(lines: int) -> Iterator[tuple[str, Path]]:
    """A chip's device and the folder of its lines' values (kernel documentation, gpio-sim)."""
    chip = CONFIG / "switchwalk-test"
    bank = chip / "bank0"
    bank.mkdir(parents=True)
    try:
        (bank / "num_lines").write_text(str(lines))
        (chip / "live").write_text("1")
        name = (bank / "chip_name").read_text().strip()
        yield f"/dev/{name}", Path("/sys/devices/platform") / (chip / "dev_name").read_text().strip() / name
    finally:
        with contextlib.suppress(OSError):
            (chip / "live").write_text("0")
        bank.rmdir()
        chip.rmdir()


def test_lines_of_a_simulated_chip_follow_and_are_held() -> None:
    own = profile("gpio-switchboard")
    with simulated_chip(8) as (device, values):
        driver = GpioSwitchboard(own, board_file(device))
        driver.set(frozenset({1, 8}))
        closed = {n + 1 for n in range(8) if (values / f"sim_gpio{n}" / "value").read_text().strip() == "1"}
        assert closed == {1, 8}
        with pytest.raises(LinkLost, match="can't be used"):
            GpioSwitchboard(own, board_file(device))
        driver.off()
        driver.close()
