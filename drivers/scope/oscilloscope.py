"""An oscilloscope by commands from a profile: it is set, it records, and its record becomes volts."""

import math
import re
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drivers.command import Command
from drivers.scope.oscilloscope_profile import OscilloscopeKeys
from drivers.scope.record_check import RecordCheck, other_formats
from drivers.scope.record_timing import SAME, record_timing
from drivers.scope.record_transfer import MARGIN_S, RecordReader
from drivers.scope.samples import Samples, clipped, step_of
from drivers.scope.scaling import RecordScale
from drivers.session import Session
from drivers.settings import Settings
from harness.errors import BadReply, BenchTimeout, InstrumentError
from harness.roles import Capture, CaptureSetting, InputSetting

OUT_OF_RANGE = re.compile(r"\s*-222\b")  # SCPI-1999 volume 2, 21.8.10
EXTERNAL = 0  # in place of an input's number: the external trigger input
UNREACHED = 0.49  # of the screen, from its middle: a level that no well-ranged signal gets to
UNTRIGGERED = 0.45  # of a record: what the automatic trigger leaves before it at least, less a margin
POLL_S = 0.02
# Of the screen: with noise of 1/20 of a division, a sine over a quarter of it scatters the trigger by 0.05
# radian, and its average is 0.01 dB less (closed form).
KEPT_TO = 0.25
BEGINNING = 256  # samples
COARSEST_STEP = 1.0 / 200.0  # of the screen: what 8 bits resolve at least, 25 codes a division
EDGE_STEPS = 1.5  # of the screen's edge: volts that come as text are clipped there


@dataclass(frozen=True, kw_only=True)
class FineMode:
    """How the scope makes its records finer, which those of a change of state are not.

    averages: how many records it takes for one; 1: it does not average. Records average to their signal only
    if each is triggered at the same phase of it.
    """

    high_resolution: bool = False
    averages: int = 1


PLAINLY = FineMode()
NO_SYNC = (
    "the record is not complete, and waits for the generator's sync: see whether its cable is in the "
    "external trigger input, and look at trigger_external and external_level_v of the profile"
)


@dataclass(frozen=True, kw_only=True)
class Armed:
    """An acquisition that was armed: its points and length as they were set, and when.

    length_s: of one record.
    """

    setting: CaptureSetting
    points: int
    length_s: float
    at_s: float  # of time.monotonic()


