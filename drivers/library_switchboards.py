"""Switchboards that need a library of their own and have no wire: lines of the GPIO character device.

Lines, through gpiod (the extra `switchwalk[gpio]`): the kernel lets go of them when the process ends, and
they fall back to what the hardware makes of them: wire the relays so that this is "released". A line in use
elsewhere is refused by the kernel, which is the lock here.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from drivers.models.switchboards import GpioProfile
from drivers.switchboard import Channels
from harness.bench_file import SwitchboardFile
from harness.errors import BenchError, LinkLost


class GpioSwitchboard(Channels):
    """What is read back is the chip's latch. The file's address is the chip's device.

    module: gpiod, or what stands in for it. Raises BenchError if gpiod isn't installed.
    """

    def __init__(
        self,
        profile: GpioProfile,
        file: SwitchboardFile,
        *,
        instrument: str = "switchboard",
        module: Any = None,
    ) -> None:
        self._address, self._offsets, self._instrument = file.address, profile.lines, instrument
        gpiod = self._gpiod() if module is None else module
        self._value = gpiod.line.Value
        settings = gpiod.LineSettings(
            direction=gpiod.line.Direction.OUTPUT,
            active_low=profile.active_low,
            output_value=self._value.INACTIVE,
        )
        with self._lost(f"the lines {list(profile.lines)} can't be used"):
            self._request = gpiod.request_lines(
                file.address, consumer="switchwalk", config={tuple(profile.lines): settings}
            )
        super().__init__(profile, file, instrument=instrument)

    def _gpiod(self) -> Any:
        try:
            import gpiod
        except ImportError:
            raise BenchError(
                "GPIO lines need the gpiod package: pip install 'switchwalk[gpio]'",
                instrument=self._instrument,
                address=self._address,
            ) from None
        return gpiod

    @contextmanager
    def _lost(self, what: str) -> Iterator[None]:
        try:
            yield
        except (OSError, ValueError) as error:
            raise LinkLost(f"{what}: {error}", instrument=self._instrument, address=self._address) from error

    def close(self) -> None:
        """Let go of the lines."""
        self._request.release()

    def _move(self, channels: list[int], *, closed: bool) -> None:
        value = self._value.ACTIVE if closed else self._value.INACTIVE
        with self._lost("the lines are gone"):
            self._request.set_values({self._offsets[n - 1]: value for n in channels})

    def _read_back(self, wanted: frozenset[int]) -> frozenset[int]:
        with self._lost("the lines are gone"):
            values = self._request.get_values(list(self._offsets))
        return frozenset(n for n, value in enumerate(values, start=1) if value == self._value.ACTIVE)
