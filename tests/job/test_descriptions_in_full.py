"""The less common ways to describe a unit and a fixture: every form that the format allows."""

import textwrap
from pathlib import Path

import pytest

from harness.errors import JobError
from harness.job.fixture import LoopbackLeg, PortName, Termination
from harness.job.job import Job, load_job
from tests.known import known

MODULE = """
[module]
name = "Talkback box"
channels = ["left", "right"]
[supply]
voltage = "5 V"
limit = "200 mA"
[controls]
cue_on = "Cue"
cue_off = "Cue off"
[ports]
in = "input"
out = "output"
loop_send = "send"
loop_return = "return"
[relay_types.bistable]
coil = "178 Ω"
contact = "60 mΩ"
[[relay]]
name = "K1"
set_control = "cue_on"
reset_control = "cue_off"
type = "bistable"
contacts = [
    { channel = "left", common = "mix", released = "loop_return", operated = "amp" },
    { channel = "right", leg = "cold", common = "mix", operated = "amp" },
]
[[resistor]]
name = "R1"
channel = "right"
series = ["loop_return", "mix"]
value = "10 ohm"
[[resistor]]
name = "R2"
channel = "right"
leg = "hot"
series = ["amp", "mix"]
value = "22 ohm"
[[resistor]]
names = { left = "R3", right = "R4" }
series = ["mix", "out"]
value = "47 ohm"
[[capacitor]]
names = { left = "C1", right = "C2" }
to_ground = "out"
value = "100 pF"
[[amplifier]]
names = { left = "A1", right = "A2" }
from = "in"
to = "amp"
gain = "6 dB"
inverting = true
input_impedance = "20 kohm"
output_impedance = "100 ohm"
common_mode_rejection = "70 dB"
[[resistor]]
names = { left = "R5", right = "R6" }
series = ["amp", "loop_send"]
value = "10 ohm"
"""
FIXTURE = """
[fixture]
name = "Bench leads"
undriven_inputs = "100 ohm"
[controls]
cue_on = 1
cue_off = 2
[loads]
out = { legs = "5 kohm", tolerance = "0.1 %" }
loop_send = { across = "10 kohm" }
[loopbacks.straight]
from = "loop_send"
to = "loop_return"
loss = "0 dB"
[loopbacks.pad]
from = "loop_send"
to = "loop_return"
loss = "6 dB"
impedance = "600 ohm"
plug = "P3"
[loopbacks.coded]
from = "loop_send"
to = "loop_return"
legs.left = { hot = { series = "0 ohm" }, cold = { series = "10 ohm", shunt = "1 kohm" } }
legs.right = { hot = { series = "20 ohm" }, cold = { series = "30 ohm" } }
[[setup]]
name = "left"
drive = "left.in"
view = ["left.in", "left.out"]
loopbacks = ["pad"]
[[setup]]
name = "right"
drive = "right.in"
view = ["right.in", "right.out"]
loopbacks = ["pad"]
"""
SEQUENCE = """
[sequence]
name = "Quick look"
states = ["cue_on", "idle"]
channels = ["left"]
tone = { frequency = "1 kHz", level = "775 mV" }
settle = "0 s"
coverage_factor = 3
decision = "simple"
serial_pattern = "TB-[0-9]{4}"
[[check]]
name = "Gain"
quantity = "gain"
at = ["out"]
between = ["-1 dB", "7 dB"]
frequency = "100 Hz"
level = "-10 dBV"
[[check]]
name = "Phase"
quantity = "phase"
at = ["out"]
above = "-5 deg"
[[check]]
name = "Current"
quantity = "supply_current"
below = "60 mA"
"""


def written(folder: Path, *, module: str = MODULE, fixture: str = FIXTURE, sequence: str = SEQUENCE) -> Path:
    for name, text in (("module", module), ("fixture", fixture), ("sequence", sequence)):
        (folder / f"{name}.toml").write_text(textwrap.dedent(text), encoding="utf-8")
    return folder


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return load_job(written(tmp_path))


