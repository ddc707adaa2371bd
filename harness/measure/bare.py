"""What a bench shows by itself in the through hookup: noise, and the harmonics of each tone.

A unit's noise and distortion are what is left when this is taken off. It is kept with a through reference,
the noise as a record of samples, so that a later run treats it just as a record of its own.
"""

import base64
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from harness.measure.distortion import Harmonics, measure_harmonics
from harness.measure.noise import BandPower
from harness.measure.tones import Stimulus
from harness.roles import Capture, CaptureSetting, InputSetting

Key = tuple[float, float, int]  # Hz asked for, V RMS, the pair's place in the view


@dataclass(frozen=True, kw_only=True, eq=False)
class Bare:
    """noise: a record of all inputs with the sources idle, None where there is none."""

    noise: Capture | None = None
    harmonics: Mapping[Key, Harmonics] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, strings, lists and dicts, for the records; samples as compressed 32-bit floats."""
        return {
            "noise": None if self.noise is None else _capture_to_dict(self.noise),
            "harmonics": [
                {"tone": list(key), **_harmonics_to_dict(found)} for key, found in self.harmonics.items()
            ],
        }

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any]) -> "Bare":
        """Read back what `to_dict` gave."""
        return cls(
            noise=None if kept["noise"] is None else _capture_from_dict(kept["noise"]),
            harmonics={
                (float(one["tone"][0]), float(one["tone"][1]), int(one["tone"][2])): _harmonics_from_dict(one)
                for one in kept["harmonics"]
            },
        )


NOTHING_BARE = Bare()


def harmonics_of(capture: Capture, rows: tuple[int, int], stimulus: Stimulus) -> Harmonics:
    """The tone and its harmonics in a pair's record."""
    return measure_harmonics(
        capture.volts[list(rows)],
        capture.interval_s,
        stimulus.tones.hot_hz,
        step_v=(capture.step_v[rows[0]], capture.step_v[rows[1]]),
    )


def _capture_to_dict(capture: Capture) -> dict[str, Any]:
    samples = np.ascontiguousarray(capture.volts, dtype="<f4").tobytes()
    return {
        "inputs": list(capture.inputs),
        "samples": base64.b64encode(zlib.compress(samples)).decode("ascii"),
        "interval_s": capture.interval_s,
        "full_scale_v": list(capture.full_scale_v),
        "step_v": list(capture.step_v),
        "clipped": list(capture.clipped),
        "volts_per_division": [capture.setting.inputs[n].volts_per_division for n in capture.inputs],
    }


def _capture_from_dict(kept: Mapping[str, Any]) -> Capture:
    samples = zlib.decompress(base64.b64decode(kept["samples"]))
    volts = np.frombuffer(samples, dtype="<f4").astype(np.float64).reshape(len(kept["inputs"]), -1)
    ranges = zip(kept["inputs"], kept["volts_per_division"], strict=True)
    return Capture(
        inputs=tuple(kept["inputs"]),
        volts=volts,
        interval_s=kept["interval_s"],
        full_scale_v=tuple(kept["full_scale_v"]),
        step_v=tuple(kept["step_v"]),
        clipped=tuple(kept["clipped"]),
        setting=CaptureSetting(
            inputs={number: InputSetting(volts_per_division=volts) for number, volts in ranges},
            duration_s=volts.shape[1] * kept["interval_s"],
            samples=volts.shape[1],
        ),
    )


def _harmonics_to_dict(found: Harmonics) -> dict[str, Any]:
    return {
        **vars(found),
        "orders": list(found.orders),
        "relative": [[float(value.real), float(value.imag)] for value in found.relative],
        "standard": [float(value) for value in found.standard],
        "rest": dict(vars(found.rest)),
    }


def _harmonics_from_dict(kept: Mapping[str, Any]) -> Harmonics:
    return Harmonics(
        frequency_hz=kept["frequency_hz"],
        fundamental_vrms=kept["fundamental_vrms"],
        fundamental_standard_vrms=kept["fundamental_standard_vrms"],
        orders=tuple(kept["orders"]),
        relative=np.array([complex(*value) for value in kept["relative"]], dtype=np.complex128),
        standard=np.array(kept["standard"], dtype=np.float64),
        rest=BandPower(**kept["rest"]),
    )
