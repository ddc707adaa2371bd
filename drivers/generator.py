"""A generator of sines by SCPI commands from a profile."""

import math

from drivers.profile import GeneratorProfile
from drivers.session import Session, Settings
from harness.errors import BenchError
from harness.roles import Identity

ON_OFF = {"1": True, "ON": True, "0": False, "OFF": False}
READS_BACK_WITHIN = 1e-6  # an instrument may round in its last digit; clamping is far more than this


class ScpiGenerator:
    """The `Generator` of harness.roles. The session is one that was started.

    Made, it leaves every output off, sine, without offset, and the load open.
    """

    def __init__(self, session: Session, profile: GeneratorProfile, *, profile_name: str) -> None:
        self._session, self._profile = session, profile
        self._settings = Settings(session)
        self.identity = Identity(
            role="generator", address=session.address, profile=profile_name, text=session.identity
        )
        self.off()
        self._prepare()

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

    @property
    def output_impedance_ohm(self) -> float:
        """Of each output, to ground."""
        return self._profile.output_impedance_ohm

    @property
    def amplitude_range_vpp(self) -> tuple[float, float]:
        """Smallest and largest open-circuit amplitude."""
        return self._profile.amplitude_min_vpp, self._profile.amplitude_max_vpp

    def sine(self, output: int, *, frequency_hz: float, amplitude_vpp: float, phase_deg: float = 0.0) -> None:
        """Set an output's sine, open-circuit peak to peak; sends what changed and reads the error queue.

        Raises BenchError for an output, a frequency or an amplitude that the profile doesn't have, and
        InstrumentError where the instrument refuses.
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
        commands = self._profile.commands
        for query, sent in (
            (commands.frequency_query, float(frequency_hz)),
            (commands.amplitude_query, float(amplitude.rsplit(maxsplit=1)[-1])),
        ):
            if query is None:
                continue
            result = self._session.query_number(query(n=output))
            if not math.isclose(result, sent, rel_tol=READS_BACK_WITHIN):
                self._settings.forget()
                raise self._session.error(f"was set to {sent:g} and reads back {result:g}", query(n=output))

    def switch(self, output: int, *, on: bool) -> None:
        """Switch an output and read it back. Raises BenchError where it reads otherwise."""
        if output not in self._outputs:
            raise self._session.error(f"has outputs 1 to {self._profile.outputs}, not {output}")
        commands = self._profile.commands
        with self._session.group():
            self._session.write((commands.output_on if on else commands.output_off)(n=output))
        self._verify(output, on=on)

    def _verify(self, output: int, *, on: bool) -> None:
        query = self._profile.commands.output_query(n=output)
        answer = self._session.query(query)
        result = ON_OFF.get(answer.strip().upper())
        if result is None:
            raise self._session.bad_reply("1 or 0", answer, query)
        if result is not on:
            words = ("on", "off") if on else ("off", "on")
            raise self._session.error(f"output {output} was switched {words[0]} and reads {words[1]}", query)

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


def outputs_found_on(session: Session, profile: GeneratorProfile) -> str:
    """What the generator was left doing, in words; asked before anything is switched."""
    asked = {n: session.query(profile.commands.output_query(n=n)) for n in range(1, profile.outputs + 1)}
    on = [str(n) for n, answer in asked.items() if ON_OFF.get(answer.strip().upper())]
    return f"output {' and '.join(on)} on" if on else "outputs off"
