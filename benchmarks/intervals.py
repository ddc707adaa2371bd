"""How often the true value lies inside the expanded interval: every quantity, every error drawn anew.

python -m benchmarks.intervals [DRAWS [QUANTITY…]]

A thousand draws of a right interval of k = 2 (95.45 %) come to lie between 93 and 97.5 %. Intervals of times
by a relay's motion are some thousand too: two edges, two legs a unit. The seeds are 0, 1, 2…
"""

import os
import sys

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: on a busy machine threads only wait

from tests.measure.draws import currents_and_counts, edges, relays, repeats, spectra, transfers
from tests.measure.draws.shares import LEAST, MOST, Draw, draw_all, share

DRAWS: dict[str, Draw] = {
    "levels": transfers.levels,
    "phases": transfers.phases,
    "ratios": transfers.ratios,
    "swap": transfers.input_swap,
    "swapped through": transfers.joined_legs,
    "repeats": repeats.repeats,
    "coupling_capacitance": transfers.capacitance,
    "offsets": currents_and_counts.offsets,
    "currents": currents_and_counts.currents,
    "noise": spectra.noises,
    "quasi-peak": spectra.quasi_peaks,
    "distortion": spectra.distortions,
    "clicks": edges.clicks,
    "edges": edges.moves,
    "relays": relays.relays,
    "intermittency": currents_and_counts.failures,
}


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    outside = 0
    print(f"{'quantity':<34}{'draws':>6}{'floors':>8}{'inside':>9}")
    for name in sys.argv[2:] or DRAWS:
        for quantity, readings in draw_all(DRAWS[name], range(count)).items():
            inside = share(readings)
            wrong = not LEAST <= inside <= MOST
            outside += wrong
            floors = sum(reading.floor for reading in readings)
            mark = "  outside 93 to 97.5 %" if wrong else ""
            print(f"{quantity:<34}{len(readings):6d}{floors:8d}{100 * inside:8.1f} %{mark}", flush=True)
    print("polarity has no interval: it is normal, inverted or undecided")
    return min(outside, 1)


if __name__ == "__main__":
    sys.exit(main())
