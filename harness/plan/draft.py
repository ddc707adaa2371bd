"""What has been planned so far: acquisitions, each shared by every reading that can use it."""

from dataclasses import dataclass, field, replace
from functools import cached_property

from harness.circuit.elements import BenchImpedances, Circuit
from harness.circuit.expand import build_wiring, in_state
from harness.circuit.predict import Prediction, differential, predict_circuit
from harness.circuit.routes import SILENT, live_route
from harness.job.fixture import Hookup, PortName
from harness.job.job import Job
from harness.job.sequence import Check
from harness.job.state import State
from harness.measure.tones import Stimulus, choose_tones
from harness.plan.hookups import Need, partner_of
from harness.plan.known import coupled_into, path_between
from harness.plan.model import Acquisition
from harness.quantities.need import KnownOhm, PlannedCapture, PortView


@dataclass
class Draft:
    """A plan in the making; `hookups`: those that anything is acquired in."""

    job: Job
    impedances: BenchImpedances
    acquisitions: dict[tuple[str, str, Stimulus], Acquisition] = field(default_factory=dict)
    predictions: dict[int, Prediction] = field(default_factory=dict)
    routes: dict[tuple[str, str, PortName], str] = field(default_factory=dict)
    predicted: dict[tuple[str, float], dict[str, Prediction]] = field(default_factory=dict)
    hookups: dict[str, Hookup] = field(default_factory=dict)
    wirings: dict[str, Circuit] = field(default_factory=dict)

    def acquire(self, hookup: Hookup, state: State, stimulus: Stimulus) -> int:
        """Number of the acquisition for this hookup, state and stimulus; planned at the first call."""
        key = (hookup.name, state.name, stimulus)
        if key not in self.acquisitions:
            self.hookups[hookup.name] = hookup
            number = len(self.acquisitions) + 1
            self.acquisitions[key] = Acquisition(
                number=number, hookup=hookup.name, state=state, stimulus=stimulus
            )
            if stimulus.has_tone:
                self.predictions[number] = self.predict(hookup, state, stimulus.frequency_hz)
        return self.acquisitions[key].number

    def is_live(self, hookup: Hookup, state: State, port: PortName) -> bool:
        """Whether the circuit leads the drive to a viewed port in a state."""
        prediction = self.predict(hookup, state, self.job.sequence.checks[0].tone.frequency_hz)
        return prediction.live[hookup.view.index(port)]

    def route(self, hookup: Hookup, state: State, port: PortName) -> str:
        """The route to a port in words, found once."""
        key = (hookup.name, state.name, port)
        if key not in self.routes:
            if hookup.drive is None or not self.is_live(hookup, state, port):
                self.routes[key] = SILENT
            else:
                self.routes[key] = live_route(self._circuit(hookup, state), hookup.drive, port)
        return self.routes[key]

    def predict(self, hookup: Hookup, state: State, frequency_hz: float) -> Prediction:
        """Predict at a frequency; where all states are wanted, all at once, since most work is shared."""
        known = self.predicted.setdefault((hookup.name, frequency_hz), {})
        if state.name not in known:
            everywhere = self._is_everywhere(frequency_hz) and state in self.job.sequence.states
            wanted = self.job.sequence.states if everywhere else (state,)
            frequencies_hz = choose_tones(frequency_hz).frequencies_hz
            for one in wanted:
                circuit = self._circuit(hookup, one)
                known[one.name] = predict_circuit(circuit, frequencies_hz=frequencies_hz)
        return known[state.name]

    def _circuit(self, hookup: Hookup, state: State) -> Circuit:
        """A state of a hookup; what stays the same in all of a hookup's states is expanded once."""
        if hookup.name not in self.wirings:
            self.wirings[hookup.name] = build_wiring(
                self.job.module, self.job.fixture, hookup, self.impedances
            )
        return in_state(self.wirings[hookup.name], self.job.module, hookup, state)

    def _is_everywhere(self, frequency_hz: float) -> bool:
        checks = self.job.sequence.checks
        return frequency_hz == checks[0].tone.frequency_hz or any(
            check.states is None and frequency_hz in (check.tone.frequency_hz, *check.options.several_hz)
            for check in checks
        )


