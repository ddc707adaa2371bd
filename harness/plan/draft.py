"""What has been planned so far: acquisitions, each shared by every reading that can use it."""

import math
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from harness.arrays import Complex
from harness.circuit.elements import (
    IDEAL_CONTACT_OHM,
    BenchImpedances,
    Circuit,
    GeneratorLeg,
    pin_name,
    resistor,
)
from harness.circuit.expand import build_circuit, build_wiring, in_state
from harness.circuit.predict import PredictedCircuit, Prediction, differential, predict_circuit
from harness.circuit.routes import SILENT, live_route
from harness.errors import JobError
from harness.job.fixture import PortName, Setup, rows_of
from harness.job.job import Job
from harness.job.module import GROUND, LEGS, node_name
from harness.job.sequence import Check
from harness.job.state import State
from harness.measure.tones import Stimulus, choose_tones
from harness.plan.model import Acquisition
from harness.plan.setups import CheckAtPort, drive_rows, partner_of
from harness.quantities.need import KnownOhm, Need, PlannedCapture, PortView
from harness.quantities.quantity import AnyQuantity
from harness.reading import Limit

PROBE_OHM = 1e9  # a source of current: what it feeds is nothing beside it
IN_THE_PATH = 0.05  # of the effect of a resistance next to the source: less is no part of the path
ALIKE = 0.1  # how far contacts of one path may differ in their effect and still be one resistance
PROBE_HZ = (1e3, 1e3)
NO_OHM = KnownOhm(ohm=0.0, standard_ohm=0.0)


def path_between(
    job: Job, check: Check, setup: Setup, state: State, net: str, impedances: BenchImpedances
) -> tuple[KnownOhm, KnownOhm]:
    """What a path of contacts lies between: source and load, both legs of each, in ohms.

    The level is then load / (source + path + load). The load is taken from the level with ideal contacts,
    whatever it is made of. Where the driven port is in view the path begins there, and the level is counted
    from there: then nothing is before it. Raises JobError where other parts stand between the contacts: then
    no single resistance explains the level.
    """
    circuit = build_circuit(job.module, job.fixture, setup, state, impedances)
    ideal = replace(
        circuit,
        elements=tuple(
            replace(element, resistance_ohm=IDEAL_CONTACT_OHM, resistance_spread_ohm=1.0)
            if element.kind == "contact" and element.conducts
            else element
            for element in circuit.elements
        ),
    )
    if setup.drive is None:
        raise ValueError("a setup without a drive has no path")
    index = setup.view.index(PortName(channel=setup.drive.channel, net=net))
    passed = live_route(circuit, setup.drive, setup.view[index]).split(" > ")
    if through := [each.name for each in job.module.transformers if each.name in passed]:
        message = (
            f"contact resistance is not observable here: in {setup.name!r} the way to the port leads through "
            f"{', '.join(through)}, which changes the level. Choose a port before the transformer"
        )
        raise JobError([check.mistake(message)])
    source_ohm = 2 * impedances.source_ohm
    made = predict_circuit(ideal, frequencies_hz=PROBE_HZ)
    level = abs(complex(differential(made.transfer)[index]))
    if level >= 1:
        message = (
            f"contact resistance is not observable here: in {setup.name!r} the port shows {level:.3g} of the "
            "drive, so that what its path feeds can't be told. Choose a passive port"
        )
        raise JobError([check.mistake(message)])
    load_ohm = source_ohm * level / (1 - level)
    spreads = np.abs(differential(made.spreads)[:, index])
    outputs = {leg.name for leg in circuit.generator}
    is_part = np.array([not _is_contact(name) and name not in outputs for name in made.spread_names])
    change = float(np.sqrt(np.sum(spreads[is_part] ** 2))) if len(spreads) else 0.0
    _refuse_other_parts(check, setup, state, index, predict_circuit(circuit, frequencies_hz=PROBE_HZ), job)
    load = KnownOhm(ohm=load_ohm, standard_ohm=source_ohm * change / (1 - level) ** 2)
    if setup.drive in setup.view:
        behind_ohm = _load_behind(made, index, setup.view.index(setup.drive))
        return NO_OHM, KnownOhm(ohm=behind_ohm, standard_ohm=behind_ohm / load.ohm * load.standard_ohm)
    standard_ohm = source_ohm * impedances.source_tolerance / math.sqrt(6)  # of two alike
    return KnownOhm(ohm=source_ohm, standard_ohm=standard_ohm), load


