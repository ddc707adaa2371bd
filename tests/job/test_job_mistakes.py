"""What a wrong job gets: every mistake at once, each at its line, in words that say what to write instead."""

from pathlib import Path

import pytest

from harness.job.job import load_job
from tests.job.spoilt import mistakes_of, spoil


def test_a_typo_in_every_file_is_told_four_times(job: Path) -> None:
    lines = [
        spoil(job, "module.toml", 'revision = "B"', 'revison = "B"'),
        spoil(job, "fixture.toml", "loop_a = 1", "lop_a = 1"),
        spoil(job, "sequence.toml", 'quantity = "polarity"', 'quantity = "polarty"'),
        spoil(job, "bench.toml", "[oscilloscope]", "[osciloscope]"),
    ]
    assert mistakes_of(job) == [
        f"module.toml:{lines[0]}: module.revison: no such key; this table has name, part, "
        "revision, channels, suspects; did you mean revision?",
        f"fixture.toml:{lines[1]}: controls.lop_a: no such control line; module.toml has loop_a, loop_b, "
        "swap; did you mean loop_a?",
        f"sequence.toml:{lines[2]}: check[2].quantity: no such quantity; did you mean polarity?",
        f"bench.toml:{lines[3]}: osciloscope: no such table; bench.toml has bench, generator, oscilloscope, "
        "supply, switchboard; did you mean oscilloscope?",
    ]


OPERATIONS = ("sequence.toml", "operations = 10")
WHOLE = "expected a whole number without quotes"


@pytest.mark.parametrize(
    ("place", "wrong", "text"),
    [
        (("module.toml", '["left", "right"]'), "[]", "found an empty list; expected at least one"),
        (OPERATIONS, "operations = 0", "found 0; expected at least 1"),
        (OPERATIONS, "operations = 200_000", "found 200000; expected at most 100000"),
        (OPERATIONS, "operations = 2.5", f"found 2.5; {WHOLE}"),
        (OPERATIONS, 'operations = "10"', f'found "10"; {WHOLE}'),
        (("bench.toml", 'profile = "scpi-generator"'), 'profile = ""', 'found ""; expected at least one'),
    ],
)
def test_a_value_of_the_wrong_kind_is_told_by_what_was_found_and_expected(
    job: Path, place: tuple[str, ...], wrong: str, text: str
) -> None:
    file, right = place
    spoil(job, file, right, wrong)
    assert any(message.endswith(text) for message in mistakes_of(job))