@dataclass(frozen=True, kw_only=True)
class NeedInState:
    """A need in one state and one hookup, as quantities ask for it (`harness.quantities.need.Need`).

    check: the need's own, or one that judges its silent ports. first: the same in the first channel.
    """

    draft: Draft
    need: Need
    hookup: Hookup
    in_state: State
    check: Check
    first: "NeedInState | None" = None

    @property
    def channel(self) -> str:
        """Of the port."""
        return self.need.channel

    @property
    def port(self) -> str:
        """Its net."""
        return self.need.port

    @property
    def driven(self) -> str:
        """The port that the generator feeds."""
        return str(self.hookup.drive)

    @property
    def state(self) -> str:
        """Its name."""
        return self.in_state.name

    @property
    def loopbacks(self) -> tuple[str, ...]:
        """Those of the hookup."""
        return self.hookup.links

    @cached_property
    def live(self) -> bool:
        """Whether the drive is led to the port, or to that of the driven channel where this one hears it."""
        return self.draft.is_live(self.hookup, self.in_state, self._heard)

    @property
    def route(self) -> str:
        """To the same port."""
        return self.draft.route(self.hookup, self.in_state, self._heard)

    @property
    def source_legs(self) -> tuple[str, ...]:
        """Of the hookups that could serve, this one's first."""
        if not self.check.quantity.source_added(self.check.options):
            return ("",)
        own = _source_leg(self.hookup)
        there = {_source_leg(other) for other in self.need.candidates}
        return (own, *(leg for leg in ("hot", "cold") if leg != own and leg in there))

    def capture(
        self, stimulus: Stimulus, *, swapped: bool = False, source_leg: str | None = None
    ) -> PlannedCapture | None:
        """Acquire it in this hookup, or in one that differs in the source's leg, or in the scope's inputs."""
        hookup: Hookup | None = self.hookup
        if source_leg is not None and source_leg != _source_leg(self.hookup):
            hookup = next(other for other in self.need.candidates if _source_leg(other) == source_leg)
        if swapped and hookup is not None:
            hookup = partner_of(hookup, self.draft.job.fixture)
        if hookup is None:
            return None
        number = self.draft.acquire(hookup, self.in_state, stimulus)
        return PlannedCapture(number=number, view=self._view(hookup, stimulus))

    def predicted_level(self, frequency_hz: float) -> float:
        """Of the port's differential."""
        transfer = self.draft.predict(self.hookup, self.in_state, frequency_hz).transfer
        return abs(complex(differential(transfer)[self.hookup.view.index(self._port)]))

    def path(self) -> tuple[KnownOhm, KnownOhm]:
        """See `path_between`."""
        draft = self.draft
        return path_between(draft.job, self.check, self.hookup, self.in_state, self.port, draft.impedances)

    def coupled_into(self) -> KnownOhm:
        """See `coupled_into`."""
        return coupled_into(self.draft.job, self.hookup, self.in_state, self._port, self.draft.impedances)

    def of(self, check: Check) -> "NeedInState":
        """The same of another check."""
        return replace(self, check=check)

    @property
    def _port(self) -> PortName:
        return PortName(channel=self.channel, net=self.port)

    @property
    def _heard(self) -> PortName:
        """The port whose signal is read: across channels, the driven channel's."""
        return PortName(channel=self.need.drive.channel, net=self.port) if self._across else self._port

    @property
    def _across(self) -> bool:
        return self.check.quantity.across(self.check.options)

    def _view(self, hookup: Hookup, stimulus: Stimulus) -> PortView:
        return PortView(
            rows=hookup.rows(self._port),
            driven_rows=hookup.rows(self._heard) if self._across else None,
            frequency_hz=stimulus.frequency_hz,
            source_leg=_source_leg(hookup),
            swapped=hookup.exchanged,
        )


def _source_leg(hookup: Hookup) -> str:
    return "" if hookup.source_added is None else hookup.source_added.leg