def _load_behind(made: Prediction, port: int, driven: int) -> float:
    """What a path feeds, by what an ohm in either leg adds to the driven port's level over the port's.

    made: with ideal contacts, the spread of each an ohm. That ratio is 1 + path / load.
    """
    level, change = differential(made.transfer), differential(made.spreads)
    per_ohm = np.abs(change[:, driven] - level[driven] / level[port] * change[:, port]) / abs(level[port])
    of_leg = [
        max(effect for name, effect in zip(made.spread_names, per_ohm, strict=True) if _is_in(name, leg))
        for leg in LEGS
    ]
    return float(2 / sum(of_leg))


def _is_in(name: str, leg: str) -> bool:
    return _is_contact(name) and name.rpartition(".")[0].endswith(f".{leg}")


def _is_contact(name: str) -> bool:
    return name.endswith((".released", ".operated"))


def _refuse_other_parts(
    check: Check, setup: Setup, state: State, index: int, made: Prediction, job: Job
) -> None:
    level = complex(differential(made.transfer)[index])
    types = {pole.name: relay.type for relay in job.module.relays for pole in relay.poles}
    effects: dict[str, list[float]] = {leg: [] for leg in LEGS}
    for name, spread in zip(made.spread_names, differential(made.spreads)[:, index], strict=True):
        if not _is_contact(name):
            continue
        pole = name.rpartition(".")[0]
        kind = types[pole]
        spread_ohm = (kind.contact_max_ohm - kind.contact_ohm) / math.sqrt(3)
        if spread_ohm > 0:
            effects[pole.rpartition(".")[2]].append(abs(complex(spread) / level) / spread_ohm)
    for result in effects.values():
        counted = [effect for effect in result if effect > IN_THE_PATH * max(result)]
        if counted and min(counted) < (1 - ALIKE) * max(counted):
            message = (
                f"contact resistance is not observable here: in state {state.name} of {setup.name!r} other "
                "parts stand between the contacts of the path. Leave that state out with states = [...], or "
                "use straight loopback plugs"
            )
            raise JobError([check.mistake(message)])


def coupled_into(
    job: Job, setup: Setup, state: State, port: PortName, impedances: BenchImpedances, frequency_hz: float
) -> KnownOhm:
    """Differential volts at a port per ampere that flows through two equal capacitances, one to each leg.

    The drive is half a volt behind one and minus half a volt behind the other, so half of the resistance
    between the port's legs counts. The generator's outputs stay where they are, as resistances.
    """
    circuit = build_circuit(job.module, job.fixture, setup, state, impedances)
    ends = [
        resistor(f"output {leg.leg}", "load", leg.node, GROUND, leg.output_ohm, 0.0)
        for leg in circuit.generator
    ]
    feeds = tuple(
        GeneratorLeg(leg=leg, node=pin_name(node_name(port.channel, port.net, leg)), output_ohm=PROBE_OHM)
        for leg in LEGS
    )
    probed = replace(circuit, elements=(*circuit.elements, *ends), generator=feeds)
    index = setup.view.index(port)
    made = predict_circuit(probed, frequencies_hz=(frequency_hz, frequency_hz))
    # Per volt of differential e.m.f. half a volt drives each leg's current
    ohm = abs(complex(differential(made.transfer)[index])) * PROBE_OHM
    spreads = np.abs(differential(made.spreads)[:, index]) * PROBE_OHM
    return KnownOhm(ohm=ohm, standard_ohm=float(np.sqrt(np.sum(spreads**2))))


SMALL_F = 1e-15  # a change of a capacitance that stays in proportion


