"""The relay supply by SCPI commands from a profile."""

import re
import time

from drivers.profile import SupplyProfile
from drivers.session import Session
from harness.errors import InstrumentError
from harness.roles import SupplyReading

COMMAND_ERROR = re.compile(r"\s*-1\d\d\b")  # SCPI-1999 21.8: -1xx, the command isn't understood
LOOK_AGAIN_AFTER_S = 0.02
STEADY = 0.01  # of the set voltage: what two readings may differ by when it no longer rises
NEARLY = 0.9  # of the set voltage; below, it must have been steady for longer to be believed
STEADY_FOR_S = 0.3  # meters of supplies give a new number some ten times a second
RISEN_WITHIN_S = 3.0


class ScpiSupply:
    """The `Supply` of harness.roles. Opening it selects its output and switches it off, verified."""

    def __init__(
        self, session: Session, profile: SupplyProfile, *, profile_name: str, output: int = 1
    ) -> None:
        self._session, self._profile, self._output = session, profile, output
        self.identity = session.identity_of(profile_name)
        self._has_select = profile.commands.select is not None
        self._set_v = 0.0
        self.off()

    def _select(self) -> None:
        """Choose the output, if there is a choice: a supply with one says -113, undefined header."""
        select = self._profile.commands.select
        if select is None or not self._has_select:
            return
        command = select(n=self._output)
        self._session.write(command)
        errors = self._session.drain_errors()
        if self._output == 1 and errors and all(COMMAND_ERROR.match(error) for error in errors):
            self._has_select = False
        elif errors:
            what = f"`output = {self._output}` in the bench file cannot be chosen"
            raise self._session.error(f"reports {'; '.join(errors)}; {what}", command, InstrumentError)

    def set(self, *, voltage_v: float, limit_a: float) -> None:
        """Set voltage and current limit; does not switch. Raises BenchError outside the profile's range."""
        for what, value, high in (
            ("voltage in V", voltage_v, self._profile.voltage_max_v),
            ("current limit in A", limit_a, self._profile.current_max_a),
        ):
            if not 0.0 <= value <= high:
                raise self._session.error(f"{what}: 0 to {high:g} by its profile, asked for {value:g}")
        commands = self._profile.commands
        with self._session.group():
            self._session.write(commands.current(a=float(limit_a)))
            self._session.write(commands.voltage(v=float(voltage_v)))
        self._set_v = voltage_v

    def switch(self, *, on: bool) -> None:
        """Switch the output; off is verified at the terminals, and on waits until its voltage has risen.

        It may stay below the set voltage, in current limit: `measure` tells.
        """
        if not on:
            return self.off()
        with self._session.group():
            self._session.write(self._profile.commands.output_on())
        self._verify_switch(on=True)
        return self._wait_for_steady_voltage()

    def measure(self) -> SupplyReading:
        """Voltage and current at the terminals."""
        commands = self._profile.commands
        return SupplyReading(
            voltage_v=self._session.query_number(commands.measure_voltage()),
            current_a=self._session.query_number(commands.measure_current()),
        )

    def recover(self) -> None:
        """After a failure: reopen, the same identity, its output off, verified."""
        self._session.resync()
        self._off()

    def off(self) -> None:
        """Output off, verified by the voltage at its terminals. Works on a link that needs reopening."""
        self._session.insist(self._off)

    def _off(self) -> None:
        self._session.drain_errors()  # an older error must not hide whether this worked
        self._select()
        with self._session.group():
            self._session.write(self._profile.commands.output_off())
        self._verify_switch(on=False)
        self._wait_for_no_voltage()

    def _verify_switch(self, *, on: bool) -> None:
        query = self._profile.commands.output_query
        if query is not None:
            self._session.check_switched(query(), on=on)

    def _wait_for_steady_voltage(self) -> None:
        """A supply takes its time, and its voltage while it rises is no sign of a current limit."""
        command = self._profile.commands.measure_voltage()
        steady = STEADY * self._set_v
        since_s = time.monotonic()
        deadline, before_v = since_s + RISEN_WITHIN_S, self._session.query_number(command)
        while (now_s := time.monotonic()) < deadline:
            time.sleep(LOOK_AGAIN_AFTER_S)
            voltage_v = self._session.query_number(command)
            if abs(voltage_v - before_v) > steady:
                since_s, before_v = now_s, voltage_v
            elif voltage_v >= NEARLY * self._set_v or now_s - since_s >= STEADY_FOR_S:
                return

    def _wait_for_no_voltage(self) -> None:
        """Capacitors at the output take time to discharge."""
        profile = self._profile
        command = profile.commands.measure_voltage()
        deadline = time.monotonic() + profile.off_within_s
        while abs(voltage_v := self._session.query_number(command)) >= profile.off_below_v:
            if time.monotonic() > deadline:
                raise self._session.error(
                    f"was switched off, and {voltage_v:g} V are still at its terminals after "
                    f"{profile.off_within_s:g} s; disconnect it by hand",
                    command,
                )
            time.sleep(LOOK_AGAIN_AFTER_S)


def voltage_found(session: Session, profile: SupplyProfile) -> str:
    """The voltage that the supply was left at, as text; asked before anything is switched or selected."""
    return f"{session.query_number(profile.commands.measure_voltage()):.1f} V at its terminals"
