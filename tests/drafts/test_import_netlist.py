"""`switchwalk import`: one module in three netlists comes out the same; nothing hostile gets through."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.drafts.module_draft import draft_module
from harness.drafts.netlist import read_netlist, spice_value
from harness.errors import SwitchwalkError
from harness.job.job import load_job
from harness.job.module import Module
from tests.cli.commands import switchwalk

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
        assert f"not derived: {name}" in printed.err
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
        ("0", None),
        ("abc", None),
        ("-5", None),
        ("9" * 400, None),
    ],
)
def test_values_are_read_as_spice_reads_them(text: str, value: float | None) -> None:
    assert spice_value(text) == (None if value is None else pytest.approx(value))


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
