"""Codes to volts, against values worked by hand."""

import numpy as np
import pytest

from drivers.scope.oscilloscope_profile import IN_COUNTS, SUBTRACTED, TEN_FIELDS, Scaling, Source
from drivers.scope.samples import clipped
from drivers.scope.scaling import Answers, RecordScale, record_scale

IN_VOLTS = "(raw - reference) * scale + origin"


def scale_of(scaling: Scaling, preamble: str, *, factor: float = 1.0) -> RecordScale:
    answers = Answers(preamble, lambda source: "", fields=scaling.fields)
    return record_scale(scaling, answers, in_volts=False, factor=factor)


def fixed(formula: str, scale: float, origin: float, reference: float) -> RecordScale:
    scaling = Scaling.model_validate(
        {"formula": formula, "scale": scale, "origin": origin, "reference": reference, "interval_s": 1e-6}
    )
    return scale_of(scaling, "")


@pytest.mark.parametrize(
    ("raw", "scale", "formula", "volts", "source"),
    [
        (0, (0.01, 0.0, 128), IN_VOLTS, -1.28, "lowest code: unsigned arithmetic would wrap to +1.28"),
        (255, (0.01, 0.0, 128), IN_VOLTS, 1.27, "highest code"),
        (128, (0.01, 0.0, 128), IN_VOLTS, 0.0, "the reference is the origin"),
        (128, (0.01, 0.05, 128), IN_VOLTS, 0.05, "origin in volts is added"),
        (100, (0.02, -0.5, 127), IN_VOLTS, -1.04, "(100 - 127) x 0.02 - 0.5"),
        (133, (0.01, 5.0, 128), IN_COUNTS, 0.0, "origin in counts: (133 - 5 - 128) x 0.01"),
        (100, (0.02, -3.0, 127), IN_COUNTS, -0.48, "(100 + 3 - 127) x 0.02"),
        (100, (0.02, -0.5, 0), SUBTRACTED, 2.5, "100 x 0.02 + 0.5"),
    ],
)
def test_volts_follow_the_formula_of_the_profile(
    raw: int, scale: tuple[float, float, float], formula: str, volts: float, source: str
) -> None:
    result = fixed(formula, *scale).volts(np.array([raw], dtype=np.uint8))
    assert result.dtype == np.float64
    assert result[0] == pytest.approx(volts, abs=1e-15)


def test_a_known_sine_comes_out_with_its_own_size_and_offset() -> None:
    # Closed form: 1.8 Vpp about +50 mV has 0.9 V/sqrt(2) = 636.4 mV rms about its mean.
    phase = np.linspace(0.0, 2.0 * np.pi, 4096, endpoint=False)
    truth = 0.05 + 0.9 * np.sin(phase)
    raw = np.round(truth / 0.01 + 128.0).astype(np.uint8)
    volts = fixed(IN_VOLTS, 0.01, 0.0, 128).volts(raw)
    assert np.ptp(volts) == pytest.approx(1.8, abs=0.01)
    assert volts.mean() == pytest.approx(0.05, abs=0.001)
    assert volts.std() == pytest.approx(0.6364, abs=0.001)


def test_ten_fields_are_read_in_their_order() -> None:
    result = scale_of(TEN_FIELDS, "+0,+0,+1000,+1,+2.0E-06,-1.0E-03,+0,+3.9E-03,+1.0E-02,+128")
    assert result == RecordScale(
        points=1000,
        interval_s=2e-6,
        step_v=3.9e-3,
        centre=128.0,
        shift_v=1e-2,
        x_origin_s=-1e-3,
    )


def test_a_probe_that_the_scope_does_not_know_of_enlarges_step_and_origin_alike() -> None:
    result = scale_of(TEN_FIELDS, "0,0,1000,1,2E-06,0,0,0.01,0.5,128", factor=10.0)
    assert result.volts(np.array([128, 138])) == pytest.approx([5.0, 6.0])


def test_volts_per_division_over_the_codes_of_one_are_the_step() -> None:
    scaling = Scaling.model_validate({"scale": 0.5, "codes_per_division": 25, "rate_hz": "field 1"})
    result = scale_of(scaling, "1E+6")
    assert (result.step_v, result.interval_s) == pytest.approx((0.02, 1e-6))


def test_a_source_prints_as_it_is_written() -> None:
    written = [
        "field 3",
        "label YMULT",
        ":CHANnel{n}:SCALe?",
        128,
        "field 3 times 0.001",
        "STEP?,{n} times 1e-9",
    ]
    assert [str(Source.parse(each)) for each in written] == [
        "field 3",
        "label YMULT",
        "':CHANnel{n}:SCALe?'",
        "128",
        "field 3 times 0.001",
        "'STEP?,{n}' times 1e-09",
    ]


def test_what_a_scope_says_in_another_unit_is_multiplied() -> None:
    scaling = Scaling.model_validate(
        {"scale": "field 1 times 0.001", "interval_s": "field 2 times 1e-9", "origin": "field 3 times -0.5"}
    )
    result = scale_of(scaling, "20,500,3")
    assert (result.step_v, result.interval_s, result.shift_v) == pytest.approx((0.02, 5e-7, -1.5))


def test_both_ends_of_the_codes_count_as_clipped() -> None:
    assert clipped(np.array([0, 1, 254, 255, 255, 128], dtype=np.uint8), (0, 255)) == 3
