"""What has been planned so far: acquisitions, each shared by every reading that can use it."""

from dataclasses import dataclass, field

from harness.circuit.elements import BenchImpedances, Circuit
from harness.circuit.expand import build_wiring, in_state
from harness.circuit.predict import Prediction, predict_circuit
from harness.circuit.routes import SILENT, live_route
from harness.job.fixture import Hookup, PortName
from harness.job.job import Job
from harness.job.state import State
from harness.measure.tones import choose_tones
from harness.plan.model import Acquisition, Stimulus


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
            if stimulus.kind in ("pair", "antiphase"):
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
