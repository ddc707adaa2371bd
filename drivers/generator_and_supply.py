"""A generator of sines and the relay supply, by SCPI commands from a profile."""

import logging
import math
import time
from math import inf

from drivers.command import Command
from drivers.models.dialect import comma_remedy, digit_of, unit_in
from drivers.models.sources import (
    AMPERES,
    AMPLITUDES,
    FREQUENCY_WITHIN,
    LEVEL_WITHIN_DB,
    GeneratorProfile,
    SupplyProfile,
    amperes,
    volts,
)
from drivers.session import COMMAND_ERROR, QUERY_ERROR, Session
from drivers.settings import Settings
from harness.bench_file import SupplyFile
from harness.errors import BadReply, BenchError, BenchTimeout, InstrumentError, ProfileMismatch
from harness.roles import SupplyReading
from harness.toml_files.values import compiled

LEAST_OF_LIMIT = 0.9  # of a current limit, once it is written with a profile's digits
log = logging.getLogger(__name__)


class ScpiGenerator:
    """The `Generator` of harness.roles. The session is one that was started.

    When it is made, it leaves every output off, sine, without offset, and the load open.
    """

    winding_ohm: float | None = None

    def __init__(self, session: Session, profile: GeneratorProfile, *, profile_name: str) -> None:
        self._session, self._profile = session, profile
        self._settings = Settings(session)
        self.output_impedance_ohm = profile.output_impedance_ohm  # of each output, to ground
        self.output_impedance_tolerance = profile.output_impedance_tolerance
        self.independent_frequencies = profile.independent_frequencies
        self.shares_clock = True
        self.amplitude_range_vpp = profile.least_vpp, profile.amplitude_max_vpp  # open circuit
        verified = profile.commands.output_query is not None
        what = "" if verified else " (that its outputs are off is not verified)"
        self.identity = session.identity_of(profile_name, profile.description, what)
        self._unit = profile.level_unit
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
            self._number(query, self._profile.amplitude_digits)
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
                if commands.load_open is not None:
                    self._settings.send("load", commands.load_open(n=n), n=n)
                self._make_sine(n)
                if commands.offset is not None:
                    self._settings.send("offset", commands.offset(n=n, v=0.0), n=n)

    def _make_sine(self, output: int) -> None:
        if self._profile.commands.function_sine is not None:
            self._settings.send("function", self._profile.commands.function_sine(n=output), n=output)

    def prepare(self) -> None:
        """Send every setting of opening again; the outputs stay as they are."""
        self._settings.forget()
        self._prepare()

    def silence(self, output: int) -> None:
        """Let an output that stays on give 0 V behind its impedance, until its next sine.

        Raises BenchError if the profile has no command for that.
        """
        command = self._profile.commands.silence
        if command is None:
            raise self._session.error("its profile has no command `silence`")
        if self._session.dirty:
            self._settings.forget()
        with self._settings.changes():
            self._settings.send("function", command(n=output), n=output)

    def sync(self, output: int) -> None:
        """Let the sync output follow an output's sine; without a command for that, it does so by itself."""
        command = self._profile.commands.sync_source
        if command is not None:
            with self._settings.changes():
                self._settings.send("sync", command(n=output))

    @property
    def reads_levels_back(self) -> bool:
        """Whether it says at which level an output is set."""
        return self._amplitude_query is not None

    @property
    def _outputs(self) -> range:
        return range(1, self._profile.outputs + 1)

    def sine(self, output: int, *, frequency_hz: float, amplitude_vpp: float, phase_deg: float = 0.0) -> None:
        """Set an output's sine, open-circuit peak to peak; sends what changed and reads the error queue.

        Raises BenchError for an output, a frequency or an amplitude that the profile doesn't have, and
        InstrumentError if the instrument refuses.
        """
        self._check(output, frequency_hz, amplitude_vpp, phase_deg)
        commands, levels = self._profile.commands, self._profile.amplitudes(amplitude_vpp)
        level = commands.amplitude.as_sent(self._unit, levels[self._unit])
        frequency_sent_hz = commands.frequency.as_sent("hz", float(frequency_hz))
        self._check_rounding(amplitude_vpp, frequency_hz)
        amplitude = commands.amplitude(n=output, **levels)
        if self._session.dirty:
            self._settings.forget()
        with self._settings.changes():
            self._make_sine(output)
            frequency = commands.frequency(n=output, hz=float(frequency_hz))
            # A frequency of all outputs is one setting, whichever it was sent for.
            self._settings.send("frequency", frequency, n=output if self.independent_frequencies else 0)
            self._settings.send("amplitude", amplitude, n=output)
            if commands.phase is not None:
                self._settings.send("phase", commands.phase(n=output, deg=float(phase_deg)), n=output)
        self._read_back(output, frequency_sent_hz, level)

    def _check(self, output: int, frequency_hz: float, amplitude_vpp: float, phase_deg: float) -> None:
        profile = self._profile
        low_deg, high_deg = (0.0, 0.0) if profile.commands.phase is None else (-360.0, 360.0)
        if output not in self._outputs:
            raise self._session.error(f"has outputs 1 to {profile.outputs}, and output {output} is asked for")
        for what, value, low, high in (
            ("frequency in Hz", frequency_hz, profile.frequency_min_hz, profile.frequency_max_hz),
            ("amplitude in Vpp", amplitude_vpp, profile.amplitude_min_vpp, profile.amplitude_max_vpp),
            ("phase in degrees", phase_deg, low_deg, high_deg),
        ):
            if not low <= value <= high:
                raise self._session.error(f"{what}: {low:g} to {high:g} by its profile, asked for {value:g}")

    def _check_rounding(self, vpp: float, frequency_hz: float) -> None:
        """Refuse what the command has too few digits for. Raises BenchError."""
        lost = self._profile.level_lost(vpp) or self._profile.frequency_lost(frequency_hz)
        if lost:
            raise self._session.error(lost)

    def _read_back(self, output: int, frequency_hz: float, level: float) -> None:
        query = self._profile.commands.frequency_query
        if query is not None:
            unit = self._profile.commands.frequency.unit_of("hz")
            result = self._number(query(n=output), self._profile.frequency_digits, unit)
            if not math.isclose(result, frequency_hz, rel_tol=FREQUENCY_WITHIN):
                raise self._reads_otherwise("frequency", output, frequency_hz, f"{result:g}", query)
        query = self._amplitude_query
        if query is not None:
            unit = self._profile.commands.amplitude.unit_of(self._unit)
            result = self._number(query(n=output), self._profile.amplitude_digits, unit, of_level=True)
            off_db = self._profile.apart_db(result, level)
            if abs(off_db) > LEVEL_WITHIN_DB:
                by = f", {off_db:+.1f} dB" if math.isfinite(off_db) else ""
                raise self._reads_otherwise("level", output, level, f"{result:g}{by}", query)

    def _number(
        self, query: str, digits: str | None, counted_in: float = 1.0, *, of_level: bool = False
    ) -> float:
        """The number of an answer, where its profile says that it is. Raises BadReply if it is not there.

        counted_in: what 1 is without a unit behind it, as in the command. of_level: a unit behind it must be
        that of the levels that are sent; ProfileMismatch otherwise.
        """
        answer = self._session.query(query)
        if digits is not None:
            match = compiled(digits).search(answer)
            if match is None:
                raise self._session.bad_reply(
                    f"a number where {digits} has it{comma_remedy(answer)}", answer, query
                )
            answer = match[1]
        unit = unit_in(answer)
        if of_level and unit.lower() in AMPLITUDES and unit.lower() != self._unit:
            what = (
                f"answers in {unit}, and `amplitude` in its profile sends {{{self._unit}}}: look at the "
                "units of commands.amplitude and commands.amplitude_query"
            )
            raise self._session.error(what, query, ProfileMismatch)
        return self._session.number_of(answer, query) * (1.0 if unit else counted_in)

    def _reads_otherwise(self, what: str, output: int, sent: float, found: str, query: Command) -> BenchError:
        self._settings.forget()
        return self._session.error(
            f"the {what} of output {output} was set to {sent:g} and reads back {found}; see whether somebody "
            "at its front panel, one of its limits or another program changed it",
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
        query = self._profile.commands.output_query
        if query is not None:
            self._session.check_switched(query(n=output), on=on, output=f"output {output} ")

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
    query = profile.commands.output_query
    if query is None:
        return "it cannot say whether its outputs were on"
    asked = {n: session.query(query(n=n)) for n in range(1, profile.outputs + 1)}
    try:
        on = [str(n) for n, answer in asked.items() if session.is_on(answer, query(n=n))]
    except BadReply:  # it is switched off all the same
        return f"its answers {', '.join(map(repr, asked.values()))} do not say whether its outputs were on"
    return f"output {' and '.join(on)} on" if on else "outputs off"


LOOK_AGAIN_AFTER_S = 0.02
STEADY = 0.01  # of the set voltage: what two readings may differ by when it no longer rises
NEARLY = 0.9  # of the set voltage; below, it must have been steady for longer to be believed
STEADY_FOR_S = 0.3  # meters of supplies give a new number some ten times a second
RISEN_WITHIN_S = 3.0
RISEN_BLIND_S = 1.0  # where the voltage can't be asked: common practice, no source


class ScpiSupply:
    """The `Supply` of harness.roles. Opening it selects its output and switches it off, verified."""

    def __init__(self, session: Session, profile: SupplyProfile, file: SupplyFile) -> None:
        self._session, self._profile, self._file = session, profile, file
        self._output = file.output
        commands = profile.commands
        what = "" if commands.measure_voltage is not None else " (that it is off is not verified)"
        self.identity = session.identity_of(file.profile, profile.description, what)
        self.measures_current = profile.measures_current
        self._has_select = profile.commands.select is not None
        self._set_v = 0.0
        self._digit_a = inf
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
        unit = commands.current.hole(AMPERES)
        wanted = amperes(limit_a)[unit]
        sent = commands.current.as_sent(unit, wanted)
        if sent < LEAST_OF_LIMIT * wanted:  # a good unit would sag
            raise self._session.error(
                f"a current limit of {limit_a:g} A would be sent as {sent:g}: "
                "`current` in its profile has too few digits"
            )
        with self._session.group():
            self._session.write(commands.current(**amperes(limit_a)))
            self._session.write(commands.voltage(**volts(voltage_v)))
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
        """Voltage and current at the terminals. Raises BenchError if the supply can't measure both."""
        current = self._profile.commands.measure_current
        if current is None or self._profile.commands.measure_voltage is None:
            raise self._session.error("its profile has no commands that measure voltage and current")
        profile = self._profile
        voltage_v = self._voltage_v() or 0.0
        current_a, digit_a = _measured(self._session, current, profile.current_digits, profile.current_unit_a)
        self._digit_a = min(self._digit_a, digit_a)  # an answer may leave out noughts at its end
        return SupplyReading(
            voltage_v=voltage_v,
            current_a=current_a,
            accuracy=self._file.current_accuracy,
            zero_a=self._file.current_zero_a,
            digit_a=self._digit_a if self._digit_a < inf else 0.0,
        )

    def _voltage_v(self) -> float | None:
        return _voltage_v(self._session, self._profile)

    def prepare(self) -> None:
        """Select its output again."""
        self._select()

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
        steady = STEADY * self._set_v
        since_s = time.monotonic()
        deadline, before_v = since_s + RISEN_WITHIN_S, self._voltage_v()
        if before_v is None:
            return time.sleep(RISEN_BLIND_S)
        while (now_s := time.monotonic()) < deadline:
            time.sleep(LOOK_AGAIN_AFTER_S)
            voltage_v = self._voltage_v() or 0.0
            if abs(voltage_v - before_v) > steady:
                since_s, before_v = now_s, voltage_v
            elif voltage_v >= NEARLY * self._set_v or now_s - since_s >= STEADY_FOR_S:
                return None
        return None

    def _wait_for_no_voltage(self) -> None:
        """Capacitors at the output take time to discharge."""
        profile = self._profile
        if profile.commands.measure_voltage is None:
            time.sleep(profile.off_within_s)
            return
        deadline = time.monotonic() + profile.off_within_s
        while abs(voltage_v := self._voltage_v() or 0.0) >= profile.off_below_v:
            if time.monotonic() > deadline:
                raise self._session.error(
                    f"was switched off, and {voltage_v:g} V are still at its terminals after "
                    f"{profile.off_within_s:g} s; disconnect it by hand",
                    profile.commands.measure_voltage(),
                )
            time.sleep(LOOK_AGAIN_AFTER_S)


def _voltage_v(session: Session, profile: SupplyProfile) -> float | None:
    """The voltage at the terminals, None from a supply that can't tell."""
    command = profile.commands.measure_voltage
    if command is None:
        return None
    return _measured(session, command, profile.voltage_digits, profile.voltage_unit_v)[0]


def _measured(session: Session, command: Command, digits: str | None, unit: float) -> tuple[float, float]:
    """A number in an answer and one in its last digit, times its unit. Raises BadReply if it is not there."""
    answer = session.query(command())
    if digits is None:
        return unit * session.number_of(answer, command()), unit * digit_of(answer)
    match = compiled(digits).search(answer)
    try:
        text = match[1] if match else ""
        return unit * float(text), unit * digit_of(text)
    except ValueError:
        wanted = f"a number where {digits} has it{comma_remedy(answer)}"
        raise session.bad_reply(wanted, answer, command()) from None


def voltage_left_on(session: Session, profile: SupplyProfile) -> str:
    """The voltage that the supply was left at, as text; asked before anything is switched or selected."""
    voltage_v = _voltage_v(session, profile)
    return "its voltage is not known" if voltage_v is None else f"{voltage_v:.1f} V at its terminals"