def test_a_latching_relay_that_serves_both_channels(job: Job) -> None:
    (relay,) = job.module.relays
    assert (relay.control, relay.set_control, relay.reset_control) == (None, "cue_on", "cue_off")
    assert [pole.name for pole in relay.poles] == ["K1.1.hot", "K1.1.cold", "K1.2.cold"]
    assert (relay.poles[2].common, relay.poles[2].released) == ("right.mix.cold", None)


def test_what_a_relay_type_does_not_say_has_a_default(job: Job) -> None:
    kind = job.module.relays[0].type
    assert (kind.contact_ohm, kind.contact_max_ohm, kind.off_capacitance_f) == pytest.approx(
        (0.06, 0.12, 1e-12)
    )


def test_parts_on_one_leg_in_series_and_to_ground(job: Job) -> None:
    named = {part.name: part for part in (*job.module.resistors, *job.module.capacitors)}
    assert (named["R2"].a, named["R2"].b) == ("right.amp.hot", "right.mix.hot")
    assert (named["C1.cold"].a, named["C1.cold"].b) == ("left.out.cold", "ground")
    assert {"R1.hot", "R1.cold", "R3.hot", "R4.cold"} <= set(named)


def test_an_amplifiers_gain_is_a_ratio_with_its_sign(job: Job) -> None:
    amplifier = job.module.amplifiers[0]
    assert amplifier.gain == pytest.approx(-1.99526, rel=1e-5)
    assert amplifier.common_mode_rejection_db == 70.0


def test_terminations_in_every_form(job: Job) -> None:
    fixture = job.fixture
    assert fixture.undriven_inputs == Termination(across_ohm=100.0, leg_ohm=None, tolerance=0.01)
    assert fixture.loads["out"] == Termination(across_ohm=None, leg_ohm=5000.0, tolerance=0.001)
    assert fixture.loads["loop_send"] == Termination(across_ohm=10_000.0, leg_ohm=None, tolerance=0.01)


def test_loopbacks_in_every_form(job: Job) -> None:
    loopbacks = job.fixture.loopbacks
    assert (loopbacks["straight"].pad_db, loopbacks["straight"].pad_impedance_ohm) == (0.0, None)
    assert (loopbacks["pad"].pad_db, loopbacks["pad"].pad_impedance_ohm, loopbacks["pad"].plug) == (
        6.0,
        600.0,
        "P3",
    )
    assert known(loopbacks["coded"].legs)["left"]["hot"] == LoopbackLeg(series_ohm=0.0, shunt_ohm=None)


def test_a_sequences_own_choices(job: Job) -> None:
    sequence = job.sequence
    assert [state.name for state in sequence.states] == ["cue_on", "idle"]
    assert sequence.channels == ("left",)
    assert (sequence.coverage_factor, sequence.decision) == (3.0, "simple")
    gain, phase, current = sequence.checks
    assert (gain.tone.frequency_hz, gain.tone.level_vrms) == pytest.approx((100.0, 0.316228), rel=1e-5)
    assert (known(gain.limit).low, known(gain.limit).high, known(gain.limit).unit) == (-1.0, 7.0, "dB")
    assert (phase.tone.level_vrms, known(phase.limit).low, known(phase.limit).high) == (0.775, -5.0, None)
    assert (known(current.limit).unit, current.at) == ("A", ())
    assert known(current.limit).high == pytest.approx(0.06)


