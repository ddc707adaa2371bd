"""Codes to volts, against values worked by hand."""

import numpy as np
import pytest

from drivers.oscilloscope import Preamble, clipped, parse_preamble, to_volts


def preamble(y_increment_v: float, y_origin: float, y_reference: float) -> Preamble:
    return Preamble(
        points=1,
        x_increment_s=1e-6,
        y_increment_v=y_increment_v,
        y_origin=y_origin,
        y_reference=y_reference,
        x_origin_s=0.0,
    )


@pytest.mark.parametrize(
    ("raw", "scale", "in_counts", "volts", "source"),
    [
        (0, (0.01, 0.0, 128), False, -1.28, "lowest code: unsigned arithmetic would wrap to +1.28"),
        (255, (0.01, 0.0, 128), False, 1.27, "highest code"),
        (128, (0.01, 0.0, 128), False, 0.0, "the reference is the origin"),
        (128, (0.01, 0.05, 128), False, 0.05, "origin in volts is added"),
        (100, (0.02, -0.5, 127), False, -1.04, "(100 - 127) x 0.02 - 0.5"),
        (133, (0.01, 5.0, 128), True, 0.0, "origin in counts: (133 - 5 - 128) x 0.01"),
        (100, (0.02, -3.0, 127), True, -0.48, "(100 + 3 - 127) x 0.02"),
    ],
)
def test_volts_follow_the_preamble(
    raw: int, scale: tuple[float, float, float], in_counts: bool, volts: float, source: str
) -> None:
    result = to_volts(np.array([raw], dtype=np.uint8), preamble(*scale), origin_in_counts=in_counts)
    assert result.dtype == np.float64
    assert result[0] == pytest.approx(volts, abs=1e-15)


def test_a_known_sine_comes_out_with_its_own_size_and_offset() -> None:
    # Closed form: 1.8 Vpp about +50 mV has 0.9 V/sqrt(2) = 636.4 mV rms about its mean.
    phase = np.linspace(0.0, 2.0 * np.pi, 4096, endpoint=False)
    truth = 0.05 + 0.9 * np.sin(phase)
    raw = np.round(truth / 0.01 + 128.0).astype(np.uint8)
    volts = to_volts(raw, preamble(0.01, 0.0, 128), origin_in_counts=False)
    assert np.ptp(volts) == pytest.approx(1.8, abs=0.01)
    assert volts.mean() == pytest.approx(0.05, abs=0.001)
    assert volts.std() == pytest.approx(0.6364, abs=0.001)


def test_ten_fields_are_read_in_their_order() -> None:
    result = parse_preamble("+0,+0,+1000,+1,+2.0E-06,-1.0E-03,+0,+3.9E-03,+1.0E-02,+128")
    assert result == Preamble(
        points=1000,
        x_increment_s=2e-6,
        y_increment_v=3.9e-3,
        y_origin=1e-2,
        y_reference=128.0,
        x_origin_s=-1e-3,
    )


def test_both_ends_of_the_codes_count_as_clipped() -> None:
    assert clipped(np.array([0, 1, 254, 255, 255, 128], dtype=np.uint8)) == 3
