"""Whether a record is the one that was asked for, and which keys of the profile may be why it is not."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drivers.scope.oscilloscope_profile import OscilloscopeKeys
from drivers.scope.samples import Samples, by_input
from drivers.scope.scaling import RecordScale
from harness.roles import Capture, CaptureSetting, InputSetting

MOST_OVER = 1.01  # of the profile's longest record; a garbled count would be waited for, and made room for
RATE_WITHIN = 0.01  # some makers count the points of a record, some the intervals between them
# What all codes span, over the divisions on the screen: 1.00 to 1.28 in common instruments. Outside this a
# record was scaled by another setting than the one that was sent (another range, another probe factor).
SPAN_OVER_SCREEN = (0.8, 2.0)
ENDS_WITHIN = 0.5  # of a step: what the ends of the screen may differ by between records of one setting
MIDDLE_WITHIN = 0.5  # of a division: the middle code is the middle of the screen, which is the offset
LONGEST = 1.9  # of the length that was set, if the scope does not say how many points a record has
FAR_OFF_SCREEN = 4.0  # times the screen: volts that come as text and are that large are none
OTHER_ORDERS = {"inputs_in_turn": "inputs_interleaved", "inputs_interleaved": "inputs_in_turn"}
LENGTH = "time_divisions, record_lengths, scaling.points and scaling.interval_s or rate_hz"
RANGE = "scaling.scale, codes_per_division, sample_bits, code_min, code_max, commands.scale and probe"
ZERO = "scaling.reference, scaling.origin, scaling.formula, sample_signed and commands.offset"


@dataclass(frozen=True, kw_only=True)
class Unmet:
    """What a record should have been and isn't, and the keys of the profile that may be the reason."""

    wanted: str
    keys: str


