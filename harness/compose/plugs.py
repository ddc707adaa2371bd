"""Loopback plugs for a module's sends and returns: which belong together, and which resistors are tried.

A plug is coded if every leg of every loop loses a level of its own, so that a reading behind it shows which
leg of which loop the signal took. Loops of low and of high impedance take turns: of two alike the order does
not show, since each would load the other in the same way.
"""

from collections.abc import Iterator, Mapping, Sequence
from difflib import SequenceMatcher
from itertools import product

from harness.compose.at_hand import MATCHED_OHM
from harness.job.fixture import Loopback, LoopbackLeg
from harness.job.module import LEGS, Leg, Module
from harness.units import E24

SERIES_OHM = tuple(float(value * decade) for decade in (1, 10, 100, 1000) for value in E24)
STARTS_OHM = (390.0, 2000.0)  # of the first leg of a loop of low and of high impedance
FEWEST_SHIFTS = (0, 4)  # steps of E24 by which both may be moved, in this order of trial
STEPS = (2, 1, 3)  # between one leg and the next: two steps of E24 are 1.6 to 2 dB of resistance
# Times a loop's middle series resistor. What loads the line while the loop is out of circuit shows a contact
# that is stuck: the more, the smaller the shunt is beside the series resistor.
SHUNTS = (2.5, 1.0, 0.4, 0.15)


def loops_of(module: Module) -> tuple[tuple[str, str], ...]:
    """Sends with the return that each belongs to: those whose names are most alike, else in their order."""
    returns = [port.net for port in module.ports if port.role == "return"]
    sends = [port.net for port in module.ports if port.role == "send"]
    alike = sorted(
        product(range(len(sends)), range(len(returns))),
        key=lambda pair: (-_likeness(sends[pair[0]], returns[pair[1]]), abs(pair[0] - pair[1]), pair),
    )
    partner: dict[int, int] = {}
    for send, back in alike:
        if send not in partner and back not in partner.values():
            partner[send] = back
    return tuple((sends[send], returns[partner[send]]) for send in sorted(partner))


def _likeness(send: str, back: str) -> float:
    """Of two names without what says that they are a send and a return."""
    one, other = send.replace("send", ""), back.replace("return", "").replace("ret", "")
    return SequenceMatcher(None, one, other).ratio() if one or other else 1.0


def plug_sets(module: Module, losses_db: Sequence[float], *, few: bool) -> Iterator[Mapping[str, Loopback]]:
    """Sets of plugs to try, those of least loss first; one if plugs are at hand or no loop is.

    losses_db: of those at hand, in the order of the loops; the last one serves all further loops. few: one
    set alone, the one that tells most.
    """
    loops = loops_of(module)
    if losses_db or not loops:
        yield {
            name: _at_hand(name, loop, losses_db[min(index, len(losses_db) - 1)])
            for index, (name, loop) in enumerate(zip(_names(module, loops), loops, strict=True))
        }
        return
    if few:
        yield _coded(module, loops, shift=FEWEST_SHIFTS[0], step=STEPS[0], shunt=SHUNTS[-1])
        return
    for shift, step, shunt in product(FEWEST_SHIFTS, STEPS, SHUNTS):
        yield _coded(module, loops, shift=shift, step=step, shunt=shunt)


def _names(module: Module, loops: Sequence[tuple[str, str]]) -> list[str]:
    """`pad_a` for a_send; a name that is no port's."""
    nets = {port.net for port in module.ports}
    names: list[str] = []
    for index, (send, _) in enumerate(loops, start=1):
        stem = send.replace("send", "").strip("_") or str(index)
        name = f"pad_{stem}"
        names.append(name if name not in nets and name not in names else f"plug_{stem}_{index}")
    return names


def _at_hand(name: str, loop: tuple[str, str], loss_db: float) -> Loopback:
    impedance = MATCHED_OHM if loss_db else None
    return Loopback(name=name, from_net=loop[0], to_net=loop[1], pad_db=loss_db, pad_impedance_ohm=impedance)


def _coded(
    module: Module, loops: Sequence[tuple[str, str]], *, shift: int, step: int, shunt: float
) -> Mapping[str, Loopback]:
    """No two legs of any loop alike. step: in E24, from one leg to the next. shunt: times the middle one."""
    taken: set[float] = set()
    made: dict[str, Loopback] = {}
    for index, (name, loop) in enumerate(zip(_names(module, loops), loops, strict=True)):
        at = SERIES_OHM.index(STARTS_OHM[index % 2]) + shift + index // 2
        legs: dict[str, dict[Leg, LoopbackLeg]] = {}
        values: list[float] = []
        channels = [c for c in module.channels if all(module.has_port(c, net) for net in loop)]
        for _ in range(2 * len(channels)):
            free = [i for i in range(len(SERIES_OHM)) if SERIES_OHM[i] not in taken] or [at]
            at = min(free, key=lambda i: (i < at, abs(i - at)))
            values.append(SERIES_OHM[at])
            taken.add(SERIES_OHM[at])
            at = min(at + step, len(SERIES_OHM) - 1)
        middle = values[len(values) // 2] if values else STARTS_OHM[0]
        shunt_ohm = min(SERIES_OHM, key=lambda ohm: abs(ohm - shunt * middle))
        series = iter(values)
        for channel in channels:
            legs[channel] = {leg: LoopbackLeg(series_ohm=next(series), shunt_ohm=shunt_ohm) for leg in LEGS}
        made[name] = Loopback(name=name, from_net=loop[0], to_net=loop[1], legs=legs, plug=_label(index))
    return made


def _label(index: int) -> str:
    return f"P{index + 1}"
