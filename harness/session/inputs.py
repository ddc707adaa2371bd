"""Captures with their rows by leg."""

from collections.abc import Sequence
from dataclasses import replace

from harness.roles import Capture


def in_order(capture: Capture, numbers: Sequence[int]) -> Capture:
    """The same capture with its rows in the order of these inputs."""
    if capture.inputs == tuple(numbers):
        return capture
    rows = [capture.inputs.index(number) for number in numbers]
    return replace(
        capture,
        inputs=tuple(numbers),
        volts=capture.volts[rows],
        full_scale_v=tuple(capture.full_scale_v[row] for row in rows),
        step_v=tuple(capture.step_v[row] for row in rows),
        clipped=tuple(capture.clipped[row] for row in rows),
    )
