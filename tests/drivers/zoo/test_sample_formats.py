"""Samples of every format against what Python's struct module packs; numbers as instruments write them."""

import struct
from typing import Any

import numpy as np
import pytest

from drivers.models.expected_answer import ExpectedAnswer
from drivers.scope.samples import by_input, from_block, from_text, looks_swapped, step_of
from drivers.scope.scaling import labelled, number_of
from harness.errors import JobError
from tests.drivers.own_profiles import profile

BYTES = [-128, -1, 0, 1, 127]
WORDS = [-32768, -257, -1, 0, 1, 255, 256, 32767]


def keys(bits: int, order: str, *, signed: bool) -> Any:
    return profile(
        "single-query-oscilloscope",
        {
            "sample_bits = 8": f'sample_bits = {bits}\nbyte_order = "{order}"',
            "sample_signed = true": f"sample_signed = {str(signed).lower()}",
        },
    )


@pytest.mark.parametrize(
    ("bits", "order", "signed", "code", "values"),
    [
        (8, "big", True, ">b", BYTES),
        (8, "little", False, "<B", [value + 128 for value in BYTES]),
        (16, "big", True, ">h", WORDS),
        (16, "little", True, "<h", WORDS),
        (16, "big", False, ">H", [value + 32768 for value in WORDS]),
        (16, "little", False, "<H", [value + 32768 for value in WORDS]),
    ],
)
def test_binary_samples_are_what_struct_packed(
    bits: int, order: str, signed: bool, code: str, values: list[int]
) -> None:
    data = struct.pack(f"{code[0]}{len(values)}{code[1]}", *values)
    assert from_block(data, keys(bits, order, signed=signed)).tolist() == values


def test_half_a_sample_is_refused() -> None:
    with pytest.raises(ValueError, match="a whole number of samples of 16 bits in 5 bytes"):
        from_block(b"12345", keys(16, "big", signed=True))


@pytest.mark.parametrize(
    "text",
    ["1,-2.5,+3.0E+0", " 1 , -2.5 , 3 ", "1 -2.5 3", "1,-2.5,3,", "1.0\n-2.5\n3.0", "+1.0e+0,-25e-1,.3E1"],
)
def test_a_list_of_numbers_is_read_as_python_reads_each(text: str) -> None:
    assert from_text(text).tolist() == [1.0, -2.5, 3.0]


@pytest.mark.parametrize(
    "text", ["1,,3", "1,two,3", "1,nan,3", "1,inf,3", "1,9.91E37,3", "#15hello", "1_0", "1e"]
)
def test_a_list_with_something_else_in_it_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"a list of numbers|finite"):
        from_text(text)


@pytest.mark.parametrize(("interleaved", "order"), [(False, [0, 2, 4, 1, 3, 5]), (True, [0, 1, 2, 3, 4, 5])])
def test_inputs_in_one_answer_are_taken_apart(interleaved: bool, order: list[int]) -> None:
    rows = by_input(np.array(order), 2, interleaved=interleaved)
    assert [row.tolist() for row in rows] == [[0, 2, 4], [1, 3, 5]]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("+1.0E+0", 1.0),
        ("  5.00E-01V ", 0.5),
        ("C1:VDIV 500.00mV", 0.5),
        (":CHANNEL1:SCALE 0.5 v", 0.5),
        ("VDIV 500 MV", 0.5),  # SCPI has no case: M is milli
        ("SARA 1.25GSa/s", 1.25e9),
        ("SARA 500MSa/s", 500e6),
        ("10 MHz", 10e6),
        ("14kpts", 14e3),
        ("SANU 7Mpts", 7e6),
        ("20 us", 20e-6),
        ("-.5E-3", -0.5e-3),
        ('"128"', 128.0),
    ],
)
def test_a_number_is_read_with_its_header_and_its_unit(text: str, value: float) -> None:
    """Multipliers: IEEE 488.2, 7.7.3 (from memory)."""
    assert number_of(text) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text", ["", "OFF", "1.0 furlong", "9.91E37", "nan", "1,2", "0x10"])
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"a number in|a unit|finite"):
        number_of(text)


@pytest.mark.parametrize(
    "text",
    [
        ':WFMPRE:NR_PT 2500;WFID "Ch1, DC; NR_PT 7";YMULT 4.0E-3',
        "NR_PT:2500,YMULT:4.0E-3",
        "nr_pt = 2500; ymult = 4.0E-3",
        "WFMPRE:CH1:NR_PT 2500;:WFMPRE:CH1:YMULT  4.0E-3",
    ],
)
def test_a_preamble_is_read_by_its_labels(text: str) -> None:
    values = labelled(text)
    assert (values["NR_PT"], float(values["YMULT"])) == ("2500", 4.0e-3)


