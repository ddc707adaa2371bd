"""Single commands of a profile that is being made, each tried on its instrument as soon as it is known."""

import time
from collections.abc import Mapping
from math import isclose
from typing import Any, get_args

from drivers.command import Command
from drivers.models.any_instrument import InstrumentProfile
from drivers.models.dialect import unit_in
from drivers.models.expected_answer import ExpectedAnswer
from drivers.models.sources import AMPLITUDES, GeneratorProfile, amperes, volts
from drivers.profile import KINDS
from drivers.safe_end import Off
from drivers.scope.oscilloscope_profile import Scaling, Source
from drivers.serial_wire import open_serial
from drivers.session import Session
from drivers.transcript import Transcript
from harness.bench_file import AS_THE_PROFILE
from harness.errors import BenchError
from harness.session.profile_trials.alone import LOW_VPP, TONE_HZ, TRIED_A, TRIED_V
from harness.toml_files.values import compiled

NAMELESS = "text-switchboard"  # is not asked who it is
SPOKEN_TO = ("generator", "supply", "oscilloscope", "route-switchboard", NAMELESS)
RISES_IN_S = 0.5
LOOK_AGAIN_S = 0.3
READ_LATER = "commands.data_query"  # samples are read once all is known of their format
SOURCES = {
    f"scaling.{name}"
    for name, field in Scaling.model_fields.items()
    if Source in (field.annotation, *get_args(field.annotation))
}
ANSWERS = ("commands.measure_voltage", "commands.measure_current")
SAME_WITHIN = 0.01
S_PER_DIV, V_PER_DIV, POINTS = 0.01, 0.1, 2000
AVERAGES = 16

SET_ALL = "commands.set_all"
OFF = ("commands.output_off", "commands.open_all", "commands.open", SET_ALL)  # the first that there is


