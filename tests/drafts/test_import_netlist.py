"""`switchwalk import`: one module in three netlists comes out the same; nothing hostile gets through."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.drafts.expressions import read_netlist
from harness.drafts.module_draft import draft_module
from harness.drafts.netlist import value_and_tolerance, value_of
from harness.errors import SwitchwalkError
from harness.job.job import load_job
from harness.job.module import Module
from tests.cli.commands import Printed, switchwalk

# A relay with one insert loop in a mono line; pins in threes after the coil, as `import --help` says.
THREES = """* Mono insert
XK1 loop_1 12V loop_1_send_hot 0 in_hot loop_1_send_cold 0 in_cold
+ out_hot in_hot loop_1_return_hot out_cold in_cold loop_1_return_cold OB4P
R1 out_hot 0 100k ; bleed
R2 out_cold 0 100k
C1 out_hot out_cold 100p
D1 loop_1 12V 1N4148
"""
SWITCHES = """* Mono insert, as switches
S1 loop_1_send_hot in_hot loop_1 0 sw_no
S2 loop_1_send_hot 0 loop_1 0 sw_nc
S3 loop_1_send_cold in_cold loop_1 0 sw_no
S4 loop_1_send_cold 0 loop_1 0 sw_nc
S5 out_hot loop_1_return_hot loop_1 0 sw_no
S6 out_hot in_hot loop_1 0 sw_nc
S7 out_cold loop_1_return_cold loop_1 0 sw_no
S8 out_cold in_cold loop_1 0 sw_nc
R1 out_hot 0 100k
R2 out_cold 0 0.1meg
C1 out_hot out_cold 1e-10
"""
# EN 50005 marks a changeover contact 11 common, 12 break, 14 make, and a coil A1, A2.
_ON = {
    "/loop_1": [("K1", "A1")],
    "+12V": [("K1", "A2")],
    "/LOOP_1_SEND_P": [("K1", "11"), ("J1", "2")],
    "/LOOP_1_SEND_N": [("K1", "21"), ("J1", "3")],
    "GND": [("K1", "12"), ("K1", "22"), ("R1", "2"), ("R2", "2"), ("J1", "1")],
    "/IN+": [("K1", "14"), ("K1", "32"), ("J2", "2")],
    "/IN-": [("K1", "24"), ("K1", "42"), ("J2", "3")],
    "/OUT+": [("K1", "31"), ("R1", "1"), ("C1", "1"), ("J3", "2")],
    "/OUT-": [("K1", "41"), ("R2", "1"), ("C1", "2"), ("J3", "3")],
    "/LOOP_1_RETURN_P": [("K1", "34"), ("J4", "2")],
    "/LOOP_1_RETURN_N": [("K1", "44"), ("J4", "3")],
}
_VALUES = {"K1": "OB4P", "R1": "100k", "R2": "100k", "C1": "100p", "J1": "X", "J2": "X", "J3": "X", "J4": "X"}
EXPRESSIONS = (
    '(export (version "E") (components '
    + " ".join(f'(comp (ref "{ref}") (value "{value}"))' for ref, value in _VALUES.items())
    + ") (nets "
    + " ".join(
        f'(net (code "{code}") (name "{name}") '
        + " ".join(f'(node (ref "{ref}") (pin "{pin}") (pintype "passive"))' for ref, pin in nodes)
        + ")"
        for code, (name, nodes) in enumerate(_ON.items(), start=1)
    )
    + "))"
)


def drafted(netlist: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> Module:
    """Import a netlist as the module of a new mono insert's other three files."""
    job = folder / "job"
    assert switchwalk(capsys, "new", str(job), "--template", "mono-insert").code == 0
    (job / "module.toml").unlink()
    source = folder / "board.net"
    source.write_text(netlist, encoding="utf-8")
    printed = switchwalk(capsys, "import", str(source), "--out", str(job / "module.toml"))
    assert printed.code == 0, printed.err
    return load_job(job).module


