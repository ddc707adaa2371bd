"""The bench's own noise, range by range, as it is kept and taken off a unit's.

A scope's noise is another one on every range, so it is known only where it was recorded. A record is kept up
to 50 kHz alone, which is all that a noise reading needs of it.
"""

import base64
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from harness.arrays import Floats
from harness.measure.residuals import DITHERED_STEPS, density_above
from harness.roles import Capture, CaptureSetting, InputSetting

KEPT_HZ = 50e3
CODES = 32_000  # to either side, of what is kept


@dataclass(frozen=True, kw_only=True, eq=False)
class OwnNoise:
    """A record of the inputs with nothing on them that makes noise. Tuples and rows follow `inputs`.

    volts: (inputs, samples), up to 50 kHz. volts_per_division: the range of each. usable: whether an input
    was neither clipped nor too quiet for its quantiser. above_v2_hz: density of each pair's difference at the
    upper end of the record as it was taken.
    """

    inputs: tuple[int, ...]
    volts: Floats
    interval_s: float
    volts_per_division: tuple[float, ...]
    usable: tuple[bool, ...]
    above_v2_hz: tuple[float, ...]

    @classmethod
    def of(cls, capture: Capture) -> "OwnNoise":
        """Of a record as it was taken."""
        samples = capture.volts.shape[1]
        count = min(round(2 * KEPT_HZ * samples * capture.interval_s), samples)
        spectrum = np.fft.rfft(capture.volts, axis=1)[:, : count // 2 + 1]
        rms_v = capture.volts.std(axis=1)
        return cls(
            inputs=capture.inputs,
            volts=np.fft.irfft(spectrum, count, axis=1) * (count / samples),
            interval_s=capture.interval_s * samples / count,
            volts_per_division=tuple(capture.setting.inputs[n].volts_per_division for n in capture.inputs),
            usable=tuple(
                not clipped and bool(rms >= DITHERED_STEPS * step)
                for clipped, rms, step in zip(capture.clipped, rms_v, capture.step_v, strict=True)
            ),
            above_v2_hz=tuple(
                density_above(capture.volts[hot : hot + 2], capture.interval_s)
                for hot in range(0, len(capture.inputs), 2)
            ),
        )

    def serves(self, numbers: Sequence[int], volts_per_division: Sequence[float]) -> bool:
        """Whether it has these inputs on these ranges."""
        rows = [self.inputs.index(number) for number in numbers if number in self.inputs]
        return len(rows) == len(numbers) and all(
            self.usable[row] and abs(self.volts_per_division[row] / wanted - 1) < 1e-3
            for row, wanted in zip(rows, volts_per_division, strict=True)
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain values, samples as compressed 16-bit whole numbers."""
        scale = np.maximum(np.abs(self.volts).max(axis=1), 1e-12) / CODES
        codes = np.rint(self.volts / scale[:, None]).astype("<i2")
        return {
            "inputs": list(self.inputs),
            "codes": base64.b64encode(zlib.compress(codes.tobytes())).decode("ascii"),
            "code_v": scale.tolist(),
            "interval_s": self.interval_s,
            "volts_per_division": list(self.volts_per_division),
            "usable": list(self.usable),
            "above_v2_hz": list(self.above_v2_hz),
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> "OwnNoise":
        """Read back what `to_dict` returned, or the whole capture that an earlier version kept."""
        if "codes" not in stored:
            return cls.of(_capture(stored))
        codes = np.frombuffer(zlib.decompress(base64.b64decode(stored["codes"])), dtype="<i2")
        volts = codes.astype(np.float64).reshape(len(stored["inputs"]), -1)
        return cls(
            inputs=tuple(stored["inputs"]),
            volts=volts * np.asarray(stored["code_v"])[:, None],
            interval_s=stored["interval_s"],
            volts_per_division=tuple(stored["volts_per_division"]),
            usable=tuple(stored["usable"]),
            above_v2_hz=tuple(stored["above_v2_hz"]),
        )


def _capture(stored: Mapping[str, Any]) -> Capture:
    samples = zlib.decompress(base64.b64decode(stored["samples"]))
    volts = np.frombuffer(samples, dtype="<f4").astype(np.float64).reshape(len(stored["inputs"]), -1)
    ranges = zip(stored["inputs"], stored["volts_per_division"], strict=True)
    return Capture(
        inputs=tuple(stored["inputs"]),
        volts=volts,
        interval_s=stored["interval_s"],
        full_scale_v=tuple(stored["full_scale_v"]),
        step_v=tuple(stored["step_v"]),
        clipped=tuple(stored["clipped"]),
        setting=CaptureSetting(
            inputs={number: InputSetting(volts_per_division=volts) for number, volts in ranges},
            duration_s=volts.shape[1] * stored["interval_s"],
            samples=volts.shape[1],
        ),
    )
