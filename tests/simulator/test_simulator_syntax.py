"""How strictly the simulated instruments read SCPI. Sources: SCPI-1999 volumes 1 and 2, IEEE 488.2-1992."""

import socket
from collections.abc import Callable
from typing import Any

import pytest

from tests.simulator.conftest import Bench


@pytest.mark.parametrize(
    ("pattern", "short"),
    [  # SCPI-1999 volume 1, 6.2.1: four letters, three where the fourth is a vowel
        ("FREQuency", "FREQ"),
        ("OFFSet", "OFFS"),
        ("VOLTage", "VOLT"),
        ("SOURce", "SOUR"),
    ],
)
def test_a_mnemonic_is_its_exact_short_or_long_form(bench: Bench, pattern: str, short: str) -> None:
    header = {
        "FREQuency": "SOURce1:{}?",
        "OFFSet": "SOURce1:VOLTage:{}?",
        "VOLTage": "SOURce1:{}?",
        "SOURce": "{}1:FREQuency?",
    }[pattern]
    answer = bench.generator.query(header.format(pattern.upper()))
    assert bench.generator.query(header.format(short)) == answer
    assert bench.generator.query(header.format(short.lower())) == answer
    for wrong in (pattern[:-1], short[:-1], short + "x"):
        bench.generator.write(header.format(wrong))
        assert bench.generator.errors() == [-113]


@pytest.mark.parametrize(
    ("message", "error"),
    [  # SCPI-1999 volume 2, 21.8
        ("FOO:BAR 1", -113),
        ("SOURce3:FREQuency 1000", -114),
        ("SOURce1:FREQuency", -109),
        ("SOURce1:FREQuency 1,2", -108),
        ("*CLS 1", -108),
        ("SOURce1:FREQuency SIN", -104),
        ("SOURce1:FREQuency 1 kHz", -138),
        ("SOURce1:FREQuency 1e12", -222),
        ("SOURce1:VOLTage 25", -222),
        ("SOURce1:FUNCtion SQUare", -224),
        ("OUTPut1 MAYBE", -104),
        ("SOURce1:VOLTage:OFFSet 9.99", -221),
        ("SOURce1:FREQuency,1", -103),
        ("SOURce1:FREQuency 1;;*CLS", -102),
        ("SOURce1:ABCDEFGHIJKLMN 1", -112),
        ("OUTPut1:STATe ON", -113),
        ("SOURce1:VOLTage:LEVel 1", -113),
        (":CHANnel1:SCALe 1", -113),
    ],
)
def test_a_wrong_message_is_named_by_its_number(bench: Bench, message: str, error: int) -> None:
    bench.generator.write("OUTPut1:LOAD INFinity;:SOURce1:VOLTage 1")
    bench.generator.write(message)
    assert bench.generator.errors() == [error]


def test_a_compound_message_stays_at_its_level_and_a_colon_goes_to_the_root(bench: Bench) -> None:
    bench.generator.write("OUTP1:LOAD INF;:SOUR1:VOLT:OFFS 0.5;:SOUR1:VOLT 2;*CLS;FREQ 440")
    assert bench.generator.query("SOUR1:VOLT:OFFS?;:SOUR1:VOLT?;FREQ?") == (
        "+5.000000000E-01;+2.000000000E+00;+4.400000000E+02"
    )
    bench.generator.write("SOUR1:FREQ 500;OUTP1 ON")  # OUTP1 would be SOUR1:OUTP1
    assert bench.generator.errors() == [-113]


def test_a_command_error_ends_its_message_and_an_execution_error_does_not(bench: Bench) -> None:
    bench.generator.write("SOUR1:FREQ 1e12;FREQ 250")
    assert bench.generator.query("SOUR1:FREQ?") == "+2.500000000E+02"
    bench.generator.write("SOUR1:NONE 1;FREQ 99")
    assert bench.generator.query("SOUR1:FREQ?") == "+2.500000000E+02"
    assert bench.generator.errors() == [-222, -113]


@pytest.mark.parametrize(
    ("message", "bit"),
    [  # IEEE 488.2 11.5.1, and the classes of SCPI-1999 21.8
        ("FOO", 32),
        ("SOUR1:FREQ 1e12", 16),
        ("*OPC", 1),
    ],
)
def test_an_event_sets_its_bit_and_reading_clears_it(bench: Bench, message: str, bit: int) -> None:
    assert bench.generator.query("*ESR?") == "128"  # power on
    bench.generator.write(message)
    assert bench.generator.query("*ESR?") == str(bit)
    assert bench.generator.query("*ESR?") == "0"