class LiveInstrument:
    """An instrument that is asked line by line; what it was switched on by a trial is off after it.

    given: the answers so far, with defaults, by key. Raises BenchError where it does not answer.
    """

    def __init__(
        self,
        kind: str,
        address: str,
        given: Mapping[str, Any],
        *,
        offs: dict[str, Off],
        transcript: Transcript | None,
    ) -> None:
        self._given, self._offs = given, offs
        self._role = KINDS[kind].role
        wire = {name: given[name] for name in InstrumentProfile.model_fields if name in given}
        if kind == NAMELESS:
            wire["error_query"] = ""
        profile = InstrumentProfile(**wire)
        line = profile.line(AS_THE_PROFILE)
        self._heard = "understood" if profile.error_query or profile.answer is not None else "sent"
        self._session = Session(
            address,
            instrument=self._role,
            line=line,
            timeout_s=profile.timeout(AS_THE_PROFILE),
            transcript=transcript,
            dialect=profile.dialect(AS_THE_PROFILE),
            connect=(lambda: open_serial(address, line)) if kind == NAMELESS else None,
        )
        try:
            self.identity = "" if kind == NAMELESS else self._session.start()
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close the connection; never raises."""
        self._session.close()

    def tried(self, key: str, value: Any) -> str:
        """Send what a key says, and tell what came of it; "" for a key that is not sent.

        Raises BenchError for a command that the instrument refuses, does not answer, or reads back otherwise.
        """
        if key == "commands.init":
            return "; ".join(self._sent(line) for line in value)
        query = Source.parse(value).query if key in SOURCES else None
        if query is not None:
            return self._asked(key, query.text)
        if not key.startswith("commands.") or key == READ_LATER:
            return ""
        if key == "commands.output_on":
            return self._on_and_off(value)
        line = self._line(key, value)
        if key.endswith("_query") or key in ANSWERS:
            return self._asked(key, line)
        if key in OFF:
            self._offs[self._role] = lambda: self._session.insist(self._off)
        try:
            result = self._sent(line)
        finally:
            if key == SET_ALL:
                self._sent(self._line(key, value, mask=0))
        if key == "commands.reset":
            time.sleep(float(self._given.get("reset_s", 3.0)))
        if key == "commands.close" and "commands.open" in self._given:
            self._sent(self._line("commands.open", self._given["commands.open"]))
        return result

    def _line(self, key: str, text: str, **other: Any) -> str:
        command = Command(text)
        values = self._values(key) | other
        try:
            return command(**values)
        except (KeyError, ValueError) as error:
            raise self._session.error(f"{text!r} can't be filled in: {error}") from None

    def _sent(self, line: str) -> str:
        """Send a line, and read the error queue."""
        try:
            with self._session.group():
                self._session.write(line)
        except BenchError as error:
            self._reopen(error)
            raise
        return f"{line!r}: {self._heard}"

    def _asked(self, key: str, line: str) -> str:
        line = Command(line)(n=self._values(key)["n"]) if "{" in line else line
        try:
            answer = self._session.query(line)
            if key == "commands.complete_query":
                time.sleep(LOOK_AGAIN_S)
                later = self._session.query(line)
                if later != answer:
                    return f"{line!r} answers {answer!r}, and {later!r} {LOOK_AGAIN_S:g} s later"
            self._compare(key, line)
        except BenchError as error:
            self._reopen(error)
            raise
        fields = answer.split(",")
        if key == "commands.preamble_query" and len(fields) > 1:
            answer = "; ".join(f"field {place}: {field.strip()}" for place, field in enumerate(fields, 1))
            return f"{line!r} answers {answer}"
        return f"{line!r} answers {answer!r}"

    def _compare(self, key: str, line: str) -> None:
        """Raise BenchError if a setting reads back otherwise than it was set before."""
        wanted, unit = {"commands.frequency_query": TONE_HZ}.get(key), None
        if key == "commands.amplitude_query" and "commands.amplitude" in self._given:
            unit = Command(self._given["commands.amplitude"]).hole(AMPLITUDES)
            wanted = self._levels()[unit]
        if wanted is None:
            return
        digits = self._given.get(key.removeprefix("commands.").replace("_query", "_digits"))
        answer = self._session.query(line)
        if digits is not None and (match := compiled(digits).search(answer)):
            answer = match[1]
        result = self._session.number_of(answer, line)
        if not unit_in(answer):
            sends, hole = ("commands.frequency", "hz") if unit is None else ("commands.amplitude", unit)
            result *= Command(self._given[sends]).unit_of(hole) if sends in self._given else 1.0
        if not isclose(result, wanted, rel_tol=SAME_WITHIN):
            raise self._session.error(f"was set to {wanted:g} and reads back {result:g}", line)

    def _on_and_off(self, text: str) -> str:
        """Switch on, look, and switch off again, whatever befalls."""
        if "commands.output_off" not in self._given:
            raise self._session.error("is not switched on before the command that switches it off is known")
        result = self._sent(self._line("commands.output_on", text))
        try:
            query = self._given.get("commands.output_query")
            if query is not None:
                self._check_switched(query, on=True)
                result += "; it says that it is on"
            measure = self._given.get("commands.measure_voltage")
            if measure is not None:
                time.sleep(RISES_IN_S)
                result += f"; {measure!r} answers {self._session.query(measure)!r} then"
        finally:
            self._session.insist(self._off)
        return f"{result}; switched off again"

    def _off(self) -> None:
        for key in OFF:
            if key in self._given:
                none = {"mask": 0} if key == SET_ALL else {}
                self._session.write(self._line(key, self._given[key], **none))
                break
        query = self._given.get("commands.output_query")
        if query is not None:
            self._check_switched(query, on=False)

    def _check_switched(self, query: str, *, on: bool) -> None:
        """Ask whether the output is on, by what was given since the connection was made."""
        self._session.take_on_and_off(
            self._answer("on_answer"),
            self._answer("off_answer"),
            output_state=self._given.get("output_state"),
        )
        self._session.check_switched(self._line("commands.output_query", query), on=on)

    def _answer(self, key: str) -> ExpectedAnswer | None:
        return ExpectedAnswer.parse(self._given[key]) if key in self._given else None

    def _reopen(self, error: BenchError) -> None:
        """Make the session usable again after a failure; what its error queue held belongs to the error."""
        if self._session.dirty:
            for each in self._session.resync():
                error.add_note(f"its error queue: {each}")

    def _levels(self) -> dict[str, float]:
        names = ("output_impedance_ohm", "matched_load")
        generator = GeneratorProfile.model_construct(**{name: self._given[name] for name in names})
        return generator.amplitudes(max(LOW_VPP, float(self._given.get("amplitude_min_vpp", 0.0))))

    def _values(self, key: str) -> dict[str, Any]:
        """The numbers that a command is tried with: all small."""
        given = self._given
        first, of = (
            int(given.get("first_number", 1)),
            {"s": 0.0, "deg": 0.0, "x": 1.0, "hz": TONE_HZ, "mask": 1, "averages": AVERAGES},
        )
        result: dict[str, Any] = {"n": first, "channels": (first,), **of}
        if key == "commands.amplitude":
            return result | self._levels()
        if key == "commands.voltage":
            return result | volts(min(TRIED_V[0], float(given["voltage_max_v"])))
        if key == "commands.current":
            return result | amperes(min(TRIED_A, float(given["current_max_a"])))
        if self._role != "oscilloscope":
            return result | {"v": 0.0}
        return result | self._of_scope()

    def _of_scope(self) -> dict[str, Any]:
        given = self._given
        v_per_div = min(given["volts_per_division_v"], key=lambda each: abs(float(each) - V_PER_DIV))
        steps = given.get("seconds_per_division_s") or (S_PER_DIV,)
        s_per_div = float(min(steps, key=lambda each: abs(float(each) - S_PER_DIV)))
        points = int((given.get("record_lengths") or (min(POINTS, given["record_length_max"]),))[0])
        length_s, start = s_per_div * given["time_divisions"], int(given.get("first_sample", 1))
        middle = dict.fromkeys(("v", "minus_v", "div", "minus_div"), 0.0)
        return {
            **middle,
            "v_per_div": float(v_per_div),
            "v_range": float(v_per_div) * given["divisions"],
            "s_per_div": s_per_div,
            "s_range": length_s,
            "rate_hz": points / length_s,
            "points": points,
            "start": start,
            "stop": start + points - 1,
            "end": start + points,
            "count": points,
        }
