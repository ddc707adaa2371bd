"""What the circuit must know for a reading to be one in ohms or farads."""

import math
from dataclasses import replace

import numpy as np

from harness.circuit.elements import IDEAL_CONTACT_OHM, BenchImpedances, GeneratorLeg, pin_name, resistor
from harness.circuit.expand import build_circuit
from harness.circuit.predict import Prediction, differential, predict_circuit
from harness.errors import JobError, Mistake
from harness.job.fixture import Hookup, PortName
from harness.job.job import Job
from harness.job.module import GROUND, LEGS, node_name
from harness.job.sequence import Check
from harness.job.state import State
from harness.quantities.need import KnownOhm

PROBE_OHM = 1e9  # a source of current: what it feeds is nothing beside it
IN_THE_PATH = 0.05  # of the effect of a resistance next to the source: less is no part of the path
ALIKE = 0.1  # how far contacts of one path may differ in their effect and still be one resistance
PROBE_HZ = (1e3, 1e3)


def path_between(
    job: Job, check: Check, hookup: Hookup, state: State, net: str, impedances: BenchImpedances
) -> tuple[KnownOhm, KnownOhm]:
    """What a path of contacts lies between: source and load, both legs of each, in ohms.

    The level is then load / (source + path + load). The load is taken from the level with ideal contacts,
    whatever it is made of. Raises JobError where other parts stand between the contacts: then no single
    resistance explains the level.
    """
    circuit = build_circuit(job.module, job.fixture, hookup, state, impedances)
    ideal = replace(
        circuit,
        elements=tuple(
            replace(one, resistance_ohm=IDEAL_CONTACT_OHM) if one.kind == "contact" and one.conducts else one
            for one in circuit.elements
        ),
    )
    if hookup.drive is None:
        raise ValueError("a hookup without a drive has no path")
    place = hookup.view.index(PortName(channel=hookup.drive.channel, net=net))
    source_ohm = 2 * impedances.source_ohm
    made = predict_circuit(ideal, frequencies_hz=PROBE_HZ)
    level = abs(complex(differential(made.transfer)[place]))
    load_ohm = source_ohm * level / (1 - level) if level < 1 else math.inf
    spreads = np.abs(differential(made.spreads)[:, place])
    is_part = np.array([not _is_contact(name) for name in made.spread_names])
    change = float(np.sqrt(np.sum(spreads[is_part] ** 2))) if len(spreads) else 0.0
    _refuse_other_parts(check, hookup, state, place, predict_circuit(circuit, frequencies_hz=PROBE_HZ), job)
    standard_ohm = source_ohm * change / (1 - level) ** 2
    return KnownOhm(ohm=source_ohm, standard_ohm=0.0), KnownOhm(ohm=load_ohm, standard_ohm=standard_ohm)


def _is_contact(name: str) -> bool:
    return name.endswith((".rest", ".operated"))


def _refuse_other_parts(
    check: Check, hookup: Hookup, state: State, place: int, made: Prediction, job: Job
) -> None:
    level = complex(differential(made.transfer)[place])
    types = {pole.name: relay.type for relay in job.module.relays for pole in relay.poles}
    effects: dict[str, list[float]] = {leg: [] for leg in LEGS}
    for name, spread in zip(made.spread_names, differential(made.spreads)[:, place], strict=True):
        if not _is_contact(name):
            continue
        pole = name.rpartition(".")[0]
        kind = types[pole]
        spread_ohm = (kind.contact_max_ohm - kind.contact_ohm) / math.sqrt(3)
        if spread_ohm > 0:
            effects[pole.rpartition(".")[2]].append(abs(complex(spread) / level) / spread_ohm)
    for found in effects.values():
        counted = [effect for effect in found if effect > IN_THE_PATH * max(found)]
        if counted and min(counted) < (1 - ALIKE) * max(counted):
            raise JobError(
                [
                    Mistake(
                        file="sequence.toml",
                        line=check.line,
                        key=f"check {check.name!r}",
                        message=f"contact resistance is not observable here: in state {state.name} of "
                        f"{hookup.name!r} other parts stand between the contacts of the path. Leave that "
                        "state out with states = [...], or use straight loop plugs",
                    )
                ]
            )


def coupled_into(
    job: Job, hookup: Hookup, state: State, port: PortName, impedances: BenchImpedances
) -> KnownOhm:
    """Differential volts at a port per ampere that flows through two equal capacitances, one to each leg.

    The drive is half a volt behind one and minus half a volt behind the other, so half of the resistance
    between the port's legs counts. The generator's outputs stay where they are, as resistances.
    """
    circuit = build_circuit(job.module, job.fixture, hookup, state, impedances)
    ends = [
        resistor(f"output {leg.leg}", "load", leg.node, GROUND, leg.output_ohm, 0.0)
        for leg in circuit.generator
    ]
    feeds = tuple(
        GeneratorLeg(leg=leg, node=pin_name(node_name(port.channel, port.net, leg)), output_ohm=PROBE_OHM)
        for leg in LEGS
    )
    probed = replace(circuit, elements=(*circuit.elements, *ends), generator=feeds)
    place = hookup.view.index(port)
    made = predict_circuit(probed, frequencies_hz=PROBE_HZ)
    # Per volt of differential e.m.f. half a volt drives each leg's current
    ohm = abs(complex(differential(made.transfer)[place])) * PROBE_OHM
    spreads = np.abs(differential(made.spreads)[:, place]) * PROBE_OHM
    return KnownOhm(ohm=ohm, standard_ohm=float(np.sqrt(np.sum(spreads**2))))
