"""Draws of a bench whose records repeat badly: the level of each output differs from record to record.

Phasors only, with the noise that a fit would leave: thousands of references in seconds.
"""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from harness.measure.clock import EXACT_CLOCK
from harness.measure.reference import ToneReference, with_common_spread
from harness.measure.through import Shot, tone_reference
from harness.measure.tone import ToneFit
from harness.measure.transfer import make_transfer
from harness.roles import Capture, CaptureSetting, InputSetting
from tests.measure.draws.shares import Drawn, drawn
from tests.measure.measured import (
    View,
    channel_gain_difference,
    gain,
    leg_gain,
    leg_gain_difference,
    response,
)
from tests.measure.synthetic import through

Complex = NDArray[np.complex128]

RECORDS = 3  # of each tone, as a run takes them
EMF, LOW = (0.6, 0.6), (0.06, 0.06)
DRIVE_RANGE, FINER = 0.5, 0.05  # volts per division
SCATTER, NOISE = 0.01, 1e-4  # of a level: from record to record, and within one
TRUE = np.diag([0.9, 0.9]).astype(complex)
PARTS = np.kron(np.eye(2), [[1], [1j]])  # of two phasors, from four numbers
QUIET = np.diag([0.09, 0.09]).astype(complex)


class Scattering:
    """A bench that is right but for what differs from record to record.

    scatter: standard deviation of a tone's records, by tone. shared: the outputs' levels scatter, and all
    inputs of a leg with them; otherwise each input does, on its own. noise: of each phasor's two parts, over
    the level. The seed alone says what is drawn.
    """

    def __init__(
        self,
        seed: int,
        *,
        scatter: Mapping[float, float],
        noise: float = NOISE,
        shared: bool = True,
        legs: int = 2,
    ) -> None:
        self.random = np.random.default_rng(seed)
        self.legs = legs
        self._scatter, self._noise, self._shared = scatter, noise, shared

    def shot(
        self, hz: float, transfer: Complex, emf_vrms: tuple[float, float], volts_per_division: float
    ) -> Shot:
        """One record, as its fit has it."""
        rows = len(transfer)
        off = self.random.normal(size=(1, 2) if self._shared else (rows, 1))
        noise = self._noise * np.abs(transfer).max() * emf_vrms[0]
        phasors = transfer * np.asarray(emf_vrms) * (1 + self._scatter[hz] * off)
        phasors = phasors + noise * (self.random.normal(size=(rows, 4)) @ PARTS)
        inputs = tuple(range(1, rows + 1))
        capture = Capture(
            inputs=inputs,
            volts=np.zeros((rows, 0)),
            interval_s=1e-5,
            full_scale_v=(8 * volts_per_division,) * rows,
            step_v=(0.0,) * rows,
            clipped=(0,) * rows,
            setting=CaptureSetting(
                inputs={number: InputSetting(volts_per_division=volts_per_division) for number in inputs},
                duration_s=0.1,
                samples=10_000,
            ),
        )
        nothing = np.zeros(rows)
        fit = ToneFit(
            frequencies_hz=(hz, hz + 30.0),
            phasors=phasors,
            standard=np.full((rows, 2), noise),
            correlation=np.zeros(rows // 2, dtype=np.complex128),
            offset_v=nothing,
            offset_standard_v=nothing,
            residual_v=nothing,
            noise_v=nothing,
            quiet_v=nothing,
            hum_v=nothing,
            lines_v=nothing,
            line_hz=nothing,
            clock=EXACT_CLOCK,
            duration_s=0.1,
            samples=10_000,
        )
        return Shot(capture=capture, fit=fit, emf_vrms=emf_vrms)

    def references(self, *ladder: float) -> dict[float, ToneReference]:
        """A through reference of all tones; ladder: ranges of two records at a lower level."""
        straight = through(self.legs, 1.0)
        made = [
            tone_reference(
                [self.shot(hz, straight, EMF, DRIVE_RANGE) for _ in range(RECORDS)],
                [self.shot(hz, straight, LOW, volts) for volts in ladder],
                through_prediction=straight,
                identity=f"through at {hz:g} Hz",
            )
            for hz in self._scatter
        ]
        return dict(zip(self._scatter, with_common_spread(made), strict=True))

    def view(self, reference: ToneReference, true: Complex, name: str, volts: float = DRIVE_RANGE) -> View:
        """A unit's port by one more record."""
        shot = self.shot(reference.frequencies_hz[0], true, EMF, volts)
        transfer = make_transfer(
            shot.capture,
            shot.fit,
            emf_vrms=EMF,
            reference=reference,
            prediction=true,
            drive_rows=None,
            gain_accuracy=0.0,
            generator_accuracy=0.0,
            acquisition=name,
        )
        return View(transfer=transfer, hot=0, cold=1)


def legs(bench: Scattering, tone: int = 0) -> list[Drawn]:
    """The gain of every leg, by one record at one of the tones."""
    reference = list(bench.references().values())[tone]
    level = np.where(through(bench.legs), TRUE[0, 0], 0.0)
    transfer = bench.view(reference, level, "one").transfer
    truth = 20 * math.log10(abs(TRUE[0, 0]))
    return [drawn(leg_gain(transfer, row), truth) for row in range(bench.legs)]


def read(bench: Scattering) -> dict[str, list[Drawn]]:
    """What a new reference of this bench makes of a unit's records, at its first tone and its last."""
    references = bench.references(DRIVE_RANGE, FINER)
    first = next(iter(references.values()))
    one, other = (bench.view(first, TRUE, name) for name in ("one", "other"))
    finer = bench.view(first, QUIET, "finer", FINER)
    level, quiet = (20 * math.log10(abs(true[0, 0])) for true in (TRUE, QUIET))
    result = {
        "gain of a leg": drawn(leg_gain(one.transfer, 0), level),
        "gain": drawn(gain(one), level),
        "leg_gain_difference": drawn(leg_gain_difference(one), 0.0),
        "channel_gain_difference": drawn(channel_gain_difference(other, one), 0.0),
        "gain, finer range": drawn(gain(finer), quiet),
    }
    if len(references) > 1:
        last = bench.view(list(references.values())[-1], TRUE, "last")
        result["gain of a leg, last tone"] = drawn(leg_gain(last.transfer, 0), level)
        result["response"] = drawn(response(last, one), 0.0)
    return {name: [reading] for name, reading in result.items()}


def tones(count: int, scatter: float = SCATTER) -> dict[float, float]:
    """So many tones whose records scatter alike."""
    return {1000.0 * place: scatter for place in range(1, count + 1)}


def repeats(seed: int) -> dict[str, list[Drawn]]:
    """As many tones as a sequence with a response has."""
    result = read(Scattering(seed, scatter=tones(9)))
    return {f"{quantity}, unsteady": readings for quantity, readings in result.items()}
