"""The through reference: leads that are surely wrong, and what is kept of the bench."""

import json
import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.errors import ReadingError
from harness.measure.reference import Reference, ToneReference
from harness.measure.through import (
    Shot,
    ladder_rungs,
    measure_offsets,
    rungs_up,
    through_problems,
    tone_reference,
)
from harness.measure.tone import fit_tones
from harness.measure.tones import TonePair
from tests.measure.synthetic import SyntheticBench, fit_of, through

TONES = TonePair(hot_hz=980.0, cold_hz=1010.0, duration_s=0.1, samples=4000)
LOW = (0.02, 0.02)
RANGES = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5)


def said_of(
    transfer: NDArray[np.complex128],
    *,
    emf_vrms: tuple[float, float] = LOW,
    volts_per_division: float = 0.01,
    **how: Any,
) -> tuple[str, ...]:
    bench = SyntheticBench(3)
    ranges = dict.fromkeys(bench.inputs, volts_per_division)
    capture = bench.capture(transfer, TONES, emf_vrms, ranges, **how)
    with_mains = (*TONES.frequencies_hz, 50.0, 60.0)
    fit = fit_tones(capture.volts, capture.interval_s, with_mains, step_v=capture.step_v)
    return through_problems(bench.inputs, fit, emf_vrms=LOW, through_prediction=through(4))


def changed(**entries: Any) -> NDArray[np.complex128]:
    transfer = through(4)
    for row, values in entries.items():
        transfer[int(row[1:]) - 1] = values
    return transfer


def test_right_leads_are_not_remarked_upon() -> None:
    assert said_of(through(4)) == ()


@pytest.mark.parametrize(
    ("transfer", "sentences"),
    [
        (
            changed(i3=[0, 1], i4=[1, 0]),
            ["inputs 3 and 4 are swapped: 3 sees the cold output and 4 the hot one. Swap their leads"],
        ),
        (changed(i2=[1, 0]), ["input 2 sees the hot output and should see the cold one"]),
        (changed(i3=[0, 0]), ["input 3 sees neither output: its lead is open, shorted or on nothing"]),
        (
            changed(i1=[0.5, 0.5], i2=[0.5, 0.5], i3=[0.5, 0.5], i4=[0.5, 0.5]),
            [f"input {n} sees both outputs: hot and cold are joined at its lead" for n in (1, 2, 3, 4)],
        ),
        (
            changed(i2=[0, 0.1]),
            [
                "input 2 shows the cold output -20.1 dB from what is set: its probe's factor, 1x or 10x, "
                "is not the one in the bench file"
            ],
        ),
        (
            changed(i1=[0.7, 0]),
            [
                "input 1 shows the hot output -3.1 dB from what is set: its lead, its probe or its "
                "termination is wrong"
            ],
        ),
        (
            changed(i1=[0.5, 0], i3=[0.5, 0]),
            [
                "the hot output is -6.1 dB from what is set: the generator's load setting is 50 ohm and not "
                "high impedance, or the reverse"
            ],
        ),
        (
            changed(i4=[0, -1]),
            [
                "inputs 2 and 4 see the cold output in opposite phase: one of them inverts. Look at the "
                "invert setting of both in the oscilloscope's menu"
            ],
        ),
    ],
    ids=["inputs_swapped", "wrong leg", "open", "joined", "probe", "odd level", "load setting", "inverted"],
)
def test_a_wrong_lead_is_named(transfer: NDArray[np.complex128], sentences: list[str]) -> None:
    def rough(sentence: str) -> list[str]:  # the decibels depend on the bench's own errors
        return [word for word in sentence.split() if word[:1] not in "+-"]

    assert [rough(message) for message in said_of(transfer)] == [rough(sentence) for sentence in sentences]


def test_dc_and_hum_are_named() -> None:
    message = said_of(through(4), dc_v=0.8, volts_per_division=0.5, emf_vrms=LOW)
    assert [
        s for s in message if "input 1 shows 0.8 V DC, more than 0.5 V" in s or "input 1 shows 0.79 V DC" in s
    ]
    message = said_of(through(4), hum_vrms=5e-3, volts_per_division=0.02)
    assert any("mV RMS at 50 Hz, more than 2 mV: its ground lead is off or open" in s for s in message)


