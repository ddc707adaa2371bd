"""Scopes in many dialects: each reads a known sine back to volts, sample by sample.

The scopes are the zoo's own, on real sockets (scope.py, scope_dialects.py). A record may differ from the sine
by half a code and no more (closed form: a converter rounds).
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from harness.errors import BadReply, BenchError, BenchTimeout
from tests.drivers.zoo.rig import opened, wanted, worst_error_v
from tests.drivers.zoo.scope import Habits, Scope, block
from tests.drivers.zoo.scope_dialects import Labelled, Lettered, SingleQueries, TenFields, VoltsInText

WORD = {
    'waveform_format = ":WAVeform:FORMat BYTE"': 'waveform_format = ":WAVeform:FORMat WORD"',
    "block_terminated = true ": "sample_bits = 16\nblock_terminated = true ",
}
BIG = WORD | {
    "[commands]\n": '[commands]\ninit = [":WAVeform:BYTeorder MSBFirst"]\n',
    "sample_bits = 16\n": 'sample_bits = 16\nbyte_order = "big"\n',
}
LITTLE = WORD | {
    "[commands]\n": '[commands]\ninit = [":WAVeform:BYTeorder LSBFirst"]\n',
    "sample_bits = 16\n": 'sample_bits = 16\nbyte_order = "little"\n',
}
IN_PIECES = {
    "block_terminated = true ": "points_per_read = 4096\nfirst_sample = 0\nblock_terminated = true ",
    'data_query = ":WAVeform:DATA?"': 'data_query = ":WAVeform:DATA? {start},{count}"',
}
BLOCKS = {
    "block_terminated = true ": 'answer_holds = "a_block_each"\nblock_terminated = true ',
    'data_query = ":WAVeform:DATA?"': 'data_query = ":WAVeform:DATA:ALL?"',
}
UNSIGNED = {
    "sample_signed = true": "sample_signed = false",
    "DATa:ENCdg RIBinary": "DATa:ENCdg RPBinary",
    '"RI"': '"RP"',
}
WIDE = {
    "sample_bits = 8": "sample_bits = 16",
    "DATa:WIDth 1": "DATa:WIDth 2",
    '"label BYT_NR" = "1"': '"label BYT_NR" = "2"\n"label BYT_OR" = "MSB"',
    "sample_signed = true": 'sample_signed = true\nbyte_order = "big"',
}
WIDE_LITTLE = WIDE | {
    '"MSB"': '"LSB"',
    '"big"': '"little"',
    "DATa:ENCdg RIBinary": "DATa:ENCdg SRIbinary",
}
CODES_IN_TEXT = {
    'samples = "binary"': 'samples = "text_codes"\ncode_min = -128\ncode_max = 127',
    "DATa:ENCdg RIBinary": "DATa:ENCdg ASCIi",
}
INTERLEAVED = {'"inputs_in_turn"': '"inputs_interleaved"'}


def interleaving() -> Scope:
    scope = VoltsInText()
    scope.in_turn = False
    return scope


DIALECTS = [
    (TenFields, "preamble-oscilloscope", {}, 4, 256),
    (TenFields, "preamble-oscilloscope", BIG, 4, 65536),
    (TenFields, "preamble-oscilloscope", LITTLE, 4, 65536),
    (TenFields, "preamble-oscilloscope", IN_PIECES, 4, 256),
    (TenFields, "preamble-oscilloscope", BLOCKS, 4, 256),
    (Labelled, "labelled-preamble-oscilloscope", {}, 2, 256),
    (Labelled, "labelled-preamble-oscilloscope", UNSIGNED, 2, 256),
    (Labelled, "labelled-preamble-oscilloscope", WIDE, 2, 65536),
    (Labelled, "labelled-preamble-oscilloscope", WIDE_LITTLE, 2, 65536),
    (Labelled, "labelled-preamble-oscilloscope", CODES_IN_TEXT, 2, 256),
    (SingleQueries, "single-query-oscilloscope", {}, 4, 256),
    (VoltsInText, "text-list-oscilloscope", {"reset =": "# reset ="}, 4, 256),
    (interleaving, "text-list-oscilloscope", {"reset =": "# reset ="} | INTERLEAVED, 4, 256),
]
each_dialect = pytest.mark.parametrize(("make", "name", "changes", "inputs", "codes"), DIALECTS)


@each_dialect
def test_a_known_sine_comes_back_in_volts(
    make: Callable[[], Scope], name: str, changes: dict[str, str], inputs: int, codes: int
) -> None:
    scope = make()
    with opened(scope, name, changes) as driver:
        for numbers in ((1,), tuple(range(1, inputs + 1))):
            capture = driver.capture(wanted(*numbers, v_per_div=1.0))
            assert capture.inputs == numbers
            assert capture.clipped == (0,) * len(numbers)
            step_v = 1.0 / 25.0 * 256 / codes
            assert capture.step_v == pytest.approx([step_v] * len(numbers), rel=1e-3)
            assert worst_error_v(capture, scope) < 0.51 * step_v
            assert capture.interval_s * capture.volts.shape[1] == pytest.approx(0.01, rel=0.01)
            assert capture.origin_s == pytest.approx(-0.005, rel=0.01)
    assert scope.unknown == []
    assert scope.errors == []


AWKWARD = [
    Habits(late_s=0.05),
    Habits(spell=lambda text: f"  {text}   "),
    Habits(spell=str.lower),
    Habits(spell=lambda text: text.replace(",", ", ")),
    Habits(ending=b"\r\n"),
    Habits(silent=True),
]


@pytest.mark.parametrize("habits", AWKWARD)
@pytest.mark.parametrize(
    ("make", "name"),
    [
        (TenFields, "preamble-oscilloscope"),
        (Labelled, "labelled-preamble-oscilloscope"),
        (SingleQueries, "single-query-oscilloscope"),
    ],
)
def test_awkward_habits_change_nothing(make: type[Scope], name: str, habits: Habits) -> None:
    scope = make(habits)
    with opened(scope, name) as driver:
        assert worst_error_v(driver.capture(wanted(1, 2, v_per_div=1.0)), scope) < 0.51 / 25


@pytest.mark.parametrize(
    ("make", "name"),
    [
        (TenFields, "preamble-oscilloscope"),
        (Labelled, "labelled-preamble-oscilloscope"),
        (SingleQueries, "single-query-oscilloscope"),
    ],
)
@pytest.mark.parametrize("offset_v", [0.4, -0.4])
def test_an_offset_moves_the_screen_and_no_volts(make: type[Scope], name: str, offset_v: float) -> None:
    scope = make()
    with opened(scope, name) as driver:
        capture = driver.capture(wanted(1, v_per_div=0.5, offset_v=offset_v))
        assert scope.channels[1].offset_v == pytest.approx(offset_v)
        assert capture.setting.inputs[1].offset_v == offset_v
        assert worst_error_v(capture, scope) < 0.51 * 0.5 / 25


def test_a_scope_without_an_offset_says_that_its_record_has_none() -> None:
    scope = VoltsInText()
    with opened(scope, "text-list-oscilloscope", {"reset =": "# reset ="}) as driver:
        capture = driver.capture(wanted(1, v_per_div=0.5, offset_v=0.3))
    assert capture.setting.inputs[1].offset_v == 0.0
    assert worst_error_v(capture, scope) < 0.51 * 0.5 / 25


def test_a_probe_that_a_scope_cannot_be_told_of_is_reckoned_with() -> None:
    """The scope sees a tenth, at a tenth of the setting."""
    scope = VoltsInText()
    scope.signal = lambda n, time_s: 0.4 * np.sin(2e3 * np.pi * time_s)
    with opened(scope, "text-list-oscilloscope", {"reset =": "# reset ="}, probe=10.0) as driver:
        assert driver.volts_per_division[0] == 0.05
        capture = driver.capture(wanted(1, v_per_div=2.0))
    assert scope.channels[1].scale_v == pytest.approx(0.2)
    assert np.abs(capture.volts).max() == pytest.approx(4.0, abs=2.0 / 25)


def test_volts_in_text_are_clipped_at_the_edge_of_the_screen() -> None:
    scope = VoltsInText()
    with opened(scope, "text-list-oscilloscope", {"reset =": "# reset ="}) as driver:
        assert driver.capture(wanted(1, v_per_div=0.5)).clipped == (0,)
        assert driver.capture(wanted(1, v_per_div=0.1)).clipped[0] > 1500


def test_a_record_that_follows_the_timebase_is_used_as_the_scope_says_it_is() -> None:
    """2500 points whatever the timebase: 12 ms need the step of 2.5 ms a division, 100 kS/s."""
    scope = Labelled()
    with opened(scope, "labelled-preamble-oscilloscope") as driver:
        capture = driver.capture(wanted(1, v_per_div=1.0, duration_s=0.012, samples=1000))
        assert capture.volts.shape == (1, 2500)
        assert capture.interval_s == pytest.approx(1e-5)
        with pytest.raises(BenchError, match="records 2500 samples at most, asked for 2000 in"):
            driver.capture(wanted(1, v_per_div=1.0, duration_s=0.012, samples=2000))


def test_a_scope_that_never_says_that_it_is_done_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    scope = Labelled()
    with opened(scope, "labelled-preamble-oscilloscope", {'"0" ': '"DONE" '}) as driver:
        monkeypatch.setattr("drivers.scope.oscilloscope.MARGIN_S", 0.1)
        with pytest.raises(BenchTimeout, match=r"answers '0', where complete_answer is 'DONE'"):
            driver.capture(wanted(1))


def test_it_is_reset_first_where_the_profile_says_so() -> None:
    scope = VoltsInText()
    changes = {
        'reset = "*RST"': 'reset = "*RST"\ninit = ["CH1:DISP ON"]',
        "complete_after_s": "reset_s = 0.1\ncomplete_after_s",
    }
    with opened(scope, "text-list-oscilloscope", changes):
        pass
    told = [line for line in scope.heard if line not in ("*IDN?", "SYSTem:ERRor?")]
    assert told[:2] == ["*RST", "CH1:DISP ON"]


def test_a_short_memory_serves_a_record_that_can_do_with_fewer_samples() -> None:
    """2500 points: 20,000 are wished for, and 2020 serve."""
    scope = Labelled()
    with opened(scope, "labelled-preamble-oscilloscope") as driver:
        wish = replace(wanted(1, v_per_div=1.0, duration_s=0.1, samples=20_000), fewest_samples=2020)
        capture = driver.capture(wish)
        assert capture.volts.shape == (1, 2500)
        assert worst_error_v(capture, scope) < 0.51 / 25
        with pytest.raises(BenchError, match="records 2500 samples at most, asked for 2600"):
            driver.capture(replace(wish, fewest_samples=2600))


LETTERED = """
kind = "oscilloscope"
inputs = 2
divisions = 8
time_divisions = 10
input_impedance_ohm = 1e6
input_capacitance_f = 20e-12
volts_per_division_v = [0.125, 0.25, 0.5, 1.0, 2.0]
record_length_max = 1000
error_query = ""
samples = "text_codes"
code_min = 0
code_max = 4095
block_prefix = "CODES "
answer_holds = "inputs_interleaved"
first_sample = 0
complete_answer = "bit 3 is 1"