@pytest.mark.parametrize(
    ("written", "answer", "is_done"),
    [
        ("STOP", "stop", True),
        ("STOP", ":TRIGGER:STATUS STOP", True),
        ("STOP", "STOPPING", False),
        ("0", "+0", True),
        ("0", "1", False),
        ("bit 3 is 0", "+32", True),
        ("bit 3 is 0", "+40", False),
        ("bit 0 is 1", "INR 8193", True),
        ("bit 0 is 1", "on", False),
        ("bit 4 is 1", "10", False),
        ("hexadecimal bit 4 is 1", "STAT 10", True),
        ("hexadecimal bit 4 is 0", "1e5", True),  # and no power of ten
        ("bit 4 is 1", "#H1C", True),
        ("bit 4 is 1", "0x0c", False),
    ],
)
def test_an_answer_that_says_done_is_known(written: str, answer: str, is_done: bool) -> None:
    assert ExpectedAnswer.parse(written).matches(answer) is is_done


@pytest.mark.parametrize("signed", [True, False])
def test_swapped_bytes_of_a_smooth_signal_are_seen_and_noise_is_not_taken_for_them(signed: bool) -> None:
    """White noise has a mean step of 2 / sqrt(pi) standard deviations either way (closed form)."""
    time = np.linspace(0.0, 1.0, 5000)
    random = np.random.default_rng(11)
    kind = "i2" if signed else "u2"
    middle = 0 if signed else 32768
    for amplitude in (20_000, 3000):
        clean = middle + amplitude * np.sin(40 * time) + 30 * random.standard_normal(5000)
        right = np.round(clean).astype(f">{kind}")
        assert not looks_swapped(right)
        assert looks_swapped(right.view(f"<{kind}"))
    for spread in (3, 300, 8000):
        noise = np.round(middle + spread * random.standard_normal(5000)).clip(middle - 32000, middle + 32000)
        assert not looks_swapped(noise.astype(f">{kind}"))


def test_the_step_of_volts_that_come_as_text_is_the_converters() -> None:
    volts = np.round(np.sin(np.linspace(0.0, 6.0, 1000)) / 0.04) * 0.04
    assert step_of(volts, at_most=1.0) == pytest.approx(0.04)
    assert step_of(np.full(10, 0.3), at_most=0.05) == 0.05


@pytest.mark.parametrize(
    ("name", "before", "after", "message"),
    [
        ("preamble", "block_terminated = true", "sample_bits = 16", "sample_bits = 16 without byte_order"),
        ("preamble", 'trigger_force = ":TRIGger:FORCe"\n', "", "one of commands.trigger_normal and"),
        ("preamble", 'preamble_query = ":WAVeform:PREamble?"\n', "", "no commands.preamble_query"),
        ("preamble", "*OPC?", ":BUSY?", r"complete_query ':BUSY\?' without complete_answer"),
        (
            "preamble",
            'complete_query = "*OPC?"\n',
            "",
            "neither commands.complete_query nor complete_after_s",
        ),
        ("single-query", 'points = "SANU? C{n}"', "", "points_per_read without scaling.points"),
        ("single-query", 'rate_hz = "SARA?"', "", "both or none of scaling.interval_s and scaling.rate_hz"),
        ("single-query", '"SARA?"', '"SARA"', r'scaling.rate_hz: expected a number, "field 3", "label NAME"'),
        ("single-query", '"SARA?"', "nan", r"scaling.rate_hz: expected a number, .*found nan"),
        ("single-query", 'scale = "C{n}:VDIV?" ', "", "codes without scaling.scale"),
        ("single-query", '"(raw - reference) * scale - origin"', '"raw * scale"', "scaling.formula: found"),
        ("single-query", 'samples = "binary"', 'samples = "text_codes"', "without code_min and code_max"),
        ("text-list", '"inputs_in_turn"', '"a_block_each"', 'with samples = "text_volts"; expected "binary"'),
        ("single-query", "sample_bits = 8", "sample_bits = 12", "sample_bits: found 12"),
        ("labelled-preamble", '"label BYT_NR" =', '"BYT_NR" =', 'expects: expected a number, "field 3"'),
        ("labelled-preamble", '"0" ', '""', "complete_answer: expected an answer"),
    ],
)
def test_a_profile_that_contradicts_itself_is_refused_with_its_keys(
    name: str, before: str, after: str, message: str
) -> None:
    with pytest.raises(JobError, match=message) as refused:
        profile(f"{name}-oscilloscope", {before: after})
    assert len(str(refused.value)) < 300
