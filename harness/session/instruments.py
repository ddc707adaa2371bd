"""The instruments during a run: the generator's settings, the relays' operations, and recovery after a fault.

Three facts about a relay are kept apart: what was commanded, whether the switchboard read it back, and that a
contact closed, by the unit's current with each control line on and by its readings.

Recovery is strict. All four instruments are reopened, must have the same identity, are off and verified, and
get every setting again; if the switchboard can't be read back, the control lines are checked again by their
currents. What the fault cost (a capture, a state) is measured once more later. A run that lacks a reading
even then ends without a verdict, and one with too many faults ends there. The through reference, the control
lines one by one and the check of a setup are tried once more; a through setup made by hand is not.
"""

from collections import Counter
from dataclasses import dataclass
from math import sqrt

from harness.errors import TRANSIENT, BenchError
from harness.job.job import Job
from harness.measure.tones import Stimulus
from harness.reading import Fact, LostToBench
from harness.records.run import BenchFault
from harness.records.store import RunStore
from harness.roles import Bench, Generator, Supply, Switchboard
from harness.session.events import Observer, Remark


def leg_vpp(level_vrms: float) -> float:
    """Peak-to-peak volts of one leg for a differential level in volts RMS: half of it, times 2√2."""
    return level_vrms * sqrt(2.0)


SILENT = (0.0, 0.0, 0.0)  # in place of a sine: frequency, amplitude, phase


class Drive:
    """Two outputs of a generator as the legs of a balanced source.

    A generator with one frequency drives the legs of a pair of tones one after the other: a stimulus then has
    two parts, and the circuit, which is linear, makes of both together what it makes of their sum. So does
    any generator whose sync starts the records, as that follows one output.
    """

    def __init__(self, generator: Generator, outputs: tuple[int, int]) -> None:
        self._generator, self._outputs = generator, outputs
        self._sines: dict[int, tuple[float, float, float]] = {}
        self._on = False

    @property
    def shares_clock(self) -> bool:
        """Whether hot and cold have one clock."""
        return self._generator.shares_clock

    def parts(self, stimulus: Stimulus) -> int:
        """How many parts a stimulus is driven in."""
        if stimulus.kind == "synced":
            return 2
        return 1 if self._generator.independent_frequencies or stimulus.kind != "pair" else 2

    def apply(self, stimulus: Stimulus, part: int = 0) -> None:
        """Set the generator to a stimulus, or to a part of it; the driver reads its outputs back."""
        if stimulus.kind == "silence":
            self.silence()
            return
        wanted = self._wanted(stimulus)
        if self.parts(stimulus) > 1:
            wanted = (wanted[0], SILENT) if part == 0 else (SILENT, wanted[1])
        elif stimulus.kind == "terminated" and not self._generator.independent_frequencies:
            wanted = (SILENT, SILENT)
        # The silent ones first: the frequency of the others may be theirs as well.
        for output, sine in sorted(
            zip(self._outputs, wanted, strict=True), key=lambda each: each[1] != SILENT
        ):
            if self._sines.get(output) == sine:
                continue
            self._sines.pop(output, None)  # a setting that fails leaves it unknown
            frequency_hz, amplitude_vpp, phase_deg = sine
            if sine == SILENT:
                self._generator.silence(output)
            else:
                self._generator.sine(
                    output, frequency_hz=frequency_hz, amplitude_vpp=amplitude_vpp, phase_deg=phase_deg
                )
            self._sines[output] = sine
        if stimulus.kind == "synced":
            self._generator.sync(self._outputs[part])
        if not self._on:
            for output in self._outputs:
                self._generator.switch(output, on=True)
            self._on = True

    def _wanted(self, stimulus: Stimulus) -> tuple[tuple[float, float, float], ...]:
        """Frequency, amplitude and phase of the hot and of the cold output."""
        tones = stimulus.tones
        amplitude_vpp = leg_vpp(stimulus.level_vrms)
        if stimulus.kind == "terminated":
            amplitude_vpp = self._generator.amplitude_range_vpp[0]
        if stimulus.kind == "antiphase":
            return (tones.hot_hz, amplitude_vpp, 0.0), (tones.hot_hz, amplitude_vpp, 180.0)
        return (tones.hot_hz, amplitude_vpp, 0.0), (tones.cold_hz, amplitude_vpp, 0.0)

    def forget(self) -> None:
        """Forget every setting, after the generator was reopened or switched off by another."""
        self._sines.clear()
        self._on = False

    def set_again(self, stimulus: Stimulus) -> None:
        """Set everything once more, so that the driver reads it back."""
        self.forget()
        self.apply(stimulus)

    def silence(self) -> None:
        """Switch both outputs off."""
        for output in self._outputs:
            self._generator.switch(output, on=False)
        self._on = False


