"""What is found at hosts that were named, and what announces itself; on the loopback interface alone."""

import gc
import socket
import time
import tomllib
import warnings
from collections.abc import Iterator
from contextlib import closing, contextmanager

import pytest

from drivers.find import SERVICES, WireEntry, addresses, announced, asked, identity_pattern
from harness.errors import UsageError
from harness.toml_files.values import compiled
from tests.cli.commands import switchwalk
from tests.drivers.messages.message_peers import Instrument, hislip_address, supply, vxi11_address
from tests.drivers.peers import Connection, peer

IDENTITY = "Shed Works,Peer 1,0042,1.0"


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("192.0.2.17:5025", ["TCPIP::192.0.2.17::5025::SOCKET"]),
        ("scope.example", ["TCPIP::scope.example::hislip0::INSTR", "TCPIP::scope.example::inst0::INSTR"]),
        ("TCPIP::192.0.2.17::hislip0,4880::INSTR", ["TCPIP::192.0.2.17::hislip0,4880::INSTR"]),
        ("TCPIP::192.0.2.17::5025::SOCKET", ["TCPIP::192.0.2.17::5025::SOCKET"]),
    ],
)
def test_a_place_is_a_host_a_port_or_a_visa_name(text: str, wanted: list[str]) -> None:
    assert addresses(text) == wanted


@pytest.mark.parametrize(
    "text", ["", "192.0.2.17:0", "192.0.2.17:70000", "http://192.0.2.17", "a b", "ASRL3::INSTR"]
)
def test_what_is_no_place_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="expected HOST, HOST:PORT"):
        addresses(text)


@pytest.mark.parametrize("kind", ["hislip", "vxi11"])
def test_an_instrument_of_messages_is_asked_by_its_name(kind: str) -> None:
    instrument = Instrument(supply)
    script = instrument.by_hislip if kind == "hislip" else instrument.by_vxi11
    with peer(script) as served:
        address = hislip_address(served) if kind == "hislip" else vxi11_address(served)
        (entry,) = asked(address)
    assert (entry.address, entry.what, entry.trouble) == (address, IDENTITY, "")
    assert entry.identity == r"^Shed\ Works,Peer\ 1"
    assert compiled(entry.identity).search(IDENTITY)


def test_a_host_that_answers_by_neither_is_told_with_both_and_in_time() -> None:
    begun_s = time.monotonic()
    (entry,) = asked("127.0.0.1")
    assert "TCPIP::127.0.0.1::hislip0::INSTR: no connection" in entry.trouble
    assert "TCPIP::127.0.0.1::inst0::INSTR: " in entry.trouble
    assert time.monotonic() - begun_s < 20.0


@pytest.mark.parametrize("address", [hislip_address, vxi11_address])
def test_a_host_that_takes_the_connection_and_says_nothing_is_left_in_time(address: object) -> None:
    assert callable(address)

    def silent(connection: Connection) -> None:
        connection.peer.released.wait(20.0)

    with peer(silent) as served, warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # pyvisa-py 0.8.1 leaves its socket to the collector
        begun_s = time.monotonic()
        (entry,) = asked(address(served))
        assert entry.trouble
        assert time.monotonic() - begun_s < 15.0
        served.released.set()
        del entry
        gc.collect()


def test_what_is_printed_can_be_pasted_into_a_bench_file(capsys: pytest.CaptureFixture[str]) -> None:
    with peer(Instrument(supply).by_hislip) as served:
        printed = switchwalk(capsys, "find", "--host", hislip_address(served))
        assert printed.code == 0
    table = tomllib.loads(printed.out[printed.out.index(f'address = "{hislip_address(served)}"') :])
    assert table["address"] == hislip_address(served)
    assert compiled(table["identity"]).search(IDENTITY)


def test_every_line_can_stand_in_a_bench_file_whatever_an_instrument_says(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A quote and a backslash in a name, a host that answers nothing, a device file that needs a library."""
    name = "O'Shed \\ Works,Peer 1"
    entries = [
        WireEntry(wire="USB", address="/dev/usbtmc0", what="a device file", usable=False),
        WireEntry(
            wire="network",
            address="TCPIP::127.0.0.1::inst0::INSTR",
            what=f"{name},0042\n[supply]",
            identity=identity_pattern(f"{name},0042,1.0"),
        ),
        WireEntry(wire="network", address="shed.example", what="", trouble="no connection"),
    ]
    monkeypatch.setattr("drivers.find.serial_ports", lambda: entries)
    printed = switchwalk(capsys, "find")
    assert printed.code == 4
    table = tomllib.loads("[generator]\n" + printed.out)
    assert set(table["generator"]) == {"address", "identity"}
    assert compiled(table["generator"]["identity"]).search(f"{name},0042,1.0")
    assert "# network shed.example: no connection" in printed.out


@pytest.mark.parametrize("identity", ["", "SHEDWORKS PSU V1.0"])
def test_an_identity_of_one_field_makes_no_pattern(identity: str) -> None:
    assert identity_pattern(identity) == ""


@contextmanager
def announcing(name: str, port: int) -> Iterator[None]:
    """An instrument that announces itself on loopback by all its services, by zeroconf's own other half."""
    zeroconf = pytest.importorskip("zeroconf")
    with closing(zeroconf.Zeroconf(interfaces=["127.0.0.1"])) as network:
        for service in SERVICES:
            details = zeroconf.ServiceInfo(
                service,
                f"{name}.{service}",
                addresses=[socket.inet_aton("127.0.0.1")],
                port=port,
                properties={"Manufacturer": "Shed Works", "Model": "Peer 1"},
                server="zoo.local.",
            )
            network.register_service(details)
        yield


def test_an_instrument_that_announces_itself_is_listed_in_a_bounded_time() -> None:
    notes: list[str] = []
    with announcing("Zoo scope", 4999):
        begun_s = time.monotonic()
        entries = announced(notes, interfaces=["127.0.0.1"])
        took_s = time.monotonic() - begun_s
    assert {each.address for each in entries} == {
        "TCPIP::127.0.0.1::hislip0,4999::INSTR",
        "TCPIP::127.0.0.1::inst0::INSTR",
        "TCPIP::127.0.0.1::4999::SOCKET",
    }
    assert {(each.wire, each.what) for each in entries} == {("announced", "Shed Works, Peer 1, Zoo scope")}
    assert notes == []
    assert took_s < 10.0
