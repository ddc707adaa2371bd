"""Modules with one to eight channels, and ports that only some of their channels have."""

from itertools import permutations
from pathlib import Path

import numpy as np
import pytest

from benchmarks.simulated_runs import Bench
from harness.circuit.solve import transfer
from harness.compose.additions import cheapest_additions
from harness.errors import JobError
from harness.faults.coverage import cover
from harness.faults.effects import FaultyCircuits
from harness.job.faults import parse_fault, single_faults
from harness.job.job import Job, load_job
from harness.job.state import IDLE_STATE
from harness.plan.build import build_plan
from harness.report.explanation import explain
from tests.jobs import check_of
from tests.parts.box import (
    BENCH,
    agree_with_ngspice,
    agree_with_simulated_units,
    all_at_once_as_one_by_one,
    box,
    mute,
)

FOUR = ("ch1", "ch2", "ch3", "ch4")
EIGHT = tuple(f"ch{number}" for number in range(1, 9))
CROSSTALK = check_of("crosstalk", below="-60 dB", states=["idle"])
GAIN = check_of("gain", within="0.3 dB", silent_ports_below="-40 dB")
MATCH = check_of("channel_gain_difference", within="0.3 dB", states=["idle"])


def in_series(channels: tuple[str, ...], value: str = "1 kohm") -> str:
    names = ", ".join(f'{channel} = "R{number}"' for number, channel in enumerate(channels, start=1))
    return f'[[resistor]]\nnames = {{ {names} }}\nseries = ["in", "out"]\nvalue = "{value}"\n'


def job_of(folder: Path, channels: tuple[str, ...], *checks: str, more: str = "") -> Job:
    return load_job(box(folder, in_series(channels) + mute(channels) + more, *checks, channels=channels))


@pytest.mark.parametrize("channels", [FOUR[:1], FOUR[:3], FOUR, EIGHT], ids=len)
def test_a_module_has_one_to_eight_channels(tmp_path: Path, channels: tuple[str, ...]) -> None:
    plan = build_plan(job_of(tmp_path, channels, GAIN), impedances=BENCH)
    read = {one.measurand.channel for one in plan.readings if one.quantity.name == "gain"}
    assert read == set(channels)


def test_nine_channels_are_refused(tmp_path: Path) -> None:
    with pytest.raises(JobError, match=r"module\.channels: found 9 channels; expected at most 8"):
        job_of(tmp_path, (*EIGHT, "ch9"), GAIN)


def test_crosstalk_is_read_from_each_channel_to_each_other(tmp_path: Path) -> None:
    plan = build_plan(job_of(tmp_path, FOUR, CROSSTALK), impedances=BENCH)
    pairs = [(one.measurand.driven.split(".")[0], one.measurand.channel) for one in plan.readings]
    assert sorted(pairs) == sorted(permutations(FOUR, 2))


def test_a_pair_that_no_setup_views_is_told(tmp_path: Path) -> None:
    folder = box(tmp_path, in_series(FOUR) + mute(FOUR), CROSSTALK, channels=FOUR)
    fixture = folder / "fixture.toml"
    text = fixture.read_text(encoding="utf-8")
    fixture.write_text(text.replace('view = ["ch1.out", "ch4.out"]', 'view = ["ch1.out"]'), encoding="utf-8")
    with pytest.raises(JobError, match=r"crosstalk needs ch1 driven and both channels viewed at once"):
        load_job(folder)


def test_each_channel_is_compared_with_the_first(tmp_path: Path) -> None:
    plan = build_plan(job_of(tmp_path, FOUR[:3], MATCH), impedances=BENCH)
    assert {one.measurand.channel for one in plan.readings} == {"ch2", "ch3"}