def take(bench: SyntheticBench, *, repeats: int = 1) -> ToneReference:
    def shot(peak_v: float, volts_per_division: float) -> Shot:
        emf = (peak_v / math.sqrt(2),) * 2
        capture = bench.capture(through(4), TONES, emf, dict.fromkeys(bench.inputs, volts_per_division))
        return Shot(capture=capture, fit=fit_of(capture, TONES), emf_vrms=emf)

    drive = [shot(1.4, 0.5) for _ in range(repeats)]
    ladder = []
    for rung in ladder_rungs(0.5, RANGES, 8, least_peak_v=1e-3):
        ladder += [
            shot(rung.peak_v, rung.coarser_v_per_division),
            shot(rung.peak_v, rung.finer_v_per_division),
        ]
    return tone_reference(drive, ladder, through_prediction=through(4), identity="r1")


@pytest.mark.parametrize("seed", range(5))
def test_the_ladder_finds_every_range_s_gain(seed: int) -> None:
    bench = SyntheticBench(seed)
    reference = take(bench)
    assert len(reference.ranges) == 4 * len(RANGES)
    for entry in reference.ranges:
        true = bench.gain(entry.input, entry.volts_per_division) / bench.gain(entry.input, 0.5)
        assert abs(entry.gain - true) <= 4.5 * entry.standard + 1e-12
        assert entry.standard < 2e-3


@pytest.mark.parametrize("seed", range(5))
def test_the_ladder_goes_up_to_ranges_of_more_than_the_drive(seed: int) -> None:
    """Of a unit with gain: by a higher level, or by the generator's largest where that is less."""
    bench = SyntheticBench(seed)
    drive = bench.capture(through(4), TONES, (1.0, 1.0), dict.fromkeys(bench.inputs, 0.5))
    ladder = []
    rungs = rungs_up(0.5, 5.0, [*RANGES, 1.0, 2.0, 5.0, 10.0], 8, most_peak_v=4.0)
    levels_v = [(rung.finer_v_per_division, rung.peak_v) for rung in rungs]
    assert levels_v == [(0.5, 1.5), (1.0, 3.0), (2.0, 4.0)]
    for rung in rungs:
        emf = (rung.peak_v / math.sqrt(2),) * 2
        for setting in (rung.coarser_v_per_division, rung.finer_v_per_division):
            capture = bench.capture(through(4), TONES, emf, dict.fromkeys(bench.inputs, setting))
            ladder.append(Shot(capture=capture, fit=fit_of(capture, TONES), emf_vrms=emf))
    first = Shot(capture=drive, fit=fit_of(drive, TONES), emf_vrms=(1.0, 1.0))
    reference = tone_reference([first], ladder, through_prediction=through(4), identity="up")
    for number in bench.inputs:
        entry = reference.range_gain(number, 5.0)
        assert entry is not None
        true = bench.gain(number, 5.0) / bench.gain(number, 0.5)
        assert abs(abs(entry.gain) - true) <= 4.5 * entry.standard
        assert entry.standard < 2e-3


def test_the_outputs_are_compared() -> None:
    bench = SyntheticBench(2)
    reference = take(bench)
    cold_over_hot = bench.levels[1] * bench.gain(2, 0.5) / (bench.levels[0] * bench.gain(1, 0.5))
    assert reference.cold_over_hot() == pytest.approx(cold_over_hot, rel=1e-3)


def test_repeated_captures_show_the_bench_s_own_repeatability() -> None:
    bench = SyntheticBench(2)
    assert max(take(bench, repeats=8).repeatability.standard) < 5e-4
    drifting = []
    for step in range(8):
        bench.levels = np.array([1 + 0.01 * (step % 2)] * 2)
        capture = bench.capture(through(4), TONES, (1.0, 1.0), dict.fromkeys(bench.inputs, 0.5))
        drifting.append(Shot(capture=capture, fit=fit_of(capture, TONES), emf_vrms=(1.0, 1.0)))
    result = tone_reference(drifting, [], through_prediction=through(4), identity="r2").repeatability
    # 1, 1.01, 1, 1.01 … have a deviation of 0.00532 of their mean
    assert result.standard == pytest.approx([0.00532] * 4, rel=0.035)
    assert result.freedom == pytest.approx([7] * 4, rel=0.05)