@pytest.mark.parametrize("netlist", [THREES, SWITCHES, EXPRESSIONS], ids=["threes", "switches", "schematic"])
def test_a_netlist_is_drafted_as_the_module_it_describes(
    netlist: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    module = drafted(netlist, tmp_path, capsys)
    (relay,) = module.relays
    poles = {(pole.leg, pole.common, pole.released, pole.operated) for pole in relay.poles}
    assert relay.control == "loop_1"
    assert poles == {
        (
            leg,
            f"mono.{common}.{leg}",
            released if released == "ground" else f"mono.{released}.{leg}",
            f"mono.{to}.{leg}",
        )
        for leg in ("hot", "cold")
        for common, released, to in (("loop_1_send", "ground", "in"), ("out", "in", "loop_1_return"))
    }
    assert {port.net: port.role for port in module.ports} == {
        "in": "input",
        "out": "output",
        "loop_1_send": "send",
        "loop_1_return": "return",
    }
    assert {(part.name, part.a, part.b, part.value) for part in module.resistors} == {
        ("R1", "mono.out.hot", "ground", 1e5),
        ("R2", "mono.out.cold", "ground", 1e5),
    }
    (capacitor,) = module.capacitors
    assert {capacitor.a, capacitor.b} == {"mono.out.hot", "mono.out.cold"}
    assert capacitor.value == pytest.approx(1e-10)


def test_what_cannot_be_told_is_named_and_stands_in_the_draft(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source = tmp_path / "board.cir"
    source.write_text(THREES + "R9 aux 0 {gain*2}\n.include other.cir\n", encoding="utf-8")
    printed = switchwalk(capsys, "import", str(source))
    assert printed.code == 0
    for name in ("D1", "R9", ".include other.cir"):
        assert f"in doubt: {name}" in printed.err
        assert f"#  - {name}" in printed.out


@pytest.mark.parametrize(
    ("text", "value"),
    # SPICE3 user's manual, scale factors: M is milli, MEG a million; IEC 60062 for 4k7 and 2R2.
    [
        ("1k", 1e3),
        ("1M", 1e-3),
        ("1MEG", 1e6),
        ("10uF", 1e-5),
        ("4k7", 4700.0),
        ("2R2", 2.2),
        ("1e-10", 1e-10),
        ("0", 0.0),
        ("abc", None),
        ("-5", None),
        ("9" * 400, None),
    ],
)
def test_values_are_read_as_spice_reads_them(text: str, value: float | None) -> None:
    assert value_of(text) == (None if value is None else pytest.approx(value))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "no part found"),
        (b"\0" * 100, "binary"),
        (b"(" * 100_000, "brackets deep"),
        (b"(export (components", "no S-expression"),
        (b"(pcb (net 1))", "begins with (export"),
        (b"*\n" + b"R1 a b 1k\n" * 300_000, "larger than 2 MB"),
        (b"*\n" + b"R1 a b 1k\n" * 60_000, "lines"),
    ],
)
def test_what_is_no_netlist_is_refused_in_words(
    content: bytes, message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source = tmp_path / "board.net"
    source.write_bytes(content)
    printed = switchwalk(capsys, "import", str(source))
    assert (printed.code, printed.out) == (2, "")
    assert message in printed.err
    assert "Traceback" not in printed.err


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    text=st.one_of(
        st.text(alphabet="()[]\"'` \n;#\\export comp net node ref K1A", max_size=200).map(
            lambda t: "(export " + t
        ),
        st.text(alphabet="RCXSKD10+.=*{}'\"() \nsubcktend;$", max_size=200),
    )
)
def test_no_text_at_all_ends_in_anything_but_a_draft_or_a_mistake(text: str, tmp_path: Path) -> None:
    source = tmp_path / "board.net"
    source.write_text(text, encoding="utf-8")
    try:
        drafted_text = draft_module(read_netlist(source)).text
    except SwitchwalkError:
        return
    assert "[module]" in drafted_text


