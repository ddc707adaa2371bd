"""What the quasi-peak detector reads of Gaussian noise, over the RMS of the same noise.

python -m benchmarks.quasi_peak_of_noise

The noise is white and passes the weighting network of ITU-R BS.468-4, as in a reading. The figure that
tests/measure/of_noise/test_quasi_peak.py uses, 4.0 dB, comes from here. Meters are said to read 4 to 5 dB
(from memory).
"""

import math

import numpy as np

from harness.measure.residuals import noise

RATE_HZ, SECONDS = 100_000, 10
LEG_VRMS = 1e-3
WEIGHTED_DB = 7.309  # of white noise, 20 Hz to 20 kHz, through the network: closed form, by integration


def main() -> None:
    band = 19_980 / (RATE_HZ / 2)
    weighted_vrms = 10 ** (WEIGHTED_DB / 20) * math.sqrt(2 * LEG_VRMS**2 * band)
    ratios = []
    for seed in range(8):
        volts = LEG_VRMS * np.random.default_rng(seed).normal(size=(2, RATE_HZ * SECONDS))
        read = noise(
            volts,
            1 / RATE_HZ,
            own_volts=np.zeros((2, RATE_HZ)),
            step_v=(1e-6, 1e-6),
            weighting="quasi-peak",
        )
        ratios.append(20 * math.log10(read.value / weighted_vrms))
    print(f"quasi-peak over RMS: {np.mean(ratios):.2f} dB, from {min(ratios):.2f} to {max(ratios):.2f} dB")


if __name__ == "__main__":
    main()
