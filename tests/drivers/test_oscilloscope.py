"""The oscilloscope's driver against a strict instrument on a real socket."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import pytest

from drivers.scope.oscilloscope import ScpiOscilloscope
from drivers.session import Session
from harness.errors import BadReply, BenchError, BenchTimeout, InstrumentError
from harness.roles import CaptureSetting, InputSetting
from tests.drivers.own_profiles import profile
from tests.drivers.peers import Connection, Peer, peer
from tests.drivers.strict_instruments import Scope


@contextmanager
def opened(
    instrument: Scope, *, probe: float = 1.0, changes: dict[str, str] | None = None
) -> Iterator[tuple[ScpiOscilloscope, Peer]]:
    with peer(instrument.script) as served:
        session = Session(served.address, instrument="oscilloscope", timeout_s=0.5)
        try:
            session.start()
            shipped = profile("preamble-oscilloscope", changes)
            yield ScpiOscilloscope(session, shipped, profile_name="own", probe=probe), served
        finally:
            session.close()
    assert instrument.unknown == []


def wanted(
    *inputs: int,
    v_per_div: float = 0.2,
    offset_v: float = 0.0,
    duration_s: float = 0.01,
    samples: int = 2000,
) -> CaptureSetting:
    return CaptureSetting(
        inputs={n: InputSetting(volts_per_division=v_per_div, offset_v=offset_v) for n in inputs},
        duration_s=duration_s,
        samples=samples,
    )


@pytest.mark.parametrize("offset_v", [0.0, 0.3, -0.3])
@pytest.mark.parametrize("level_v", [0.0, 0.25, -0.25])
@pytest.mark.parametrize("v_per_div", [0.1, 0.2, 1.0])
def test_known_levels_come_out_right_in_every_setting(
    v_per_div: float, level_v: float, offset_v: float
) -> None:
    """0 V, +DC and -DC at several ranges and offsets, own levels: a wrong formula can't pass all of them."""
    instrument = Scope()
    instrument.signal = lambda n, t: np.full_like(t, level_v)
    with opened(instrument) as (scope, _):
        capture = scope.capture(wanted(1, v_per_div=v_per_div, offset_v=offset_v))
    if abs(level_v - offset_v) < 4.0 * v_per_div:
        assert capture.clipped == (0,)
        assert capture.volts.mean() == pytest.approx(level_v, abs=0.5 * v_per_div / 25.0 + 1e-9)
    assert capture.full_scale_v == (8 * v_per_div,)
    assert capture.step_v == pytest.approx((v_per_div / 25.0,))


def test_a_tenfold_probe_is_set_and_scales_at_its_tip() -> None:
    instrument = Scope()
    instrument.signal = lambda n, t: 8.0 * np.sin(2.0 * np.pi * 1000.0 * t)
    with opened(instrument, probe=10.0) as (scope, served):
        assert scope.volts_per_division[0] == 0.01
        assert scope.volts_per_division[-1] == 50.0
        assert scope.input_impedance_ohm == 10e6
        capture = scope.capture(wanted(2, v_per_div=5.0))
        assert b":CHANnel2:PROBe 10" in served.heard
        # The factor goes out before the scale, which is at the probe's tip.
        assert served.heard.index(b":CHANnel2:PROBe 10") < served.heard.index(b":CHANnel2:SCALe 5")
    assert np.ptp(capture.volts) == pytest.approx(16.0, abs=0.4)


def test_inputs_come_in_their_order_from_one_acquisition() -> None:
    instrument = Scope()
    with opened(instrument) as (scope, served):
        capture = scope.capture(wanted(3, 1, 4))
        assert capture.inputs == (1, 3, 4)
        assert capture.volts.shape == (3, 2000)
        assert capture.volts.dtype == np.float64
        assert capture.volts.mean(axis=1) == pytest.approx([0.1, 0.3, 0.4], abs=0.0041)  # half a code
        assert served.heard.count(b":SINGle") == 1
        assert instrument.display == {1: True, 2: False, 3: True, 4: True}
        assert capture.interval_s == pytest.approx(5e-6)


