"""An invented run, as the records keep it: a line switcher of a small station's outside-broadcast rack."""

import hashlib
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from harness.measure.tones import Stimulus
from harness.reading import Contribution, Estimate, Expected, Measurand, Reading, ReadingKey
from harness.records.run import AcquisitionRecord, RunHeader
from harness.roles import Capture, CaptureSetting, Identity, InputSetting
from harness.toml_files.located import JobFile

STARTED = datetime(2026, 11, 25, 9, 30, 12, 345678, tzinfo=UTC)
ENDED = STARTED + timedelta(seconds=83)


def job_file(name: str, text: str) -> JobFile:
    return JobFile(name=name, sha256=hashlib.sha256(text.encode()).hexdigest(), text=text)


HEADER = RunHeader(
    serial="OB-0023",
    module_name="Two-loop line switcher",
    part="TLS-2",
    revision="B",
    sequence_name="Production test",
    decision="guarded",
    bench_name="Van bench",
    operator="Ada",
    started=STARTED,
    software_version="0.1.0",
    simulated=False,
    notes="second batch",
    instruments=(
        Identity(
            role="generator",
            address="TCPIP::192.0.2.10::5025::SOCKET",
            profile="scpi-generator",
            text="Example,G2,1001,1.0",
        ),
        Identity(
            role="oscilloscope",
            address="TCPIP::192.0.2.11::5025::SOCKET",
            profile="preamble-oscilloscope",
            text="Example,S4,2002,2.1",
        ),
        Identity(
            role="supply",
            address="TCPIP::192.0.2.12::5025::SOCKET",
            profile="scpi-supply",
            text="Example,P1,3003,1.7",
        ),
        Identity(
            role="switchboard",
            address="ASRL/dev/ttyUSB0::INSTR",
            profile="frame-switchboard",
            text="16 channels, does not answer",
        ),
    ),
    files=(
        job_file("module.toml", '[module]\nname = "Two-loop line switcher"\n'),
        job_file("fixture.toml", '[fixture]\nname = "Production fixture"\n'),
        job_file("sequence.toml", '[sequence]\nname = "Production test"\n'),
    ),
    planned_readings=96,
)

READING = Reading(
    key=ReadingKey(
        check="Route and gain",
        measurand=Measurand(
            quantity="gain",
            options=(("loopbacks", "pad_a"),),
            state="loop_a",
            channel="left",
            port="out",
            driven="left.in",
            frequency_hz=1000.0,
        ),
    ),
    unit="dB",
    estimate=Estimate(
        value=-0.087,
        standard=0.004,
        low=-0.095,
        high=-0.079,
        coverage_factor=2.0,
        floor=False,
        budget=(
            Contribution(name="fit residual", standard=0.002),
            Contribution(name="through reference", standard=0.0035),
        ),
    ),
    expected=Expected(value=-0.086, standard=0.002),
    limit_low=-0.286,
    limit_high=0.114,
    verdict="pass",
    reason="",
    facts=(),
    acquisitions=(1,),
    route="left.in > K1 > left.a_send > pad_a > left.a_return > left.out",
    setup="drive left, view outputs",
)


def changed(reading: Reading, **changes: Any) -> Reading:
    """The reading with other values, whichever part of it has a field of the name.

    expected, expected_standard: of what is expected. value=None: a reading without an estimate.
    """

    def of(part: type) -> dict[str, Any]:
        return {field.name: changes.pop(field.name) for field in fields(part) if field.name in changes}

    key = ReadingKey(
        check=changes.pop("check", reading.key.check),
        measurand=replace(reading.key.measurand, **of(Measurand)),
    )
    expected = reading.expected
    if "expected" in changes:
        value, standard = changes.pop("expected"), changes.pop("expected_standard", None)
        expected = None if value is None else Expected(value=value, standard=standard)
    of_estimate = of(Estimate)
    missing = of_estimate.get("value", 0.0) is None
    estimate = None if missing or reading.estimate is None else replace(reading.estimate, **of_estimate)
    return replace(reading, key=key, estimate=estimate, expected=expected, **changes)


SETTING = CaptureSetting(
    inputs={number: InputSetting(volts_per_division=0.5) for number in (1, 2, 3, 4)},
    duration_s=0.02,
    samples=2000,
)

ACQUISITION = AcquisitionRecord(
    number=3,
    setup="drive left, view outputs",
    state="loop_a",
    stimulus=Stimulus(kind="pair", frequency_hz=1000.0, level_vrms=1.228),
    frequencies_hz=(950.0, 1050.0),
    setting=SETTING,
    phasors=np.array([[0.61 - 0.01j, 0.0], [0.0, 0.61 + 0.02j], [1e-6, -2e-6j], [0.0, 3e-7]], dtype=complex),
    residuals_vrms=(0.0041, 0.0042, 0.0040, 0.0043),
    started=STARTED + timedelta(seconds=2),
    duration_s=0.131,
)


def capture(*, seed: int, samples: int = 2000, dead: tuple[int, ...] = ()) -> Capture:
    """Four inputs of an 8-bit scope; the inputs in `dead` see noise alone."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(samples) * 0.02 / samples
    legs = [np.sin(2 * np.pi * 950 * time_s), np.sin(2 * np.pi * 1050 * time_s + np.pi)] * 2
    volts = np.array(
        [0.0 * leg if number in dead else 0.87 * leg for number, leg in enumerate(legs, start=1)]
    )
    step_v = 4.0 / 256
    volts = np.round((volts + rng.normal(0.0, 0.01, volts.shape)) / step_v) * step_v
    return Capture(
        inputs=(1, 2, 3, 4),
        volts=volts,
        interval_s=0.02 / samples,
        full_scale_v=(4.0,) * 4,
        step_v=(step_v,) * 4,
        clipped=(0,) * 4,
        setting=replace(SETTING, samples=samples),
    )


def value_of(reading: Reading) -> float:
    """The value of a reading that has one."""
    assert reading.estimate is not None
    return reading.estimate.value
