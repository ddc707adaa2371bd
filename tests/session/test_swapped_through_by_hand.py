"""The through setup with swapped inputs, made by hand: one move, and leads that were not swapped are named.

The bench is the simulator's, over its sockets and pty.
"""

import re
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from drivers.bench import open_bench
from harness.circuit.elements import BenchImpedances
from harness.errors import SetupError
from harness.job.fixture import Setup
from harness.job.job import load_job
from harness.plan.build import build_plan
from harness.plan.states import estimate_time
from harness.records.store import open_records
from harness.report.setup_picture import drawing
from harness.session.context import RunContext, run_context
from harness.session.control_currents import energise
from harness.session.events import Event, Remark
from harness.session.leads.by_hand import make_by_hand
from harness.session.through import kept_reference, take_reference
from simulator.server import Simulator
from simulator.wiring import LeadNodes
from tests.records.outside_broadcast import HEADER

ROOT = Path(__file__).resolve().parents[2]
SWAPPED = """[[setup]]
name = "through reference, leads of the scope swapped"
through = true
inputs_swapped = true

[[setup]]
name = "drive left"""
LEFT_STRAIGHT = {"input 1": "generator hot", "input 2": "generator cold"}


@dataclass
class Hands:
    """Hands that leave some leads where a test says, in the setup with swapped inputs."""

    simulator: Simulator
    slips: LeadNodes = field(default_factory=dict)
    corrects: bool = True
    made: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)

    def make(self, setup: Setup) -> None:
        self.made.append(setup.name)
        self.simulator.move_leads(setup.name, self.slips if setup.inputs_swapped else {})

    def correct(self, setup: Setup, leads: Sequence[str], message: str) -> None:
        self.told.append(message)
        if self.corrects:
            self.simulator.move_leads(setup.name, {})


@dataclass
class IdleHands:
    """Hands that move no lead when a setup is asked for."""

    simulator: Simulator
    moves_when_told: bool = False

    def make(self, setup: Setup) -> None:
        pass

    def correct(self, setup: Setup, leads: Sequence[str], message: str) -> None:
        if self.moves_when_told:
            self.simulator.move_leads(setup.name, {})


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[RunContext, Simulator, list[str]]]:
    folder, remarks = tmp_path_factory.mktemp("swapped"), list[str]()
    job_folder = folder / "job"
    shutil.copytree(ROOT / "sequences" / "two_loop_switcher", job_folder)
    for name in ("fixture", "sequence"):
        (job_folder / f"by_hand_{name}.toml").replace(job_folder / f"{name}.toml")
    fixture = job_folder / "fixture.toml"
    fixture.write_text(fixture.read_text().replace('[[setup]]\nname = "drive left', SWAPPED, 1))

    def observe(event: Event) -> None:
        if isinstance(event, Remark):
            remarks.append(event.text)

    with Simulator(load_job(job_folder), serial="OB-0001", speed=20.0) as simulator:
        (folder / "bench.toml").write_text(simulator.bench_toml(), encoding="utf-8")
        job = load_job(job_folder, folder / "bench.toml")
        plan = build_plan(job, impedances=BenchImpedances())
        assert job.bench is not None
        with (
            open_records(folder / "records.sqlite") as store,
            open_bench(job.bench, folder=folder, marked=False) as opened,
        ):
            context = run_context(
                plan, job, opened, store, store.begin(HEADER), hands=Hands(simulator), observe=observe
            )
            energise(context)
            yield context, simulator, remarks


def test_hands_move_leads_once_and_the_ratio_is_known(
    bench: tuple[RunContext, Simulator, list[str]],
) -> None:
    context, simulator, remarks = bench
    hands = Hands(simulator)
    reference = take_reference(replace(context, hands=hands))
    assert hands.made == ["through reference", "through reference, leads of the scope swapped"]
    assert reference is not None
    ratios = [tone.ratio_of(0) for tone in reference.tones]
    assert all(ratio is not None and abs(ratio - 1) < 0.06 for ratio in ratios)
    assert remarks[-1].endswith("with the ratio of the two inputs of each pair")
    assert kept_reference(context, reference) is reference
    without = replace(reference, tones=tuple(replace(tone, swapped=None) for tone in reference.tones))
    assert kept_reference(context, without) is None
    assert "nothing of swapped inputs: not used" in remarks[-1]


def test_leads_that_were_not_swapped_are_named_and_corrected(
    bench: tuple[RunContext, Simulator, list[str]],
) -> None:
    context, simulator, _ = bench
    hands = Hands(simulator, LEFT_STRAIGHT)
    assert take_reference(replace(context, hands=hands)) is not None
    assert len(hands.told) == 1
    message = "inputs 1 and 2 are not swapped: 1 sees the hot output and 2 the cold one. Swap their leads"
    assert message in hands.told[0]


def test_leads_that_stay_as_they_were_end_the_run_without_blame_of_the_unit(
    bench: tuple[RunContext, Simulator, list[str]],
) -> None:
    context, simulator, _ = bench
    hands = Hands(simulator, LEFT_STRAIGHT, corrects=False)
    with pytest.raises(
        SetupError, match=r"leads of the scope swapped': inputs 1 and 2 are not swapped.*fault of"
    ):
        take_reference(replace(context, hands=hands))


def test_leads_left_there_are_not_taken_for_a_unit_with_swapped_legs(
    bench: tuple[RunContext, Simulator, list[str]],
) -> None:
    """As if hands said that they have checked every lead, and did not: that is no fault of the unit."""
    context, simulator, remarks = bench
    take_reference(replace(context, hands=Hands(simulator)))
    setup = next(each for each in context.job.fixture.setups if each.drive is not None)
    with pytest.raises(SetupError, match="the leads are still where they were in the through setup"):
        make_by_hand(replace(context, hands=IdleHands(simulator)), setup)
    assert not any("counts as the unit's" in remark for remark in remarks)
    hands = IdleHands(simulator, moves_when_told=True)
    make_by_hand(replace(context, hands=hands), setup)
    assert remarks[-1].endswith("now every lead is right")


def test_the_move_is_drawn_and_counted(bench: tuple[RunContext, Simulator, list[str]]) -> None:
    """With as many leads as a pair of ports has: two at 1 kHz; once, however many setups there are."""
    context, _, _ = bench
    plan = context.plan
    assert plan.swapped_through is not None
    drawn = drawing(context.job, plan.swapped_through)
    assert re.search(r"output 1 \(hot\) +-+> scope input 2\n", drawn)
    assert re.search(r"output 2 \(cold\) +-+> scope input 1\n", drawn)
    with_it, without = (
        estimate_time(each, context.job) for each in (plan, replace(plan, swapped_through=None))
    )
    assert 0 < with_it.hands_s - without.hands_s <= 60