class CountedSwitchboard:
    """A switchboard, and how often each of its channels was commanded to close."""

    def __init__(self, board: Switchboard) -> None:
        self._board = board
        self.identity, self.reads_back, self.settle_s = board.identity, board.reads_back, board.settle_s
        self.identities = board.identities
        self._closed: frozenset[int] = frozenset()
        self.closings: Counter[int] = Counter()

    @property
    def closed(self) -> frozenset[int]:
        """The channels that it was told to close; none after a failure."""
        return self._closed

    def set(self, closed: frozenset[int]) -> None:
        """Close exactly these; a command that fails may have moved a relay, and counts as well."""
        self.closings.update(closed - self._closed)
        self._closed = frozenset()
        self._board.set(closed)
        self._closed = closed

    def off(self) -> None:
        """Every channel open."""
        self._closed = frozenset()
        self._board.off()

    def recover(self) -> None:
        """After a failure: every channel open."""
        self._closed = frozenset()
        self._board.recover()


class SwitchedSupply:
    """A relay supply, and whether it was told to be on: a coil is pulsed only then."""

    def __init__(self, supply: Supply) -> None:
        self._supply = supply
        self.identity = supply.identity
        self.set, self.measure, self.prepare = supply.set, supply.measure, supply.prepare
        self.measures_current = supply.measures_current
        self.is_on = False

    def switch(self, *, on: bool) -> None:
        """On or off; after a failure it counts as off."""
        self.is_on = False
        self._supply.switch(on=on)
        self.is_on = on

    def off(self) -> None:
        """Output off, verified."""
        self.is_on = False
        self._supply.off()

    def recover(self) -> None:
        """After a failure: off."""
        self.is_on = False
        self._supply.recover()


def operations_of(job: Job, board: CountedSwitchboard) -> dict[str, int]:
    """How often each relay's control line was energised (of a latching one, the line that sets it)."""
    channels = {relay.name: job.fixture.controls[relay.operating_control] for relay in job.module.relays}
    return {name: board.closings[channel] for name, channel in channels.items()}


MOST_FAULTS = 3  # common practice, no source: a bench that fails more often needs repair


@dataclass(frozen=True, kw_only=True)
class NotTaken:
    """Why a capture is missing, in words for people and as facts for programs."""

    reason: str
    facts: tuple[Fact, ...] = ()


class Recovery:
    """Counts a run's bench faults, and reopens the bench after each."""

    def __init__(self, bench: Bench, drive: Drive, store: RunStore, run_id: int, observe: Observer) -> None:
        self._bench, self._drive, self._observe = bench, drive, observe
        self._store, self._run_id = store, run_id
        self.faults: list[str] = []

    def after(self, error: BenchError) -> NotTaken:
        """Record the fault and reopen the bench, everything off; returns why a capture is missing.

        Raises the error itself if there were too many, or if the bench does not come back.
        """
        self.faults.append(str(error))
        fault = BenchFault(instrument=error.instrument, address=error.address)
        self._store.add_event(self._run_id, fault, str(error))
        self._observe(Remark(text=f"bench fault, not the unit's: {error}"))
        if len(self.faults) > MOST_FAULTS:
            error.add_note(f"the bench failed {len(self.faults)} times; the run ends here")
            raise error
        self._drive.forget()
        try:
            try:
                self._reopen()
            except TRANSIENT:  # an answer that was late may come just then
                self._reopen()
        except BenchError as still:
            error.add_note(f"the bench did not come back: {still}")
            raise error from still
        self._observe(Remark(text="all instruments reopened, the same as before, and off; the run continues"))
        lost = LostToBench(instrument=error.instrument)
        return NotTaken(reason=f"the bench failed: {error}", facts=(lost,))

    def _reopen(self) -> None:
        bench = self._bench
        bench.generator.recover()
        bench.supply.recover()
        bench.switchboard.recover()
        bench.oscilloscope.recover()