def coupled_from_drive(
    job: Job, setup: Setup, state: State, port: PortName, impedances: BenchImpedances, frequency_hz: float
) -> float:
    """Differential at a silent port over the e.m.f., per siemens of the two capacitances that let it through.

    Those are of the open contact, both legs alike, that adds most; in ohms. What divides the drive before the
    contact is in it.
    """
    circuit = build_circuit(job.module, job.fixture, setup, state, impedances)
    elements = tuple(
        replace(
            element,
            resistance_spread_ohm=0.0,
            capacitance_spread_f=0.0 if element.kind != "contact" or element.conducts else SMALL_F,
        )
        for element in circuit.elements
    )
    made = predict_circuit(
        replace(circuit, elements=elements), frequencies_hz=(frequency_hz, frequency_hz), with_live=False
    )
    adds: dict[str, complex] = {}
    for name, change in zip(
        made.spread_names, differential(made.spreads)[:, setup.view.index(port)], strict=True
    ):
        if _is_contact(name):
            contact = name.replace(".hot.", ".").replace(".cold.", ".")
            adds[contact] = adds.get(contact, 0j) + complex(change) / SMALL_F
    return max(map(abs, adds.values()), default=0.0) / (2 * math.pi * frequency_hz)


KnownStates = dict[tuple[Setup, State, float], Prediction]


class KnownPredictions:
    """Predictions that plans of several jobs have in common, which differ in a check, a state or a view."""

    def __init__(self) -> None:
        self._known: list[tuple[tuple[object, ...], KnownStates]] = []

    def of(self, job: Job, impedances: BenchImpedances) -> KnownStates:
        """Those of a job's circuits: of the same module on the same bench, with the same plugs and loads."""
        fixture = job.fixture
        circuits = (
            *(job.module, fixture.loads, fixture.loopbacks, fixture.undriven_inputs),
            *(impedances, job.mains_hz),
        )
        for other, known in self._known:
            if other == circuits:
                return known
        self._known.append((circuits, {}))
        return self._known[-1][1]


