"""The through setup with swapped inputs: the ratio of two gains is known, a lead that moved is noticed."""

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from harness.errors import ReadingError
from harness.measure.reference import Reference, ToneReference, with_common_spread
from harness.measure.swapped_through import contradictions, with_swapped
from harness.measure.through import through_problems
from harness.measure.tone import fit_tones
from harness.session.recorder import in_order
from tests.measure.draws.transfers import (
    DRIVE_RANGE,
    FINER,
    JOINED,
    TONES,
    measure,
    shots_swapped,
    take_reference,
)
from tests.measure.measured import View, leg_gain_difference
from tests.measure.synthetic import SyntheticBench, through

LONG = replace(TONES, samples=20_000)


def taken(bench: SyntheticBench, **changed: Any) -> ToneReference:
    """A reference of both through setups; changed: gains of inputs in the second, as factors by number."""
    straight = take_reference(bench)
    for number, factor in changed.items():
        bench.gains[int(number[1:]), DRIVE_RANGE] *= factor
    return with_swapped(straight, shots_swapped(bench, 3))


@pytest.mark.parametrize("seed", range(4))
def test_the_ratio_of_a_pair_s_gains_is_that_of_the_bench(seed: int) -> None:
    """Within five times the noise of a record; the gains differ by up to 6 %."""
    bench = SyntheticBench(seed)
    reference = taken(bench)
    for hot, (first, second) in ((0, (1, 2)), (2, (3, 4))):
        true = bench.gain(second, DRIVE_RANGE) / bench.gain(first, DRIVE_RANGE)
        noise = max(reference.source_standard) / abs(reference.source[hot])
        assert reference.ratio_of(hot) == pytest.approx(true, abs=5 * noise)


def test_a_level_that_changed_alike_on_both_outputs_does_no_harm() -> None:
    """Closed form: in √(bH'/aH · bC/aC') it cancels."""
    bench = SyntheticBench(4)
    straight = take_reference(bench, LONG)
    bench.levels *= 1.005
    ratio = with_swapped(straight, shots_swapped(bench, 3, LONG)).ratio_of(0)
    assert ratio == pytest.approx(bench.gain(2, DRIVE_RANGE) / bench.gain(1, DRIVE_RANGE), rel=1e-3)


def test_legs_that_a_load_joins_are_read_ten_times_as_surely() -> None:
    """Without the ratio the scope's 3 % are in it, by as much as each leg shows of the other output."""
    bench = SyntheticBench(5, inputs=(1, 2))
    straight = take_reference(bench, LONG)
    known = with_swapped(straight, shots_swapped(bench, 3, LONG))
    result = {}
    for name, reference in (("unknown", straight), ("known", known)):
        transfer = measure(bench, reference, JOINED, np.diag([0.8, 0.8]), name, tones=LONG)
        result[name] = leg_gain_difference(View(transfer=transfer, hot=0, cold=1))
    loose, tight = result["unknown"].standard, result["known"].standard
    assert loose is not None
    assert tight is not None
    assert tight < loose / 10


@pytest.mark.parametrize("input_number", ["i1", "i2"])
def test_an_input_that_changed_between_the_setups_is_named(input_number: str) -> None:
    bench = SyntheticBench(6)
    (sentence,) = contradictions([taken(bench, **{input_number: 0.97})])
    assert "with swapped inputs, inputs 1 and 2 together show -0.26 dB" in sentence
    assert "one of their leads, or the generator's level, has changed" in sentence


@pytest.mark.parametrize("seed", range(6))
def test_noise_alone_contradicts_nothing(seed: int) -> None:
    assert not list(contradictions([taken(SyntheticBench(seed))]))


def test_leads_that_were_not_swapped_are_named() -> None:
    bench = SyntheticBench(7)
    capture = bench.capture(through(4), TONES, (0.02, 0.02), dict.fromkeys(bench.inputs, FINER))
    capture = in_order(capture, (2, 1, 4, 3))
    tones = (*TONES.frequencies_hz, 50.0, 60.0)
    fit = fit_tones(capture.volts, capture.interval_s, tones, step_v=capture.step_v)
    found = through_problems(capture.inputs, fit, emf_vrms=(0.02, 0.02), through_prediction=through(4))
    assert found == (
        "inputs 1 and 2 are not swapped: 1 sees the hot output and 2 the cold one. Swap their leads",
        "inputs 3 and 4 are not swapped: 3 sees the hot output and 4 the cold one. Swap their leads",
    )


def test_records_of_other_ranges_or_leads_are_refused() -> None:
    bench = SyntheticBench(8)
    straight = take_reference(bench)
    (shot,) = shots_swapped(bench, 1)
    with pytest.raises(ReadingError, match="different inputs or levels"):
        with_swapped(straight, [replace(shot, capture=in_order(shot.capture, (1, 2, 3, 4)))])
    finer = {
        number: replace(each, volts_per_division=FINER)
        for number, each in shot.capture.setting.inputs.items()
    }
    other = replace(shot.capture, setting=replace(shot.capture.setting, inputs=finer))
    with pytest.raises(ReadingError, match="on other ranges than those of the drive"):
        with_swapped(straight, [replace(shot, capture=other)])


def test_a_stored_reference_has_its_swapped_readings_and_an_old_one_has_none() -> None:
    bench = SyntheticBench(9)
    (tone,) = with_common_spread([taken(bench)])
    whole = Reference(taken_s=0.0, instruments=("g", "s"), tones=(tone,), offsets=())
    stored = json.loads(json.dumps(whole.to_dict()))
    assert Reference.from_dict(stored) == whole
    assert "repeatability" not in stored["tones"][0]["swapped"]
    del stored["tones"][0]["swapped"]
    (old,) = Reference.from_dict(stored).tones
    assert old.ratio_of(0) is None
    assert math.isclose(abs(old.source[0]), abs(tone.source[0]))
