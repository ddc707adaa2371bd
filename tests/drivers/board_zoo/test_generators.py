"""Generators of other dialects: RMS volts, dBm at a matched load, fixed widths, no phase, no identity."""

from collections.abc import Iterator
from contextlib import contextmanager
from math import sqrt
from typing import Any

import pytest

from drivers.generator_and_supply import ScpiGenerator
from drivers.serial_wire import open_serial
from drivers.session import Session
from harness.bench_file import AS_THE_PROFILE
from harness.errors import BenchError, JobError
from tests.drivers.board_zoo.generators import DbmGenerator, FixedGenerator, RmsGenerator
from tests.drivers.own_profiles import profile
from tests.drivers.peers import peer
from tests.drivers.serial_boards import port

NAMES = ("rms-generator", "dbm-generator", "fixed-generator")


@contextmanager
def opened(name: str, changes: dict[str, str] | None = None) -> Iterator[tuple[Any, ScpiGenerator]]:
    own = profile(name, changes)
    dialect = own.dialect(AS_THE_PROFILE)

    def started(session: Session) -> ScpiGenerator:
        session.start()
        return ScpiGenerator(session, own, profile_name=name)

    if name == "fixed-generator":
        with port() as line:
            made = FixedGenerator(line.say)
            line.run(made.hear)
            session = Session(
                line.path,
                instrument="generator",
                timeout_s=1.0,
                dialect=dialect,
                connect=lambda: open_serial(line.path),
            )
            yield made, started(session)
            session.close()
        return
    instrument = RmsGenerator() if name == "rms-generator" else DbmGenerator()
    with peer(instrument.script) as served:
        session = Session(served.address, instrument="generator", timeout_s=1.0, dialect=dialect)
        yield instrument, started(session)
        session.close()
    assert instrument.unknown == []


@pytest.mark.parametrize("name", NAMES)
def test_opening_switches_every_output_off(name: str) -> None:
    with opened(name) as (instrument, _):
        assert instrument.on == {1: False, 2: False}


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("vpp", [0.04, 1.0, 6.5])
def test_an_amplitude_arrives_open_circuit_whatever_its_unit(name: str, vpp: float) -> None:
    with opened(name) as (instrument, generator):
        generator.sine(1, frequency_hz=980.0, amplitude_vpp=vpp)
        generator.sine(2, frequency_hz=1010.0, amplitude_vpp=vpp / 2)
        generator.switch(1, on=True)
        assert instrument.hertz == {1: 980.0, 2: 1010.0}
        assert instrument.open_vpp[1] == pytest.approx(vpp, rel=0.005)
        assert instrument.open_vpp[2] == pytest.approx(vpp / 2, rel=0.005)
        assert instrument.on == {1: True, 2: False}
        generator.off()
        assert instrument.on == {1: False, 2: False}


@pytest.mark.parametrize(
    ("unit", "matched", "vpp", "written"),
    [  # closed form: 1 V RMS is 2.8284 Vpp, 0 dBV, and 13.0103 dBm in 50 ohm
        ("vrms", False, 2.0 * sqrt(2.0), 1.0),
        ("vpk", False, 2.0, 1.0),
        ("vpp", True, 2.0, 1.0),
        ("dbv", False, 2.0 * sqrt(2.0), 0.0),
        ("dbm", False, 2.0 * sqrt(2.0), 13.0103),
        ("dbm", True, 4.0 * sqrt(2.0), 13.0103),
    ],
)
def test_the_same_amplitude_in_every_unit(unit: str, matched: bool, vpp: float, written: float) -> None:
    own = profile(
        "scpi-generator",
        {"{vpp}": f"{{{unit}}}", "outputs = 2": f"outputs = 2\nmatched_load = {str(matched).lower()}"},
    )
    assert own.amplitudes(vpp)[unit] == pytest.approx(written, abs=1e-4)