SPOILT = [
    # module.toml
    (
        "module.toml",
        'released = "a_send", operated = "a_return"',
        'released = "a_sned", operated = "a_return"',
        "relay[1].contacts[1].released: nothing else is on net a_sned, and it is no port; did you mean "
        "a_send?",
    ),
    (
        "module.toml",
        'b_return = "return"',
        'b_return = "return"\nmonitor = "output"',
        "+1 ports.monitor: nothing in the module is connected to left.monitor.hot, left.monitor.cold, "
        "right.monitor.hot, right.monitor.cold",
    ),
    (
        "module.toml",
        'out = "output"',
        'out = "ouput"',
        'ports.out: found "ouput"; expected input, output, send, return; did you mean output?',
    ),
    (
        "module.toml",
        'right = "K6"',
        'right = "K1"',
        "relay[1].names.right: K1 is already the name of the part at line {line}",
    ),
    ("module.toml", ', right = "K6"', "", "relay[1].names: no part for channel right"),
    (
        "module.toml",
        'right = "K6"',
        'rigth = "K6"',
        "relay[1].names.rigth: no such channel; module has left, right; did you mean right?",
    ),
    (
        "module.toml",
        'control = "loop_a"',
        'control = "lop_a"',
        "relay[1].control: no such control line; [controls] has loop_a, loop_b, swap; did you mean loop_a?",
    ),
    (
        "module.toml",
        'control = "loop_a"',
        "",
        "-2 relay[1]: found none of control, set_control and reset_control; expected either control, or "
        "set_control and reset_control of a latching relay",
    ),
    (
        "module.toml",
        'type = "signal"',
        'type = "signl"',
        "relay[1].type: no such relay type; module.toml has signal; did you mean signal?",
    ),
    (
        "module.toml",
        ', released = "a_send", operated = "a_return"',
        "",
        "relay[1].contacts[1]: a contact with no throw; expected released, operated, or both",
    ),
    (
        "module.toml",
        'voltage = "12 V"',
        "voltage = 12",
        'supply.voltage: found 12, which has no unit; expected a voltage such as "12 V" in quotes',
    ),
    (
        "module.toml",
        'voltage = "12 V"',
        'voltage = "12 A"',
        'supply.voltage: found "12 A", whose unit is "A"; expected a voltage such as "12 V"',
    ),
    (
        "module.toml",
        'coil = "1028 ohm"\n',
        "",
        '-1 relay_types.signal.coil: missing; expected a resistance such as "50 mohm"',
    ),
    # fixture.toml
    (
        "fixture.toml",
        "swap = 3\n",
        "",
        "-3 controls.swap: missing; expected the switchboard channel of this control line",
    ),
    ("fixture.toml", "swap = 3", "swap = 2", "controls.swap: switchboard channel 2 already energises loop_b"),
    (
        "fixture.toml",
        "swap = 3",
        'swap = "3"',
        'controls.swap: found "3"; expected a switchboard channel, 1 or more',
    ),
    (
        "fixture.toml",
        "select = [9]",
        "select = [3]",
        "setup[1].select: switchboard channel 3 already energises control line swap",
    ),
    (
        "fixture.toml",
        "select = [10]",
        "select = [9]",
        'setup[3].select: the same channels make setup "through reference"',
    ),
    (
        "fixture.toml",
        'out = "10 kohm"',
        'outt = "10 kohm"',
        "loads.outt: no such port; module.toml has in, out, a_send, a_return, b_send, b_return; "
        "did you mean out?",
    ),
    (
        "fixture.toml",
        'out = "10 kohm"',
        "out = 10000",
        'loads.out: found 10000, which has no unit; expected a resistance such as "50 mohm" in quotes',
    ),
    (
        "fixture.toml",
        'from = "a_send"',
        'from = "a_sendd"',
        "loopbacks.pad_a.from: no such port; module.toml has in, out, a_send, a_return, b_send, b_return; "
        "did you mean a_send?",
    ),
    (
        "fixture.toml",
        'to = "a_return"',
        'to = "b_send"',
        "loopbacks.pad_a.to: b_send is a port of role send; expected one of in, a_return, b_return",
    ),
    (
        "fixture.toml",
        'series = "390 ohm", shunt',
        'serie = "390 ohm", shunt',
        "loopbacks.pad_a.legs.left.hot.serie: no such key; this table has series, shunt; did you mean "
        "series?",
    ),
    (
        "fixture.toml",
        'plug = "A1"',
        'plug = "A2"',
        "+10 measured.A1: no loopback says that this is its plug; those used are A2, B1",
    ),
    (
        "fixture.toml",
        'drive = "left.in"',
        'drive = "left.out"',
        "setup[3].drive: left.out is a port of role output; expected an input: left.in, right.in",
    ),
    (
        "fixture.toml",
        'view = ["left.in", "left.out"]',
        'view = ["left.in", "lft.out"]',
        'setup[3].view[2]: found "lft.out": no such port; did you mean left.out?',
    ),
    (
        "fixture.toml",
        'loopbacks = ["pad_a", "pad_b"]',
        'loopbacks = ["pad_a", "pd_b"]',
        "setup[3].loopbacks[2]: no such loopback; fixture.toml has pad_a, pad_b; did you mean pad_b?",
    ),
    (
        "fixture.toml",
        "through = true",
        'through = true\ndrive = "left.in"',
        "+1 setup[1].drive: a through setup bypasses the unit; expected no drive",
    ),
    # sequence.toml
    (
        "sequence.toml",
        'within = "0.2 dB"',
        'within = "0.2"',
        'check[1].within: found "0.2", which has no unit; expected a ratio in decibels such as "0.2 dB"',
    ),
    (
        "sequence.toml",
        'within = "0.2 dB"',
        "within = 0.2",
        "check[1].within: found 0.2, which has no unit; expected a ratio in decibels such as "
        '"0.2 dB" in quotes',
    ),
    (
        "sequence.toml",
        'within = "3 deg"',
        'within = "3 dB"',
        'check[3].within: found "3 dB", whose unit is "dB"; expected an angle such as "5 deg"',
    ),
    (
        "sequence.toml",
        'within = "3 deg"',
        'within = "3 deg"\nbelow = "3 deg"',
        "-4 check[3]: found within and below; expected one of within, below, above, between, "
        'such as within = "5 deg"',
    ),
    (
        "sequence.toml",
        'frequency = "10 kHz"\nbelow = "-80 dB"',
        'frequency = "10 kHz"',
        '-4 check[8]: no limit; expected one of within, below, above, between, such as below = "-80 dB"',
    ),
    (
        "sequence.toml",
        'between = ["-5 mV", "5 mV"]',
        'between = ["5 mV", "-5 mV"]',
        'check[19].between: found ["5 mV", "-5 mV"]; expected the low end first',
    ),
    (
        "sequence.toml",
        'states = ["all", "unpowered"]',
        'states = ["idle", "loop_a+swop"]',
        'sequence.states[2]: found state "loop_a+swop": no such control line; module.toml has loop_a, '
        "loop_b, swap; "
        "did you mean swap?",
    ),
    (
        "sequence.toml",
        'states = ["all", "unpowered"]',
        'states = ["swap+loop_a", "loop_a+swap"]',
        "sequence.states[2]: state loop_a+swap is listed twice; expected once",
    ),
    (
        "sequence.toml",
        'at = ["out", "a_send", "b_send"]',
        'at = ["out", "a_snd", "b_send"]',
        "check[1].at[2]: no such port; module.toml has in, out, a_send, a_return, b_send, b_return; "
        "did you mean a_send?",
    ),
    (
        "sequence.toml",
        'frequency = "1 kHz", level',
        "frequency = 1000, level",
        "sequence.tone.frequency: found 1000, which has no unit; expected a frequency such as "
        '"1 kHz" in quotes',
    ),
    (
        "sequence.toml",
        'channels = "all"',
        'channels = ["left", "rihgt"]',
        "sequence.channels[2]: no such channel; module.toml has left, right; did you mean right?",
    ),
    (
        "sequence.toml",
        'settle = "10 ms"',
        'settle = "10 ms"\ndecision = "gaurded"',
        '+1 sequence.decision: found "gaurded"; expected guarded, simple; did you mean guarded?',
    ),
    # bench.toml
    (
        "bench.toml",
        'settle = "15 ms"',
        'settle = "soon"',
        'switchboard.settle: found "soon", which is not a value with a unit; expected a time such as "20 ms"',
    ),
    (
        "bench.toml",
        'settle = "15 ms"',
        'wire = { parity = "evn" }',
        'switchboard.wire.parity: found "evn"; expected none, even, odd, mark, space; did you mean even?',
    ),
    (
        "bench.toml",
        'settle = "15 ms"',
        "wire = { baud_rte = 9600 }",
        "switchboard.wire.baud_rte: no such key; did you mean baud_rate?",
    ),
    (
        "bench.toml",
        "cold = 2",
        "cold = 1",
        "generator.cold: output 1 already feeds hot; expected another one",
    ),
    (
        "bench.toml",
        "192.0.2.11",
        "192.0.2.10",
        'oscilloscope.address: "TCPIP::192.0.2.10::5025::SOCKET" is already the address of the generator; '
        "expected another one",
    ),
    (
        "bench.toml",
        "::5025::SOCKET",
        "::5025",
        'generator.address: found "TCPIP::192.0.2.10::5025"; expected an address that ends in '
        "::SOCKET or ::INSTR",
    ),
    (  # a URL by which pyserial would write a file
        "bench.toml",
        "TCPIP::192.0.2.10::5025::SOCKET",
        "spy:///dev/ttyUSB0?file=/tmp/x",
        'generator.address: found "spy:///dev/ttyUSB0?file=/tmp/x"; expected a device such as '
        '"/dev/ttyUSB0", "socket://host:port", "rfc2217://host:port", or a VISA resource name',
    ),
    (
        "bench.toml",
        'probe = "1x"',
        "probe = 1",
        'oscilloscope.probe: found 1; expected a probe\'s factor such as "1x" or "10x"',
    ),
    (
        "sequence.toml",
        'between = ["-5 mV", "5 mV"]',
        'within = "5 mV"',
        "check[19].within: dc_offset takes below, above, between only; expected one such as between = "
        '["-5 mV", "5 mV"]',
    ),
    (
        "bench.toml",
        'gain_accuracy = "2 %"',
        'gain_accuracy = "0 %"',
        'oscilloscope.gain_accuracy: found "0 %"; expected more than zero: a percentage such as "2 %"',
    ),
]


