"""Faults of a person's own: bridges, parts left out, of another value, or in each other's place."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchmarks.simulated_runs import Bench
from harness.circuit.elements import BenchImpedances
from harness.circuit.solve import transfer
from harness.errors import JobError, UsageError
from harness.faults.coverage import cover_doubles, hard_faults, judge_faults
from harness.faults.diagnosis import Diagnoser, telling
from harness.faults.effects import FaultyCircuits, supply_current_a
from harness.faults.signatures import batch_transfers, plain_transfers
from harness.faults.wiring_faults import SHORT_OHM
from harness.job.faults import parse_fault
from harness.job.job import Job, load_job
from harness.job.module import Module
from harness.job.own_faults import doubles_of, own_suspects
from harness.job.state import State
from harness.plan.build import build_plan
from tests.circuit import spice
from tests.cli.commands import switchwalk
from tests.faults.test_fault_effects import simulated
from tests.jobs import SHIPPED, check_of, edit, insert_switch, job_in
from tests.parts.box import box, mute

BENCH = BenchImpedances()
SELECTOR = SHIPPED / "source_selector"
PARTS = (
    '[[resistor]]\nnames = { left = "R1", right = "R11" }\nseries = ["in", "out"]\nvalue = "1 kohm"\n'
    '[[resistor]]\nnames = { left = "R2", right = "R12" }\nto_ground = "out"\nvalue = "2.2 kohm"\n'
    '[[capacitor]]\nnames = { left = "C1", right = "C11" }\nto_ground = "out"\nvalue = "4.7 nF"\n'
    '[[capacitor]]\nnames = { left = "C2", right = "C12" }\nto_ground = "in"\nvalue = "10 nF"\n'
) + mute(("left", "right"))


@pytest.fixture(scope="module")
def selector() -> Job:
    return load_job(SELECTOR)


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return load_job(box(tmp_path_factory.mktemp("box"), PARTS, check_of("gain", within="0.2 dB")))


OWN = (
    "left.bus.hot bridged to right.bus.hot",
    "left.source_1.cold bridged to ground",
    "K3 left out",
    "R1.hot 270 ohm",
    "R1.hot left out",
    "R1.hot and R2.hot swapped",
)


@pytest.mark.parametrize("name", OWN)
def test_a_name_reads_back_as_the_same_fault(selector: Job, name: str) -> None:
    (fault,) = parse_fault(name.swapcase().replace("OHM", "ohm"), selector.module, selector.fixture)
    assert fault.name == name
    assert parse_fault(name, selector.module, selector.fixture) == (fault,)


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("right.bus.hot bridged to left.bus.hot", "left.bus.hot bridged to right.bus.hot"),
        ("ground bridged to left.bus.hot", "left.bus.hot bridged to ground"),
        ("R2.hot and R1.hot swapped", "R1.hot and R2.hot swapped"),
        ("R1.hot 2.70001 kohm", "R1.hot 2.7 kohm"),
        ("R1.hot  0.27 kohm", "R1.hot 270 ohm"),
    ],
)
def test_one_fault_has_one_name(selector: Job, written: str, name: str) -> None:
    (fault,) = parse_fault(written, selector.module, selector.fixture)
    assert fault.name == name


@pytest.mark.parametrize(
    ("written", "message"),
    [
        (
            "left.buss.hot bridged to ground",
            "module.toml has no net left.buss.hot; did you mean left.bus.hot?",
        ),
        ("left.bus.hot bridged to left.bus.hot", "left.bus.hot is bridged to itself; expected two nets"),
        ("R1.hott left out", "module.toml has no part R1.hott; did you mean R1.hot?"),
        ("R1.hot and R1.hot swapped", "R1.hot is swapped with itself; expected two parts"),
        ("R1.hot 10 nF", 'found "10 nF", whose unit is "F"; expected a resistance such as'),
        ("R1.hot 0 ohm", "found"),
        ("K1 10 ohm", "module.toml has no part K1"),
        ("R1.hot open + R1.hot 270 ohm", "contradict each other"),
        ("K3 left out + K3 coil open", "contradict each other"),
        ("R1.hot and R2.hot swapped + R2.hot and R1.hot swapped", "listed twice"),
    ],
)
def test_a_net_or_a_part_that_there_is_not_is_named(selector: Job, written: str, message: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_fault(written, selector.module, selector.fixture)
    assert message in str(caught.value)


def test_parts_of_two_kinds_are_not_swapped(lines: Job) -> None:
    with pytest.raises(UsageError, match=r"R1\.hot and C1\.hot are not of one kind"):
        parse_fault("R1.hot and C1.hot swapped", lines.module, lines.fixture)


def _with(module: Module, **values: float) -> Module:
    """With other values of parts, by name."""
    resistors = (replace(part, value=values.get(part.name, part.value)) for part in module.resistors)
    capacitors = (replace(part, value=values.get(part.name, part.value)) for part in module.capacitors)
    return replace(module, resistors=tuple(resistors), capacitors=tuple(capacitors))


def _without(module: Module, name: str) -> Module:
    return replace(
        module,
        relays=tuple(relay for relay in module.relays if relay.name != name),
        resistors=tuple(part for part in module.resistors if part.name != name),
    )


Changed = Callable[[Module], Module]
SAME: Changed = lambda module: module  # noqa: E731
NGSPICE: tuple[tuple[str, Changed, tuple[str, str] | None], ...] = (
    ("left.out.hot bridged to right.out.hot", SAME, ("left.out.hot", "right.out.hot")),
    ("left.out.cold bridged to ground", SAME, ("left.out.cold", "ground")),
    ("left.in.hot bridged to left.out.cold", SAME, ("left.in.hot", "left.out.cold")),
    ("R1.hot left out", lambda module: _without(module, "R1.hot"), None),
    ("R1.hot 47 kohm", lambda module: _with(module, **{"R1.hot": 47e3}), None),
    ("C1.cold 100 nF", lambda module: _with(module, **{"C1.cold": 100e-9}), None),
    ("R1.hot and R2.hot swapped", lambda module: _with(module, **{"R1.hot": 2.2e3, "R2.hot": 1e3}), None),
    ("C1.hot and C2.hot swapped", lambda module: _with(module, **{"C1.hot": 10e-9, "C2.hot": 4.7e-9}), None),
)


def test_each_is_what_ngspice_makes_of_the_changed_board(lines: Job, tmp_path: Path) -> None:
    """ngspice reads the description of a board that is built so."""
    setup = next(setup for setup in lines.fixture.setups if not setup.through)
    blocks, ours = [], []
    circuits = FaultyCircuits(lines.module, lines.fixture, BENCH)
    for name, changed, bridge in NGSPICE:
        block = spice.described_block(changed(lines.module), lines.fixture, setup, State(on=()), BENCH)
        more = () if bridge is None else (("R", *bridge, repr(SHORT_OHM)),)
        blocks.append(replace(block, lines=(*block.lines, *more)))
        fault_set = parse_fault(name, lines.module, lines.fixture)
        ours.append(transfer(circuits.of(fault_set, setup, State(on=())), (1e3, 1e3)))
    for (name, *_), mine, theirs in zip(NGSPICE, ours, spice.transfers(blocks, [1e3], tmp_path), strict=True):
        np.testing.assert_allclose(mine, theirs[0], atol=2e-6, err_msg=name)


@pytest.mark.parametrize("on", [(), ("go",)], ids=["idle", "go"])
def test_the_simulated_unit_is_broken_in_the_same_way(lines: Job, on: tuple[str, ...]) -> None:
    """The simulator does it to its own unit, with values of its own: within 1 % of an e.m.f."""
    setup = next(setup for setup in lines.fixture.setups if not setup.through)
    circuits = FaultyCircuits(lines.module, lines.fixture, BENCH)
    for name in (*(each for each, *_ in NGSPICE), "R1.hot 10 ohm + left.out.hot bridged to left.out.cold"):
        fault_set = parse_fault(name, lines.module, lines.fixture)
        ours = np.abs(transfer(circuits.of(fault_set, setup, State(on=on)), (1e3, 1e3)))
        np.testing.assert_allclose(ours, simulated(lines, fault_set, setup, on), atol=0.01, err_msg=name)


def test_a_relay_that_was_left_out_conducts_nowhere_and_draws_nothing(selector: Job) -> None:
    fault_set = parse_fault("K3 left out", selector.module, selector.fixture)
    opened = parse_fault(
        " + ".join(
            f"{pole.name} {throw} stuck open"
            for relay in selector.module.relays
            if relay.name == "K3"
            for pole in relay.poles
            for throw in pole.throws
        ),
        selector.module,
        selector.fixture,
    )
    circuits = FaultyCircuits(selector.module, selector.fixture, BENCH)
    setup = next(setup for setup in selector.fixture.setups if setup.drive is not None)
    relay = next(relay for relay in selector.module.relays if relay.name == "K3")
    state = State(on=(relay.operating_control,))
    here = transfer(circuits.of(fault_set, setup, state), (1e3, 1e3))
    np.testing.assert_allclose(here, transfer(circuits.of(opened, setup, state), (1e3, 1e3)))
    coil_a = selector.module.supply.voltage_v / relay.type.coil_ohm
    missing = supply_current_a(selector.module, state, ()) - supply_current_a(
        selector.module, state, fault_set
    )
    assert missing == pytest.approx(coil_a)


def test_all_at_once_are_what_they_are_one_by_one(lines: Job) -> None:
    plan = build_plan(lines, impedances=BENCH)
    names = [name for name, *_ in NGSPICE]
    fault_sets = [parse_fault(name, lines.module, lines.fixture) for name in names]
    fault_sets += [parse_fault(f"{names[0]} + {names[4]} + K1 left out", lines.module, lines.fixture)]
    plain = plain_transfers(lines, plan, fault_sets)
    np.testing.assert_allclose(batch_transfers(lines, plan, fault_sets), plain, rtol=0, atol=1e-9)


BRIDGE = "left.a_send.hot bridged to left.b_return.cold"


@pytest.fixture(scope="module")
def suspicious(tmp_path_factory: pytest.TempPathFactory) -> Job:
    """The switcher in few states, with suspects in its module.toml."""
    folder = job_in(
        tmp_path_factory.mktemp("suspects") / "job",
        check_of("gain", at=("out", "a_send", "b_send"), within="tolerance"),
        check_of("leg_gain_difference", within="tolerance"),
        check_of("supply_current", at=(), within="tolerance"),
        states=("idle", "loop_a", "loop_b", "swap"),
        edits=[("module.toml", "channels = ", f'suspects = ["{BRIDGE}", "K1 left out"]\nchannels = ')],
    )
    return load_job(folder)


def test_the_suspects_of_module_toml_come_before_those_of_a_command(suspicious: Job) -> None:
    names = [" + ".join(map(str, each)) for each in own_suspects(suspicious, ["K2 left out", BRIDGE])]
    assert names == [BRIDGE, "K1 left out", "K2 left out"]


def test_a_diagnosis_names_a_suspect_that_no_list_has(suspicious: Job) -> None:
    plan = build_plan(suspicious, impedances=BENCH)
    bridge, left_out = own_suspects(suspicious)
    assert all(each.seen for each in judge_faults(suspicious, plan, [bridge, left_out]))
    diagnoser = Diagnoser(suspicious, plan, telling(plan, suspicious))
    result = Bench(suspicious, plan, seed=3).run("F-2", bridge)
    diagnosis = diagnoser.diagnose(result.evidence)
    assert (result.verdict, diagnosis.explained) == ("fail", True)
    assert BRIDGE in diagnosis.groups[0].names


def test_a_suspect_that_there_can_not_be_is_a_mistake_of_its_line(tmp_path: Path) -> None:
    folder = job_in(tmp_path / "job")
    line = edit(folder / "module.toml", "channels = ", 'suspects = ["K99 left out"]\nchannels = ')
    with pytest.raises(JobError) as caught:
        load_job(folder)
    (mistake,) = caught.value.mistakes
    assert (mistake.file, mistake.line) == ("module.toml", line)
    assert 'fault "K99 left out": module.toml has no part K99; did you mean K9?' in mistake.message


def test_pairs_that_contradict_each_other_are_none(lines: Job) -> None:
    names = ("R1.hot open", "R1.hot shorted", "K1 left out", "K1 coil open", "left.out.hot open")
    alone = [parse_fault(name, lines.module, lines.fixture) for name in names]
    pairs = [" + ".join(map(str, pair)) for pair in doubles_of(alone)]
    assert len(pairs) == 10 - 2
    assert not {"R1.hot open + R1.hot shorted", "K1 left out + K1 coil open"} & set(pairs)


def test_a_fault_that_hides_another_is_found_among_the_doubles(tmp_path: Path) -> None:
    """Two swaps of the same legs, one behind the other, are none: closed form."""
    job = load_job(insert_switch(tmp_path))
    plan = build_plan(job, impedances=BENCH)
    names = ("left.in legs swapped", "left.out legs swapped", "left.out.hot open")
    polarity = check_of("polarity", at=("out",))
    with (tmp_path / "sequence.toml").open("a", encoding="utf-8") as file:
        file.write(polarity)
    job = load_job(tmp_path)
    plan = build_plan(job, impedances=BENCH)
    alone = judge_faults(job, plan, [parse_fault(name, job.module, job.fixture) for name in names])
    assert all(each.seen for each in alone)
    doubles = cover_doubles(job, plan, alone)
    assert (doubles.possible, doubles.missed) == (3, 1)
    assert [each.name for each in doubles.hidden] == ["left.in legs swapped + left.out legs swapped"]
    both = ("left.in legs swapped + right.in legs swapped", "left.out legs swapped + right.out legs swapped")
    alone = judge_faults(job, plan, [parse_fault(name, job.module, job.fixture) for name in both])
    assert [each.name for each in cover_doubles(job, plan, alone).hidden] == [" + ".join(both)]


def test_coverage_evaluates_suspects_and_pairs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = insert_switch(tmp_path)
    edit(folder / "sequence.toml", 'states = "all"', 'states = ["idle"]')
    edit(folder / "module.toml", 'revision = "A"', 'revision = "A"\nsuspects = ["R1.hot and R2.hot swapped"]')
    bridge = "left.send.hot bridged to left.bus.cold"
    printed = switchwalk(capsys, "coverage", str(folder), "--fault", bridge, "--doubles")
    text = " ".join(printed.out.split())
    assert printed.code == 0, printed.err
    assert "R1.hot and R2.hot swapped: missed: changes nothing that the sequence measures" in text
    assert f"{bridge}: detected" in text
    count = len(hard_faults(load_job(folder))) + 2
    assert " pairs of faults detected." in text
    possible = int(text.partition(" pairs of faults detected.")[0].split()[-1])
    assert 0.9 * count * (count - 1) / 2 < possible < count * (count - 1) / 2
