"""The diagnosis holds where stray capacitances are as on real benches, and where they are another bench's."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from benchmarks.drawn_strays import NEAR_F, draw_strays, draw_strays_apart, nets_of
from benchmarks.simulated_runs import Bench
from harness.circuit.elements import Couplings, Element
from harness.circuit.expand import build_circuit
from harness.circuit.predict import predict_circuit
from harness.circuit.strays import strays_of
from harness.faults.diagnosis import Diagnoser, Diagnosis, telling
from harness.faults.signatures import batch_transfers
from harness.job.faults import Fault, parse_fault
from harness.job.module import LEGS, Module
from harness.measure.tones import choose_tones
from harness.plan.build import build_plan
from simulator.circuit import GROUND, Parts
from simulator.circuit import Element as Capacitor
from tests.faults.laboratory import IMPEDANCES, SEED, Laboratory

NET_F, CHANNELS_F = 25e-12, 0.2e-12  # of another bench, every net alike


@pytest.fixture(scope="module")
def real_bench(laboratory: Laboratory) -> Bench:
    """Strays drawn anew for every unit."""
    return Bench(laboratory.job, laboratory.plan, seed=SEED, strays=draw_strays)


def every_net_alike(module: Module, parts: Parts, _: str) -> Iterator[Capacitor]:
    nets = nets_of(module, parts)
    one, other = module.channels
    for leg in LEGS:
        for channel in module.channels:
            for net in nets[channel]:
                yield Capacitor(a=f"{channel}.{net}.{leg}", b=GROUND, value=NET_F)
        for net in nets[one]:
            yield Capacitor(a=f"{one}.{net}.{leg}", b=f"{other}.{net}.{leg}", value=CHANNELS_F)


def names(result: Diagnosis, wanted: tuple[Fault, ...]) -> bool:
    """Whether a fault is in the first group; a bad contact at whatever resistance."""
    return any(
        [replace(fault, resistance_ohm=None) for fault in fault_set]
        == [replace(fault, resistance_ohm=None) for fault in wanted]
        for fault_set in result.groups[0].fault_sets
    )


@pytest.mark.parametrize(
    "name",
    [
        "K1.1.hot released stuck open",
        "K9.1.cold released stuck open",  # silent but for strays, in a state of its own
        "left.out.cold open",
        "K6.1.hot operated 10 ohm",
    ],
)
def test_a_fault_among_strays_is_named_first(laboratory: Laboratory, real_bench: Bench, name: str) -> None:
    wanted = parse_fault(name, laboratory.job.module, laboratory.job.fixture)
    result = laboratory.diagnose(real_bench.run(name, list(wanted)).evidence, double=False)
    assert result.explained
    assert not result.says_good
    assert names(result, wanted)


def test_a_good_unit_whose_channels_lie_apart_fails_no_reading(laboratory: Laboratory) -> None:
    bench = Bench(laboratory.job, laboratory.plan, seed=SEED, strays=draw_strays_apart)
    assert bench.run("H-1", []).verdict != "fail"


def test_channels_side_by_side_have_crosstalk_alone_above_its_limit(real_bench: Bench) -> None:
    run = real_bench.run("H-1", [])
    assert {reading.key.measurand.quantity for reading in run.not_passed} == {"crosstalk"}


def test_channels_that_lie_apart_have_two_picofarads_between_them_at_most(laboratory: Laboratory) -> None:
    module = laboratory.job.module
    wires = tuple((f"{channel}.bus.hot", f"{channel}.out.hot") for channel in module.channels)
    net = Parts(wires=wires, resistors=(), capacitors=(), contacts=(), amplifiers=(), sources=(), probes=())
    between_f = sum(
        stray.value
        for stray in draw_strays_apart(module, net, "H-1")
        if stray.b != GROUND and stray.a.split(".")[0] != stray.b.split(".")[0]
    )
    assert NEAR_F[0] <= between_f <= NEAR_F[1]


@pytest.mark.parametrize("serial", ["H-1", "H-2"])
def test_a_good_unit_among_strays_raises_no_alarm(
    laboratory: Laboratory, real_bench: Bench, serial: str
) -> None:
    result = laboratory.diagnose(real_bench.run(serial, []).evidence)
    assert result.explained
    assert result.says_good


def test_an_open_leg_is_named_although_nothing_holds_the_undriven_channel(laboratory: Laboratory) -> None:
    job = replace(laboratory.job, fixture=replace(laboratory.job.fixture, undriven_inputs=None))
    plan = build_plan(job, impedances=IMPEDANCES)
    wanted = parse_fault("K1.1.hot released stuck open", job.module, job.fixture)
    evidence = Bench(job, plan, seed=SEED, strays=every_net_alike).run("T-1", list(wanted)).evidence
    result = Diagnoser(job, plan, telling(plan, job)).diagnose(evidence)
    assert result.explained
    assert names(result, wanted)
    assert not result.doubles


def test_couplings_do_what_capacitors_between_the_same_nodes_do(laboratory: Laboratory) -> None:
    job, module = laboratory.job, laboratory.job.module
    strays = strays_of(module)
    acquisition = telling(laboratory.plan, job)[0]
    setup = next(setup for setup in job.fixture.setups if setup.name == acquisition.setup)
    circuit = build_circuit(module, job.fixture, setup, acquisition.state, IMPEDANCES)
    tones = choose_tones(acquisition.stimulus.frequency_hz).frequencies_hz
    made = predict_circuit(circuit, frequencies_hz=tones, couplings=strays)
    elements = (*circuit.elements, *capacitors(strays))
    plain = predict_circuit(replace(circuit, elements=elements), frequencies_hz=tones)
    np.testing.assert_allclose(made.transfer, plain.transfer, rtol=1e-9, atol=1e-12)
    rows = {name: row for row, name in enumerate(made.spread_names)}
    order = [rows[name] for name in plain.spread_names]
    np.testing.assert_allclose(made.spreads[order], plain.spreads, rtol=1e-9, atol=1e-12)
    batch = batch_transfers(job, laboratory.plan, [()], acquisitions=[acquisition], couplings=strays)
    np.testing.assert_allclose(batch[0, 0], plain.transfer, rtol=1e-6, atol=1e-9)


def capacitors(strays: Couplings) -> Iterator[Element]:
    ends = zip(strays.names, strays.a, strays.b, strays.farads, strays.spread_f, strict=True)
    for name, a, b, farads, spread_f in ends:
        yield Element(
            name=name,
            part="stray",
            kind="capacitor",
            a=a,
            b=b,
            resistance_ohm=None,
            capacitance_f=float(farads),
            capacitance_spread_f=float(spread_f),
        )
