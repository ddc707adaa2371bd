"""Where hands make the through connection, what is driven tells whether the bench has changed.

The bench is the simulator's; a module with amplifiers, whose driven port is in view in every setup.
"""

from collections.abc import Iterator
from dataclasses import replace

import pytest

from benchmarks.lead_jobs import KINDS, make_job
from drivers.bench import open_bench
from harness.circuit.elements import BenchImpedances
from harness.job.faults import parse_fault
from harness.job.fixture import Setup
from harness.job.job import load_job
from harness.job.module import Part
from harness.measure.reference import Reference
from harness.plan.build import build_plan
from harness.records.store import open_records
from harness.session.context import RunContext, run_context
from harness.session.control_currents import energise
from harness.session.events import Event
from harness.session.leads.driven_port import DrivenPort, look_at_driven_port
from harness.session.through import take_reference
from simulator.server import Simulator
from tests.cli.commands import switchwalk
from tests.records.outside_broadcast import HEADER
from tests.wire.test_setups_by_hand import SlippingHands


class Scene:
    """An open bench with its through reference, and the setup that is made."""

    def __init__(self, context: RunContext, reference: Reference, setup: Setup, simulator: Simulator) -> None:
        self.context, self.reference, self.setup, self.simulator = context, reference, setup, simulator

    def look(self, *, then: float = 1.0) -> DrivenPort:
        """Look at the driven port; then: what the reference showed, over what the bench gives now."""
        tones = tuple(
            replace(tone, source=tuple(then * value for value in tone.source))
            for tone in self.reference.tones
        )
        return look_at_driven_port(self.context, replace(self.reference, tones=tones), self.setup)


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    folder = tmp_path_factory.mktemp("driven")
    made = make_job(KINDS["amplifier +6 dB by hand"], folder / "job")
    with Simulator(made, serial="OB-0001", speed=20.0) as simulator:
        (folder / "bench.toml").write_text(simulator.bench_toml(), encoding="utf-8")
        job = load_job(folder / "job", folder / "bench.toml")
        plan = build_plan(job, impedances=BenchImpedances())
        assert job.bench is not None
        with (
            open_records(folder / "records.sqlite") as store,
            open_bench(job.bench, folder=folder, marked=False) as bench,
        ):

            def observe(event: Event) -> None:
                pass

            hands = SlippingHands(simulator)
            run = store.begin(HEADER)
            context = run_context(plan, job, bench, store, run, hands=hands, observe=observe)
            reference = take_reference(context)
            assert reference is not None
            energise(context)
            setup = plan.visits[0].setup
            hands.make(setup)
            yield Scene(context, reference, setup, simulator)


def test_a_bench_that_has_not_changed_shows_every_input_as_before(scene: Scene) -> None:
    result = scene.look()
    assert result.moved == ""
    assert result.as_before >= {1, 2}


def test_a_generator_that_fell_is_seen_on_both_legs_of_the_driven_port(scene: Scene) -> None:
    """Closed form: 20 log(1/1.122) is -1.00 dB."""
    result = scene.look(then=1.122)
    assert "the level at both legs of the driven port left.in is -1.0" in result.moved


def test_legs_that_the_unit_shorts_are_no_change_of_the_bench(scene: Scene) -> None:
    """Both show half of each tone, -6.02 dB by the closed form, and so the other leg's as well."""
    faults = parse_fault("left.in legs shorted", scene.context.job.module, scene.context.job.fixture)
    scene.simulator.place_unit("OB-0001", faults)
    result = scene.look()
    scene.simulator.place_unit("OB-0001")
    assert result.moved == ""
    assert not result.as_before & {1, 2}


def test_a_setup_without_the_driven_port_in_view_decides_nothing(scene: Scene) -> None:
    output = replace(scene.setup, view=scene.setup.view[1:])
    result = look_at_driven_port(scene.context, scene.reference, output)
    assert result == DrivenPort(moved="", as_before=frozenset())


def test_the_hands_command_puts_leads_where_it_says(scene: Scene, capsys: pytest.CaptureFixture[str]) -> None:
    control, name = scene.simulator.addresses.control, scene.setup.name
    elsewhere = switchwalk(capsys, "hands", control, name, "--lead", "input 1=ground", "--lead", "input 2=")
    assert (elsewhere.code, elsewhere.out) == (0, f"made: {name}; input 1 on ground; input 2 on nothing\n")
    assert not scene.look().as_before & {1, 2}
    assert switchwalk(capsys, "hands", control, name).out == f"made: {name}\n"
    assert scene.look().as_before >= {1, 2}


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["nowhere", "a"], 2, "nowhere: expected a host and a port such as 127.0.0.1:40123, as `simulate`"),
        (["{control}", "a"], 2, "no setup 'a'; expected one of "),
        (["{control}", "{name}", "--lead", "input 9=ground"], 2, "no lead 'input 9' in "),
        (
            ["{control}", "{through}", "--lead", "generator hot=ground"],
            2,
            "it has input 1, input 2, input 3, input 4, on generator hot and generator cold",
        ),
        (
            ["{control}", "{through}", "--lead", "input 1=generator ht"],
            2,
            "no pin 'generator ht'; expected one of ground, generator hot, generator cold, left.in.hot",
        ),
        (
            ["{control}", "{name}", "--lead", "input 1=left.inn.hot"],
            2,
            "no pin 'left.inn.hot'; expected one of ground, left.in.hot",
        ),
        (["{control}", "{name}", "--lead", "input 1"], 2, "--lead input 1: expected a lead and its pin"),
        (["127.0.0.1:9", "{name}"], 4, "nothing answers as a control port does"),
    ],
)
def test_the_hands_command_refuses_what_it_does_not_know(
    scene: Scene, capsys: pytest.CaptureFixture[str], arguments: list[str], code: int, message: str
) -> None:
    setups = scene.context.job.fixture.setups
    through = next(setup.name for setup in setups if setup.through and not setup.inputs_swapped)
    known = {
        "control": scene.simulator.addresses.control,
        "name": scene.setup.name,
        "through": through,
    }
    printed = switchwalk(capsys, "hands", *(each.format(**known) for each in arguments))
    assert printed.code == code
    assert message in " ".join(printed.err.split())


def test_what_a_fault_of_the_unit_would_do_to_the_driven_port_decides_nothing(scene: Scene) -> None:
    """Closed form: 1 kohm across two outputs of 50 ohm leaves 1050/1100 of a leg's own e.m.f., -0.40 dB."""
    assert "is -0.4" in scene.look(then=1.0476).moved
    module = scene.context.job.module
    across = Part(name="R9", a="left.in.hot", b="left.in.cold", value=10e3, tolerance=0.01)
    loaded = replace(module, resistors=(*module.resistors, across))  # a tenth of it is a fault
    context = replace(scene.context, job=replace(scene.context.job, module=loaded))
    other = Scene(context, scene.reference, scene.setup, scene.simulator).look(then=1.0476)
    assert other.moved == ""
    assert not other.as_before & {1, 2}
