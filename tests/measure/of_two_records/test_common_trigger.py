"""Two records that are counted from the same phase of a sine: phases, and what the trigger's instant adds.

Figures by closed form: a record that is counted from an instant t beside the right one has phases that are
wrong by 360 f t degrees.
"""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.measure.tone import fit_tones, from_trigger, joined
from harness.measure.tones import TonePair
from harness.measure.transfer import Transfer, Unturned, joined_unturned, make_unturned, turned
from harness.reading import Estimate
from harness.roles import Capture, CaptureSetting, InputSetting
from tests.measure.measured import View, crosstalk, phase

TONES = TonePair(hot_hz=980.0, cold_hz=1010.0, duration_s=0.1, samples=4000)
CLOCK = 1 + 40e-6  # the generator's over the scope's
EMF = (0.5, 0.5)
OUTPUT = 0.4 * np.exp(-0.3j) * np.array([[1.0, 0.01], [-0.02, 1.0]])
INPUT = 0.9 * np.exp(-0.1j) * np.eye(2)
QUIET = np.array([[2e-3, 1e-3], [-1e-3, 1.5e-3]]) * np.exp(1j)
WITHIN_S = 2e-6
NOISE_V = 1e-4


class Records:
    """Records of a port, each leg driven alone, counted from an instant near that where its sine begins."""

    def __init__(self, seed: int, *, error_s: float | None = None) -> None:
        self.random = np.random.default_rng(seed)
        self.error_s = error_s  # None: drawn

    def seen(self, port: NDArray[np.complex128], name: str) -> Unturned:
        parts = [self._of_leg(port, column) for column in (0, 1)]
        fits = [
            from_trigger(
                fit_tones(part.volts, part.interval_s, TONES.frequencies_hz, step_v=part.step_v),
                part.origin_s,
            )
            for part in parts
        ]
        return make_unturned(
            parts[0],
            joined(*fits),
            emf_vrms=EMF,
            reference=None,
            gain_accuracy=1e-9,
            generator_accuracy=1e-9,
            acquisition=name,
        )

    def _of_leg(self, port: NDArray[np.complex128], column: int) -> Capture:
        interval_s = TONES.duration_s / TONES.samples
        start_s = -0.05 + self.random.uniform(-3e-3, 3e-3)  # a pre-trigger of any length
        at_s = start_s + interval_s * np.arange(TONES.samples)
        turning = np.exp(1j * (2 * np.pi * TONES.frequencies_hz[column] * CLOCK * at_s - np.pi / 2))
        volts = math.sqrt(2) * EMF[column] * np.real(port[:, column, None] * turning)
        error_s = self.random.uniform(-WITHIN_S, WITHIN_S) if self.error_s is None else self.error_s
        return Capture(
            inputs=(1, 2),
            volts=volts + NOISE_V * self.random.standard_normal(volts.shape),
            interval_s=interval_s,
            full_scale_v=(4.0, 4.0),
            step_v=(1e-6, 1e-6),
            clipped=(0, 0),
            setting=CaptureSetting(
                inputs={n: InputSetting(volts_per_division=0.5) for n in (1, 2)},
                duration_s=TONES.duration_s,
                samples=TONES.samples,
            ),
            origin_s=start_s + error_s,
            trigger_within_s=WITHIN_S,
        )


def together(records: Records, *ports: NDArray[np.complex128], drive: int | None = None) -> Transfer:
    seen = joined_unturned([records.seen(port, f"record {number}") for number, port in enumerate(ports)])
    rows = None if drive is None else (drive, drive + 1)
    return turned(seen, prediction=np.concatenate(ports), drive_rows=rows, passive=False)


def phase_of(records: Records) -> Estimate:
    """Of the output, in one record, against the input, in another."""
    transfer = together(records, OUTPUT, INPUT, drive=2)
    assert transfer.phase_known
    return phase(View(transfer=transfer, hot=0, cold=1, drive=(2, 3)))


def truth_deg() -> float:
    """½[(Hhh - Hch) - (Hhc - Hcc)] of the output over that of the input."""
    output, input_ = ((h[0, 0] - h[1, 0] - h[0, 1] + h[1, 1]) / 2 for h in (OUTPUT, INPUT))
    return math.degrees(float(np.angle(output / input_)))


@pytest.mark.parametrize("error_s", [0.0, 1e-6])
def test_the_phase_is_that_between_the_ports_whatever_all_records_are_late_by(error_s: float) -> None:
    """A delay of the sync is the same in all records, and cancels."""
    result = phase_of(Records(1, error_s=error_s))
    assert result.value == pytest.approx(truth_deg(), abs=0.02)


def test_the_uncertainty_is_what_four_drawn_instants_make() -> None:
    """Two legs count half each, in two records: 360 f t √(2 · 2 / 4), of a limit t over √3."""
    (line,) = [part for part in phase_of(Records(2)).budget if part.name == "trigger"]
    assert line.standard == pytest.approx(360 * 995.0 * WITHIN_S / math.sqrt(3), rel=0.01)


def test_the_stated_intervals_hold_the_truth() -> None:
    """Of 150 draws 95 in 100 at least; less than 134 comes once in 1000 times (binomial)."""
    results = [phase_of(Records(seed)) for seed in range(150)]
    assert sum(result.low <= truth_deg() <= result.high for result in results) >= 134
    # And they are no wider than that needs: a standard deviation of such draws is what is stated.
    spread = float(np.std([result.value for result in results]))
    assert spread == pytest.approx(float(np.mean([result.standard for result in results])), rel=0.2)


def test_crosstalk_of_two_records_is_the_level_between_them() -> None:
    """20 log10 |D| of the quiet port over that of the driven one; the sync tells how its legs add up."""
    transfer = together(Records(3), QUIET, OUTPUT)
    result = crosstalk(View(transfer=transfer, hot=0, cold=1), View(transfer=transfer, hot=2, cold=3))
    quiet, driven = (h[0, 0] - h[1, 0] - h[0, 1] + h[1, 1] for h in (QUIET, OUTPUT))
    assert result.low <= 20 * math.log10(abs(quiet / driven)) <= result.high
    assert result.high - result.low < 0.2


def test_an_inverted_port_reads_half_a_turn() -> None:
    records = Records(4)
    transfer = together(records, -OUTPUT, INPUT, drive=2)
    result = phase(View(transfer=transfer, hot=0, cold=1, drive=(2, 3)))
    off_deg = math.remainder(result.value - truth_deg() - 180.0, 360.0)
    assert abs(off_deg) < 1.0


def test_a_record_by_itself_claims_no_phase_against_a_drive_that_it_does_not_show() -> None:
    seen = Records(5).seen(OUTPUT, "alone")
    assert not turned(seen, prediction=OUTPUT, drive_rows=None, passive=False).phase_known