def test_four_channels_agree_with_ngspice_and_the_simulator(tmp_path: Path) -> None:
    job = job_of(tmp_path, FOUR, GAIN)
    agree_with_ngspice(job, tmp_path)
    faults = [fault for fault in single_faults(job.module, job.fixture) if fault.kind.startswith("channels")]
    assert len(faults) == 2 * 3 * (2 + 1)  # ports, neighbours, each leg and both
    agree_with_simulated_units(job, faults)
    all_at_once_as_one_by_one(job)


def test_a_bridge_of_neighbours_is_named_and_found(tmp_path: Path) -> None:
    job = job_of(tmp_path, FOUR[:3], GAIN, CROSSTALK)
    plan = build_plan(job, impedances=BENCH)
    (fault,) = parse_fault("ch2.out.hot bridged to ch3", job.module, job.fixture)
    assert (fault.channel, fault.other, fault.leg) == ("ch2", "ch3", "hot")
    assert fault.name in {one.fault.name for one in cover(job, plan).seen}
    assert "ch2 and ch3 are joined" in explain((fault,), job.module, job.fixture)
    good = Bench(job, plan, seed=4).run("C-1", ())
    assert good.verdict == "pass"


def test_an_addition_views_each_pair_by_a_setup_of_its_own(tmp_path: Path) -> None:
    """A scope has two pairs of inputs: no setup may view three ports."""
    job = job_of(tmp_path, FOUR[:3], check_of("gain", within="30 dB", states=["idle"]))
    missed = [fault for fault in single_faults(job.module, job.fixture) if fault.kind == "channels bridged"]
    assert cheapest_additions(job, missed, impedances=BENCH)


LEG = '{ series = "SERIES ohm", shunt = "1 kohm" }'
PAD = '[loopbacks.pad]\nfrom = "send"\nto = "return"\n' + "".join(
    f"legs.{channel} = {{ hot = {LEG}, cold = {LEG} }}\n".replace("SERIES", str(100 * number), 1).replace(
        "SERIES", str(150 * number)
    )
    for number, channel in enumerate(FOUR[:3], start=1)
)


def looped(folder: Path) -> Job:
    """Three channels whose signal goes out to a coded plug and back."""
    names = in_series(FOUR[:3]).replace('"out"', '"send"')
    back = in_series(FOUR[:3], "100 ohm").replace('"in"', '"return"')
    for number in (1, 2, 3):
        back = back.replace(f'"R{number}"', f'"R1{number}"')
    ports = 'in = "input"\nout = "output"\nsend = "send"\nreturn = "return"'
    made = box(folder, names + back + mute(FOUR[:3]), GAIN, channels=FOUR[:3], ports=ports)
    fixture = made / "fixture.toml"
    text = fixture.read_text(encoding="utf-8").replace("view = [", 'loopbacks = ["pad"]\nview = [')
    fixture.write_text(text.replace("[[setup]]", PAD + "[[setup]]", 1), encoding="utf-8")
    return load_job(made)


def test_plugs_of_neighbouring_channels_may_be_swapped(tmp_path: Path) -> None:
    job = looped(tmp_path)
    faults = [fault for fault in single_faults(job.module, job.fixture) if fault.kind.startswith("loopback")]
    swaps = [fault.name for fault in faults if "swapped with" in fault.name]
    assert swaps == ["ch1.pad swapped with ch2", "ch2.pad swapped with ch3"]
    agree_with_simulated_units(job, faults)
    all_at_once_as_one_by_one(job)


# ports of some channels

PORTS = 'in = "input"\nout = { role = "output", channels = ["left", "right"] }\n'
TALKBACK = 'talk = { role = "input", channels = ["left"] }'
THREE = ("left", "right", "cue")
PARTS = """
[[resistor]]
names = { left = "R1", right = "R2" }
series = ["in", "out"]
value = "1 kohm"
[[resistor]]
name = "R3"
series = ["cue.in", "left.out"]
value = "10 kohm"
[[resistor]]
name = "R4"
series = ["left.talk", "right.out"]
value = "10 kohm"
"""
TALK_SETUP = """
[[setup]]
name = "drive talkback"
drive = "left.talk"
view = ["left.out", "right.out"]
select = [15]
"""