MONO = """* Mono mute
XK1 24V MUTE out_hot in_hot 0 out_cold in_cold 0 SIG-2C
"""


def imported(netlist: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> Printed:
    source = folder / "board.cir"
    source.write_text(netlist, encoding="utf-8")
    return switchwalk(capsys, "import", str(source))


def test_an_existing_file_is_refused_before_the_netlist_is_looked_at(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "module.toml"
    out.write_text("mine", encoding="utf-8")
    printed = switchwalk(capsys, "import", str(tmp_path / "no-such.cir"), "--out", str(out))
    assert printed.code == 2
    assert f"{out}: already there" in printed.err
    assert out.read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    "netlist",
    [
        "* pad\nR1 in_hot out_hot 1k\n",
        "* loose\nXK1 24V MUTE 3 4 5 6 7 8 SIG-2C\n",
        "* no coil\nXK1 a b SIG\n",
    ],
    ids=["no relay", "contacts that lead nowhere", "no contacts"],
)
def test_a_netlist_without_a_relay_is_refused(
    netlist: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    printed = imported(netlist, tmp_path, capsys)
    assert (printed.code, printed.out) == (2, "")
    assert "no relay was found" in printed.err


@pytest.mark.parametrize(
    ("card", "voltage"),
    [
        ("XK1 24V MUTE out_hot in_hot 0 out_cold in_cold 0 SIG-2C", "24 V"),
        ("XK1 MUTE +5V out_hot in_hot 0 out_cold in_cold 0 SIG-2C", "5 V"),
        ("XK1 MUTE 4V5 out_hot in_hot 0 out_cold in_cold 0 SIG-2C", "4.5 V"),
        ("XK1 MUTE VRELAY out_hot in_hot 0 out_cold in_cold 0 SIG-2C-48", "48 V"),
        ("XK1 MUTE VRELAY out_hot in_hot 0 out_cold in_cold 0 SIG_DC12", "12 V"),
        ("XK1 MUTE VRELAY out_hot in_hot 0 out_cold in_cold 0 SIG-9VDC", "9 V"),
    ],
)
def test_the_coils_voltage_is_read_from_names(
    card: str, voltage: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    printed = imported(f"* Mute\n{card}\n", tmp_path, capsys)
    assert f'voltage = "{voltage}"' in printed.out
    assert 'mute = "mute"' in printed.out


def test_without_a_voltage_in_the_names_twelve_volts_are_in_doubt(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    printed = imported("* Mute\nXK1 MUTE VCC o_hot in_hot 0 out_cold in_cold 0 SIG\n", tmp_path, capsys)
    assert 'voltage = "12 V"' in printed.out
    assert "in doubt: no voltage in the names" in printed.err


def test_the_net_on_every_coil_is_the_supply(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cards = "".join(
        f"XK{after} REL LINE_{after} n{after}_hot n{before}_hot 0 n{after}_cold n{before}_cold 0 SIG\n"
        for before, after in ((0, 1), (1, 2), (2, 3))
    )
    printed = imported(f"* Chain\n{cards}R1 n0_hot 0 1k\nR2 n0_cold 0 1k\nR3 n3_hot 0 1k\n", tmp_path, capsys)
    assert "in doubt: rel: on 3 of 3 coils, so taken as the relay supply" in printed.err
    assert [line for line in printed.out.splitlines() if line.startswith("control =")] == [
        f'control = "line_{number}"' for number in (1, 2, 3)
    ]


def test_the_coils_of_a_latching_relay_are_told_by_their_pins(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    netlist = (
        "* Latching mute\n.subckt BISTABLE SET+ SET- RESET+ RESET- COM1 NC1 NO1 COM2 NC2 NO2\n.ends\n"
        "XK1 24V MUTE 24V UNMUTE out_hot in_hot 0 out_cold in_cold 0 BISTABLE\n"
    )
    printed = imported(netlist, tmp_path, capsys)
    assert 'set_control = "mute"\nreset_control = "unmute"' in printed.out
    assert 'common = "out", released = "in", operated = "ground"' in printed.out


def test_a_contact_with_its_common_on_ground_is_drafted_from_its_throws(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    netlist = (
        "* Mute\nXK1 24V MUTE 0 x out_hot 0 y out_cold SIG\nR1 in_hot out_hot 47\nR2 in_cold out_cold 47\n"
    )
    printed = imported(netlist, tmp_path, capsys)
    assert '{ common = "out", operated = "ground" }' in printed.out


def test_parts_that_join_channels_are_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    netlist = (
        "* Sum\nXK1 24V MUTE l_out_p l_in_p 0 l_out_n l_in_n 0 SIG\n"
        "XK2 24V MUTE r_out_p r_in_p 0 r_out_n r_in_n 0 SIG\n"
        "R1 l_out_p r_out_p 10k\nR2 l_out_n r_out_n 10k\n"
    )
    printed = imported(netlist, tmp_path, capsys)
    assert 'name = "R1"\nchannel = "left"\nseries = ["out", "right.out"]\nleg = "hot"' in printed.out


def test_parts_of_one_reason_are_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    diodes = "".join(f"D{number} 24V MUTE 1N4148\n" for number in (1, 2, 3, 7))
    printed = imported(MONO + diodes, tmp_path, capsys)
    assert "in doubt: D1 to D3, D7: left out: no part of the audio circuit" in printed.err


def test_a_resistor_of_0_ohm_is_a_link_on_audio_nets_and_gone_at_a_coil(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    links = "R1 out_hot tap_hot 0\nR2 out_cold tap_cold 0R\nR3 tap_hot tap_cold 10k\nR4 MUTE LINE 0\n"
    printed = imported(MONO + links, tmp_path, capsys)
    assert '[[link]]\nname = "R1"\nseries = ["out", "tap"]\nleg = "hot"' in printed.out
    assert 'name = "R3"\nacross = "tap"' in printed.out
    assert "in doubt: R4: 0 ohm, at a coil: the nets at its ends taken as one" in printed.err


def test_an_inductor_is_drafted_with_its_resistance_in_doubt(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    printed = imported(MONO + "L1 out_hot out_cold 10m\n", tmp_path, capsys)
    assert '[[inductor]]\nname = "L1"\nacross = "out"\nvalue = "10 mH"' in printed.out
    assert "in doubt: L1: the winding's resistance is not in the netlist" in printed.err


@pytest.mark.parametrize(
    ("card", "words"),
    [
        ("XU1 out_hot out_cold line_out_hot line_out_cold DRIVER", "write [[amplifier]] with"),
        ("XT1 out_hot out_cold line_out_hot line_out_cold LINE_1_1", "write [[transformer]] with"),
        ("XU1 out_hot out_cold line_out_hot line_out_cold XFMR", "write [[transformer]] with"),
    ],
)
def test_the_table_of_what_no_netlist_describes_is_named(
    card: str, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    printed = imported(f"{MONO}{card}\n", tmp_path, capsys)
    assert f'{words} from = "out", to = "line_out"' in printed.err


def test_an_electronic_switch_is_named_with_its_tables(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    printed = imported(f"{MONO}XU1 out_hot mute line_out_hot 0 ANALOG_SWITCH\n", tmp_path, capsys)
    assert "write [[switch]] with its control line and contacts" in " ".join(printed.err.split())


def test_a_long_title_ends_with_a_word(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    title = "Commentary position isolator with a bypass around its transformer"
    printed = imported(MONO.replace(MONO.splitlines()[0], f"* {title}"), tmp_path, capsys)
    assert 'name = "Commentary position isolator with a bypass around its"' in printed.out


def test_a_port_of_one_leg_is_unbalanced_and_one_of_one_channel_says_which(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    netlist = (
        "* Tape\nXK1 24V MUTE l_out_p l_in_p 0 l_out_n l_in_n 0 SIG\n"
        "XK2 24V MUTE r_out_p r_in_p 0 r_out_n r_in_n 0 SIG\nR1 l_out_p l_tape_out_p 1k\n"
        "XJ1 l_out_p l_out_n r_out_p r_out_n l_in_p l_in_n r_in_p r_in_n l_tape_out_p HEADER\n"
    )
    printed = imported(netlist, tmp_path, capsys)
    assert 'tape_out = { role = "output", channels = ["left"], unbalanced = true }' in printed.out


@pytest.mark.parametrize(
    ("text", "value", "tolerance"),
    # Marking codes of IEC 60062 for 4k7; fields as schematics have them: common practice, no source.
    [
        ("2k2 1%", 2200.0, "1 %"),
        ("1% 2k2", 2200.0, "1 %"),
        ("3k3±0.1%", 3300.0, "0.1 %"),
        ("47 uF 50V", 47e-6, None),
        ("4u7/63V", 4.7e-6, None),
        ("0805 100n X7R 10%", 100e-9, "10 %"),
        ("100 1/4W", 100.0, None),
        ("47Ω", 47.0, None),
        ("X7R", None, None),
        ("DNP", None, None),
    ],
)
def test_a_value_is_found_among_what_else_a_schematic_tells(
    text: str, value: float | None, tolerance: str | None
) -> None:
    found, of = value_and_tolerance(text)
    assert found == (None if value is None else pytest.approx(value))
    assert of == tolerance


MUTE = """(export (version "E") (components
 (comp (ref "K1") (value "SIG-2C")) (comp (ref "R1") (value "{value}"))
 (comp (ref "J1") (value "FEED") (footprint "{into}"))
 (comp (ref "J2") (value "PROGRAMME") (footprint "{out_of}")))
 (nets (net (name "VRELAY24") (node (ref "K1") (pin "A1"))) (net (name "MUTE") (node (ref "K1") (pin "A2")))
 (net (name "FEED+") (node (ref "K1") (pin "12")) (node (ref "J1") (pin "2")) (node (ref "R1") (pin "1")))
 (net (name "FEED-") (node (ref "K1") (pin "22")) (node (ref "J1") (pin "3")) (node (ref "R1") (pin "2")))
 (net (name "PGM+") (node (ref "K1") (pin "11")) (node (ref "J2") (pin "2")))
 (net (name "PGM-") (node (ref "K1") (pin "21")) (node (ref "J2") (pin "3")))))
"""


@pytest.mark.parametrize(
    ("into", "out_of"),
    [("XLR3F", "XLR3M"), ("Jack_NC3FAH", "Jack_NC3MAH"), ("XLR_Female", "XLR_Male")],
)
def test_signals_arrive_at_female_connectors_and_leave_at_male_ones(
    into: str, out_of: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    printed = imported(MUTE.format(value="10k", into=into, out_of=out_of), tmp_path, capsys)
    assert 'feed = "input"' in printed.out
    assert 'pgm = "output"' in printed.out
    assert 'voltage = "24 V"       # from the name VRELAY24' in printed.out


def test_a_capital_m_is_a_million_in_a_schematic(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    printed = imported(MUTE.format(value="2M2 5%", into="XLR3F", out_of="XLR3M"), tmp_path, capsys)
    assert 'value = "2.2 Mohm"\ntolerance = "5 %"' in printed.out


@pytest.mark.parametrize("times", [1, 2])
def test_subcircuits_without_end_are_refused(
    times: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    levels = "".join(
        f".subckt A{n} p q\n"
        + "".join(f"X{i} p q A{n + 1}\n" for i in range(times))
        + "XK1 p q p q p R\n.ends\n"
        for n in range(60)
    )
    printed = imported(f"* Deep\n{levels}X1 a b A0\n", tmp_path, capsys)
    assert printed.code == 2
    assert "subcircuits more than 50 deep" in printed.err or "more than 5000 parts" in printed.err
