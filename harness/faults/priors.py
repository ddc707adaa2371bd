"""How likely faults are before anything is measured: weak, so that readings decide wherever they can.

The order is the trade's for hand-built harness modules (joints, then swapped wires, then wrong parts, then
bridges, then relays); the figures are rough: common practice, no source.
"""

from math import log

from harness.faults.effects import Suspect
from harness.job.faults import FaultKind

HEALTHY = 1000.0
SOMETHING_ELSE = 1.0  # what is on no list
TOGETHER = 1e-3  # of each further fault in the same unit

WEIGHTS: dict[FaultKind, float] = {
    "leg open": 8.0,
    "throw resistance": 4.0,  # a joint at the contact as often as the contact
    "throw stuck open": 3.0,
    "throw intermittent": 2.0,
    "link missing": 6.0,
    "line dead": 6.0,
    "legs swapped": 5.0,
    "channels swapped": 4.0,
    "lines swapped": 4.0,
    "link straight": 4.0,
    "link legs swapped": 4.0,
    "link channels swapped": 4.0,
    "part open": 3.0,
    "part shorted": 2.0,
    "part tenfold": 3.0,
    "part a tenth": 3.0,
    "leg grounded": 2.0,
    "legs shorted": 2.0,
    "channels bridged": 2.0,
    "relay never operates": 1.0,
    "coil open": 2.0,
    "relay always operated": 0.5,
    "coil shorted": 0.5,
    "pole stuck at rest": 0.5,
    "pole stuck operated": 0.5,
    "throw stuck closed": 0.5,
    "relay slow to operate": 1.0,
    "relay slow to release": 1.0,
    "relay long bounce": 1.0,
}


def log_prior(suspect: Suspect) -> float:
    """Logarithm of a weight; only differences mean anything."""
    if not suspect:
        return log(HEALTHY)
    return sum(log(WEIGHTS[fault.kind]) for fault in suspect) + (len(suspect) - 1) * log(TOGETHER)
