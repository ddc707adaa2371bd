"""What a two-loop board with coded plugs puts out in every state, solved here from first principles.

python -m benchmarks.coded_plugs

Prints the table that tests/circuit/test_coded_loops.py compares the harness with. It shares no code with
the harness: ideal e.m.f. behind 50 ohm in each leg, closed contacts of 50 mohm, open ones left out, 10 kohm
across the output, 10 Mohm from each leg to ground for the scope, and Kirchhoff's current law at every node.
"""

import math
from itertools import chain, combinations

import numpy as np

LINES = ("a", "b", "swap")
CONTACTS = (  # line, common, released, operated
    ("a", "a_out", "a_send", "a_return"),
    ("b", "b_out", "b_send", "b_return"),
    ("swap", "a_send", "in", "b_out"),
    ("swap", "b_send", "a_out", "in"),
    ("swap", "out", "b_out", "a_out"),
)
SERIES_SHUNT = {  # ohm of each leg's series resistor and of its shunt to ground at the far end
    ("left", "hot"): {"a": (470, 1e3), "b": (2200, 4700)},
    ("left", "cold"): {"a": (560, 1e3), "b": (2700, 4700)},
    ("right", "hot"): {"a": (680, 1e3), "b": (3300, 4700)},
    ("right", "cold"): {"a": (820, 1e3), "b": (3900, 4700)},
}
SOURCE_OHM, CONTACT_OHM, LOAD_OHM, SCOPE_OHM = 50.0, 0.05, 10e3, 10e6
Resistor = tuple[str, str, float]


def board(channel: str, on: tuple[str, ...]) -> list[Resistor]:
    """Every resistor of a channel with these control lines on; a net is "GROUND", or a leg's, such as "hot
    in".
    """
    result: list[Resistor] = [("hot out", "cold out", LOAD_OHM)]
    for leg in ("hot", "cold"):
        result.append((f"{leg} e.m.f.", f"{leg} in", SOURCE_OHM))
        result.append((f"{leg} out", "GROUND", SCOPE_OHM))
        for line, common, released, operated in CONTACTS:
            result.append((f"{leg} {common}", f"{leg} {operated if line in on else released}", CONTACT_OHM))
        for loop, (series_ohm, shunt_ohm) in SERIES_SHUNT[channel, leg].items():
            result.append((f"{leg} {loop}_send", f"{leg} {loop}_return", series_ohm))
            result.append((f"{leg} {loop}_return", "GROUND", shunt_ohm))
    return result


def voltages(resistors: list[Resistor], fixed_v: dict[str, float]) -> dict[str, float]:
    """The voltage of every net, with some of them held by ideal sources."""
    nets = sorted({net for resistor in resistors for net in resistor[:2]} - fixed_v.keys())
    row = {net: number for number, net in enumerate(nets)}
    conductances, currents = np.zeros((len(nets), len(nets))), np.zeros(len(nets))
    for first, second, ohm in resistors:
        for net, other in ((first, second), (second, first)):
            if net in row:
                conductances[row[net], row[net]] += 1 / ohm
                if other in row:
                    conductances[row[net], row[other]] -= 1 / ohm
                else:
                    currents[row[net]] += fixed_v[other] / ohm
    return dict(zip(nets, np.linalg.solve(conductances, currents), strict=True))


def levels_db(channel: str, on: tuple[str, ...]) -> tuple[float, float]:
    """Hot and cold output over their own e.m.f., driven in antiphase."""
    fixed_v = {"GROUND": 0.0, "hot e.m.f.": 1.0, "cold e.m.f.": -1.0}
    result = voltages(board(channel, on), fixed_v)
    return 20 * math.log10(abs(result["hot out"])), 20 * math.log10(abs(result["cold out"]))


def main() -> None:
    print(f"{'on':<10} left hot     cold   right hot     cold   dB over the e.m.f.")
    for on in chain.from_iterable(combinations(LINES, count) for count in range(len(LINES) + 1)):
        hot, cold = levels_db("left", on)
        right_hot, right_cold = levels_db("right", on)
        print(f"{'+'.join(on) or 'none':<10} {hot:9.3f}{cold:9.3f}{right_hot:12.3f}{right_cold:9.3f}")


if __name__ == "__main__":
    main()
