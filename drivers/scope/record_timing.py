"""Which timebase and record length of a scope serve a record that is wanted."""

import bisect
import math

from drivers.scope.oscilloscope_profile import OscilloscopeKeys
from harness.roles import CaptureSetting

SAME = 1e-6  # relative: two numbers that were written with a few digits less


def record_timing(keys: OscilloscopeKeys, setting: CaptureSetting) -> tuple[float, int]:
    """Seconds per division and points, so that record and rate are at least those asked for.

    Where that is more than the scope records, the longest record is taken, if it has the fewest samples that
    serve. Raises ValueError that says what the scope lacks.
    """
    wanted_s = setting.duration_s / keys.time_divisions
    s_per_div = wanted_s
    if keys.seconds_per_division_s:
        steps = keys.seconds_per_division_s
        index = bisect.bisect_left(steps, wanted_s * (1.0 - SAME))
        if index == len(steps):
            raise ValueError(
                f"records {keys.time_divisions * steps[-1]:g} s at most, asked for {setting.duration_s:g} s"
            )
        s_per_div = steps[index]
    longer = s_per_div / wanted_s
    longest = keys.record_lengths[-1] if keys.record_lengths else keys.record_length_max
    points = _points(setting.samples, longer)
    if points > longest:
        fewest = setting.fewest_samples or setting.samples
        points = _points(fewest, longer)
        if points > longest:
            raise ValueError(
                f"records {longest} samples at most, asked for {fewest} in "
                f"{setting.duration_s:g} s ({points} at {s_per_div:g} s a division)"
            )
        points = longest
    if keys.record_lengths:
        points = keys.record_lengths[bisect.bisect_left(keys.record_lengths, points)]
    elif keys.commands.acquire_points is None:
        points = keys.record_length_max  # as many as the scope takes, which it says itself
    return s_per_div, points


def _points(samples: int, longer: float) -> int:
    return max(samples, math.ceil(round(samples * longer, 6)))
