"""An oscilloscope by SCPI commands from a profile: ten-field preambles and blocks of unsigned bytes."""

import bisect
import hashlib
import math
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.profile import OscilloscopeProfile
from drivers.session import Session, Settings
from harness.errors import BadReply
from harness.roles import Capture, CaptureSetting, InputSetting

MARGIN_S = 5.0  # for arming, an automatic trigger, and the instrument's own thinking
SLOWEST_BYTES_PER_S = 50e3
OUT_OF_RANGE = re.compile(r"\s*-222\b")  # SCPI-1999 volume 2, 21.8.10
SAME = 1e-6  # relative: two numbers that were written with a few digits less
MOST_OVER = 1.01  # of the profile's longest record; a garbled count would be waited for, and made room for
RATE_WITHIN = 0.01  # some makers count the points of a record, some the intervals between them
CODES = 256
UNREACHED = 0.49  # of the screen, from its middle: a level that no well-ranged signal gets to
UNTRIGGERED = 0.45  # of a record: what the automatic trigger leaves before it at least, less a margin
# What all codes span, over the divisions on the screen: 1.00 to 1.28 in common instruments. Outside this a
# record was scaled by another setting than the one that was sent (another range, another probe factor).
SPAN_OVER_SCREEN = (0.8, 2.0)
ENDS = np.array([0, CODES - 1], dtype=np.uint8)
FIELDS = 10  # of a preamble
ENDS_WITHIN = 0.5  # of a step: what the ends of the screen may differ by between records of one setting


@dataclass(frozen=True, kw_only=True)
class Preamble:
    """How the codes of one record are scaled. Increments are per code and per sample."""

    points: int
    x_increment_s: float
    y_increment_v: float
    y_origin: float  # volts, or counts where the profile says so
    y_reference: float
    x_origin_s: float  # of the first sample, from the trigger


def parse_preamble(text: str) -> Preamble:
    """Read `format, type, points, count, x increment, x origin, x reference, y increment, y origin, y
    reference`.

    Raises ValueError if it has another number of fields, or one that is no usable number.
    """
    fields = text.split(",")
    if len(fields) != FIELDS:
        raise ValueError(f"{FIELDS} fields")
    numbers = [float(field) for field in fields]
    if not all(math.isfinite(number) for number in numbers):
        raise ValueError("numbers that are finite")
    preamble = Preamble(
        points=int(numbers[2]),
        x_increment_s=numbers[4],
        y_increment_v=numbers[7],
        y_origin=numbers[8],
        y_reference=numbers[9],
        x_origin_s=numbers[5] - numbers[6] * numbers[4],
    )
    if preamble.points != numbers[2] or preamble.points < 1:
        raise ValueError("a whole number of points")
    if not (preamble.x_increment_s > 0.0 and preamble.y_increment_v > 0.0):
        raise ValueError("increments above zero")
    return preamble


def to_volts(raw: NDArray[np.uint8], preamble: Preamble, *, origin_in_counts: bool) -> NDArray[np.float64]:
    """Volts of unsigned codes, float64, same shape.

    `(raw - y_reference) * y_increment + y_origin`, and `(raw - y_origin - y_reference) * y_increment` where
    the origin is in counts. In float64 throughout: in unsigned arithmetic what lies below the reference
    would wrap.
    """
    if origin_in_counts:
        return (raw.astype(np.float64) - preamble.y_origin - preamble.y_reference) * preamble.y_increment_v
    return (raw.astype(np.float64) - preamble.y_reference) * preamble.y_increment_v + preamble.y_origin


def clipped(raw: NDArray[np.uint8]) -> int:
    """How many samples are at the first or the last code."""
    return int(np.count_nonzero(raw == 0) + np.count_nonzero(raw == 255))


