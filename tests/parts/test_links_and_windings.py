"""Links, inductors and transformers: by closed forms, by ngspice, and by the simulator's own solver."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchmarks.simulated_runs import Bench
from harness.circuit.predict import differential, predict
from harness.circuit.routes import route
from harness.circuit.solve import transfer
from harness.errors import JobError
from harness.faults.coverage import cover
from harness.faults.diagnosis import Diagnoser, telling
from harness.faults.effects import FaultyCircuits
from harness.job.faults import parse_fault, single_faults
from harness.job.job import Job, load_job
from harness.job.module import GROUND
from harness.job.state import IDLE_STATE
from harness.plan.build import build_plan
from harness.plan.limits import with_limits
from tests.circuit import spice
from tests.circuit.test_against_ngspice import NOTHING
from tests.jobs import check_of
from tests.parts.box import (
    BENCH,
    MICRO_OHMS,
    agree_with_ngspice,
    agree_with_simulated_units,
    all_at_once_as_one_by_one,
    box,
    mute,
)

LEFT = ("left",)
GAIN = check_of("gain", within="0.3 dB")
BALANCE = check_of("leg_gain_difference", name="Legs", within="0.3 dB")
WINDINGS = """
ratio = "1:2"
primary_resistance = "45 ohm"
secondary_resistance = "90 ohm"
magnetising_inductance = "3 H"
leakage_inductance = "2 mH"
tolerance = "1 %"
"""
TRANSFORMER = f'[[transformer]]\nname = "T1"\nfrom = "in"\nto = "out"\n{WINDINGS}'
ONE_LEG = TRANSFORMER.replace('"in"', '"in.hot"') + (
    '[[link]]\nname = "J1"\nto_ground = "in"\nleg = "cold"\n'
)
EACH_LEG = "".join(
    f'[[transformer]]\nname = "T{number}"\nfrom = "in.{leg}"\nto = "out.{leg}"\n{WINDINGS}'
    for number, leg in ((1, "hot"), (2, "cold"))
)
CHOKE = """
[[inductor]]
name = "L1"
series = ["in", "choked"]
value = "100 mH"
resistance = "20 ohm"
tolerance = "1 %"
[[link]]
name = "J1"
series = ["choked", "out"]
[[resistor]]
name = "R1"
to_ground = "in"
value = "10 kohm"
"""
ALL = {"pair": TRANSFORMER, "one leg to a pair": ONE_LEG, "each leg": EACH_LEG, "choke and link": CHOKE}


def job_of(folder: Path, parts: str, *checks: str) -> Job:
    """One channel; a relay shorts the output where `go` is on."""
    return load_job(box(folder, parts + mute(LEFT), *(checks or (GAIN,)), channels=LEFT))


@pytest.fixture(params=ALL)
def any_job(request: pytest.FixtureRequest, tmp_path: Path) -> Job:
    return job_of(tmp_path, ALL[request.param])


def gain_at(job: Job, frequency_hz: float) -> complex:
    setup = job.fixture.setups[1]
    made = predict(
        job.module,
        job.fixture,
        setup,
        IDLE_STATE,
        frequencies_hz=(frequency_hz, frequency_hz),
        impedances=BENCH,
    )
    return complex(differential(made.transfer)[0])


@pytest.mark.parametrize("frequency_hz", [20.0, 1e3, 20e3])
def test_a_transformer_is_its_equivalent_circuit(tmp_path: Path, frequency_hz: float) -> None:
    """Closed form: source, primary and leakage before the core, beside it the load by the square of 1:2."""
    omega = 2 * math.pi * frequency_hz
    contact_f = 1e-12 / 2  # of the open mute, each leg to ground, as between the legs
    end = 1 / (1 / 20e3 + 1 / 2e6 + 1j * omega * (15e-12 / 2 + contact_f))
    seen = (90 + end) / 4
    core = 1 / (1 / (1j * omega * 3.0) + 1 / seen)
    before = 100 + 45 + 1j * omega * 2e-3 + 2e-6
    input_f = 1j * omega * 15e-12 / 2 + 1 / 2e6  # of the scope at the driven port
    driven = 1 / (input_f + 1 / (before - 100 + core))
    level = driven / (100 + driven) * core / (before - 100 + core) * 2 * end / (90 + end)
    assert gain_at(job_of(tmp_path, TRANSFORMER), frequency_hz) == pytest.approx(level, rel=1e-6)


def test_an_inverting_transformer_turns_the_signal_round(tmp_path: Path) -> None:
    straight = gain_at(job_of(tmp_path, TRANSFORMER), 1e3)
    turned = job_of(tmp_path, TRANSFORMER + "inverting = true\n")
    assert gain_at(turned, 1e3) == pytest.approx(-straight)
    agree_with_ngspice(turned, tmp_path)


@pytest.mark.parametrize("frequency_hz", [20.0, 1e3, 16e3])
def test_a_choke_divides_with_its_load(tmp_path: Path, frequency_hz: float) -> None:
    """Closed form, of each leg; 16 kHz is near the corner R/(2πL). The input has 10 kohm and the scope."""
    omega = 2 * math.pi * frequency_hz
    end = 1 / (1 / 10e3 + 1 / 1e6 + 1j * omega * (15e-12 + 1e-12))  # the open mute's picofarad beside it
    branch = 20 + 1j * omega * 0.1 + 2e-6
    driven = 1 / (1 / 10e3 + 1 / 1e6 + 1j * omega * 15e-12 + 1 / (branch + end))
    level = driven / (50 + driven) * end / (branch + end)
    assert gain_at(job_of(tmp_path, CHOKE), frequency_hz) == pytest.approx(level, rel=1e-6)


def test_a_link_makes_two_nets_one(tmp_path: Path) -> None:
    (tmp_path / "linked").mkdir()
    (tmp_path / "one").mkdir()
    resistor = '[[resistor]]\nname = "R1"\nseries = ["in", "far"]\nvalue = "1 kohm"\n'
    linked = job_of(tmp_path / "linked", resistor + '[[link]]\nname = "J1"\nseries = ["far", "out"]\n')
    one = job_of(tmp_path / "one", resistor.replace("far", "out"))
    assert gain_at(linked, 1e3) == pytest.approx(gain_at(one, 1e3), rel=1e-8)


def test_a_link_makes_two_channels_one_bus(tmp_path: Path) -> None:
    bus = """