def test_a_level_that_is_clamped_without_a_word_is_seen_when_it_is_read_back() -> None:
    with opened("rms-generator") as (instrument, generator):
        instrument.deaf_above_vrms = 0.5
        with pytest.raises(BenchError, match=r"level of output 1 was set to 0\.707.* reads back 0\.5, -3"):
            generator.sine(1, frequency_hz=1e3, amplitude_vpp=2.0)


def test_a_level_in_decibels_is_compared_in_decibels() -> None:
    with opened("dbm-generator") as (instrument, generator):
        generator.sine(1, frequency_hz=1e3, amplitude_vpp=4.0 * sqrt(2.0) * sqrt(0.05))
        assert instrument.dbm[1] == pytest.approx(0.0, abs=0.01)  # 0 dBm: no ratio to it can be taken


def test_without_a_phase_command_there_is_no_antiphase() -> None:
    with (
        opened("dbm-generator") as (_, generator),
        pytest.raises(BenchError, match=r"phase in degrees: 0 to 0 by its profile, asked for 180"),
    ):
        generator.sine(2, frequency_hz=1e3, amplitude_vpp=1.0, phase_deg=180.0)


def test_a_level_that_the_command_has_no_digits_for_is_refused() -> None:
    with (
        opened("fixed-generator", {"{vpp:07.4f}": "{vpp:05.2f}"}) as (_, generator),
        pytest.raises(BenchError, match=r"0\.036 Vpp can't be set closer than \+0\.92 dB by the digits"),
    ):
        generator.sine(1, frequency_hz=1e3, amplitude_vpp=0.036)


@pytest.mark.parametrize(
    ("name", "shipped", "digits", "least_vpp", "written_vpp"),
    [
        ("fixed-generator", "0.02", ("{vpp:07.4f}", "{vpp:05.2f}"), 0.02, 0.02),
        ("fixed-generator", "0.02", ("{vpp:07.4f}", "{vpp:05.2f}"), 0.036, 0.04),
        ("fixed-generator", "0.02", ("{vpp:07.4f}", "{vpp:05.2f}"), 0.042, 0.05),
        # Closed form: -53.9 dBm are 0.4512 mV RMS at 50 ohm, 2.552 mV peak to peak open; -54.0 dBm are 2.523.
        ("dbm-generator", "0.002", ("{dbm:.2f}", "{dbm:.1f}"), 0.00254, 0.002552),
    ],
)
def test_the_least_level_is_one_that_the_digits_can_write(
    name: str, shipped: str, digits: tuple[str, str], least_vpp: float, written_vpp: float
) -> None:
    """An output gives it while another is looked at alone."""
    key = "amplitude_min_vpp"
    own = profile(name, {f"{key} = {shipped}": f"{key} = {least_vpp}", digits[0]: digits[1]})
    assert own.least_vpp == pytest.approx(written_vpp, rel=1e-3)
    assert own.level_lost(own.least_vpp) == ""


def test_a_frequency_that_the_command_has_no_digits_for_is_refused() -> None:
    with (
        opened("fixed-generator", {"{hz:012.4f}": "{hz:07d}"}) as (_, generator),
        pytest.raises(BenchError, match=r"980\.5 Hz can't be set.* would be 980 Hz"),
    ):
        generator.sine(1, frequency_hz=980.5, amplitude_vpp=1.0)


def test_a_generator_without_an_identity_is_called_by_its_profile() -> None:
    with opened("fixed-generator") as (_, generator):
        description, _, remark = generator.identity.text.partition(" (")
        assert description == "Function generator, numbers of fixed width, no identity"
        assert remark == "that its outputs are off is not verified)"


def test_an_amplitude_that_does_not_fit_is_a_mistake_of_the_profile() -> None:
    with pytest.raises(JobError, match=r"120\.0000 does not fit into the 7 places"):
        profile("fixed-generator", {"amplitude_max_vpp = 20.0": "amplitude_max_vpp = 120.0"})
