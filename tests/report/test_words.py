"""How a reading is written, and which readings come first."""

import math

import pytest

from harness.reading import Reading
from harness.report.words import describe, margin, worst_first
from tests.records.outside_broadcast import READING, changed

CURRENT = changed(READING, unit="A", quantity="supply_current", channel="", port="", frequency_hz=None)
POLARITY = changed(
    READING, unit="", value=1.0, low=1.0, high=1.0, limit_low=None, limit_high=None, expected=-1.0
)
FLOOR = changed(
    READING,
    value=-96.34,
    floor=True,
    standard=None,
    low=-math.inf,
    high=-96.34,
    limit_low=None,
    limit_high=-80.0,
)


@pytest.mark.parametrize(
    ("reading", "value", "limit", "inside"),
    [
        (READING, "-0.087 ± 0.008 dB", "-0.286 to 0.114 dB", "0.199 dB inside"),
        (
            changed(READING, value=-6.2, low=-6.4, high=-6.0),
            "-6.20 ± 0.20 dB",
            "-0.29 to 0.11 dB",
            "5.91 dB outside",
        ),
        (
            changed(READING, value=-91.0, low=-95.0, high=-89.0, limit_low=None, limit_high=-80.0),
            "-91.0 dB (-95.0 to -89.0)",
            "at most -80.0 dB",
            "11.0 dB inside",
        ),
        (
            changed(READING, value=-91.0, low=-math.inf, high=-89.0, limit_low=None, limit_high=-80.0),
            "-91.00 dB (up to -89.00 dB)",
            "at most -80.00 dB",
            "11.00 dB inside",
        ),
        (
            changed(
                READING, unit="dBu", value=-91.0, low=-91.4, high=-90.6, limit_low=None, limit_high=-80.0
            ),
            "-91.00 dBu ± 0.40 dB",
            "at most -80.00 dBu",
            "11.00 dB inside",
        ),
        (FLOOR, "below -96.34 dB", "at most -80.00 dB", "16.34 dB inside"),
        (POLARITY, "normal", "as expected", ""),
        (
            changed(CURRENT, value=0.0295, low=0.0287, high=0.0303, limit_low=0.0265, limit_high=0.0323),
            "29.50 ± 0.80 mA",
            "26.50 to 32.30 mA",
            "2.80 mA inside",
        ),
        (
            changed(CURRENT, unit="V", value=-2e-4, low=-3e-4, high=-1e-4, limit_low=None, limit_high=None),
            "-200 ± 100 µV",
            "",
            "",
        ),
        (changed(READING, value=None, low=None, high=None), "missing", "-0.29 to 0.11 dB", ""),
        (
            changed(READING, value=-0.00001, low=-0.1, high=0.1, limit_low=-math.inf, limit_high=math.inf),
            "0.00 ± 0.10 dB",
            "",
            "",
        ),
        (changed(READING, unit="deg", value=179.2, low=178.9, high=179.5), "179.20 ± 0.30 deg", None, None),
    ],
)
def test_a_reading_is_written_as_far_as_its_uncertainty_supports(
    reading: Reading, value: str, limit: str | None, inside: str | None
) -> None:
    words = describe(reading)
    assert words.value == value
    if limit is not None:
        assert (words.limit, words.margin) == (limit, inside)


def test_the_expected_polarity_and_the_tone_are_written() -> None:
    assert (describe(POLARITY).expected, describe(POLARITY).tone) == ("inverted", "1 kHz")
    assert describe(CURRENT).tone == ""


def test_a_margin_is_to_the_nearest_limit() -> None:
    assert margin(READING) == pytest.approx(0.199)
    assert margin(changed(READING, value=0.1)) == pytest.approx(0.014)
    assert margin(changed(READING, value=0.2)) == pytest.approx(-0.086)
    assert margin(POLARITY) is None


def test_the_worst_come_first_and_then_those_within_fewest_uncertainties_of_a_limit() -> None:
    far = changed(READING, value=0.0, low=-0.001, high=0.001)
    close = changed(READING, value=0.0, low=-0.05, high=0.05)
    failed, slightly = (
        changed(READING, value=-6.0, verdict="fail"),
        changed(READING, value=0.13, verdict="fail"),
    )
    missing = changed(READING, value=None, verdict="missing")
    unproven = changed(READING, verdict="unproven")
    assert worst_first([far, POLARITY, close, unproven, slightly, missing, failed]) == [
        failed,
        slightly,
        missing,
        unproven,
        close,
        far,
        POLARITY,
    ]