[scaling]
formula = "(reference - raw) * scale + origin"
points = "label LENGTH"
rate_hz = "label RATE"
scale = "label {letter}:RANGE"
codes_per_division = 4096
reference = 2048
origin = "label {letter}:CENTRE"

[commands]
init = ["MODE:SINGLE"]
scale = "RANGE_{letter}={v_range}"
offset = "CENTRE_{letter}={v}"
timebase_scale = "RATE={rate_hz}"
acquire_points = "LENGTH={points}"
single = "GO"
complete_query = "STATE?"
preamble_query = "HEADER?"
data_query = "DATA?{start}..{end}"
"""


def test_letters_for_inputs_a_rate_in_place_of_a_timebase_and_codes_that_fall_as_volts_rise() -> None:
    """A profile of its own, for a dialect that no shipped one is near to."""
    scope = Lettered()
    with opened(scope, LETTERED) as driver:
        for offset_v in (0.0, 0.5):
            capture = driver.capture(wanted(1, 2, offset_v=offset_v, duration_s=0.02, samples=800))
            assert capture.volts.shape == (2, 800)
            assert capture.interval_s == pytest.approx(2.5e-5)
            assert capture.clipped == (0, 0)
            assert capture.step_v == pytest.approx((4.0 / 4096, 4.0 / 4096))
            assert worst_error_v(capture, scope) < 0.51 * 4.0 / 4096
    assert scope.unknown == []


def test_a_record_that_is_asked_about_waits_for_the_computers_trigger() -> None:
    scope = Labelled()
    with opened(scope, "labelled-preamble-oscilloscope") as driver:
        assert driver.waits_for_trigger
        assert driver.begin(wanted(1, v_per_div=1.0)) == pytest.approx(0.005)
        driver._session.query("BUSY?")  # so that it has heard everything
        assert not scope.is_done
        driver.trigger()
        assert worst_error_v(driver.complete(), scope) < 0.51 / 25
    assert scope.heard.count("TRIGger FORCe") == 1
    assert scope.unknown == []


def test_a_scope_without_a_forced_trigger_is_waited_for_from_its_arming() -> None:
    scope = SingleQueries()
    with opened(scope, "single-query-oscilloscope") as driver:
        assert not driver.waits_for_trigger
        assert driver.begin(wanted(1, v_per_div=1.0, duration_s=0.1)) < 0.05
        driver.trigger()
        assert worst_error_v(driver.complete(), scope) < 0.51 / 25


def test_after_a_failure_every_setting_is_sent_again() -> None:
    scope = SingleQueries()
    with opened(scope, "single-query-oscilloscope") as driver:
        driver.capture(wanted(1, v_per_div=1.0))
        scope.points = 1
        with pytest.raises(BadReply, match="samples at 2e-05 s or faster from input 1"):
            driver.capture(wanted(1, v_per_div=1.0))
        scope.points = 14_000
        before = len(scope.heard)
        driver.recover()
        assert worst_error_v(driver.capture(wanted(1, v_per_div=1.0)), scope) < 0.51 / 25
        assert {"C1:VDIV 1", "C1:TRA ON", "TDIV 0.001"} <= set(scope.heard[before:])


UNSAID = {'points = "SANU? C{n}"\n': "", "points_per_read = 5000\n": "", 'window_start = "WFSU': '# "WFSU'}


class Uneven(SingleQueries):
    """It sends a sample less of each next input."""

    memory = 2000
    less = 1

    def wave(self, n: str) -> bytes:
        codes = self.codes(int(n), low=-128, high=127)
        return b"DAT2," + block(codes[: codes.size - self.less * int(n)].astype(np.int8).tobytes())


def test_a_record_whose_length_nobody_says_is_as_long_as_its_block() -> None:
    scope = Uneven()
    scope.less = 0
    with opened(scope, "single-query-oscilloscope", UNSAID) as driver:
        capture = driver.capture(wanted(1, 2, v_per_div=1.0))
        assert capture.volts.shape == (2, 2000)
        assert worst_error_v(capture, scope) < 0.51 / 25
        scope.less = 1
        with pytest.raises(BadReply, match="sends 1998 samples of input 2 and 1999 of input 1"):
            driver.capture(wanted(1, 2, v_per_div=1.0))
        driver.recover()
        scope.less = 1600
        with pytest.raises(BadReply, match="expected at least 500 samples from input 1"):
            driver.capture(wanted(1, v_per_div=1.0))
