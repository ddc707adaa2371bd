"""Supplies of other dialects: fixed widths, no line ends, CR alone, echoes, units, no identity or errors."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
import serial

from drivers.generator_and_supply import ScpiSupply
from drivers.models.dialect import number_in
from drivers.serial_wire import Line, open_port, open_serial
from drivers.session import Session
from harness.bench_file import AS_THE_PROFILE, SupplyFile, WireFile
from harness.errors import BadReply, BenchError, BenchTimeout, JobError, LinkLost
from tests.drivers.board_zoo.supplies import FixedSupply, LetteredSupply, Supply, TenthsSupply
from tests.drivers.own_profiles import profile
from tests.drivers.serial_boards import port

KINDS = {"fixed-supply": FixedSupply, "tenths-supply": TenthsSupply, "lettered-supply": LetteredSupply}


@contextmanager
def standing(
    name: str, changes: dict[str, str] | None = None, timeout_s: float = 1.0
) -> Iterator[tuple[Supply, Session, Any]]:
    own = profile(name, changes)
    with port() as line:
        instrument = KINDS[name](line.say)
        line.run(instrument.hear)
        session = Session(
            line.path,
            instrument="supply",
            timeout_s=timeout_s,
            dialect=own.dialect(AS_THE_PROFILE),
            connect=lambda: open_serial(line.path),
        )
        try:
            yield instrument, session, own
        finally:
            session.close()


@contextmanager
def opened(name: str, changes: dict[str, str] | None = None) -> Iterator[tuple[Supply, ScpiSupply]]:
    with standing(name, changes) as (instrument, session, own):
        session.start()
        yield instrument, ScpiSupply(session, own, SupplyFile(address="ASRL1::INSTR", profile=name))


@pytest.mark.parametrize("name", KINDS)
def test_opening_switches_it_off(name: str) -> None:
    with opened(name) as (instrument, _):
        assert not instrument.on


@pytest.mark.parametrize("name", KINDS)
def test_what_is_set_arrives_and_what_it_measures_comes_back(name: str) -> None:
    with opened(name) as (instrument, supply):
        supply.set(voltage_v=12.0, limit_a=0.4)
        supply.switch(on=True)
        assert (instrument.set_v, instrument.limit_a, instrument.on) == (12.0, 0.4, True)
        reading = supply.measure()
        assert reading.voltage_v == pytest.approx(12.0)
        assert reading.current_a == pytest.approx(0.123)
        supply.off()
        assert not instrument.on
        assert supply.measure().voltage_v == pytest.approx(0.0)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("fixed-supply", "SHEDWORKS PSU V1.0"),
        ("lettered-supply", "Shed Works, PSU 30, 1.0"),
        ("tenths-supply", "DC supply, whole numbers in tenths and hundredths, lines ended by CR"),
    ],
)
def test_an_identity_has_as_many_fields_as_the_profile_says(name: str, text: str) -> None:
    with opened(name) as (_, supply):
        assert supply.identity.text == text


@pytest.mark.parametrize("fields", [2, 4, 5])
def test_an_identity_of_another_number_of_fields_is_refused(fields: int) -> None:
    changes = {"identity_fields = 3": f"identity_fields = {fields}"}
    wanted = "four fields" if fields == 4 else f"{fields} fields by `identity_fields`"
    with standing("lettered-supply", changes) as (_, session, _), pytest.raises(BadReply, match=wanted):
        session.start()


def test_a_supply_without_an_error_queue_is_asked_for_none() -> None:
    with opened("lettered-supply") as (instrument, supply):
        supply.set(voltage_v=5.0, limit_a=0.1)
        assert not [line for line in instrument.heard if "ERR" in line or "CLS" in line]


@pytest.mark.parametrize("name", KINDS)
def test_it_recovers_and_is_off(name: str) -> None:
    with opened(name) as (instrument, supply):
        supply.set(voltage_v=5.0, limit_a=0.1)
        supply.switch(on=True)
        supply.recover()
        assert not instrument.on


def test_a_number_that_does_not_fit_the_width_is_a_mistake_of_the_profile() -> None:
    with pytest.raises(JobError, match=r"1000 does not fit into the 3 places of \{:03d\}"):
        profile("tenths-supply", {"voltage_max_v = 36.0": "voltage_max_v = 100.0"})


@pytest.mark.parametrize("pattern", ["[0-9]{4}", "([0-9])([0-9])", "([0-9]"])
def test_the_place_of_a_number_is_a_pattern_with_one_group(pattern: str) -> None:
    with pytest.raises(JobError, match="voltage_digits: expected a"):
        profile("tenths-supply", {"^([0-9]{4})[0-9]{5}": pattern})


def test_an_answer_without_the_number_is_refused() -> None:
    with (
        pytest.raises(BadReply, match=r"expected a number where \^V"),
        opened("tenths-supply", {"^([0-9]{4})[0-9]{5}": "^V([0-9]{4})"}),
    ):
        pass


def test_a_supply_that_measures_nothing_says_that_off_is_not_verified() -> None:
    changes = {
        'measure_voltage = "READ U?"\n': "",
        'measure_current = "READ I?"\n': "",
        "off_within_s = 2.0": "off_within_s = 0.01",
    }
    with opened("lettered-supply", changes) as (instrument, supply):
        assert supply.identity.text.endswith("(that it is off is not verified)")
        assert not supply.measures_current
        assert not instrument.on
        with pytest.raises(BenchError, match="no commands that measure voltage and current"):
            supply.measure()


def test_a_wrong_line_end_is_told_with_the_key_to_look_at() -> None:
    own = {'terminator = "CR"': 'terminator = "CR"\nanswer_terminator = "LF"'}
    with (
        standing("tenths-supply", own, timeout_s=0.2) as (_, session, _),
        pytest.raises(BenchTimeout, match="without a line feed"),
    ):
        session.query("GETD")


def test_the_settings_of_a_serial_port_are_those_of_the_profile_and_then_of_the_bench_file() -> None:
    own = profile("lettered-supply")
    line = own.line(WireFile(baud_rate=2400, rts=True))
    assert line == Line(
        baud_rate=2400, data_bits=7, parity="even", stop_bits=2, flow_control="none", dtr=True, rts=True
    )
    made = open_port("loop://", line)  # pyserial's own port that ends in itself
    assert (made.baudrate, made.bytesize, made.parity, made.stopbits) == (2400, 7, serial.PARITY_EVEN, 2)
    assert (made.dtr, made.rts, made.xonxoff, made.rtscts) == (True, True, False, False)
    assert made.cts  # its own RTS
    made.close()


@pytest.mark.skipif(sys.platform != "linux", reason="other pseudo-terminals take seven bits and parity")
def test_settings_that_a_port_cannot_do_are_told_with_their_keys() -> None:
    settings = profile("lettered-supply").line(AS_THE_PROFILE)
    message = r"refuses its settings .*: look at data_bits, parity"
    with port() as line, pytest.raises(LinkLost, match=message):
        Session(line.path, instrument="supply", line=settings).query("READ U?")


@pytest.mark.parametrize(
    ("flow", "flags"),
    [
        ("XON/XOFF", (True, False, False)),
        ("RTS/CTS", (False, True, False)),
        ("DTR/DSR", (False, False, True)),
    ],
)
def test_flow_control_is_one_of_three_kinds(flow: Any, flags: tuple[bool, bool, bool]) -> None:
    made = open_port("loop://", Line(flow_control=flow))
    assert (made.xonxoff, made.rtscts, made.dsrdtr) == flags
    made.close()


@pytest.mark.parametrize(("parity", "sign"), [("none", "N"), ("odd", "O"), ("mark", "M"), ("space", "S")])
def test_every_parity_is_pyserials(parity: Any, sign: str) -> None:
    made = open_port("loop://", Line(parity=parity))
    assert made.parity == sign
    made.close()


@pytest.mark.parametrize(
    ("answer", "value"),
    [
        ("12.00", 12.0),
        (" +1.0E+0", 1.0),
        ("-.5", -0.5),
        ("- 3.2V", -3.2),
        ("0.123 A", 0.123),
        ("123mA", 0.123),
        ("1.5 kHz", 1500.0),
        ("2.0000vpp", 2.0),
        ("-10.5dBm", -10.5),
        ("12 MV", None),  # milli or mega
        ("12 apples", None),
        ("1 2", None),
        ("", None),
        ("nan", None),
        ("inf", None),
        ("1e", None),
        ("0x12", None),
    ],
)
def test_a_number_is_read_with_its_unit(answer: str, value: float | None) -> None:
    assert number_in(answer) == (None if value is None else pytest.approx(value))