[[resistor]]
names = { left = "R1", right = "R2" }
series = ["in", "out"]
value = "1 kohm"
[[link]]
name = "J1"
series = ["left.out", "right.out"]
"""
    job = load_job(box(tmp_path, bus + mute(("left", "right")), check_of("crosstalk", within="0.1 dB")))
    setup = job.fixture.setups[1]
    made = predict(job.module, job.fixture, setup, IDLE_STATE, frequencies_hz=(1e3, 1e3), impedances=BENCH)
    one, other = differential(made.transfer)
    assert abs(other / one) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        (TRANSFORMER, "in > T1 > out"),
        (ONE_LEG, "in > T1 > out"),
        (EACH_LEG, "in > T1 > out"),
        (CHOKE, "in > L1 > out"),
    ],
)
def test_a_route_names_what_it_leads_through(tmp_path: Path, parts: str, words: str) -> None:
    job = job_of(tmp_path, parts)
    setup = job.fixture.setups[1]
    assert route(job.module, job.fixture, setup, IDLE_STATE, setup.view[0]) == words


def test_ngspice_agrees(any_job: Job, tmp_path: Path) -> None:
    """By coupled inductors, which is not how the harness writes a transformer."""
    grounded = any(link.b == GROUND for link in any_job.module.links)
    agree_with_ngspice(any_job, tmp_path, nothing=MICRO_OHMS if grounded else NOTHING)


def test_every_fault_agrees_with_ngspice_and_is_the_same_all_at_once(any_job: Job, tmp_path: Path) -> None:
    all_at_once_as_one_by_one(any_job)
    setup = any_job.fixture.setups[1]
    circuits = FaultyCircuits(any_job.module, any_job.fixture, BENCH)
    faults = [
        fault
        for fault in single_faults(any_job.module, any_job.fixture)
        if fault.kind.startswith(("part", "winding"))
    ]
    assert faults
    faulty = [circuits.of((fault,), setup, IDLE_STATE) for fault in faults]
    solved = spice.transfers([spice.from_elements(circuit) for circuit in faulty], (1e3,), tmp_path)
    for fault, circuit, theirs in zip(faults, faulty, solved, strict=True):
        ours = transfer(circuit, (1e3, 1e3))
        np.testing.assert_allclose(ours, theirs[0], rtol=1e-5, atol=1e-6, err_msg=fault.name)


def test_the_simulator_breaks_every_part_as_the_harness_does(any_job: Job) -> None:
    """The simulator writes a transformer as coupled inductors, the harness as its equivalent circuit."""
    faults = [
        fault
        for fault in single_faults(any_job.module, any_job.fixture)
        if fault.kind.startswith(("part", "winding", "leg"))
    ]
    assert agree_with_simulated_units(any_job, faults, within=0.03) > 20


def test_the_predicted_spread_is_that_of_units_with_other_values(tmp_path: Path) -> None:
    """Finite differences: a part one standard uncertainty off, against the sensitivity that is predicted."""
    job = job_of(tmp_path, TRANSFORMER)
    setup = job.fixture.setups[1]
    circuit = FaultyCircuits(job.module, job.fixture, BENCH).of((), setup, IDLE_STATE)
    made = predict(job.module, job.fixture, setup, IDLE_STATE, frequencies_hz=(20.0, 20.0), impedances=BENCH)
    wound = ("T1.primary", "T1.magnetising", "T1.secondary")
    inductances = [f"{name} inductance" for name in wound if f"{name} inductance" in made.spread_names]
    assert inductances
    for name in (*wound, *inductances):
        step = 1e-3
        of_ohms, of_henries = step * (name in wound), step * (name in inductances)
        moved = tuple(
            replace(
                element,
                resistance_ohm=(element.resistance_ohm or 0.0) + of_ohms * element.resistance_spread_ohm,
                inductance_h=element.inductance_h + of_henries * element.inductance_spread_h,
            )
            if element.name == name.removesuffix(" inductance")
            else element
            for element in circuit.elements
        )
        other = transfer(replace(circuit, elements=moved), (20.0, 20.0))
        change = (other - transfer(circuit, (20.0, 20.0))) / step
        predicted = made.spreads[made.spread_names.index(name)]
        np.testing.assert_allclose(predicted, change, rtol=5e-3, atol=1e-9)


def test_coverage_and_diagnosis_know_windings(tmp_path: Path) -> None:
    job = job_of(tmp_path, TRANSFORMER, GAIN, BALANCE)
    plan = build_plan(job, impedances=BENCH)
    seen = {one.fault.name for one in cover(job, plan).seen}
    assert {"T1.primary open", "T1.primary shorted", "T1.secondary open", "T1.secondary shorted"} <= seen
    bench = Bench(job, plan, seed=3)
    diagnoser = Diagnoser(job, plan, telling(plan, job))
    broken = parse_fault("T1.primary open", job.module, job.fixture)
    result = diagnoser.diagnose(bench.run("W-1", broken).evidence, double=False)
    assert broken in result.groups[0].fault_sets
    assert diagnoser.diagnose(bench.run("W-2", ()).evidence).says_good


def test_a_contact_s_resistance_is_not_told_through_a_transformer(tmp_path: Path) -> None:
    """Its turns change the level more than any contact does."""
    relay = mute(LEFT, "in").replace('"ground"', '"primary"')
    check = check_of("contact_resistance", below="2 ohm", states=["go"])
    job = load_job(box(tmp_path, relay + TRANSFORMER.replace('"in"', '"primary"'), check, channels=LEFT))
    with pytest.raises(JobError, match="leads through T1, which changes the level"):
        build_plan(job, impedances=BENCH)


WRONG = [
    ('ratio = "1:2"', 'ratio = "2"', 'found "2"; expected the turns of primary and secondary such as "1:2"'),
    ('ratio = "1:2"', "ratio = 2", 'found 2; expected the turns of primary and secondary such as "1:2"'),
    ('to = "out"', 'to = "in"', "expected from and to to be two different nets, neither ground"),
    ('"3 H"', '"3 mohm"', "expected an inductance such as"),
    ('"45 ohm"', '"0 ohm"', "expected"),
]


@pytest.mark.parametrize(("right", "wrong", "message"), WRONG)
def test_a_wrong_transformer_is_told(tmp_path: Path, right: str, wrong: str, message: str) -> None:
    with pytest.raises(JobError) as caught:
        job_of(tmp_path, TRANSFORMER.replace(right, wrong))
    assert message in str(caught.value)


def test_a_grounded_leg_of_a_floating_winding_is_a_leg_without_the_other(tmp_path: Path) -> None:
    """Closed form: nothing changes between the legs of a floating winding, all of it is on one leg."""
    job = job_of(tmp_path, TRANSFORMER, GAIN, check_of("leg_gain_difference", within="tolerance"))
    plan = with_limits(job, build_plan(job, impedances=BENCH))
    (limit,) = {each.limit for each in plan.readings if each.measurand.quantity == "leg_gain_difference"}
    assert limit is not None
    assert limit.low is not None
    assert limit.high == pytest.approx(-limit.low, abs=0.01)
    seen = {one.fault.name for one in cover(job, plan).seen}
    assert {"left.out.hot grounded", "left.out.cold grounded"} <= seen
