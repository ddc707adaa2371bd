"""What is kept of three simulated runs: captures with what was found in them, and the through reference.

A file holds the length of its first part in four bytes; that part, JSON; and a numpy archive of samples as
the scope's codes. The folder `jobs` has the job files as they were then.
"""

import io
import json
import lzma
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.measure.clock import ClockRatio
from harness.measure.tone import ToneFit
from harness.roles import Capture, CaptureSetting, InputSetting

HERE = Path(__file__).resolve().parent
JOBS = ("two_loop_switcher", "stepped_attenuator", "source_selector")


@dataclass(frozen=True, kw_only=True, eq=False)
class Kept:
    """One run's: `found` as it stands in the file, samples by name."""

    result: dict[str, Any]
    codes: dict[str, NDArray[np.uint8]]

    def capture(self, number: int) -> Capture:
        return self.as_capture(self.result["captures"][str(number)]["capture"], f"capture {number}")

    def fit(self, number: int) -> ToneFit:
        result = dict(self.result["captures"][str(number)]["fit"])
        phasors = np.asarray(result.pop("phasors"))
        clock = ClockRatio(**result.pop("clock"))
        hz = tuple(result.pop("frequencies_hz"))
        whole: dict[str, Any] = {
            name: np.asarray(result.pop(name))
            for name, value in list(result.items())
            if isinstance(value, list)
        }
        return ToneFit(
            frequencies_hz=hz,
            phasors=phasors[..., 0] + 1j * phasors[..., 1],
            correlation=np.zeros(len(phasors) // 2, dtype=np.complex128),  # was not looked for then
            clock=clock,
            **whole,
            **result,
        )

    def as_capture(self, kept: dict[str, Any], name: str) -> Capture:
        """A capture with its samples where they are kept, else without any."""
        inputs = tuple(kept["inputs"])
        volts = np.zeros((len(inputs), 0))
        if name in self.codes:
            lowest, step = np.array(kept["lowest_v"]), np.array(kept["step_v"])
            volts = lowest[:, None] + self.codes[name] * step[:, None]
        settings = zip(inputs, kept["volts_per_division"], kept["centre_v"], strict=True)
        return Capture(
            inputs=inputs,
            volts=volts,
            interval_s=kept["interval_s"],
            full_scale_v=tuple(kept["full_scale_v"]),
            step_v=tuple(kept["step_v"]),
            clipped=tuple(kept["clipped"]),
            setting=CaptureSetting(
                inputs={
                    number: InputSetting(volts_per_division=volts, offset_v=centre)
                    for number, volts, centre in settings
                },
                duration_s=kept["duration_s"],
                samples=kept["samples"],
            ),
            origin_s=kept["origin_s"],
        )


@cache
def kept_run(job: str) -> Kept:
    """Read one of the files."""
    whole = lzma.decompress((HERE / f"{job}.xz").read_bytes())
    length = int.from_bytes(whole[:4], "big")
    archive = np.load(io.BytesIO(whole[4 + length :]))
    return Kept(
        result=json.loads(whole[4 : 4 + length]), codes={name: archive[name] for name in archive.files}
    )
