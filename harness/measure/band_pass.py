"""A Butterworth band-pass, causal as a meter's.

By the bilinear transform of the analogue prototype, in sections of second order (Oppenheim and Schafer,
*Discrete-Time Signal Processing*, from memory), each worked out a block of samples at a time. scipy.signal
has the same and takes over a second to be imported, which would stand between two records of a run.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BLOCK = 64  # samples


def band_pass(volts: Floats, interval_s: float, low_hz: float, high_hz: float, order: int) -> Floats:
    """Pass samples through a band of `order` poles at either end, from rest."""
    samples = len(volts)
    blocks = np.zeros((-(-samples // BLOCK), BLOCK))
    blocks.ravel()[:samples] = volts
    for section in _sections(interval_s, low_hz, high_hz, order):
        blocks = _filtered(blocks, section)
    return blocks.ravel()[:samples]


@lru_cache(maxsize=8)
def _sections(interval_s: float, low_hz: float, high_hz: float, order: int) -> tuple[tuple[float, ...], ...]:
    """Of each section b0, b1, b2, a1, a2; a0 is 1."""
    prototype = np.exp(1j * np.pi * (2 * np.arange(order) + 1 + order) / (2 * order))
    rate = 2 / interval_s
    low, high = rate * np.tan(np.pi * interval_s * np.array([low_hz, high_hz]))
    half = prototype * (high - low) / 2
    root = np.sqrt(half**2 - low * high)
    analogue = np.stack([half + root, half - root])
    poles = (rate + analogue) / (rate - analogue)
    gain = float(((high - low) * rate) ** order / np.prod(rate - analogue).real) ** (1 / order)
    pairs = [(poles[0, k], poles[1, k]) for k in range(order) if abs(prototype[k].imag) < 1e-9]
    pairs += [
        (pole, pole.conjugate()) for k in range(order) if prototype[k].imag >= 1e-9 for pole in poles[:, k]
    ]
    return tuple((gain, 0.0, -gain, -float((p + q).real), float((p * q).real)) for p, q in pairs)


def _filtered(blocks: Floats, section: tuple[float, ...]) -> Floats:
    """One section over all blocks in turn: what each block's own samples give, and what the ones before left.

    The section's state follows s' = A s + B x and y = s[0] + b0 x.
    """
    b0, b1, b2, a1, a2 = section
    left = np.empty((BLOCK, 2))  # y of each sample of a block by the state before it: rows of A to the n
    reach = np.empty((BLOCK, 2))  # state after a block by each of its samples
    power, drive = np.eye(2), np.array([b1 - a1 * b0, b2 - a2 * b0])
    step = np.array([[-a1, 1.0], [-a2, 0.0]])
    for n in range(BLOCK):
        left[n], reach[BLOCK - 1 - n] = power[0], power @ drive
        power = power @ step
    response = np.concatenate([[b0], left[:-1] @ drive])
    lag = np.subtract.outer(np.arange(BLOCK), np.arange(BLOCK))
    own = np.where(lag >= 0, response[np.maximum(lag, 0)], 0.0)
    (p, q), (r, s) = power.tolist()
    first, second, states = 0.0, 0.0, []
    for one, other in (blocks @ reach).tolist():
        states.append((first, second))
        first, second = p * first + q * second + one, r * first + s * second + other
    return np.asarray(blocks @ own.T + np.asarray(states).reshape(-1, 2) @ left.T)