@pytest.mark.parametrize(
    ("which", "right", "wrong", "message"),
    [
        (
            "module",
            'reset_control = "cue_off"',
            'reset_control = "cue_on"',
            "the same control line sets and resets",
        ),
        ("module", 'channel = "left", common', "common", "channel: missing; expected one of left, right"),
        ("module", 'value = "10 ohm"', 'value = "10 nF"', 'whose unit is "F"; expected a resistance'),
        ("module", 'value = "100 pF"', 'value = "100"', "has no unit; expected a capacitance"),
        (
            "module",
            'to_ground = "out"',
            'to_ground = "out"\nacross = "out"',
            'expected one of series = ["x", "y"]',
        ),
        ("module", 'series = ["mix", "out"]', 'series = ["mix"]', "expected two different nets"),
        ("module", 'contact = "60 mΩ"', 'contact = "60 mΩ"\ncontact_max = "10 mΩ"', "less than contact"),
        ("module", 'cue_on = "Cue"', 'Cue_on = "Cue"', "none of idle, unpowered, all"),
        ("module", 'gain = "6 dB"', "gain = 2", "found 2, which has no unit"),
        ("fixture", 'impedance = "600 ohm"\n', "", "a pad with a loss needs its impedance"),
        ("fixture", 'loss = "0 dB"\n', "", "expected either legs, or loss"),
        ("fixture", "legs.right = ", "legs.centre = ", "no legs for channel right"),
        ("fixture", 'loss = "6 dB"', 'loss = "-6 dB"', "expected zero or more"),
        ("sequence", 'serial_pattern = "TB-[0-9]{4}"', 'serial_pattern = "TB-["', "a regular expression"),
        ("sequence", 'below = "60 mA"', 'below = "60 mA"\nat = ["out"]', "expected no ports"),
        ("sequence", 'below = "60 mA"', 'below = "8 %"', 'whose unit is "%"; expected a current'),
        (
            "sequence",
            'above = "-5 deg"',
            'above = "-5 deg"\nsilent_ports_below = "-80 dB"',
            "belongs to a gain check",
        ),
        ("sequence", "coverage_factor = 3", "coverage_factor = nan", "coverage_factor"),
    ],
)
def test_what_makes_no_sense_in_them_is_told(
    tmp_path: Path, which: str, right: str, wrong: str, message: str
) -> None:
    texts = {"module": MODULE, "fixture": FIXTURE, "sequence": SEQUENCE}
    if right not in texts[which]:
        pytest.fail(f"{right} is not in the {which}")
    texts[which] = texts[which].replace(right, wrong, 1)
    with pytest.raises(JobError) as caught:
        load_job(written(tmp_path, **texts))
    assert message in str(caught.value)


@pytest.mark.parametrize("which", ["module", "fixture", "sequence"])
def test_any_line_left_out_gives_mistakes_or_a_job_but_never_another_error(
    tmp_path: Path, which: str
) -> None:
    texts = {"module": MODULE, "fixture": FIXTURE, "sequence": SEQUENCE}
    lines = texts[which].strip().split("\n")
    for left_out in range(len(lines)):
        changed = {**texts, which: "\n".join(lines[:left_out] + lines[left_out + 1 :])}
        try:
            load_job(written(tmp_path, **changed))
        except JobError as error:
            text = str(error)
        else:
            text = "a job"
        assert text


@pytest.mark.parametrize("value", ["[]", "{}", "[[1]]", "nan", '""', "true", "2026-11-25", '"x"', "-1"])
@pytest.mark.parametrize("which", ["module", "fixture", "sequence"])
def test_any_value_of_another_kind_gives_mistakes_or_a_job_but_never_another_error(
    tmp_path: Path, which: str, value: str
) -> None:
    texts = {"module": MODULE, "fixture": FIXTURE, "sequence": SEQUENCE}
    lines = texts[which].strip().split("\n")
    for index, line in enumerate(lines):
        if " = " not in line or line.endswith("["):
            continue
        key = line.split(" = ")[0]
        changed = {**texts, which: "\n".join([*lines[:index], f"{key} = {value}", *lines[index + 1 :]])}
        try:
            load_job(written(tmp_path, **changed))
        except JobError as error:
            text = str(error)
        else:
            text = "a job"
        assert text


def test_a_ports_legs_are_two_rows_of_what_the_scope_sees(job: Job) -> None:
    left = job.fixture.setups[0]
    assert left.rows(PortName(channel="left", net="out")) == (2, 3)
    with pytest.raises(ValueError, match="not in tuple"):
        left.rows(PortName(channel="right", net="out"))
