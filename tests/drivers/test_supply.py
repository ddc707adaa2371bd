"""The supply's driver against strict instruments with one output and with several."""

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial

import pytest

from drivers.generator_and_supply import ScpiSupply
from drivers.session import Session
from harness.bench_file import SupplyFile
from harness.errors import BadReply, BenchError, InstrumentError
from harness.roles import SupplyReading
from tests.drivers.own_profiles import profile
from tests.drivers.peers import Connection, Peer, peer
from tests.drivers.serial_boards import port
from tests.drivers.strict_instruments import Supply

FILE = partial(SupplyFile, address="ASRL1::INSTR", profile="scpi-supply")


@contextmanager
def opened(
    instrument: Supply, *, output: int = 1, changes: dict[str, str] | None = None
) -> Iterator[tuple[ScpiSupply, Peer]]:
    with peer(instrument.script) as served:
        session = Session(served.address, instrument="supply", timeout_s=0.5)
        try:
            session.start()
            shipped = profile("scpi-supply", changes)
            yield ScpiSupply(session, shipped, FILE(output=output)), served
        finally:
            session.close()


def test_opening_switches_it_off_and_waits_until_its_capacitors_are_empty() -> None:
    instrument = Supply()
    with opened(instrument) as (_, served):
        assert instrument.on == {1: False}
        assert served.heard.count(b"MEASure:VOLTage?") == 3  # 3.0 V, 1.5 V, 2 mV


def test_a_supply_with_one_output_may_refuse_to_select_it() -> None:
    instrument = Supply()
    with opened(instrument) as (supply, _):
        supply.off()
    assert instrument.unknown == ["INSTrument:NSELect 1"]  # asked once, and not again
    assert instrument.errors == []


def test_the_right_one_of_several_outputs_is_switched() -> None:
    instrument = Supply(outputs=3)
    with opened(instrument, output=2) as (supply, _):
        supply.set(voltage_v=12.0, limit_a=0.4)
        supply.switch(on=True)
        assert instrument.on == {1: True, 2: True, 3: True}
        assert (instrument.voltage[2], instrument.limit[2]) == (12.0, 0.4)
        supply.off()
        assert instrument.on == {1: True, 2: False, 3: True}


@pytest.mark.parametrize(("outputs", "output"), [(1, 2), (3, 4)])
def test_an_output_that_is_not_there_is_refused(outputs: int, output: int) -> None:
    instrument = Supply(outputs=outputs)
    with pytest.raises(InstrumentError, match=f"output = {output}"), opened(instrument, output=output):
        pass


def test_it_measures_at_its_terminals() -> None:
    with opened(Supply()) as (supply, _):
        supply.set(voltage_v=12.0, limit_a=0.4)
        supply.switch(on=True)
        digit_a = 10.0**-6  # of +6.000E-03
        assert supply.measure() == SupplyReading(voltage_v=12.0, current_a=0.006, digit_a=digit_a)


def test_voltage_and_limit_go_out_as_the_profile_has_them() -> None:
    with opened(Supply()) as (supply, served):
        before = len(served.heard)
        supply.set(voltage_v=12.0, limit_a=0.4)
        supply.switch(on=True)
        assert served.heard[before:] == [
            b"CURRent 0.4",
            b"VOLTage 12",
            b"SYSTem:ERRor?",
            b"OUTPut ON",
            b"SYSTem:ERRor?",
            b"MEASure:VOLTage?",
            b"MEASure:VOLTage?",
        ]


@pytest.mark.parametrize(("voltage_v", "limit_a"), [(61.0, 0.1), (-1.0, 0.1), (12.0, 11.0), (12.0, -0.1)])
def test_what_the_profile_does_not_have_is_never_sent(voltage_v: float, limit_a: float) -> None:
    with opened(Supply()) as (supply, served):
        before = len(served.heard)
        with pytest.raises(BenchError, match="by its profile"):
            supply.set(voltage_v=voltage_v, limit_a=limit_a)
        assert len(served.heard) == before


def test_a_supply_that_stays_on_is_reported_with_its_voltage() -> None:
    instrument = Supply()
    with opened(instrument, changes={"off_within_s = 2.0": "off_within_s = 0.1"}) as (supply, _):
        supply.switch(on=True)
        instrument.table[r"OUTPut OFF"] = lambda: None
        with pytest.raises(BenchError, match=r"5 V are still at its terminals after 0.1 s; disconnect it"):
            supply.off()


def test_the_switch_is_read_back_where_the_profile_has_a_query() -> None:
    instrument = Supply()
    instrument.table[r"OUTPut?"] = lambda: "1" if instrument.on[1] else "0"
    own = {"[commands]": '[commands]\noutput_query = "OUTPut?"'}
    with opened(instrument, changes=own) as (supply, _):
        instrument.table[r"OUTPut ON"] = lambda: None
        with pytest.raises(BenchError, match="was switched on and reads off"):
            supply.switch(on=True)
        instrument.table[r"OUTPut?"] = lambda: "perhaps"
        with pytest.raises(BadReply, match=r"expected 1 or 0 .*`on_answer`.*, found 'perhaps'"):
            supply.off()


def test_off_works_on_a_link_that_needs_reopening() -> None:
    instrument = Supply()
    with opened(instrument) as (supply, served):
        supply.switch(on=True)

        def silent(connection: Connection, heard: str) -> bool:
            return heard == "MEASure:CURRent?" and connection.number == 1

        instrument.trouble = silent
        with pytest.raises(BenchError):
            supply.measure()
        supply.off()
        assert instrument.on == {1: False}
        assert served.connections == 2


def test_a_supply_on_a_serial_line_works_as_one_on_a_socket() -> None:
    instrument = Supply()
    with port() as line:

        def hear(data: bytes) -> None:
            for command in data.decode("ascii").splitlines():
                answer = instrument.obey(command)
                if isinstance(answer, str):
                    line.say(answer.encode() + b"\r\n")

        line.run(hear)
        session = Session(f"ASRL{line.path}::INSTR", instrument="supply", timeout_s=0.5)
        session.start()
        supply = ScpiSupply(session, profile("scpi-supply"), FILE())
        supply.set(voltage_v=5.0, limit_a=0.1)
        supply.switch(on=True)
        assert supply.measure().voltage_v == 5.0
        session.close()


def test_the_last_digit_is_the_finest_that_its_meter_has_shown() -> None:
    """An answer may leave out the noughts at its end: 20 mA is "0.02" on a meter of 1 mA."""
    instrument = Supply()
    with opened(instrument) as (supply, _):
        supply.set(voltage_v=12.0, limit_a=0.4)
        supply.switch(on=True)
        digits = []
        for shown in ("0", "0.02", "0.006", "0.03", "6.0E-03", "12 mA"):
            instrument.shows_a = shown
            digits.append(supply.measure().digit_a)
    assert digits == pytest.approx([0.0, 1e-2, 1e-3, 1e-3, 1e-4, 1e-4])
