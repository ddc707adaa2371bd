"""A relay supply that has no interface: a person sets and switches it, and what it gives is not known."""

from collections.abc import Callable

from drivers.models.sources import HandSupplyProfile
from harness.bench_file import SupplyFile
from harness.errors import BenchError, SwitchwalkError, UsageError
from harness.roles import Identity, SupplyReading

Ask = Callable[[str], None]
"""Asks a person to do something, and returns when they say that it is done. Raises if nobody says so."""


def nobody(text: str) -> None:
    """Nobody is there to be asked. Raises UsageError."""
    raise UsageError(
        f"a person must do this, and nobody can be asked here: {text}. Run it in a terminal, or use a supply "
        "with an interface"
    )


class HandSupply:
    """The `Supply` of harness.roles. When it is made, the person is asked to switch it off.

    Nothing confirms what the person did but their word; what they are asked for is remembered, so that
    nothing is asked twice.
    """

    def __init__(self, profile: HandSupplyProfile, file: SupplyFile, ask: Ask) -> None:
        self.measures_current = profile.measures_current
        self._profile, self._ask, self._name = profile, ask, file.address
        text = f"{profile.description} (its current is unknown)"
        self.identity = Identity(role="supply", address=file.address, profile=file.profile, text=text)
        self._wanted = self._made = (0.0, 0.0)  # volts and amperes
        self._on = True  # as far as anybody knows
        self.switch(on=False)

    def set(self, *, voltage_v: float, limit_a: float) -> None:
        """Remember what is to be set; asked for with the next switching on. Raises BenchError."""
        for what, value, high in (
            ("voltage in V", voltage_v, self._profile.voltage_max_v),
            ("current limit in A", limit_a, self._profile.current_max_a),
        ):
            if not 0.0 <= value <= high:
                raise self._error(f"{what}: 0 to {high:g} by its profile, asked for {value:g}")
        self._wanted = voltage_v, limit_a

    def switch(self, *, on: bool) -> None:
        """Have the person switch it, if it is not so already."""
        if on is self._on and (not on or self._made == self._wanted):
            return
        if not on:
            self._ask(f"Switch the relay supply {self._name!r} off")
        else:
            voltage_v, limit_a = self._wanted
            self._on, self._made = True, (0.0, 0.0)  # from here on it may be on, whatever is answered
            self._ask(
                f"Set the relay supply {self._name!r} to {voltage_v:g} V with a current limit of "
                f"{1e3 * limit_a:.0f} mA, and switch it on"
            )
            self._made = self._wanted
        self._on = on

    def measure(self) -> SupplyReading:
        """It measures nothing. Raises BenchError."""
        raise self._error("has no interface: what it gives is unknown")

    def off(self) -> None:
        """Have the person switch it off, if it may be on. Raises BenchError if nobody says that it is."""
        try:
            self.switch(on=False)
        except (KeyboardInterrupt, SwitchwalkError) as error:
            raise self._error("may be on, and nobody said that it is switched off") from error

    def prepare(self) -> None:
        """Have it set anew with its next switching on."""
        self._made = (0.0, 0.0)

    def recover(self) -> None:
        """After a failure of the bench: off."""
        self.switch(on=False)

    def _error(self, what: str) -> BenchError:
        return BenchError(what, instrument="supply", address=self._name)