@dataclass
class Draft:
    """A plan in the making; `setups`: those that anything is acquired in. known: by other plans."""

    job: Job
    impedances: BenchImpedances
    known: KnownStates = field(default_factory=dict)
    acquisitions: dict[tuple[str, str, Stimulus], Acquisition] = field(default_factory=dict)
    predictions: dict[int, Prediction] = field(default_factory=dict)
    routes: dict[tuple[str, str, PortName], str] = field(default_factory=dict)
    predicted: dict[tuple[str, float], dict[str, Prediction]] = field(default_factory=dict)
    uncoupled: dict[tuple[str, str, float], Prediction] = field(default_factory=dict)
    setups: dict[str, Setup] = field(default_factory=dict)
    wirings: dict[str, Circuit] = field(default_factory=dict)
    circuits: dict[tuple[str, str], PredictedCircuit] = field(default_factory=dict)

    def acquire(self, setup: Setup, state: State, stimulus: Stimulus) -> int:
        """Number of the acquisition for this setup, state and stimulus; planned at the first call."""
        key = (setup.name, state.name, stimulus)
        if key not in self.acquisitions:
            self.setups[setup.name] = setup
            number = len(self.acquisitions) + 1
            self.acquisitions[key] = Acquisition(
                number=number,
                setup=setup.name,
                state=state,
                stimulus=replace(stimulus, mains_hz=self.job.mains_hz),
            )
            if stimulus.has_tone:
                self.predictions[number] = self.predict(setup, state, stimulus.frequency_hz)
        return self.acquisitions[key].number

    @property
    def stimuli(self) -> tuple[Stimulus, ...]:
        """The tones that the through reference must cover."""
        drafted = (each.stimulus for each in self.acquisitions.values())
        return tuple(dict.fromkeys(each.as_pair for each in drafted if each.tells_legs_apart))

    def is_live(self, setup: Setup, state: State, port: PortName) -> bool:
        """Whether the circuit leads the drive to a viewed port in a state."""
        prediction = self.predict(setup, state, self.job.sequence.checks[0].tone.frequency_hz)
        return prediction.live[setup.view.index(port)]

    def route(self, setup: Setup, state: State, port: PortName) -> str:
        """The route to a port in words, found once."""
        key = (setup.name, state.name, port)
        if key not in self.routes:
            if setup.drive is None or not self.is_live(setup, state, port):
                self.routes[key] = SILENT
            else:
                self.routes[key] = live_route(self._circuit(setup, state), setup.drive, port)
        return self.routes[key]

    def predict(self, setup: Setup, state: State, frequency_hz: float) -> Prediction:
        """Predict at a frequency; if all states are wanted, all at once, since most work is shared."""
        known = self.predicted.setdefault((setup.name, frequency_hz), {})
        if state.name not in known:
            everywhere = frequency_hz in self._everywhere_hz and state in self.job.sequence.states
            wanted = self.job.sequence.states if everywhere else (state,)
            frequencies_hz = choose_tones(frequency_hz, self.job.mains_hz).frequencies_hz
            for other in wanted:
                made = self.known.get((setup, other, frequency_hz))
                if made is None:
                    key = (setup.name, other.name)
                    if key not in self.circuits:
                        self.circuits[key] = PredictedCircuit(self._circuit(setup, other))
                    made = self.circuits[key].at(frequencies_hz)
                    if not setup.through:  # which hangs on how wide the other setups are
                        self.known[setup, other, frequency_hz] = made
                known[other.name] = made
        return known[state.name]

    def _circuit(self, setup: Setup, state: State) -> Circuit:
        """A state of a setup; what stays the same in all of a setup's states is expanded once."""
        if setup.name not in self.wirings:
            self.wirings[setup.name] = build_wiring(self.job.module, self.job.fixture, setup, self.impedances)
        return in_state(self.wirings[setup.name], self.job.module, setup, state)

    def predict_uncoupled(self, setup: Setup, state: State, frequency_hz: float) -> Prediction:
        """The same with nothing through open contacts."""
        key = (setup.name, state.name, frequency_hz)
        if key not in self.uncoupled:
            self.uncoupled[key] = self._uncoupled(setup, state, frequency_hz)
        return self.uncoupled[key]

    def _uncoupled(self, setup: Setup, state: State, frequency_hz: float) -> Prediction:
        circuit = self._circuit(setup, state)
        elements = tuple(
            replace(element, capacitance_f=0.0)
            if element.kind == "contact" and not element.conducts
            else element
            for element in circuit.elements
        )
        return predict_circuit(
            replace(circuit, elements=elements),
            frequencies_hz=choose_tones(frequency_hz, self.job.mains_hz).frequencies_hz,
            with_live=False,
        )

    @cached_property
    def _everywhere_hz(self) -> frozenset[float]:
        """Frequencies that are wanted in all states."""
        checks = self.job.sequence.checks
        return frozenset(
            (
                checks[0].tone.frequency_hz,
                *(
                    frequency_hz
                    for check in checks
                    if check.states is None
                    for frequency_hz in (check.tone.frequency_hz, *check.options.several_hz)
                ),
            )
        )


