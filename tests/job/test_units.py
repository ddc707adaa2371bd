"""Quantities are read with their units, refused without, and written back so that they read the same."""

import math

import pytest
import quantiphy
from hypothesis import given
from hypothesis import strategies as st

from harness.units import (
    Dimension,
    dbu_from_vrms,
    format_difference,
    format_value,
    parse_quantity,
    unit_of,
)

# 0 dBu = sqrt(0.6) V: 1 mW in 600 ohm. 0.7746 V stands in the Austrian acoustics institute's manual
# (kfs.oeaw.ac.at/stx/manual/html/461.htm), 1.23 V for +4 dBu (pinanson.com), 1.95 V for +8 dBu (Self, Small
# Signal Audio Design); the other digits follow from the definition.
DBU_TABLE = [
    (-60, 0.000774597),
    (-20, 0.0774597),
    (-10, 0.244949),
    (0, 0.774597),
    (4, 1.227653),
    (8, 1.945699),
    (10, 2.449490),
    (15, 4.355877),
    (18, 6.152840),
    (20, 7.745967),
    (22, 9.751594),
    (24, 12.276530),
]


@pytest.mark.parametrize(("dbu", "vrms"), DBU_TABLE)
def test_levels_in_dbu_are_the_published_volts(dbu: float, vrms: float) -> None:
    assert parse_quantity(f"{dbu:+} dBu", "level") == pytest.approx(vrms, rel=2e-6)
    assert dbu_from_vrms(vrms) == pytest.approx(dbu, abs=1e-5)


def test_levels_in_dbv_are_2_2185_db_above_dbu() -> None:
    # kfs.oeaw.ac.at/stx/manual/html/461.htm: -10 dBV = 0.316 V = -7.8 dBu
    assert parse_quantity("-10 dBV", "level") == pytest.approx(0.316228, rel=1e-5)
    assert dbu_from_vrms(parse_quantity("0 dBV", "level")) == pytest.approx(2.2185, abs=5e-5)


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("1 kHz", "frequency", 1e3),
        ("20kHz", "frequency", 20e3),
        ("+4 V", "level", 4.0),
        ("12 V", "voltage", 12.0),
        ("-5 mV", "voltage", -5e-3),
        ("50 mohm", "resistance", 0.05),
        ("50 mΩ", "resistance", 0.05),
        ("4.7 k\u2126", "resistance", 4700.0),  # the ohm sign, which keyboards give beside the Greek letter
        ("1 Mohm", "resistance", 1e6),
        ("20 ms", "time", 0.02),
        ("0 s", "time", 0.0),
        ("100 pF", "capacitance", 1e-10),
        ("4.7 uF", "capacitance", 4.7e-6),
        ("400 mA", "current", 0.4),
        ("-80 dB", "ratio_db", -80.0),
        ("5 deg", "angle", 5.0),
        ("5°", "angle", 5.0),
        ("2 %", "fraction", 0.02),
        ("0.1%", "fraction", 0.001),
    ],
)
def test_a_quantity_is_read_in_si(text: str, dimension: Dimension, value: float) -> None:
    assert parse_quantity(text, dimension) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("value", "dimension", "message"),
    [
        (12, "voltage", 'found 12, which has no unit; expected a voltage such as "12 V" in quotes'),
        (True, "time", 'found true, which has no unit; expected a time such as "20 ms" in quotes'),
        ("12", "voltage", 'found "12", which has no unit; expected a voltage such as "12 V"'),
        ("0.2", "ratio_db", 'found "0.2", which has no unit; expected a ratio in decibels such as "0.2 dB"'),
        ("1 kV", "frequency", 'found "1 kV", whose unit is "V"; expected a frequency such as "1 kHz"'),
        ("3 min", "time", 'found "3 min", whose unit is "in"; expected a time such as "20 ms"'),
        ("nan V", "voltage", 'found "nan V"; expected a finite number: a voltage such as "12 V"'),
        (
            "inf ohm",
            "resistance",
            'found "inf ohm"; expected a finite number: a resistance such as "50 mohm"',
        ),
        ("9e9 dBu", "level", 'found "9e9 dBu"; expected a finite number: a level such as "+4 dBu"'),
        ("0 Hz", "frequency", 'found "0 Hz"; expected more than zero: a frequency such as "1 kHz"'),
        ("-1 kHz", "frequency", 'found "-1 kHz"; expected more than zero: a frequency such as "1 kHz"'),
        ("0 ohm", "resistance", 'found "0 ohm"; expected more than zero: a resistance such as "50 mohm"'),
        ("0 V", "level", 'found "0 V"; expected more than zero: a level such as "+4 dBu"'),
        ("-1 ms", "time", 'found "-1 ms"; expected zero or more: a time such as "20 ms"'),
        ("0,5 V", "voltage", 'found "0,5 V"; expected a voltage such as "12 V", with a point for decimals'),
        (
            "loud",
            "level",
            'found "loud", which is not a value with a unit; expected a level such as "+4 dBu"',
        ),
        ("", "time", 'found "", which is not a value with a unit; expected a time such as "20 ms"'),
    ],
)
def test_what_is_no_such_quantity_is_refused_in_words(
    value: float, dimension: Dimension, message: str
) -> None:
    with pytest.raises(ValueError, match=r"expected") as caught:
        parse_quantity(value, dimension)
    assert str(caught.value) == message