def test_a_second_capture_sends_only_what_changed() -> None:
    with opened(Scope()) as (scope, served):
        scope.capture(wanted(1))
        before = len(served.heard)
        scope.capture(wanted(1, v_per_div=0.5))
        assert served.heard[before:] == [
            b":CHANnel1:SCALe 0.5",
            b"SYSTem:ERRor?",
            b":SINGle",
            b"*OPC?",
            b":WAVeform:SOURce CHANnel1",
            b":WAVeform:PREamble?",
            b":WAVeform:DATA?",
            b"SYSTem:ERRor?",
        ]


@pytest.mark.parametrize(
    ("duration_s", "samples", "record_s", "points"),
    [
        (0.010, 2000, 0.010, 2000),  # on a step of 1-2-5
        (0.012, 2000, 0.020, 3334),  # rounded up, and the rate is kept
        (0.0201, 100, 0.050, 249),
        (1.0, 1_000_000, 1.0, 1_000_000),
    ],
)
def test_a_record_is_as_long_and_as_fast_as_asked_for_or_more(
    duration_s: float, samples: int, record_s: float, points: int
) -> None:
    with opened(Scope()) as (scope, _):
        capture = scope.capture(wanted(1, duration_s=duration_s, samples=samples))
    assert capture.volts.shape == (1, points)
    assert capture.interval_s * points == pytest.approx(record_s)
    assert capture.interval_s <= duration_s / samples * (1.0 + 1e-9)


def test_a_scope_with_fixed_record_lengths_takes_the_next_longer_one() -> None:
    lengths = {"record_lengths = []  ": "record_lengths = [1000, 10000, 100000]  "}
    with opened(Scope(), changes=lengths) as (scope, _):
        assert scope.capture(wanted(1, samples=2000)).volts.shape == (1, 10_000)
        with pytest.raises(BenchError, match="records 100000 samples at most, asked for 200000"):
            scope.capture(wanted(1, samples=200_000))


@pytest.mark.parametrize(
    ("setting", "message"),
    [
        (wanted(5), "inputs 1 to 4"),
        (wanted(1, v_per_div=0.3), "0.2, 0.5, 1, 2, 5 V a division, asked for 0.3"),
        (wanted(1, duration_s=1000.0), "records 500 s at most, asked for 1000 s"),
        (wanted(1, samples=2_000_000), "records 1000000 samples at most"),
        (wanted(1, samples=0), "above zero"),
        (wanted(), "needs an input"),
    ],
)
def test_what_the_profile_does_not_have_is_refused(setting: CaptureSetting, message: str) -> None:
    with opened(Scope()) as (scope, served):
        with pytest.raises(BenchError, match=message):
            scope.capture(setting)
        assert b":SINGle" not in served.heard


def test_clipped_samples_are_counted_at_both_ends() -> None:
    instrument = Scope()
    instrument.signal = lambda n, t: np.sign(np.sin(2.0 * np.pi * 1000.0 * t + 0.1)) * 100.0
    with opened(instrument) as (scope, _):
        assert scope.capture(wanted(1)).clipped == (2000,)


def changed(index: int, value: str) -> Callable[[list[str]], list[str]]:
    return lambda fields: [*fields[:index], value, *fields[index + 1 :]]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda fields: fields[:9], "10 fields"),
        (changed(2, "1999"), "at least 2000 samples from input 1"),
        (changed(4, "6e-6"), "samples at 5e-06 s or faster"),
        (changed(4, "4e-6"), "at least 0.01 s from input 1"),
        (changed(7, "0.08"), "a range of about 8 divisions of 0.2 V"),  # a probe factor of ten not set
        (changed(7, "3e-5"), "a range of about 8 divisions"),  # the 16-bit step: 256 times too small
    ],
)
def test_a_preamble_that_belongs_to_another_setting_is_refused(
    change: Callable[[list[str]], list[str]], message: str
) -> None:
    instrument = Scope()
    with opened(instrument) as (scope, _):
        scope.capture(wanted(1))
        instrument.change = change
        with pytest.raises(BadReply, match=message):
            scope.capture(wanted(1))
        instrument.change = lambda fields: fields
        scope.recover()
        assert scope.capture(wanted(1)).volts.shape == (1, 2000)