@dataclass(frozen=True, kw_only=True)
class CheckInState(Need):
    """A check at a port in one state and one setup.

    judged: the port's own check, or one that judges its silent ports.
    """

    draft: Draft
    need: CheckAtPort
    setup: Setup
    in_state: State
    judged: Check

    @classmethod
    def of(
        cls,
        draft: Draft,
        need: CheckAtPort,
        setup: Setup,
        state: State,
        check: Check | None = None,
        *,
        first: "CheckInState | None" = None,
        limit_is_general: bool = False,
    ) -> "CheckInState":
        """check: another than the need's own."""
        check = need.check if check is None else check
        return cls(
            check=check.name,
            frequency_hz=check.tone.frequency_hz,
            level_vrms=check.tone.level_vrms,
            limit=check.limit,
            options=check.options,
            channel=need.channel,
            port=need.port,
            driven=str(setup.drive),
            state=state.name,
            loopbacks=setup.loopbacks,
            source_legs=_source_legs(need, setup, check),
            first=first,
            limit_is_general=limit_is_general,
            draft=draft,
            need=need,
            setup=setup,
            in_state=state,
            judged=check,
        )

    @cached_property
    def live(self) -> bool:
        """Whether the drive is led to the port, or to that of the driven channel where this one hears it."""
        return self.draft.is_live(self._showing(self._heard), self.in_state, self._heard)

    @property
    def led_here(self) -> bool:
        """See Need."""
        return self.draft.is_live(self.setup, self.in_state, self._port)

    @property
    def route(self) -> str:
        """To the same port."""
        return self.draft.route(self._showing(self._heard), self.in_state, self._heard)

    def capture(self, stimulus: Stimulus) -> PlannedCapture:
        """Acquire it in this setup."""
        return self._acquire(self.setup, stimulus)

    def both_ways(self, stimulus: Stimulus, source_leg: str | None = None) -> list[PlannedCapture]:
        """In this setup or in one that differs in the source's leg, and in one with the inputs swapped."""
        setup = self.setup
        if source_leg is not None and source_leg != _source_leg(self.setup):
            setup = next(other for other in self.need.candidates if _source_leg(other) == source_leg)
        swapped = partner_of(setup, self.draft.job.fixture)
        return [self._acquire(each, stimulus) for each in (setup, swapped) if each is not None]

    def _acquire(self, setup: Setup, stimulus: Stimulus) -> PlannedCapture:
        setups = [setup]
        if self.need.second is not None:
            setups, stimulus = [setup, self.need.second], replace(stimulus, kind="synced")
        ports = [port for each in setups for port in each.view]
        view = PortView(
            rows=rows_of(self._port, ports),
            driven_rows=rows_of(self._heard, ports) if self._across else None,
            drive_rows=drive_rows(setup, ports) if self.judged.quantity.from_drive else None,
            frequency_hz=stimulus.frequency_hz,
            source_leg=_source_leg(setup),
            swapped=setup.inputs_swapped,
            captures=len(setups),
        )
        numbers = tuple(self.draft.acquire(each, self.in_state, stimulus) for each in setups)
        return PlannedCapture(numbers=numbers, view=view)

    def _showing(self, port: PortName) -> Setup:
        """The setup that views a port: this one, or the second."""
        second = self.need.second
        return self.setup if second is None or port in self.setup.view else second

    def predicted(self, frequency_hz: float) -> Complex:
        """Of the port's legs alone."""
        transfer = self.draft.predict(self.setup, self.in_state, frequency_hz).transfer
        return np.asarray(transfer[list(self.setup.rows(self._port))])

    def path(self) -> tuple[KnownOhm, KnownOhm]:
        """See `path_between`."""
        draft = self.draft
        return path_between(draft.job, self.judged, self.setup, self.in_state, self.port, draft.impedances)

    def coupled_into(self, frequency_hz: float) -> KnownOhm:
        """See `coupled_into`."""
        draft = self.draft
        return coupled_into(draft.job, self.setup, self.in_state, self._port, draft.impedances, frequency_hz)

    def coupled_from_drive(self, frequency_hz: float) -> float:
        """See `coupled_from_drive`."""
        draft = self.draft
        return coupled_from_drive(
            draft.job, self.setup, self.in_state, self._port, draft.impedances, frequency_hz
        )

    def judged_by(self, quantity: AnyQuantity, limit: Limit) -> "CheckInState":
        """The same with another quantity in the check's place, and a limit of silent ports in general."""
        check = replace(self.judged, quantity=quantity, limit=limit)
        return CheckInState.of(self.draft, self.need, self.setup, self.in_state, check, limit_is_general=True)

    @property
    def _port(self) -> PortName:
        return PortName(channel=self.channel, net=self.port)

    @property
    def _heard(self) -> PortName:
        """The port whose signal is read: across channels, the driven channel's."""
        return PortName(channel=self.need.drive.channel, net=self.port) if self._across else self._port

    @property
    def _across(self) -> bool:
        return self.judged.quantity.across(self.judged.options)


def _source_leg(setup: Setup) -> str:
    return "" if setup.source_added is None else setup.source_added.leg


def _source_legs(need: CheckAtPort, setup: Setup, check: Check) -> tuple[str, ...]:
    """Of the setups that could serve, this one's first; ("",) for a check that asks for none."""
    if not check.quantity.source_added(check.options):
        return ("",)
    own = _source_leg(setup)
    served = {_source_leg(other) for other in need.candidates}
    return (own, *(leg for leg in LEGS if leg != own and leg in served))
