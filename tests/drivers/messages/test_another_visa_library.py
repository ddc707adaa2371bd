"""Another VISA library at the other end: pyvisa-sim, in the place of an installed one (`visa = "system"`).

Its device file is written from SCPI-1999; the library keeps the settings and checks their ranges. Nothing in
bench.toml can name a library by a path: the test puts it where PyVISA looks for the system's.
"""

import logging
from pathlib import Path

import pytest

import drivers.visa_wire as wire_module
from drivers.bench import open_alone
from drivers.generator_and_supply import ScpiGenerator
from drivers.session import Session
from harness.bench_file import GeneratorFile, WireFile
from harness.errors import BenchTimeout, SettingRefused, WrongInstrument

pytest.importorskip("pyvisa_sim")
DEVICES = Path(__file__).with_name("simulated_generator.yaml")
ADDRESSES = (
    "GPIB0::7::INSTR",
    "USB0::0x1111::0x2222::0042::0::INSTR",
    "TCPIP0::192.0.2.11::inst0::INSTR",
    "TCPIP0::192.0.2.11::5025::SOCKET",
)


@pytest.fixture(autouse=True)
def _installed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(wire_module.LIBRARIES, "system", f"{DEVICES}@sim")


def file(address: str, identity: str | None = None) -> GeneratorFile:
    system = WireFile(visa="system")
    return GeneratorFile(address=address, profile="dbm-generator", identity=identity, wire=system)


@pytest.mark.parametrize("address", ADDRESSES)
def test_a_generator_is_set_read_back_and_left_off(
    address: str, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.WARNING)
    with open_alone({"generator": file(address)}, folder=tmp_path, marked=False) as opening:
        generator = opening.generator()
        assert isinstance(generator, ScpiGenerator)
        assert "By a library" in generator.identity.text
        generator.sine(2, frequency_hz=1234.5, amplitude_vpp=2.0)
        generator.switch(2, on=True)
        session = opening._sessions["generator"]
        assert session.query_number("SOURce2:FREQuency?") == 1234.5
        # Closed form: 2 Vpp open is 1 Vpp at 50 ohm, 0.3536 V RMS, 2.5 mW.
        assert session.query_number("SOURce2:POWer?") == pytest.approx(3.98, abs=0.01)
        assert (session.query("OUTPut1?"), session.query("OUTPut2?")) == ("OFF", "ON")
        with pytest.raises(SettingRefused, match="-222"), session.group():
            session.write("SOURce2:POWer 33")
        generator.off()
        assert session.query("OUTPut2?") == "OFF"
    told = [record.message for record in caplog.records if "takes no device clear" in record.message]
    assert len(told) == (not address.endswith("SOCKET"))  # as that library has none


def test_a_question_that_is_not_answered_ends_in_time_and_the_next_is_right() -> None:
    session = Session(ADDRESSES[0], instrument="generator", visa="system", timeout_s=0.2)
    session.start()
    with pytest.raises(BenchTimeout):
        session.query("SOURce3:FREQuency?")
    session.resync()
    assert session.query_number("SOURce1:FREQuency?") > 0.0
    session.close()


def test_another_identity_than_the_bench_file_has_is_refused(tmp_path: Path) -> None:
    with (
        open_alone({"generator": file(ADDRESSES[0], "^Other")}, folder=tmp_path, marked=False) as opening,
        pytest.raises(WrongInstrument, match="By a library"),
    ):
        opening.generator()
