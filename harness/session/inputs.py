"""Which scope input sees which leg; and captures with their rows by leg."""

from collections.abc import Sequence
from dataclasses import replace

from harness.job.fixture import Hookup
from harness.roles import Capture


def input_numbers(hookup: Hookup) -> tuple[int, ...]:
    """Numbers of the scope's inputs in the order of the viewed legs: hot, cold, hot, cold."""
    pairs = range(1, 2 * len(hookup.view), 2)
    if hookup.exchanged:
        return tuple(number for first in pairs for number in (first + 1, first))
    return tuple(number for first in pairs for number in (first, first + 1))


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
