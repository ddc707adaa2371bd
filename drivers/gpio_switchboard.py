"""Relays on lines of the Linux GPIO character device, through gpiod (the extra `switchwalk[gpio]`).

The kernel lets go of the lines when the process ends, and they fall back to what the hardware makes of
them: wire the relays so that this is "released". A line in use elsewhere is refused by the kernel, which is
the lock here.
"""

from collections.abc import Mapping
from typing import Any, Protocol

from drivers.profile import GpioProfile
from drivers.switchboard import Channels
from harness.errors import BenchError, LinkLost
from harness.roles import Identity


class Lines(Protocol):
    """Output lines by their offsets; true is energised."""

    def write(self, values: Mapping[int, bool]) -> None:
        """Set lines, all at once."""
        ...

    def read(self) -> Mapping[int, bool]:
        """What the lines are."""
        ...

    def close(self) -> None:
        """Let go of the lines."""
        ...


class GpioSwitchboard(Channels):
    """What is read back is the chip's latch. `lines` are requested, inactive, by the caller."""

    def __init__(
        self, lines: Lines, profile: GpioProfile, *, address: str, profile_name: str, settle_s: float
    ) -> None:
        self._lines, self._offsets = lines, profile.lines
        identity = Identity(
            role="switchboard", address=address, profile=profile_name, text=profile.description
        )
        super().__init__(identity=identity, channel_count=profile.channels, settle_s=settle_s)
        self.off()

    def close(self) -> None:
        """Let go of the lines."""
        self._lines.close()

    def _insist_all_open(self) -> None:
        self._all_open()

    def _reopen_link(self) -> None:
        """The kernel holds the lines; there is no link that could be out of step."""

    def _open_all(self) -> None:
        self._write(dict.fromkeys(self._offsets, False))

    def _open(self, channels: list[int]) -> None:
        self._write({self._offsets[n - 1]: False for n in channels})

    def _close(self, channels: list[int]) -> None:
        self._write({self._offsets[n - 1]: True for n in channels})

    def _write(self, values: Mapping[int, bool]) -> None:
        try:
            self._lines.write(values)
        except OSError as error:
            raise LinkLost(
                f"the lines are gone: {error}", instrument="switchboard", address=self.identity.address
            ) from error

    def _read_back(self, wanted: frozenset[int]) -> frozenset[int]:
        try:
            values = self._lines.read()
        except OSError as error:
            raise LinkLost(
                f"the lines are gone: {error}", instrument="switchboard", address=self.identity.address
            ) from error
        return frozenset(n for n, offset in enumerate(self._offsets, start=1) if values[offset])


class GpiodLines:
    """`Lines` of a chip by a request of gpiod; `module` is gpiod, or what stands in for it."""

    def __init__(self, chip: str, profile: GpioProfile, module: Any) -> None:
        self._line = module.line
        settings = module.LineSettings(
            direction=module.line.Direction.OUTPUT,
            active_low=profile.active_low,
            output_value=module.line.Value.INACTIVE,
        )
        self._request = module.request_lines(
            chip, consumer="switchwalk", config={tuple(profile.lines): settings}
        )
        self._offsets = profile.lines

    def write(self, values: Mapping[int, bool]) -> None:
        """Set lines, all at once."""
        value = self._line.Value
        self._request.set_values(
            {offset: value.ACTIVE if on else value.INACTIVE for offset, on in values.items()}
        )

    def read(self) -> Mapping[int, bool]:
        """What the lines are."""
        values = self._request.get_values(list(self._offsets))
        active = self._line.Value.ACTIVE
        return {offset: value == active for offset, value in zip(self._offsets, values, strict=True)}

    def close(self) -> None:
        """Let go of the lines."""
        self._request.release()


def request_lines(address: str, profile: GpioProfile) -> GpiodLines:
    """Ask the kernel for the lines, inactive. Raises LinkLost, or BenchError where gpiod isn't installed."""
    try:
        import gpiod
    except ImportError:
        raise BenchError(
            "GPIO lines need the gpiod package: pip install 'switchwalk[gpio]'",
            instrument="switchboard",
            address=address,
        ) from None
    try:
        return GpiodLines(address, profile, gpiod)
    except (OSError, ValueError) as error:
        raise LinkLost(
            f"the lines {list(profile.lines)} can't be used: {error}",
            instrument="switchboard",
            address=address,
        ) from error