class ScpiOscilloscope:
    """The `Oscilloscope` of harness.roles. Scale, offset and record are at the probe's tip."""

    def __init__(
        self,
        session: Session,
        profile: OscilloscopeKeys,
        *,
        profile_name: str,
        probe: float = 1.0,
        fine: FineMode = PLAINLY,
    ) -> None:
        self._session, self._profile, self._probe = session, profile, probe
        self.fine = fine
        self._settings = Settings(session)
        commands = profile.commands
        # Of a probe that the scope can't be told of: then its volts are those behind the probe.
        self._factor = probe if commands.probe is None else 1.0
        self.input_count, self.divisions = profile.inputs, profile.divisions
        # To ground, at the probe's tip: a 10x probe has ten times the resistance of the input.
        self.input_impedance_ohm = profile.input_impedance_ohm * probe
        self.input_capacitance_f = profile.input_capacitance_f
        self._armed: Armed | None = None
        self._check = RecordCheck(profile)
        self._reader = RecordReader(session, profile, factor=self._factor, check=self._check.unmet)
        self._last_records: dict[int, Samples] = {}  # by input
        self._last: tuple[CaptureSetting, list[RecordScale], list[Samples]] | None = None
        self.identity = session.identity_of(profile_name)
        self.waits_for_trigger = commands.trigger_normal is not None and commands.trigger_force is not None
        if commands.reset is not None:
            session.write(commands.reset())
            time.sleep(profile.reset_s)
        self._prepare()
        self.volts_per_division = self._scales_taken()

    # -- setting -------------------------------------------------------------------------------------------

    def _scales_taken(self) -> tuple[float, ...]:
        """Of the profile's settings those that this instrument takes, for the probe in use.

        Instruments of one profile differ in their finest and coarsest setting, and say -222 beyond them.
        """
        scales = [float(f"{scale * self._probe:.12g}") for scale in self._profile.volts_per_division_v]
        with self._settings.changes():
            self._send("probe", self._profile.commands.probe, n=1, x=float(self._probe))
        refused = None
        for end in (0, -1):
            while scales:
                values: dict[str, float] = {"n": 1} | self._sensitivity(scales[end])
                command = self._profile.commands.scale(**values)
                self._session.write(command)
                errors = self._session.drain_errors()
                if errors and all(OUT_OF_RANGE.match(error) for error in errors):
                    self._session.write(command)  # a setting that is refused is refused every time
                    errors = self._session.drain_errors()
                if not errors:
                    break
                refused = f"reports {'; '.join(errors)}"
                if not all(OUT_OF_RANGE.match(error) for error in errors):
                    raise self._session.error(refused, command, InstrumentError)
                scales.pop(end)
        if not scales:
            raise self._session.error(f"{refused} for every volts per division of its profile")
        return tuple(scales)

    def _prepare(self) -> None:
        commands = self._profile.commands
        with self._settings.changes():
            for line in commands.init:
                self._session.write(line())
            if commands.stop is not None:
                self._session.write(commands.stop())
            self._send_type(PLAINLY)
            self._send("sweep", commands.trigger_auto)
            self._send("slope", commands.trigger_slope)
            self._send("format", commands.waveform_format)

    def _send(self, setting: str, command: Command | None, *, n: int = 0, **values: float) -> None:
        """Send the command that makes a setting, if the scope has one and this was not the last one sent."""
        if command is None:
            return
        try:
            message = command(n=n, **values)
        except ValueError as error:  # a number that is wider than its place
            raise self._session.error(f"the {setting} by its profile: {error}") from None
        self._settings.send(setting, message, n=n)

    def _timing(self, setting: CaptureSetting) -> tuple[float, int]:
        """Seconds per division, and points so that the rate is at least the one asked for."""
        if not (setting.duration_s > 0.0 and setting.samples > 0 and setting.inputs):
            raise self._session.error("a capture needs an input, a duration and samples above zero")
        try:
            return record_timing(self._profile, setting)
        except ValueError as error:
            raise self._session.error(f"{error}") from None

    def _set(
        self,
        setting: CaptureSetting,
        s_per_div: float,
        points: int,
        *,
        source: int,
        fine: FineMode,
        waits: bool = False,
    ) -> None:
        wanted_now = setting, s_per_div, points, source, fine, waits
        if self._settings.made == wanted_now:  # as most records are of one that was taken before
            return
        commands, send = self._profile.commands, self._send
        with self._settings.changes():
            for n in range(1, self._profile.inputs + 1):
                if n not in setting.inputs:
                    send("display", commands.display_off, n=n)
            for n, wanted in sorted(setting.inputs.items()):
                send("display", commands.display_on, n=n)
                send("coupling", commands.coupling_dc, n=n)
                send("probe", commands.probe, n=n, x=float(self._probe))
                scale = self._scale(n, wanted.volts_per_division)
                send("scale", commands.scale, n=n, **self._sensitivity(scale))
                middle = {"v": wanted.offset_v / self._factor, "div": wanted.offset_v / scale}
                # A position of the trace is the opposite of the volts in the middle.
                negated = {f"minus_{name}": -value for name, value in middle.items()}
                send("offset", commands.offset, n=n, **middle, **negated)
            length_s = s_per_div * self._profile.time_divisions
            rate_hz = points / length_s
            send(
                "timebase",
                commands.timebase_scale,
                s_per_div=s_per_div,
                s_range=length_s,
                rate_hz=rate_hz,
            )
            self._send_type(fine)
            send("position", commands.timebase_position, s=0.0)
            send("points", commands.acquire_points, points=points)
            self._send_trigger(setting, source, waits=waits)
        self._settings.made = wanted_now

    def _send_trigger(self, setting: CaptureSetting, source: int, *, waits: bool) -> None:
        """Select what starts a record: an input, the computer, or the generator's sync and nothing else."""
        commands, send = self._profile.commands, self._send
        if source == EXTERNAL:
            if commands.trigger_external is None:
                raise self._session.error("its profile has no command `trigger_external`")
            send("source", commands.trigger_external)
            send("sweep", commands.trigger_normal)
            level = commands.trigger_external_level or commands.trigger_level
            self._settings.forget_one("level")  # a scope may have one for each source
            send("level", level, v=float(self._profile.external_level_v))
            self._settings.forget_one("level")
            return
        if commands.trigger_source is not None:
            self._settings.send("source", commands.trigger_source(n=source))
        level_v = setting.inputs[source].offset_v
        if waits and commands.trigger_normal is not None:
            level_v += UNREACHED * self._profile.divisions * setting.inputs[source].volts_per_division
            send("sweep", commands.trigger_normal)
        else:
            send("sweep", commands.trigger_auto)
        send("level", commands.trigger_level, v=float(level_v) / self._factor)

    def _send_type(self, fine: FineMode) -> None:
        """Select how records are acquired. Raises BenchError for a mode that the profile lacks."""
        commands = self._profile.commands
        if fine.averages > 1 and commands.average is not None:
            self._send("type", commands.average, averages=fine.averages)
            self._send("averages", commands.average_count, averages=fine.averages)
        elif fine.high_resolution and commands.high_resolution is not None:
            self._send("type", commands.high_resolution)
        elif fine == PLAINLY:
            self._send("type", commands.acquire_type)
        else:
            raise self._session.error("its profile has no command for high_resolution or averages")

    def _sensitivity(self, scale: float) -> dict[str, float]:
        """What a command for the scale may take: volts per division, or of the whole screen."""
        return {"v_per_div": scale / self._factor, "v_range": scale / self._factor * self.divisions}

    def _scale(self, n: int, volts_per_division: float) -> float:
        if not 1 <= n <= self._profile.inputs:
            raise self._session.error(f"has inputs 1 to {self._profile.inputs}, and input {n} is asked for")
        for scale in self.volts_per_division:
            if math.isclose(scale, volts_per_division, rel_tol=SAME):
                return scale
        settings = ", ".join(f"{scale:g}" for scale in self.volts_per_division)
        raise self._session.error(f"has {settings} V a division, asked for {volts_per_division:g}")

    # -- recording -----------------------------------------------------------------------------------------

    def capture(self, setting: CaptureSetting, meanwhile: Callable[[], None] | None = None) -> Capture:
        """One acquisition of all inputs asked for: volts, float64, shape (inputs, samples), inputs ascending.

        The record may be longer than asked, where the timebase has steps; it is never shorter, and has fewer
        samples only where the setting allows that and the scope has no longer record.
        Without a command for the offset the record has none, and the capture's setting says so.
        meanwhile: done while the instrument records; what it raises goes up as it is.
        An average is taken only after a plain record has shown an input whose signal can trigger it, and is
        not believed if that signal is not in it: then the plain record counts.
        Raises BenchError for what the profile doesn't have, BadReply if preamble, block and request
        don't agree.
        """
        with self._whole():
            armed = self._arm(setting, fine=replace(self.fine, averages=1))
            if meanwhile is not None:
                meanwhile()
            try:
                self._wait(armed.length_s, since_s=armed.at_s)
            except BenchTimeout as error:
                if not setting.from_sync:
                    raise
                raise self._session.error(NO_SYNC, self._profile.commands.single(), BenchTimeout) from error
            plain = self._records(armed)
            source = self._triggering(plain) if self.fine.averages > 1 else None
            if source is None:
                return plain
            armed = self._arm(setting, fine=self.fine, source=source)
            self._wait(self.fine.averages * armed.length_s, since_s=armed.at_s)
            average = self._records(armed)
            return plain if self._triggering(average) is None else average

    def _triggering(self, capture: Capture) -> int | None:
        """The input whose signal fills most of its screen, if all records of an average can trigger on it.

        Of noise, which fades as it is averaged, and of a weak signal in noise the instants scatter, and what
        the other inputs show fades with them.
        """
        filled = np.ptp(capture.volts, axis=1) / np.array(capture.full_scale_v)
        return capture.inputs[int(filled.argmax())] if filled.max() >= KEPT_TO else None

    def begin(self, setting: CaptureSetting) -> float:
        """Arm an acquisition and let it wait; returns the seconds after which its beginning is full.

        With the profile's `trigger_force` nothing but the computer triggers it (the level is at the screen's
        edge). Without, the automatic trigger does, at some instant after the beginning is full: then less
        than half of the record is waited for, so that what is done next lies in it.
        """
        with self._whole():
            waits = self.waits_for_trigger
            self._armed = self._arm(setting, waits=waits, fine=PLAINLY, source=min(setting.inputs))
        return self._armed.length_s * (0.5 if waits else UNTRIGGERED)

    def trigger(self, meanwhile: Callable[[], None] | None = None) -> None:
        """Trigger what `begin` armed, and wait until its record is complete; meanwhile do something else."""
        commands = self._profile.commands
        if self._armed is None:
            raise self._session.error("no acquisition was begun")
        length_s, since_s = self._armed.length_s, self._armed.at_s
        with self._whole():
            if commands.trigger_force is not None and commands.trigger_normal is not None:
                self._session.write(commands.trigger_force())
                length_s, since_s = length_s / 2, time.monotonic()
            if meanwhile is not None:
                meanwhile()
            self._wait(length_s, since_s=since_s)

    def complete(self) -> Capture:
        """The record that `begin` armed and `trigger` completed."""
        if self._armed is None:
            raise self._session.error("no acquisition was begun")
        armed, self._armed = self._armed, None
        with self._whole():
            return self._records(armed)

    def _arm(
        self, setting: CaptureSetting, *, fine: FineMode, source: int | None = None, waits: bool = False
    ) -> Armed:
        """source: the input that triggers; None: that of which most is expected."""
        if self._profile.commands.offset is None:
            inputs = {n: replace(wanted, offset_v=0.0) for n, wanted in setting.inputs.items()}
            setting = replace(setting, inputs=inputs)
        s_per_div, points = self._timing(setting)
        if setting.from_sync:
            source = EXTERNAL
        elif source is None:  # one without a signal waits for the automatic trigger
            source = max(sorted(setting.inputs), key=lambda n: setting.inputs[n].volts_per_division)
        self._set(setting, s_per_div, points, source=source, fine=fine, waits=waits)
        self._session.write(self._profile.commands.single())
        return Armed(
            setting=setting,
            points=points,
            length_s=s_per_div * self._profile.time_divisions,
            at_s=time.monotonic(),
        )

    @contextmanager
    def _whole(self) -> Iterator[None]:
        """After a failure, and on a link that was reopened, no setting is taken for known."""
        if self._session.dirty:
            self._settings.forget()
        try:
            yield
        except BaseException:
            self._settings.forget()
            self._armed = None
            raise

    def _wait(self, length_s: float, *, since_s: float) -> None:
        """Wait until the record is complete, which takes `length_s` at least."""
        query, done = self._profile.commands.complete_query, self._profile.complete_answer
        if query is not None and done is None:
            answer = self._session.query(query(), timeout_s=length_s + MARGIN_S)
            if answer.strip() not in ("1", "+1"):
                raise self._session.bad_reply("1 when the record is complete", answer, query())
            return
        # A scope that is asked too early says "stopped" of the record before.
        least_s = length_s + (self._profile.complete_after_s or 0.0)
        time.sleep(max(0.0, since_s + least_s - time.monotonic()))
        deadline = time.monotonic() + MARGIN_S
        while query is not None and done is not None:
            answer = self._session.query(query())
            if done.matches(answer):
                return
            if time.monotonic() > deadline:
                what = (
                    f"its record is not complete: answers {answer!r}, where complete_answer is {done.text!r}"
                )
                raise self._session.error(what, query(), BenchTimeout)
            time.sleep(POLL_S)

    # -- reading -------------------------------------------------------------------------------------------

    def _records(self, armed: Armed) -> Capture:
        setting, inputs = armed.setting, tuple(sorted(armed.setting.inputs))
        self._send("waveform_points", self._profile.commands.waveform_points, points=armed.points)
        self._check.expect(setting, armed.length_s)
        scales, records = self._reader.read(inputs, armed.points)
        self._session.check_errors((self._reader.data_query(inputs[0]),))
        self._refuse_stale(inputs, records)
        self._last = setting, scales, records
        capture = self._captured(setting, scales, records)
        unmet = self._check.record_unmet(capture, scales)
        if unmet is not None:
            raise self._reader.refused(unmet, inputs[0])
        return capture

    def _captured(
        self, setting: CaptureSetting, scales: Sequence[RecordScale], records: Sequence[Samples]
    ) -> Capture:
        inputs = tuple(sorted(setting.inputs))
        volts = np.empty((len(inputs), records[0].size))
        for row, (raw, scale) in enumerate(zip(records, scales, strict=True)):
            scale.volts(raw, out=volts[row])
        wanted = [setting.inputs[n] for n in inputs]
        ends, screens_v = self._profile.codes, [self.divisions * each.volts_per_division for each in wanted]
        if ends is not None:
            steps_v = [abs(scale.step_v) for scale in scales]
            beyond = [clipped(raw, ends) for raw in records]
        else:
            steps_v = [
                step_of(row, at_most=COARSEST_STEP * screen)
                for row, screen in zip(volts, screens_v, strict=True)
            ]
            beyond = [
                _at_edge(row, each, screen / 2 - EDGE_STEPS * step)
                for row, each, screen, step in zip(volts, wanted, screens_v, steps_v, strict=True)
            ]
        origin_s, interval_s = scales[0].x_origin_s, scales[0].interval_s
        return Capture(
            inputs=inputs,
            volts=volts,
            interval_s=interval_s,
            full_scale_v=tuple(screens_v),
            step_v=tuple(steps_v),
            clipped=tuple(beyond),
            setting=replace(setting, fewest_samples=0, from_sync=False),
            trigger_within_s=self._trigger_within_s(interval_s) if setting.from_sync else 0.0,
            origin_s=-0.5 * volts.shape[1] * interval_s if origin_s is None else origin_s,
        )

    def _trigger_within_s(self, interval_s: float) -> float:
        jitter_s = self._profile.trigger_jitter_s
        return interval_s if jitter_s is None else jitter_s

    def other_readings(self) -> Mapping[str, Capture]:
        """The last record as it would be with one key of its sample format changed, by that key."""
        if self._last is None:
            return {}
        setting, scales, records = self._last
        return {
            key: self._captured(setting, scales, other)
            for key, other in other_formats(records, self._profile).items()
        }

    def _refuse_stale(self, inputs: tuple[int, ...], records: Sequence[Samples]) -> None:
        """Noise makes no two records alike: one with every sample of its input's last record is that record.

        What doesn't move or leaves the screen all the time has no noise to show, and is taken as it is. The
        first record of a session has none before it.
        """
        for number, raw in zip(inputs, records, strict=True):
            last, self._last_records[number] = self._last_records.get(number), raw
            if _same(raw, last) and not _silent(raw, self._profile.codes):
                self._session.dirty = True
                self._check.disbelieve()
                raise self._session.error(
                    f"sent the last record of input {number} once more: every sample is the same",
                    self._reader.data_query(number),
                    BadReply,
                )

    def prepare(self) -> None:
        """Stop, and send every setting again."""
        self._settings.forget()
        self._prepare()

    def recover(self) -> None:
        """After a failure: reopen, the same identity, stopped, and every setting to be sent again."""
        self._session.resync()
        self.prepare()


def _same(raw: Samples, last: Samples | None) -> bool:
    """Whether two records are alike; their beginnings mostly tell that they are not."""
    if last is None or not np.array_equal(raw[:BEGINNING], last[:BEGINNING]):
        return False
    return np.array_equal(raw, last)


def _silent(raw: Samples, ends: tuple[int, int] | None) -> bool:
    """Whether a record shows no noise: one value, or the ends of the screen alone."""
    return bool(raw.min() == raw.max() or (ends is not None and np.isin(raw, ends).all()))


def _at_edge(volts: NDArray[np.float64], wanted: InputSetting, from_v: float) -> int:
    return int(np.count_nonzero(np.abs(volts - wanted.offset_v) >= from_v))