def test_a_series_resistance_may_be_zero_where_it_is_said() -> None:
    assert parse_quantity("0 ohm", "resistance", sign="not negative") == 0.0


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.0123, "V", "12.3 mV"),
        (-0.000_001_25, "V", "-1.25 µV"),
        (4700.0, "ohm", "4.7 kohm"),
        (0.05, "ohm", "50 mohm"),
        (1e-12, "F", "1 pF"),
        (0.02, "s", "20 ms"),
        (20e3, "Hz", "20 kHz"),
        (0.0117, "A", "11.7 mA"),
        (0.0, "V", "0 V"),
        (-0.4231, "dB", "-0.42 dB"),
        (-0.0042, "dB", "-0.004 dB"),
        (-0.0001, "dB", "0.000 dB"),
        (-104.33, "dB", "-104.33 dB"),
        (179.96, "deg", "180.0 deg"),
        (0.123, "deg", "0.12 deg"),
        (0.02, "%", "2 %"),
        (1.0, "", "normal"),
        (-1.0, "", "inverted"),
        (0.0, "", "neither normal nor inverted"),
        (math.nan, "V", "none"),
    ],
)
def test_values_are_written_for_people_in_plain_characters(value: float, unit: str, text: str) -> None:
    assert format_value(value, unit) == text
    assert text.replace("µ", "u").isascii()


def test_no_volts_have_no_level() -> None:
    with pytest.raises(ValueError, match="no level in dBu"):
        dbu_from_vrms(0.0)


def test_the_unit_of_a_text_is_told_without_its_prefix() -> None:
    assert [unit_of(text) for text in ("8 %", "3 mA", "7", 7, "nonsense here")] == ["%", "A", "", "", ""]


UNITS: list[tuple[Dimension, str]] = [
    ("frequency", "Hz"),
    ("voltage", "V"),
    ("resistance", "ohm"),
    ("time", "s"),
    ("capacitance", "F"),
    ("current", "A"),
]


@given(st.sampled_from(UNITS), st.floats(1e-14, 1e12))
def test_what_is_written_reads_back_as_itself(kind: tuple[Dimension, str], value: float) -> None:
    dimension, unit = kind
    assert parse_quantity(format_value(value, unit, digits=12), dimension) == pytest.approx(value, rel=1e-11)


@given(st.floats(-120, 60))
def test_a_level_reads_back_as_itself(dbu: float) -> None:
    assert dbu_from_vrms(parse_quantity(f"{dbu:.17g} dBu", "level")) == pytest.approx(dbu, abs=1e-9)


@given(st.text(max_size=12), st.sampled_from([dimension for dimension, _ in UNITS] + ["level", "fraction"]))
def test_no_text_breaks_the_reader(text: str, dimension: Dimension) -> None:
    try:
        value, told = parse_quantity(text, dimension), "expected"
    except ValueError as error:
        value, told = 0.0, str(error)
    assert math.isfinite(value)
    assert "expected" in told


@given(
    value=st.floats(min_value=1e-22, max_value=1e18) | st.sampled_from([0.0, 999.96, 9.9996e-4, 1e-18, 1e15]),
    negative=st.booleans(),
    unit=st.sampled_from(["V", "ohm", "Hz", "s", "A", "F"]),
    digits=st.integers(min_value=1, max_value=6),
)
def test_a_prefix_is_chosen_as_the_library_of_quantities_does(
    value: float, negative: bool, unit: str, digits: int
) -> None:
    """QuantiPhy, which also reads what people write, is the outside reference."""
    signed = (-value if negative else value) + 0.0  # no zero is negative
    rendered = quantiphy.Quantity(signed, unit).render(form="si", prec=digits - 1, show_units=True)
    assert format_value(signed, unit, digits=digits) == str(rendered).replace(" u", " µ")


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.1532, "dBu", "0.153 dB"),
        (-2.5, "dBV", "-2.5 dB"),
        (0.0123, "dB", "0.0123 dB"),
        (0.5, "deg", "0.5 deg"),
        (0.0012, "%", "0.12 %"),
        (2.834e-5, "A", "28.3 µA"),
        (0.25, "", "0.25"),
    ],
)
def test_differences_and_uncertainties_of_levels_are_in_db(value: float, unit: str, text: str) -> None:
    assert format_difference(value, unit) == text