def test_an_unknown_command_with_operation_complete_reads_33(bench: Bench) -> None:
    """IEEE 488.2, standard event status register: command error 32 + operation complete 1 (from memory)."""
    bench.supply.write("*CLS")
    bench.supply.write("*OPC")
    bench.supply.write("NONSENSE")
    assert bench.supply.query("*ESR?") == "33"


def test_the_status_byte_sums_up_queue_events_and_request(bench: Bench) -> None:
    bench.supply.write("*CLS;*ESE 32;*SRE 32")
    assert bench.supply.query("*STB?") == "0"
    bench.supply.write("NONSENSE")
    assert bench.supply.query("*STB?") == "100"  # 4 queue + 32 event + 64 request
    bench.supply.write("*CLS")
    assert bench.supply.query("*ESE?;*SRE?;*STB?") == "32;32;0"  # *CLS leaves the enables alone


def test_reset_leaves_the_queue_and_the_enables(bench: Bench) -> None:
    bench.supply.write("*ESE 60;NONSENSE")
    bench.supply.write("*RST")
    assert bench.supply.query("*ESE?") == "60"
    assert bench.supply.errors() == [-113]


def test_a_full_queue_ends_in_queue_overflow(bench: Bench) -> None:
    for _ in range(40):
        bench.supply.write("NONSENSE")
    errors = bench.supply.errors()
    assert errors[-1] == -350
    assert set(errors[:-1]) == {-113}


def test_a_query_interrupted_before_its_answer_is_error_410(bench: Bench) -> None:
    """IEEE 488.2 6.3.2.3: the answer is dropped, the newer message is carried out."""
    bench.generator.socket.sendall(b"SOUR1:FREQ?\n*CLS;*ESE 7\n*ESE?\n")
    assert bench.generator.read() == "7"
    bench.generator.socket.sendall(b"SOUR1:FREQ?\n*ESE?\n")
    assert bench.generator.read() == "7"
    assert bench.generator.errors() == [-410]


def test_input_that_ends_within_a_query_is_error_420(bench: Bench, open_line: Callable[..., Any]) -> None:
    second = open_line(bench.addresses.generator)
    second.socket.sendall(b"*IDN?")
    second.socket.shutdown(socket.SHUT_WR)
    assert second.raw(1) == b""
    assert bench.generator.errors() == [-420]


def test_nothing_may_be_asked_after_an_answer_of_no_length(bench: Bench) -> None:
    assert len(bench.generator.query("*IDN?").split(",")) == 4
    assert bench.generator.query("*IDN?;*ESR?").count(",") == 3
    assert bench.generator.errors() == [-440]


def test_every_instrument_has_the_mandatory_commands(bench: Bench) -> None:
    for line in (bench.generator, bench.scope, bench.supply, bench.board):
        line.write("*CLS;*ESE 0;*SRE 0;*WAI;*OPC;STATus:PRESet")
        assert line.query("*TST?") == "0"
        assert line.query("SYST:VERS?") == "1999.0"
        assert line.query("*OPC?") == "1"
        assert line.errors() == []


def test_bytes_beyond_ascii_are_invalid_characters(bench: Bench) -> None:
    bench.generator.socket.sendall(b"SOUR1:FREQ \xb5\n")
    assert bench.generator.errors() == [-101]


def test_a_channel_list_reads_in_its_own_order_and_either_direction(bench: Bench) -> None:
    """SCPI-1999 volume 1, 8.3.2."""
    bench.board.write("ROUTe:CLOSe (@1,3)")
    assert bench.board.query("ROUT:CLOS? (@4:1)") == "0,1,0,1"
    assert bench.board.query("ROUT:CLOS? (@1,3)") == "1,1"
    bench.board.write("ROUTe:OPEN (@1)")
    assert bench.board.query("ROUT:CLOS? (@1:3)") == "0,0,1"
    bench.board.write("ROUTe:OPEN:ALL")
    assert bench.board.query("ROUT:CLOS? (@3)") == "0"
    for wrong, error in (("(@17)", -222), ("1", -104), ("(@a)", -104)):
        bench.board.write(f"ROUTe:CLOSe {wrong}")
        assert bench.board.errors() == [error]