@pytest.mark.parametrize(("file", "right", "wrong", "message"), SPOILT, ids=[row[3][:60] for row in SPOILT])
def test_a_mistake_is_told_once_at_its_line_word_for_word(
    job: Path, file: str, right: str, wrong: str, message: str
) -> None:
    line = spoil(job, file, right, wrong)
    if message[0] in "+-":  # the mistake is told some lines below or above the one that was spoilt
        moved, message = message.split(" ", 1)
        line += int(moved)
    assert mistakes_of(job) == [f"{file}:{line}: {message.format(line=line)}"]


def test_a_port_that_no_setup_views_is_told_with_the_setup_to_add(job: Path) -> None:
    line = spoil(job, "sequence.toml", 'at = ["out"]\nwithin = "3 deg"', 'at = ["a_send"]\nwithin = "3 deg"')
    assert mistakes_of(job) == [
        f"sequence.toml:{line}: check[3].at[1]: phase is measured against the drive, and no "
        "setup that drives "
        f'{channel} views both; expected a [[setup]] with drive = "{channel}.in", '
        f'view = ["{channel}.in", "{channel}.a_send"]'
        for channel in ("left", "right")
    ]


def test_crosstalk_asks_for_both_channels_viewed_at_once(job: Path) -> None:
    line = spoil(job, "sequence.toml", 'at = ["out"]\nfrequency', 'at = ["b_send"]\nfrequency')
    assert mistakes_of(job)[0] == (
        f"sequence.toml:{line}: check[8].at[1]: crosstalk needs left driven and both channels "
        "viewed at once; "
        'expected a [[setup]] with drive = "left.in", view = ["left.b_send", "right.b_send"]'
    )