def test_three_captures_predict_how_far_a_fourth_lies_from_their_mean() -> None:
    """A generator that varies by 1 % from record to record: the mean of 200 such references says so.

    One more departs from the mean of three by sqrt(1 + 1/3) of what they vary (JCGM 100:2008, 4.2.3).
    """
    random = np.random.default_rng(5)
    squares, message = [], []
    for _ in range(200):
        levels = 1 + 0.01 * random.normal(size=4)
        shots = []
        for level in levels:
            bench = SyntheticBench(2)
            bench.levels = np.array([level] * 2)
            capture = bench.capture(through(4), TONES, (1.0, 1.0), dict.fromkeys(bench.inputs, 0.5))
            shots.append(Shot(capture=capture, fit=fit_of(capture, TONES), emf_vrms=(1.0, 1.0)))
        made = tone_reference(shots[:3], [], through_prediction=through(4), identity="r3")
        fourth = abs(shots[3].fit.phasors[0, 0])
        squares.append((fourth / abs(made.source[0]) - 1) ** 2)
        message.append(made.repeatability.standard[0] ** 2 * (1 + 1 / 3))
    assert np.mean(message) / np.mean(squares) == pytest.approx(1.0, abs=0.25)


def test_a_reference_is_kept_as_plain_json_and_read_back() -> None:
    bench = SyntheticBench(2)
    silent = bench.capture(through(4), TONES, (1e-12, 1e-12), dict.fromkeys(bench.inputs, 0.01), dc_v=1e-3)
    reference = Reference(
        taken_s=1000.0,
        instruments=("generator 7", "scope 9"),
        tones=(take(bench),),
        offsets=measure_offsets([(silent, fit_of(silent, TONES))]),
    )
    assert Reference.from_dict(json.loads(json.dumps(reference.to_dict()))) == reference
    result = reference.offset(3, 0.01)
    assert result is not None
    assert result.offset_v == pytest.approx(1e-3, rel=0.05)
    assert reference.offset(3, 0.5) is None


def test_a_reference_serves_its_own_instruments_for_four_hours() -> None:
    reference = Reference(taken_s=1000.0, instruments=("generator 7", "scope 9"), tones=(), offsets=())
    assert reference.serves(1000.0 + 3600, ("generator 7", "scope 9"))
    assert not reference.serves(1000.0 + 5 * 3600, ("generator 7", "scope 9"))
    assert not reference.serves(1000.0 + 3600, ("generator 7", "scope 8"))
    assert not reference.serves(900.0, ("generator 7", "scope 9"))


def test_an_input_that_sees_no_source_makes_no_reference() -> None:
    bench = SyntheticBench(2)
    capture = bench.capture(changed(i3=[0, 0]), TONES, (1.0, 1.0), dict.fromkeys(bench.inputs, 0.5))
    shot = Shot(capture=capture, fit=fit_of(capture, TONES), emf_vrms=(1.0, 1.0))
    with pytest.raises(ReadingError, match="input 3 does not see its source"):
        tone_reference([shot], [], through_prediction=through(4), identity="r")


def test_an_input_that_inverts_in_a_part_of_the_records_makes_no_reference() -> None:
    """Its ranges would be tied to each other by -1, and every reading on one of them inverted."""
    bench = SyntheticBench(2)

    def shot(volts_per_division: float, transfer: NDArray[np.complex128]) -> Shot:
        capture = bench.capture(transfer, TONES, (0.5, 0.5), dict.fromkeys(bench.inputs, volts_per_division))
        return Shot(capture=capture, fit=fit_of(capture, TONES), emf_vrms=(0.5, 0.5))

    ladder = [shot(0.2, through(4)), shot(0.5, changed(i1=[-1, 0]))]
    with pytest.raises(ReadingError, match="inputs 1 and 3 see the hot output in opposite phase"):
        tone_reference([shot(0.5, through(4))], ladder, through_prediction=through(4), identity="r")