def of_some(folder: Path, *checks: str, ports: str = PORTS + TALKBACK) -> Job:
    relays = '[[relay]]\nnames = { left = "K1", right = "K2", cue = "K3" }\ncontrol = "go"\ntype = "signal"\n'
    relays += 'contacts = [{ common = "in", operated = "ground" }]\n'
    made = box(folder, PARTS + relays, *checks, channels=THREE, ports=ports, without=("cue",))
    with (made / "fixture.toml").open("a", encoding="utf-8") as fixture:
        fixture.write(TALK_SETUP)
    return load_job(made)


def test_a_port_is_only_where_it_is(tmp_path: Path) -> None:
    job = of_some(tmp_path, GAIN + 'states = ["idle"]\n')
    module = job.module
    has = {(channel, port.net) for port in module.ports for channel in THREE if port.is_in(channel)}
    assert has == {
        ("left", "in"), ("right", "in"), ("cue", "in"),
        ("left", "out"), ("right", "out"), ("left", "talk"),
    }  # fmt: skip
    names = {fault.name for fault in single_faults(module, job.fixture)}
    assert "left.talk.hot open" in names
    assert not any("cue.out" in name or "right.talk" in name or "talk swapped" in name for name in names)
    circuit = FaultyCircuits(module, job.fixture, BENCH).of((), job.fixture.setups[1], IDLE_STATE)
    nodes = {node for element in circuit.elements for node in (element.a, element.b)}
    assert "cue.in.hot.pin" in nodes
    assert nodes.isdisjoint({"cue.out.hot.pin", "right.talk.hot.pin"})


def test_a_check_is_of_the_channels_that_have_the_port(tmp_path: Path) -> None:
    job = of_some(tmp_path, CROSSTALK)
    plan = build_plan(job, impedances=BENCH)
    assert {one.measurand.channel for one in plan.readings} == {"left", "right"}


def test_ports_of_some_channels_agree_with_ngspice_and_the_simulator(tmp_path: Path) -> None:
    job = of_some(tmp_path, GAIN + 'states = ["idle"]\n')
    agree_with_ngspice(job, tmp_path)
    faults = [fault for fault in single_faults(job.module, job.fixture) if fault.kind.startswith("leg")]
    agree_with_simulated_units(job, faults)
    all_at_once_as_one_by_one(job)


def test_the_talkback_reaches_the_other_channel(tmp_path: Path) -> None:
    """Closed form, of each leg: 10 kohm into the load, the scope, and the way back through 1 kohm."""
    job = of_some(tmp_path, GAIN + 'states = ["idle"]\n')
    setup = job.fixture.setups[-1]
    circuit = FaultyCircuits(job.module, job.fixture, BENCH).of((), setup, IDLE_STATE)
    end_ohm = 1 / (1 / 10e3 + 1 / 1e6 + 1 / 1050)
    level = abs(transfer(circuit, (1e3, 1e3))[setup.rows(setup.view[1])[0], 0])
    np.testing.assert_allclose(level, end_ohm / (end_ohm + 10050), rtol=1e-3)


WRONG = [
    ('channels = ["left"]', 'channels = ["lft"]', "did you mean left?"),
    ('channels = ["left"]', "channels = []", 'found none; expected channels such as ["left"]'),
    ('channels = ["left"]', 'channels = ["right"]', 'found "left.talk": no such port'),
]


@pytest.mark.parametrize(("right", "wrong", "message"), WRONG)
def test_wrong_channels_of_a_port_are_told(tmp_path: Path, right: str, wrong: str, message: str) -> None:
    with pytest.raises(JobError) as caught:
        of_some(tmp_path, GAIN, ports=PORTS + TALKBACK.replace(right, wrong))
    assert message in str(caught.value)