def test_a_gain_where_no_lead_goes_is_told_for_each_channel(job: Path) -> None:
    line = spoil(job, "sequence.toml", '"a_send", "b_send"]\nwithin', '"a_return"]\nwithin')
    assert mistakes_of(job) == [
        f"sequence.toml:{line}: check[1].at[2]: no setup that drives {channel} views {channel}.a_return; "
        f'expected a [[setup]] with drive = "{channel}.in", view = ["{channel}.a_return"]'
        for channel in ("left", "right")
    ]


def test_a_line_that_no_relay_uses_is_told(job: Path) -> None:
    line = spoil(job, "module.toml", "[ports]", 'spare = "Nothing"\n[ports]')
    assert mistakes_of(job)[0] == (
        f"module.toml:{line}: controls.spare: no relay uses this control line; expected it as the control "
        "of a [[relay]]"
    )


def test_an_output_that_no_contact_leads_to_is_told(job: Path) -> None:
    text = (job / "module.toml").read_text()
    text = text.replace('b_return = "return"\n', 'b_return = "return"\nmonitor = "output"\n')
    text += '\n[[resistor]]\nnames = { left = "R1", right = "R2" }\nacross = "monitor"\nvalue = "10 kohm"\n'
    (job / "module.toml").write_text(text)
    assert [mistake.split(": ", 2)[2] for mistake in mistakes_of(job)] == [
        "nothing drives left.monitor.hot, left.monitor.cold, right.monitor.hot, right.monitor.cold: "
        "no contact or part leads there from an input"
    ]


def test_an_input_that_no_setup_drives_is_told(job: Path) -> None:
    text = (job / "module.toml").read_text()
    text = text.replace('b_return = "return"\n', 'b_return = "return"\ncue = "input"\n')
    text += '\n[[resistor]]\nnames = { left = "R1", right = "R2" }\nacross = "cue"\nvalue = "10 kohm"\n'
    (job / "module.toml").write_text(text)
    (expected,) = mistakes_of(job)
    assert expected.endswith(
        'setup: nothing drives cue, an input; expected a [[setup]] with drive = "left.cue"'
    )


def test_two_relays_that_fight_over_one_net_are_legal(job: Path) -> None:
    with (job / "module.toml").open("a") as file:
        file.write(
            '\n[[relay]]\nnames = { left = "K11", right = "K12" }\ncontrol = "swap"\ntype = "signal"\n'
            'contacts = [{ common = "out", operated = "in" }]\n'
        )
    assert len(load_job(job).module.relays) == 12


def test_a_relay_with_control_and_set_control_is_told_what_it_has(job: Path) -> None:
    spoil(job, "module.toml", 'control = "loop_a"', 'control = "loop_a"\nset_control = "loop_a"')
    assert any(
        "relay[1]: found control and set_control; expected either control, or set_control and reset_control "
        "of a latching relay" in mistake
        for mistake in mistakes_of(job)
    )