class RecordCheck:
    """Compares scales and records with what was set, and with the records of the same setting before."""

    def __init__(self, profile: OscilloscopeKeys) -> None:
        self._profile = profile
        self._setting: CaptureSetting | None = None
        self._length_s = 0.0
        self._ends_v: dict[tuple[int, InputSetting], NDArray[np.float64]] = {}  # by input, as last scaled

    def expect(self, setting: CaptureSetting, length_s: float) -> None:
        """What the next record was asked to be; length_s: the time that its timebase gives it."""
        self._setting, self._length_s = setting, length_s

    def disbelieve(self) -> None:
        """Forget how the last record was scaled: it was not the one that was asked for."""
        for n, wanted in self._setting.inputs.items() if self._setting is not None else ():
            self._ends_v.pop((n, wanted), None)

    def unmet(self, n: int, scale: RecordScale, before: Sequence[RecordScale]) -> Unmet | None:
        """What the scale of input n should have been and isn't; before: of the inputs before it."""
        if self._setting is None:
            return None
        wanted = self._setting.inputs[n]
        of_range = self._range_unmet(scale, wanted) if self._profile.codes is not None else None
        return self._times_unmet(scale, self._setting, before) or of_range or self._unlike(n, scale, wanted)

    def record_unmet(self, capture: Capture, scales: Sequence[RecordScale]) -> Unmet | None:
        """What the record itself should have been and isn't, of what the scope does not say."""
        setting, points = self._setting or capture.setting, capture.volts.shape[1]
        if scales[0].points is None:
            known = replace(scales[0], points=points)
            short = self._times_unmet(known, setting, ())
            if short is not None:
                return short
            if points * capture.interval_s > LONGEST * self._length_s:
                found_s = points * capture.interval_s
                wanted = f"a record of about {self._length_s:g} s and not of {found_s:g} s"
                return Unmet(wanted=wanted, keys=f"sample_bits, answer_holds, {LENGTH}")
        if self._profile.codes is None:
            for row, n in enumerate(capture.inputs):
                far_v = FAR_OFF_SCREEN * capture.full_scale_v[row]
                if np.abs(capture.volts[row] - setting.inputs[n].offset_v).max() > far_v:
                    return Unmet(
                        wanted=f"volts on a screen of {capture.full_scale_v[row]:g} V", keys="samples"
                    )
        return None

    def _times_unmet(
        self, result: RecordScale, setting: CaptureSetting, before: Sequence[RecordScale]
    ) -> Unmet | None:
        fewest = min(setting.fewest_samples or setting.samples, setting.samples)
        asked_interval_s = setting.duration_s / fewest
        if before and (result.points, result.interval_s) != (before[0].points, before[0].interval_s):
            points = "as many" if before[0].points is None else before[0].points
            wanted = f"{points} samples at {before[0].interval_s:g} s, as in the same record before,"
            return Unmet(wanted=wanted, keys="")
        if result.interval_s > asked_interval_s * (1.0 + RATE_WITHIN):
            return Unmet(wanted=f"samples at {asked_interval_s:g} s or faster", keys=LENGTH)
        if result.points is None:
            return None
        if result.points < fewest:
            return Unmet(wanted=f"at least {fewest} samples", keys=LENGTH)
        if result.points > MOST_OVER * self._profile.record_length_max:
            wanted = f"at most {self._profile.record_length_max} samples"
            return Unmet(wanted=wanted, keys="record_length_max, scaling.points and sample_bits")
        if result.points * result.interval_s < setting.duration_s * (1.0 - RATE_WITHIN):
            return Unmet(wanted=f"at least {setting.duration_s:g} s", keys=LENGTH)
        return None

    def _range_unmet(self, result: RecordScale, wanted: InputSetting) -> Unmet | None:
        low, high = self._profile.codes or (0, 1)
        v_per_div = wanted.volts_per_division
        span = abs(result.step_v) * (high - low + 1) / (self._profile.divisions * v_per_div)
        if not SPAN_OVER_SCREEN[0] <= span <= SPAN_OVER_SCREEN[1]:
            text = f"a range of about {self._profile.divisions} divisions of {v_per_div:g} V"
            return Unmet(wanted=text, keys=RANGE)
        middle_v = float(result.volts(np.array([low, high])).mean())
        if abs(middle_v - wanted.offset_v) > MIDDLE_WITHIN * v_per_div + abs(result.step_v):
            text = f"{wanted.offset_v:g} V in the middle of the screen and not {middle_v:g} V"
            return Unmet(wanted=text, keys=ZERO)
        return None

    def _unlike(self, n: int, result: RecordScale, wanted: InputSetting) -> Unmet | None:
        """How this setting was scaled before, None if it is the same; if two differ, neither is believed."""
        if self._profile.codes is None:
            return None
        ends_v = result.volts(np.array(self._profile.codes))
        before_v = self._ends_v.setdefault((n, wanted), ends_v)
        if np.all(np.abs(ends_v - before_v) <= ENDS_WITHIN * abs(result.step_v)):
            return None
        del self._ends_v[n, wanted]  # which of the two is wrong is not known
        text = f"{before_v[0]:g} to {before_v[1]:g} V on the screen, as in a record of this setting before,"
        return Unmet(wanted=text, keys="")


def other_formats(records: Sequence[Samples], profile: OscilloscopeKeys) -> Mapping[str, list[Samples]]:
    """The samples of a record with one key of their format changed, by the key and its other value."""
    result = {}
    if profile.answer_holds in OTHER_ORDERS and len(records) > 1:
        order = OTHER_ORDERS[profile.answer_holds]
        in_turn = profile.answer_holds == "inputs_in_turn"
        flat = np.concatenate(records) if in_turn else np.stack(records, axis=1).reshape(-1)
        result[f'answer_holds = "{order}"'] = by_input(flat, len(records), interleaved=in_turn)
    if profile.samples != "binary":
        return result
    types = [record.dtype for record in records]
    other_sign = [np.dtype(f"{'u' if profile.sample_signed else 'i'}{kind.itemsize}") for kind in types]
    result[f"sample_signed = {str(not profile.sample_signed).lower()}"] = [
        record.view(sign.newbyteorder(kind.byteorder))
        for record, sign, kind in zip(records, other_sign, types, strict=True)
    ]
    if profile.sample_bits == 16:
        order = "little" if profile.byte_order == "big" else "big"
        result[f'byte_order = "{order}"'] = [record.view(record.dtype.newbyteorder()) for record in records]
    return result