class PreambleOscilloscope:
    """The `Oscilloscope` of harness.roles. Scale, offset and record are at the probe's tip."""

    def __init__(
        self, session: Session, profile: OscilloscopeProfile, *, profile_name: str, probe: float = 1.0
    ) -> None:
        self._session, self._profile, self._probe = session, profile, probe
        self._settings = Settings(session)
        self.input_count, self.divisions = profile.inputs, profile.divisions
        # To ground, at the probe's tip: a 10x probe has ten times the resistance of the input.
        self.input_impedance_ohm = profile.input_impedance_ohm * probe
        self.input_capacitance_f = profile.input_capacitance_f
        self._armed: tuple[CaptureSetting, int, float] | None = None  # its points and length
        self._ends_v: dict[tuple[int, InputSetting], NDArray[np.float64]] = {}  # by input, as last scaled
        self._last_records: dict[int, bytes] = {}  # digests, by input
        self.identity = session.identity_of(profile_name)
        commands = profile.commands
        self.waits_for_trigger = commands.trigger_normal is not None and commands.trigger_force is not None
        self._prepare()
        self.volts_per_division = self._scales_taken()

    def _scales_taken(self) -> tuple[float, ...]:
        """Of the profile's settings those that this instrument takes, for the probe in use.

        Instruments of one profile differ in their finest and coarsest setting, and say -222 beyond them.
        """
        commands = self._profile.commands
        scales = [float(f"{scale * self._probe:.12g}") for scale in self._profile.volts_per_division_v]
        with self._settings.changes():
            self._settings.send("probe", commands.probe(n=1, x=float(self._probe)), n=1)
        refused = None
        for end in (0, -1):
            while scales:
                command = commands.scale(n=1, v_per_div=scales[end])
                self._session.write(command)
                errors = self._session.drain_errors()
                if not errors:
                    break
                refused = f"reports {'; '.join(errors)}"
                if not all(OUT_OF_RANGE.match(error) for error in errors):
                    raise self._session.error(refused, command)
                scales.pop(end)
        if not scales:
            raise self._session.error(f"{refused} for every volts per division of its profile")
        return tuple(scales)

    def _prepare(self) -> None:
        commands = self._profile.commands
        with self._settings.changes():
            self._session.write(commands.stop())
            self._settings.send("type", commands.acquire_type())
            self._settings.send("sweep", commands.trigger_auto())
            self._settings.send("slope", commands.trigger_slope())
            self._settings.send("format", commands.waveform_format())

    def capture(self, setting: CaptureSetting, meanwhile: Callable[[], None] | None = None) -> Capture:
        """One acquisition of all inputs asked for: volts, float64, shape (inputs, samples), inputs ascending.

        The record may be longer than asked, where the timebase has steps; it is never shorter or slower.
        meanwhile: done while the instrument records; what it raises goes up as it is.
        Raises BenchError for what the profile doesn't have, BadReply if preamble, block and request
        don't agree.
        """
        with self._whole():
            s_per_div, points = self._timing(setting)
            self._set(setting, s_per_div, points)
            self._session.write(self._profile.commands.single())
            if meanwhile is not None:
                meanwhile()
            self._wait(s_per_div * self._profile.time_divisions)
            return self._records(setting, points)

    def begin(self, setting: CaptureSetting) -> float:
        """Arm an acquisition and let it wait; returns the seconds after which its beginning is full.

        With the profile's `trigger_force` nothing but the computer triggers it (the level is at the screen's
        edge). Without, the automatic trigger does, at some instant after the beginning is full: then less
        than half of the record is waited for, so that what is done next lies in it.
        """
        commands = self._profile.commands
        with self._whole():
            s_per_div, points = self._timing(setting)
            length_s = s_per_div * self._profile.time_divisions
            waits = self.waits_for_trigger
            self._set(setting, s_per_div, points, waits=waits)
            self._armed = (setting, points, length_s)
            self._session.write(commands.single())
        return length_s / 2 if waits else UNTRIGGERED * length_s

    def trigger(self) -> None:
        """Trigger what `begin` armed, and wait until its record is complete."""
        commands = self._profile.commands
        if self._armed is None:
            raise self._session.error("no acquisition was begun")
        with self._whole():
            if commands.trigger_force is not None and commands.trigger_normal is not None:
                self._session.write(commands.trigger_force())
            self._wait(self._armed[2])

    def complete(self) -> Capture:
        """The record that `begin` armed and `trigger` completed."""
        if self._armed is None:
            raise self._session.error("no acquisition was begun")
        setting, points, _ = self._armed
        self._armed = None
        with self._whole():
            return self._records(setting, points)

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

    def _records(self, setting: CaptureSetting, points: int) -> Capture:
        inputs = tuple(sorted(setting.inputs))
        preambles: list[Preamble] = []
        records: list[NDArray[np.uint8]] = []
        self._settings.send("waveform_points", self._profile.commands.waveform_points(points=points))
        for n in inputs:
            preamble, raw = self._record(n, setting, preambles)
            preambles.append(preamble)
            records.append(raw)
        self._session.check_errors((self._profile.commands.data_query(),))
        self._refuse_stale(inputs, records)
        divisions = self._profile.divisions
        return Capture(
            inputs=inputs,
            volts=np.stack([self._volts(raw, own) for raw, own in zip(records, preambles, strict=True)]),
            interval_s=preambles[0].x_increment_s,
            full_scale_v=tuple(divisions * setting.inputs[n].volts_per_division for n in inputs),
            step_v=tuple(preamble.y_increment_v for preamble in preambles),
            clipped=tuple(map(clipped, records)),
            setting=setting,
            origin_s=preambles[0].x_origin_s,
        )

    def _refuse_stale(self, inputs: tuple[int, ...], records: list[NDArray[np.uint8]]) -> None:
        """Noise makes no two records alike: one with every sample of its input's last record is that record.

        What doesn't move or leaves the screen all the time has no noise to show, and is taken as it is. The
        first record of a session has none before it.
        """
        for number, raw in zip(inputs, records, strict=True):
            digest = hashlib.blake2b(raw.tobytes()).digest()
            last, self._last_records[number] = self._last_records.get(number), digest
            silent = raw.min() == raw.max() or np.isin(raw, ENDS).all()
            if digest == last and not silent:
                self._session.dirty = True
                raise self._session.error(
                    f"sent the last record of input {number} once more: every sample is the same",
                    self._profile.commands.data_query(),
                    BadReply,
                )

    def _volts(self, raw: NDArray[np.uint8], preamble: Preamble) -> NDArray[np.float64]:
        return to_volts(raw, preamble, origin_in_counts=self._profile.origin_in_counts)

    def _timing(self, setting: CaptureSetting) -> tuple[float, int]:
        """Seconds per division, and points so that the rate is at least the one asked for."""
        profile = self._profile
        if not (setting.duration_s > 0.0 and setting.samples > 0 and setting.inputs):
            raise self._session.error("a capture needs an input, a duration and samples above zero")
        wanted_s = setting.duration_s / profile.time_divisions
        s_per_div = wanted_s
        if profile.seconds_per_division_s:
            steps = profile.seconds_per_division_s
            index = bisect.bisect_left(steps, wanted_s * (1.0 - SAME))
            if index == len(steps):
                raise self._session.error(
                    f"records {profile.time_divisions * steps[-1]:g} s at most, "
                    f"asked for {setting.duration_s:g} s"
                )
            s_per_div = steps[index]
        points = max(setting.samples, math.ceil(round(setting.samples * s_per_div / wanted_s, 6)))
        longest = min(profile.record_length_max, *profile.record_lengths[-1:] or (profile.record_length_max,))
        if points > longest:
            raise self._session.error(
                f"records {longest} samples at most, asked for {setting.samples} in {setting.duration_s:g} s "
                f"({points} at {s_per_div:g} s a division)"
            )
        if profile.record_lengths:
            points = profile.record_lengths[bisect.bisect_left(profile.record_lengths, points)]
        return s_per_div, points

    def _set(self, setting: CaptureSetting, s_per_div: float, points: int, *, waits: bool = False) -> None:
        commands, send = self._profile.commands, self._settings.send
        source = min(setting.inputs)
        if not waits:  # on the input that most is expected of: one without a signal waits for the automatic
            source = max(sorted(setting.inputs), key=lambda n: setting.inputs[n].volts_per_division)
        with self._settings.changes():
            for n in range(1, self._profile.inputs + 1):
                if n not in setting.inputs:
                    send("display", commands.display_off(n=n), n=n)
            for n, wanted in sorted(setting.inputs.items()):
                send("display", commands.display_on(n=n), n=n)
                send("coupling", commands.coupling_dc(n=n), n=n)
                send("probe", commands.probe(n=n, x=float(self._probe)), n=n)
                scale = self._scale(n, wanted.volts_per_division)
                send("scale", commands.scale(n=n, v_per_div=scale), n=n)
                send("offset", commands.offset(n=n, v=float(wanted.offset_v)), n=n)
            send("timebase", commands.timebase_scale(s_per_div=s_per_div))
            send("position", commands.timebase_position(s=0.0))
            send("points", commands.acquire_points(points=points))
            send("source", commands.trigger_source(n=source))
            level_v = setting.inputs[source].offset_v
            if waits and commands.trigger_normal is not None:
                level_v += UNREACHED * self._profile.divisions * setting.inputs[source].volts_per_division
                send("sweep", commands.trigger_normal())
            else:
                send("sweep", commands.trigger_auto())
            send("level", commands.trigger_level(v=float(level_v)))

    def _scale(self, n: int, volts_per_division: float) -> float:
        if not 1 <= n <= self._profile.inputs:
            raise self._session.error(f"has inputs 1 to {self._profile.inputs}, and input {n} is asked for")
        for scale in self.volts_per_division:
            if math.isclose(scale, volts_per_division, rel_tol=SAME):
                return scale
        settings = ", ".join(f"{scale:g}" for scale in self.volts_per_division)
        raise self._session.error(f"has {settings} V a division, asked for {volts_per_division:g}")

    def _wait(self, duration_s: float) -> None:
        commands = self._profile.commands
        answer = self._session.query(commands.complete_query(), timeout_s=duration_s + MARGIN_S)
        if answer.strip() not in ("1", "+1"):
            raise self._session.bad_reply("1 when the record is complete", answer, commands.complete_query())

    def _record(
        self, n: int, setting: CaptureSetting, others: list[Preamble]
    ) -> tuple[Preamble, NDArray[np.uint8]]:
        commands = self._profile.commands
        self._session.write(commands.waveform_source(n=n))
        answer = self._session.query(commands.preamble_query())
        try:
            preamble = parse_preamble(answer)
        except ValueError as error:
            raise self._session.bad_reply(f"{error} in", answer, commands.preamble_query()) from None
        wanted = self._unmet(preamble, n, setting, others) or self._unlike(preamble, n, setting)
        if wanted:
            raise self._session.bad_reply(f"{wanted} from input {n}", answer, commands.preamble_query())
        block = self._session.query_block(
            commands.data_query(),
            expected=preamble.points,
            timeout_s=MARGIN_S + preamble.points / SLOWEST_BYTES_PER_S,
            terminated=self._profile.block_terminated,
        )
        return preamble, np.frombuffer(block, dtype=np.uint8)

    def _unmet(self, result: Preamble, n: int, setting: CaptureSetting, others: list[Preamble]) -> str:
        """What the record should have been and isn't, "" if it is right."""
        asked_interval_s = setting.duration_s / setting.samples
        v_per_div = setting.inputs[n].volts_per_division
        span = result.y_increment_v * CODES / (self._profile.divisions * v_per_div)
        low, high = SPAN_OVER_SCREEN
        if others and (result.points, result.x_increment_s) != (others[0].points, others[0].x_increment_s):
            return (
                f"{others[0].points} samples at {others[0].x_increment_s:g} s, as in the same record before,"
            )
        if result.points < setting.samples:
            return f"at least {setting.samples} samples"
        if result.points > MOST_OVER * self._profile.record_length_max:
            return f"at most {self._profile.record_length_max} samples"
        if result.x_increment_s > asked_interval_s * (1.0 + RATE_WITHIN):
            return f"samples at {asked_interval_s:g} s or faster"
        if result.points * result.x_increment_s < setting.duration_s * (1.0 - RATE_WITHIN):
            return f"at least {setting.duration_s:g} s"
        if not low <= span <= high:
            return f"a range of about {self._profile.divisions} divisions of {v_per_div:g} V"
        return ""

    def _unlike(self, result: Preamble, n: int, setting: CaptureSetting) -> str:
        """How this setting was scaled before, "" if it is the same; if two differ, neither is believed."""
        key = (n, setting.inputs[n])
        ends_v = self._volts(ENDS, result)
        before_v = self._ends_v.setdefault(key, ends_v)
        if np.all(np.abs(ends_v - before_v) <= ENDS_WITHIN * result.y_increment_v):
            return ""
        del self._ends_v[key]  # which of the two is wrong is not known
        return f"{before_v[0]:g} to {before_v[1]:g} V on the screen, as in a record of this setting before,"

    def recover(self) -> None:
        """After a failure: reopen, the same identity, stopped, and every setting to be sent again."""
        self._session.resync()
        self._settings.forget()
        self._prepare()
