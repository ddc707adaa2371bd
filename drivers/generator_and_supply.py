"""A generator of sines and the relay supply, by SCPI commands from a profile."""

import logging
import math
import time

from drivers.models.sources import GeneratorProfile, SupplyProfile
from drivers.session import COMMAND_ERROR, ON_OFF, QUERY_ERROR, Session, Settings
from harness.errors import BadReply, BenchError, BenchTimeout, InstrumentError
from harness.roles import SupplyReading

FREQUENCY_WITHIN = 1e-6  # an instrument may round in its last digit; clamping is far more than this
LEVEL_WITHIN = 0.01  # 0.09 dB: instruments round a level to four digits, small ones to three
log = logging.getLogger(__name__)


class ScpiGenerator:
    """The `Generator` of harness.roles. The session is one that was started.

    When it is made, it leaves every output off, sine, without offset, and the load open.
    """

    def __init__(self, session: Session, profile: GeneratorProfile, *, profile_name: str) -> None:
        self._session, self._profile = session, profile
        self._settings = Settings(session)
        self.output_impedance_ohm = profile.output_impedance_ohm  # of each output, to ground
        self.output_impedance_tolerance = profile.output_impedance_tolerance
        self.amplitude_range_vpp = profile.amplitude_min_vpp, profile.amplitude_max_vpp  # open circuit
        self.identity = session.identity_of(profile_name)
        self._amplitude_query = profile.commands.amplitude_query
        self.off()
        self._prepare()
        self._try_amplitude_query()

    def _try_amplitude_query(self) -> None:
        """Do without the query if the instrument does not know it, which it says by a command error.

        It may answer nothing or an empty line. On a bus with messages (USB, GPIB, VXI-11) the attempt to read
        is a query error of its own: -420, query unterminated.
        """
        if self._amplitude_query is None:
            return
        query = self._amplitude_query(n=1)
        try:
            self._session.query_number(query)
        except (BenchTimeout, BadReply):
            errors = self._session.resync()
            is_unknown = any(COMMAND_ERROR.match(error) for error in errors)
            if not is_unknown or not all(
                COMMAND_ERROR.match(error) or QUERY_ERROR.match(error) for error in errors
            ):
                raise
            self._amplitude_query = None
            what = f"does not know {query} ({'; '.join(errors)}): its levels are not read back"
            log.warning("%s", f"{self._session.instrument} at {self._session.address}: {what}")

    def _prepare(self) -> None:
        commands = self._profile.commands
        with self._settings.changes():
            for n in self._outputs:
                # The load comes first: an instrument that is told of another load rescales its amplitude.
                self._settings.send("load", commands.load_open(n=n), n=n)
                self._settings.send("function", commands.function_sine(n=n), n=n)
                self._settings.send("offset", commands.offset(n=n, v=0.0), n=n)

    @property
    def _outputs(self) -> range:
        return range(1, self._profile.outputs + 1)

    def sine(self, output: int, *, frequency_hz: float, amplitude_vpp: float, phase_deg: float = 0.0) -> None:
        """Set an output's sine, open-circuit peak to peak; sends what changed and reads the error queue.

        Raises BenchError for an output, a frequency or an amplitude that the profile doesn't have, and
        InstrumentError if the instrument refuses.
        """
        self._check(output, frequency_hz, amplitude_vpp, phase_deg)
        commands = self._profile.commands
        amplitude = commands.amplitude(
            n=output,
            vpp=float(amplitude_vpp),
            vpk=amplitude_vpp / 2.0,
            vrms=amplitude_vpp / (2.0 * math.sqrt(2.0)),
        )
        if self._session.dirty:
            self._settings.forget()
        with self._settings.changes():
            self._settings.send("frequency", commands.frequency(n=output, hz=float(frequency_hz)), n=output)
            self._settings.send("amplitude", amplitude, n=output)
            self._settings.send("phase", commands.phase(n=output, deg=float(phase_deg)), n=output)
        self._read_back(output, frequency_hz, amplitude)

    def _check(self, output: int, frequency_hz: float, amplitude_vpp: float, phase_deg: float) -> None:
        profile = self._profile
        if output not in self._outputs:
            raise self._session.error(f"has outputs 1 to {profile.outputs}, and output {output} is asked for")
        for what, value, low, high in (
            ("frequency in Hz", frequency_hz, profile.frequency_min_hz, profile.frequency_max_hz),
            ("amplitude in Vpp", amplitude_vpp, profile.amplitude_min_vpp, profile.amplitude_max_vpp),
            ("phase in degrees", phase_deg, -360.0, 360.0),
        ):
            if not low <= value <= high:
                raise self._session.error(f"{what}: {low:g} to {high:g} by its profile, asked for {value:g}")

    def _read_back(self, output: int, frequency_hz: float, amplitude: str) -> None:
        for what, query, sent, within in (
            ("frequency", self._profile.commands.frequency_query, float(frequency_hz), FREQUENCY_WITHIN),
            ("level", self._amplitude_query, float(amplitude.rsplit(maxsplit=1)[-1]), LEVEL_WITHIN),
        ):
            if query is None:
                continue
            result = self._session.query_number(query(n=output))
            if math.isclose(result, sent, rel_tol=within):
                continue
            self._settings.forget()
            by = f", {20.0 * math.log10(result / sent):+.1f} dB" if what == "level" and result > 0.0 else ""
            raise self._session.error(
                f"the {what} of output {output} was set to {sent:g} and reads back {result:g}{by}; see "
                "whether somebody at its front panel, one of its limits or another program changed it",
                query(n=output),
            )

    def switch(self, output: int, *, on: bool) -> None:
        """Switch an output and read it back. Raises BenchError if it reads otherwise."""
        if output not in self._outputs:
            raise self._session.error(f"has outputs 1 to {self._profile.outputs}, not {output}")
        commands = self._profile.commands
        with self._session.group():
            self._session.write((commands.output_on if on else commands.output_off)(n=output))
        self._verify(output, on=on)

    def _verify(self, output: int, *, on: bool) -> None:
        query = self._profile.commands.output_query(n=output)
        self._session.check_switched(query, on=on, output=f"output {output} ")

    def recover(self) -> None:
        """After a failure: reopen, the same identity, every output off, and the settings of opening again."""
        self._session.resync()
        self._off()
        self._prepare()

    def off(self) -> None:
        """All outputs off, verified. Works on a link that needs reopening first."""
        self._session.insist(self._off)

    def _off(self) -> None:
        self._settings.forget()
        self._session.drain_errors()  # an older error must not hide whether this worked
        failures: list[BenchError] = []
        with self._session.group():
            for n in self._outputs:
                self._session.write(self._profile.commands.output_off(n=n))
        for n in self._outputs:
            try:
                self._verify(n, on=False)
            except BenchError as error:
                if self._session.dirty:
                    raise
                failures.append(error)
        if failures:
            raise failures[0]


def outputs_left_on(session: Session, profile: GeneratorProfile) -> str:
    """What the generator was left doing, as text; asked before anything is switched."""
    asked = {n: session.query(profile.commands.output_query(n=n)) for n in range(1, profile.outputs + 1)}
    on = [str(n) for n, answer in asked.items() if ON_OFF.get(answer.strip().upper())]
    return f"output {' and '.join(on)} on" if on else "outputs off"


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


def voltage_left_on(session: Session, profile: SupplyProfile) -> str:
    """The voltage that the supply was left at, as text; asked before anything is switched or selected."""
    return f"{session.query_number(profile.commands.measure_voltage()):.1f} V at its terminals"