@pytest.mark.parametrize(("index", "value"), [(7, "8.100000E-03"), (8, "1.000000E-01"), (9, "139")])
def test_a_digit_that_was_another_in_the_record_before_is_refused(index: int, value: str) -> None:
    """Increment, origin, reference: each could be, and one of two records of one setting is wrong."""
    instrument = Scope()
    with opened(instrument) as (scope, _):
        for first, second in (("right", "wrong"), ("wrong", "right")):
            for which in (first, second):
                instrument.change = changed(index, value) if which == "wrong" else lambda fields: fields
                if which == first:
                    scope.capture(wanted(1))
                else:
                    with pytest.raises(BadReply, match=r"V on the screen, as in a record of this setting"):
                        scope.capture(wanted(1))
            scope.recover()


def test_a_block_that_is_a_point_short_of_its_preamble_is_refused() -> None:
    instrument = Scope()
    instrument.block_off = 1
    with (
        opened(instrument) as (scope, _),
        pytest.raises(BadReply, match="expected a block of 2000 bytes, and the instrument announces 1999"),
    ):
        scope.capture(wanted(1))


def test_inputs_of_different_intervals_are_not_one_record() -> None:
    instrument = Scope()

    def drifting(fields: list[str]) -> list[str]:
        return changed(4, "4.999e-6")(fields) if instrument.source == 2 else fields

    instrument.change = drifting
    with (
        opened(instrument) as (scope, _),
        pytest.raises(BadReply, match="2000 samples at 5e-06 s, as in the same record before, from input 2"),
    ):
        scope.capture(wanted(1, 2))


def test_an_acquisition_that_does_not_complete_times_out_and_the_next_works() -> None:
    instrument = Scope()

    def never_complete(connection: Connection, heard: str) -> bool:
        return heard == "*OPC?" and connection.number == 1

    instrument.trouble = never_complete
    with opened(instrument) as (scope, _):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("drivers.scope.oscilloscope.MARGIN_S", 0.2)
            with pytest.raises(BenchTimeout, match=r"within 0.21 s: nothing arrived \(command '\*OPC\?'\)"):
                scope.capture(wanted(1))
        scope.recover()
        assert scope.capture(wanted(1)).clipped == (0,)


def test_an_error_of_the_instrument_after_the_record_spoils_it() -> None:
    instrument = Scope()
    with opened(instrument) as (scope, _):
        scope.capture(wanted(1))
        instrument.table[r":WAVeform:SOURce CHANnel#"] = lambda n: instrument.refuse()
        with pytest.raises(InstrumentError, match="-222"):
            scope.capture(wanted(1))


def test_the_scale_of_the_record_before_is_not_that_of_a_new_setting() -> None:
    """Its middle is off by less than what tells two settings apart, and its samples say whose it is."""
    noise = np.random.default_rng(7)
    instrument = Scope()
    frozen = 0.5 * noise.standard_normal(2000)
    instrument.signal = lambda n, t: frozen[: t.size]
    with opened(instrument) as (scope, _):
        scope.capture(wanted(1))
        other = replace(wanted(1), inputs={1: replace(wanted(1).inputs[1], offset_v=5e-3)})
        instrument.signal = lambda n, t: 5e-3 + frozen[: t.size]
        instrument.change = changed(8, "0.000000E+00")
        with pytest.raises(BadReply, match="sent the last record of input 1 once more"):
            scope.capture(other)
        scope.recover()
        instrument.signal = lambda n, t: 0.5 * noise.standard_normal(t.size)
        instrument.change = lambda fields: fields
        assert scope.capture(other).volts.shape == (1, 2000)


def test_the_record_before_is_no_new_one() -> None:
    """No two records of a noisy signal have every sample alike; a screen without a signal may."""
    noise = np.random.default_rng(7)
    instrument = Scope()
    frozen = 0.5 * noise.standard_normal(2000)
    instrument.signal = lambda n, t: frozen[: t.size]
    with opened(instrument) as (scope, _):
        scope.capture(wanted(1))
        with pytest.raises(BadReply, match="sent the last record of input 1 once more"):
            scope.capture(wanted(1))
        instrument.signal = lambda n, t: 0.5 * noise.standard_normal(t.size)
        scope.recover()
        scope.capture(wanted(1))
        instrument.signal = lambda n, t: 100.0 * (-1.0) ** np.arange(t.size)  # off the screen all the time
        scope.capture(wanted(1))
        scope.capture(wanted(1))
        instrument.signal = lambda n, t: np.zeros_like(t)
        scope.capture(wanted(1))
        scope.capture(wanted(1))
