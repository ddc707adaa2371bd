"""A whole bench: opened, identified, and left safe on every way out."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from drivers.bench import make_left_safe, open_bench
from drivers.claim import LeftOnMarker, claim
from drivers.safe_end import ROLES
from harness.bench_file import (
    BenchFile,
    BenchHead,
    GeneratorFile,
    OscilloscopeFile,
    SupplyFile,
    SwitchboardFile,
)
from harness.errors import BenchError, BenchTimeout, JobError, LinkLost, WrongInstrument
from harness.roles import Bench, CaptureSetting, Generator, InputSetting, Oscilloscope, Supply, Switchboard
from tests.drivers import strict_instruments as strict
from tests.drivers.own_profiles import profile_text
from tests.drivers.peers import Connection, Peer, closed_port, peer


@dataclass
class Rig:
    """The instruments, where they listen, and the bench file that says so."""

    generator: strict.Generator
    supply: strict.Supply
    switch: strict.Switch
    scope: strict.Scope
    peers: dict[str, Peer]
    file: BenchFile

    def all_off(self) -> bool:
        return not (any(self.generator.on.values()) or any(self.supply.on.values()) or self.switch.closed)


@pytest.fixture
def rig() -> Iterator[Rig]:
    with standing() as made:
        yield made


@contextmanager
def standing() -> Iterator[Rig]:
    generator, supply, switch, scope = strict.Generator(), strict.Supply(), strict.Switch(), strict.Scope()
    with (
        peer(generator.script) as at_generator,
        peer(supply.script) as at_supply,
        peer(switch.script) as at_switch,
        peer(scope.script) as at_scope,
    ):
        file = BenchFile(
            bench=BenchHead(name="Test bench"),
            generators=(
                GeneratorFile(
                    address=at_generator.address, profile="scpi-generator", identity=None, hot=1, cold=2
                ),
            ),
            oscilloscope=OscilloscopeFile(
                address=at_scope.address,
                profile="preamble-oscilloscope",
                identity=None,
                probe=1.0,
                gain_accuracy=0.02,
            ),
            supply=SupplyFile(
                address=at_supply.address, profile="scpi-supply", identity="Shed Works,Volts", output=1
            ),
            switchboards=(
                SwitchboardFile(
                    address=at_switch.address, profile="route-switchboard", identity=None, settle_s=0.015
                ),
            ),
        )
        peers = {
            "generator": at_generator,
            "supply": at_supply,
            "switchboard": at_switch,
            "oscilloscope": at_scope,
        }
        try:
            yield Rig(generator, supply, switch, scope, peers, file)
        finally:  # its ports may be another bench's next
            for role in ROLES:
                LeftOnMarker(peers[role].address, instrument=role).remove()


def switch_all_on(bench: Bench) -> None:
    bench.generator.switch(1, on=True)
    bench.generator.switch(2, on=True)
    bench.supply.set(voltage_v=12.0, limit_a=0.4)
    bench.supply.switch(on=True)
    bench.switchboard.set(frozenset({1, 9}))


def test_the_bench_has_the_four_roles_and_their_identities(rig: Rig, tmp_path: Path) -> None:
    with open_bench(rig.file, folder=tmp_path) as bench:
        # mypy holds the drivers to the Protocols here as well.
        generator: Generator = bench.generator
        oscilloscope: Oscilloscope = bench.oscilloscope
        supply: Supply = bench.supply
        switchboard: Switchboard = bench.switchboard
        assert generator.identity.text == "Shed Works,Two Tones,11,1.0"
        assert oscilloscope.identity.profile == "preamble-oscilloscope"
        assert supply.identity.address == rig.peers["supply"].address
        assert switchboard.identity.role == "switchboard"
        assert generator.output_impedance_ohm == 50.0
        assert generator.amplitude_range_vpp == (0.002, 20.0)
        assert (oscilloscope.input_count, oscilloscope.divisions) == (4, 8)
        assert oscilloscope.volts_per_division[:3] == (0.001, 0.002, 0.005)
        assert (oscilloscope.input_impedance_ohm, oscilloscope.input_capacitance_f) == (1e6, 15e-12)
        assert switchboard.settle_s == 0.015
        assert rig.all_off()


def test_leaving_switches_everything_off(rig: Rig, tmp_path: Path) -> None:
    with open_bench(rig.file, folder=tmp_path) as bench:
        switch_all_on(bench)
        assert not rig.all_off()
    assert rig.all_off()


def with_all_on(rig: Rig, folder: Path, then: Callable[[Bench], None]) -> None:
    with open_bench(rig.file, folder=folder) as bench:
        switch_all_on(bench)
        then(bench)


def raising(error: BaseException) -> Callable[[Bench], None]:
    def act(bench: Bench) -> None:
        raise error

    return act


@pytest.mark.parametrize("error", [ZeroDivisionError("a mistake"), KeyboardInterrupt()], ids=repr)
def test_an_exception_leaves_the_bench_safe_and_is_passed_on(
    rig: Rig, tmp_path: Path, error: BaseException
) -> None:
    with pytest.raises(type(error)):
        with_all_on(rig, tmp_path, raising(error))
    assert rig.all_off()


def test_it_is_made_safe_in_order_generator_supply_switchboard(rig: Rig, tmp_path: Path) -> None:
    order: list[str] = []

    def watch(connection: Connection, heard: str) -> bool:
        if heard in ("OUTPut1 OFF", "OUTPut OFF", "ROUTe:OPEN:ALL"):
            order.append(heard)
        return False

    with open_bench(rig.file, folder=tmp_path) as bench:
        switch_all_on(bench)
        rig.generator.trouble = rig.supply.trouble = rig.switch.trouble = watch
    assert order == ["OUTPut1 OFF", "OUTPut OFF", "ROUTe:OPEN:ALL"]


@pytest.mark.parametrize("dead", ["generator", "supply", "switchboard"])
def test_one_dead_instrument_does_not_keep_the_others_on_and_is_named(
    rig: Rig, tmp_path: Path, dead: str
) -> None:
    def lose(bench: Bench) -> None:
        rig.peers[dead].stop_listening()
        rig.peers[dead].drop()

    with pytest.raises(BenchError, match=f"NOT SAFE.*by hand.*: {dead}: {dead} at .*no connection") as caught:
        with_all_on(rig, tmp_path, lose)
    on = {
        "generator": any(rig.generator.on.values()),
        "supply": any(rig.supply.on.values()),
        "switchboard": bool(rig.switch.closed),
    }
    assert on == {name: name == dead for name in on}
    others = on.keys() - {dead}
    assert not any(f"{name}:" in str(caught.value) for name in others)


def test_a_dead_oscilloscope_is_no_danger(rig: Rig, tmp_path: Path) -> None:
    def lose(bench: Bench) -> None:
        rig.peers["oscilloscope"].stop_listening()
        rig.peers["oscilloscope"].drop()
        bench.oscilloscope.recover()

    with pytest.raises(LinkLost):
        with_all_on(rig, tmp_path, lose)
    assert rig.all_off()


def test_what_was_running_is_told_when_the_bench_cannot_be_made_safe(rig: Rig, tmp_path: Path) -> None:
    def act(bench: Bench) -> None:
        rig.generator.stuck_on = 2
        raise ZeroDivisionError("a mistake")

    with pytest.raises(BenchError, match=r"NOT SAFE.*this came after: a mistake") as caught:
        with_all_on(rig, tmp_path, act)
    assert "output 2 was switched off and reads on" in str(caught.value)
    assert isinstance(caught.value.__cause__, ZeroDivisionError)


def test_a_second_interrupt_does_not_cut_making_safe_short(rig: Rig, tmp_path: Path) -> None:
    interrupted: list[str] = []

    def interrupt(connection: Connection, heard: str) -> bool:
        if heard == "OUTPut1 OFF":
            interrupted.append(heard)
            os.kill(os.getpid(), signal.SIGINT)
        return False

    def act(bench: Bench) -> None:
        rig.generator.trouble = interrupt
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        with_all_on(rig, tmp_path, act)
    assert interrupted == ["OUTPut1 OFF"]
    assert rig.all_off()


def leave_on(rig: Rig) -> None:
    """As a run does that is killed: everything on, and the marks stand."""
    rig.generator.on.update({1: True, 2: False})
    rig.supply.on[1] = True
    rig.switch.closed = {1, 9}
    for role in ("generator", "supply", "switchboard"):
        LeftOnMarker(rig.peers[role].address, instrument=role).put()


def test_what_a_killed_run_left_on_is_told_as_it_was_found_and_made_safe(rig: Rig, tmp_path: Path) -> None:
    leave_on(rig)
    messages: list[str] = []
    make_left_safe(rig.file, folder=tmp_path, tell=messages.append)
    assert (
        "generator: output 1 on; supply: 5.0 V at its terminals; switchboard: closed channels 1, 9"
        in (messages[0])
    )
    assert rig.all_off()
    make_left_safe(rig.file, folder=tmp_path, tell=messages.append)
    assert len(messages) == 2


def test_a_board_that_cannot_be_looked_at_is_made_safe_all_the_same(rig: Rig, tmp_path: Path) -> None:
    leave_on(rig)
    messages: list[str] = []

    def fewer_channels_than_its_profile(connection: Connection, heard: str) -> bool:
        return heard.startswith("ROUTe:CLOSe?") and "16" in heard

    rig.switch.trouble = fewer_channels_than_its_profile
    make_left_safe(rig.file, folder=tmp_path, tell=messages.append)
    assert "switchboard: its channels were not read before they were opened" in messages[0]
    assert rig.all_off()


def test_a_wrong_instrument_stops_everything_before_anything_is_switched(rig: Rig, tmp_path: Path) -> None:
    file = replace(rig.file, supply=replace(rig.file.supply, identity="Elsewhere"))
    with (
        pytest.raises(
            WrongInstrument, match=r"answers as 'Shed Works,Volts,12,1.0'.*'Elsewhere'.*nothing was"
        ),
        open_bench(file, folder=tmp_path),
    ):
        pass
    assert rig.generator.on == {1: True, 2: True}
    assert rig.supply.on == {1: True}
    assert rig.switch.closed == {5}


def once(act: Callable[[Connection], object], *, at: int) -> Callable[[Connection, str], bool]:
    """A trouble that happens to one question, after so many, and then passes by."""
    asked = 0

    def trouble(connection: Connection, heard: str) -> bool:
        nonlocal asked
        if not heard.endswith("?"):
            return False
        asked += 1
        if asked == at + 1:
            act(connection)
        return asked == at + 1

    return trouble


ONCE: dict[str, Callable[[Connection], object]] = {
    "answers nothing": lambda connection: None,
    "sends half": lambda connection: connection.send(b'0,"No'),
    "is garbled": lambda connection: connection.send(b"\xff\x00#\n"),
    "reports an error": lambda connection: connection.send(b'-310,"System error"\n'),
    "resets": Connection.reset,
}


@pytest.mark.parametrize("what", ONCE)
@pytest.mark.parametrize(
    ("name", "at"),
    [("generator", 0), ("generator", 4), ("supply", 3), ("switch", 2), ("scope", 1), ("scope", 3)],
)
def test_a_trouble_that_passes_by_while_an_instrument_is_opened_has_it_opened_once_more(
    rig: Rig, tmp_path: Path, name: str, at: int, what: str
) -> None:
    messages: list[str] = []
    instrument = {"generator": rig.generator, "supply": rig.supply, "switch": rig.switch, "scope": rig.scope}
    instrument[name].trouble = once(ONCE[what], at=at)
    with open_bench(rig.file, folder=tmp_path, tell=messages.append) as bench:
        assert rig.all_off()
        passed_by = [error.instrument for error in bench.passed_by]
    full_names = {"switch": "switchboard", "scope": "oscilloscope"}
    # What switches off is done once more by itself, and an error that was there before is drained.
    assert passed_by in ([full_names.get(name, name)], [])
    assert [message.endswith("It was opened once more, and answers") for message in messages] == (
        [True] * len(passed_by)
    )
    assert passed_by or at or what == "reports an error"


def test_a_range_that_a_scope_refuses_once_is_not_lost(rig: Rig, tmp_path: Path) -> None:
    refused: list[str] = []

    def trouble(connection: Connection, heard: str) -> bool:
        if not refused and ":SCALe" in heard:
            refused.append(heard)
            rig.scope.refuse()
        return heard in refused[:1] and len(rig.scope.errors) > 0

    with open_bench(rig.file, folder=tmp_path) as bench:
        whole = bench.oscilloscope.volts_per_division
    rig.scope.trouble = trouble
    with open_bench(rig.file, folder=tmp_path) as bench:
        assert bench.oscilloscope.volts_per_division == whole
    assert refused == [":CHANnel1:SCALe 0.001"]


def test_an_instrument_that_never_answers_is_opened_twice_and_no_more(rig: Rig, tmp_path: Path) -> None:
    rig.scope.trouble = lambda connection, heard: heard == "*IDN?"
    with pytest.raises(BenchTimeout, match="nothing arrived"), open_bench(rig.file, folder=tmp_path):
        pass
    assert rig.peers["oscilloscope"].heard == [b"*IDN?"] * 2


def test_a_clear_refusal_is_asked_for_once(rig: Rig, tmp_path: Path) -> None:
    file = replace(rig.file, oscilloscope=replace(rig.file.oscilloscope, identity="Elsewhere"))
    with pytest.raises(WrongInstrument), open_bench(file, folder=tmp_path):
        pass
    assert rig.peers["oscilloscope"].connections == 1


def test_an_instrument_that_is_not_there_is_named(rig: Rig, tmp_path: Path) -> None:
    file = replace(rig.file, oscilloscope=replace(rig.file.oscilloscope, address=closed_port()))
    with (
        pytest.raises(LinkLost, match=r"^oscilloscope at TCPIP.*no connection"),
        open_bench(file, folder=tmp_path),
    ):
        pass


def test_errors_that_others_left_are_not_counted_against_this_run(rig: Rig, tmp_path: Path) -> None:
    rig.scope.errors.append('-113,"Undefined header"')
    with open_bench(rig.file, folder=tmp_path) as bench:
        bench.oscilloscope.capture(
            CaptureSetting(inputs={1: InputSetting(volts_per_division=0.1)}, duration_s=0.01, samples=1000)
        )


def test_every_message_is_in_the_transcript(rig: Rig, tmp_path: Path) -> None:
    path = tmp_path / "wire.jsonl"
    with open_bench(rig.file, folder=tmp_path, transcript=path) as bench:
        bench.oscilloscope.capture(
            CaptureSetting(inputs={1: InputSetting(volts_per_division=0.1)}, duration_s=0.01, samples=1000)
        )
    lines = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    assert {line["instrument"] for line in lines} == set(rig.peers)
    for role, served in rig.peers.items():
        sent = [line["bytes"] for line in lines if line["instrument"] == role and line["direction"] == "out"]
        assert sent == [heard.decode() + "\\n" for heard in served.heard]
    (block,) = [line for line in lines if "block" in line]
    assert block["block"]["length"] == 1000
    assert len(block["block"]["sha256"]) == 64
    assert all(line["duration_s"] >= 0.0 and line["time"] for line in lines)


def test_all_profiles_mistakes_come_at_once_and_before_anything_is_opened(rig: Rig, tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('kind = "supply"\n', encoding="utf-8")
    file = replace(
        rig.file,
        generators=(replace(rig.file.generator, profile="scpi-genrator"),),
        supply=replace(rig.file.supply, profile="mine"),
    )
    with pytest.raises(JobError) as caught, open_bench(file, folder=tmp_path):
        pass
    text = str(caught.value)
    assert "did you mean scpi-generator" in text
    assert "voltage_max_v: is missing" in text
    assert all(served.connections == 0 for served in rig.peers.values())


def test_a_users_own_profile_beside_the_bench_file_comes_first(rig: Rig, tmp_path: Path) -> None:
    own = profile_text("scpi-generator", {"amplitude_max_vpp = 20.0": "amplitude_max_vpp = 5.0"})
    (tmp_path / "scpi-generator.toml").write_text(own, encoding="utf-8")
    with open_bench(rig.file, folder=tmp_path) as bench:
        assert bench.generator.amplitude_range_vpp == (0.002, 5.0)


def test_a_second_process_is_told_who_holds_an_instrument(rig: Rig, tmp_path: Path) -> None:
    with open_bench(rig.file, folder=tmp_path):
        code = (
            "from drivers.claim import claim\n"
            f"with claim({rig.file.generator.address!r}, instrument='generator'): print('got it')"
        )
        second = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, timeout=30, check=False
        )
        assert "got it" not in second.stdout
        assert f"process {os.getpid()}, since" in second.stderr
    with claim(rig.file.generator.address, instrument="generator"):
        pass


def test_a_claim_goes_with_the_process_that_held_it() -> None:
    code = (
        "import os\nfrom drivers.claim import claim\n"
        "with claim('TCPIP::198.51.100.7::1::SOCKET', instrument='supply'): os._exit(9)"
    )
    assert subprocess.run([sys.executable, "-c", code], timeout=30, check=False).returncode == 9
    with claim("TCPIP::198.51.100.7::1::SOCKET", instrument="supply"):
        pass


def test_a_link_to_a_serial_port_is_the_port(tmp_path: Path) -> None:
    device = tmp_path / "ttyUSB9"
    device.touch()
    (tmp_path / "by-id").symlink_to(device)
    with (
        claim(f"ASRL{device}::INSTR", instrument="switchboard"),
        pytest.raises(BenchError, match=f"in use by .*process {os.getpid()}"),
        claim(str(tmp_path / "by-id"), instrument="switchboard"),
    ):
        pass


def test_the_libraries_of_the_wire_are_loaded_only_when_a_wire_is_opened() -> None:
    code = (
        "import sys, drivers.bench\n"
        "heavy = ('pyvisa', 'pyvisa_py', 'serial', 'pymodbus', 'gpiod')\n"
        "print([name for name in heavy if name in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=30, check=True)
    assert out.stdout.strip() == "[]"
