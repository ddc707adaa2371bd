"""Samples as a scope sends them, bytes or text, as arrays; and what can be seen of a wrong format in them."""

import re
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.scope.oscilloscope_profile import OscilloscopeKeys
from drivers.scope.scaling import INFINITE

Samples = NDArray[Any]
NUMBERS = re.compile(r"[-+0-9.eE,;\s]*")
ROUGH = 0.5  # mean step between neighbours over the standard deviation; of white noise it is 2 / sqrt(pi)
LOOKED_AT = 1 << 14  # samples of a record
SMOOTHER = 4.0  # times, with the bytes the other way round: then they are


def sample_type(keys: OscilloscopeKeys) -> np.dtype[np.generic]:
    """The type of one binary sample."""
    order = ">" if keys.byte_order == "big" else "<"
    return np.dtype(f"{order}{'i' if keys.sample_signed else 'u'}{keys.sample_bits // 8}")


def from_block(block: bytes | bytearray, keys: OscilloscopeKeys) -> Samples:
    """The samples of a binary block, without a copy. Raises ValueError if its last sample is not whole."""
    kind = sample_type(keys)
    if len(block) % kind.itemsize:
        raise ValueError(f"a whole number of samples of {keys.sample_bits} bits in {len(block)} bytes")
    return np.frombuffer(block, dtype=kind)


def from_text(text: str) -> NDArray[np.float64]:
    """The numbers of a list, separated by commas, semicolons, spaces or lines. Raises ValueError."""
    if not NUMBERS.fullmatch(text) or re.search(r"[,;]\s*[,;]", text):
        raise ValueError("a list of numbers")
    try:
        numbers = np.array(re.split(r"[,;\s]+", text.strip(",; \t\r\n")), dtype=np.float64)
    except ValueError:
        raise ValueError("a list of numbers") from None
    if numbers.size and not np.abs(numbers).max() < INFINITE:
        raise ValueError("numbers that are finite")
    return numbers


def by_input(samples: Samples, count: int, *, interleaved: bool) -> list[Samples]:
    """The samples of each input, of an answer that holds those of `count` inputs."""
    if samples.size % count:
        raise ValueError(f"as many samples of each of {count} inputs, in {samples.size}")
    rows = samples.reshape(-1, count).T if interleaved else samples.reshape(count, -1)
    return [np.ascontiguousarray(row) for row in rows]


def clipped(codes: Samples, ends: tuple[int, int]) -> int:
    """How many samples are at the first or the last code, or beyond."""
    low, high = ends
    if codes.min() > low and codes.max() < high:  # as nearly always, and a look is quicker than a count
        return 0
    return int(np.count_nonzero(codes <= low) + np.count_nonzero(codes >= high))


def looks_swapped(samples: Samples) -> bool:
    """Whether samples of two bytes are a smooth signal only with their bytes the other way round.

    Noise is as rough either way, and so it is not taken for a swapped signal.
    """
    if samples.dtype.itemsize != 2:
        return False
    samples = samples[:LOOKED_AT]
    other = samples.view(samples.dtype.newbyteorder())
    rough = _roughness(samples)
    return rough > ROUGH and SMOOTHER * _roughness(other) < rough


def _roughness(samples: Samples) -> float:
    values = samples.astype(np.float64)
    spread = float(values.std())
    return float(np.abs(np.diff(values)).mean()) / spread if spread > 0.0 and values.size > 1 else 0.0


def step_of(volts: NDArray[np.float64], *, at_most: float) -> float:
    """The step between neighbouring values of a record that came as volts: the median of those seen."""
    steps = np.diff(np.unique(volts))
    steps = steps[steps > 0.0]
    return min(float(np.median(steps)), at_most) if steps.size else at_most
