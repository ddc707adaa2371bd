"""Leads on wrong pins, as the simulator's circuit shows them, are explained by the program's own circuit.

The two share no solver. Units are drawn with tolerances, so the program knows neither unit nor bench.
"""

import random
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchmarks.lead_jobs import KINDS, make_job
from harness.circuit.elements import BenchImpedances
from harness.circuit.lead_slips import Lead, Slip, leads_of
from harness.faults.lead_or_unit import (
    LeadsPredicted,
    Look,
    instead_in_words,
    lead_names,
    slips_in_words,
)
from harness.job.faults import parse_fault
from harness.job.fixture import Setup
from harness.job.job import Job
from harness.job.module import GROUND
from harness.job.state import IDLE_STATE, State, single_control_states
from harness.plan.setups import input_numbers
from simulator.circuit import Network
from simulator.dynamics import OPERATED, RELEASED, energised
from simulator.faults import apply
from simulator.unit import build
from simulator.wiring import LeadNodes, Leads, connect

HZ = (1000.0, 1000.0)
SAMPLE = 3  # slips of each job


def views(job: Job) -> list[Setup]:
    """The setups that view the unit."""
    return [setup for setup in job.fixture.setups if not setup.through]


def looks_at(
    job: Job, setup: Setup, states: Sequence[State], slip: Slip | None = None, fault: str = ""
) -> list[Look]:
    """What the simulator's circuit shows of a unit in some states, with a slip or a fault."""
    wrong = apply(parse_fault(fault, job.module, job.fixture) if fault else (), job.module)
    built = build(job.module, "F1", wrong.damage)
    names = lead_names(setup)
    elsewhere: LeadNodes = {
        names[lead]: tuple(pin if pin == GROUND else f"pin {pin}" for pin in pins)
        for lead, pins in (slip.places if slip is not None else ())
    }
    leads = Leads(inputs=4, probe=1.0, seed=1, elsewhere=elsewhere)
    network = Network(connect(job.module, job.fixture, built, plugs=wrong.plugs, setup=setup, leads=leads))
    rows = [number - 1 for number in input_numbers(setup)]
    result = []
    for state in states:
        controls = energised(job.module, built, frozenset(state.on))
        positions = [
            [built.held.get(relay.name, OPERATED if is_on else RELEASED)] * len(relay.poles)
            for relay in job.module.relays
            for is_on in [bool({relay.control, relay.set_control} & controls)]  # a latching one is set
        ]
        values = network.solve_at(built.closed(positions), (True, True), (HZ[0],))[0, rows, :2]
        standard = 1e-5 + 0.002 * np.abs(values)
        look = Look(
            setup=setup, state=state, frequencies_hz=HZ, values=values, standard=standard, failed=True
        )
        result.append(look)
    return result


@pytest.fixture(scope="module", params=[kind for kind in KINDS if not kind.endswith("amplifier by hand")])
def job(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Job:
    folder = tmp_path_factory.mktemp("leads") / "job"
    return make_job(KINDS[request.param], folder)


def test_a_good_unit_with_right_leads_needs_no_explanation(job: Job) -> None:
    predicted = LeadsPredicted(job, BenchImpedances())
    for setup in views(job)[:3]:
        looks = looks_at(job, setup, single_control_states(job.module.state_controls)[:3])
        assert predicted.explain(looks) is None


def test_every_slip_that_changes_a_capture_is_explained_by_its_leads(job: Job) -> None:
    predicted = LeadsPredicted(job, BenchImpedances())
    rng = random.Random(14)
    states = single_control_states(job.module.state_controls)[:2]
    changed = 0
    for _ in range(SAMPLE):  # the benchmark draws many
        setup = rng.choice([setup for setup in job.fixture.setups if setup.drive is not None][:6])
        slip = rng.choice(predicted.slips(setup))
        found = predicted.explain(looks_at(job, setup, states, slip))
        if found is None:
            continue  # nothing that a reading could fail by
        changed += 1
        named = {lead for each in (*found.slips, *found.of_fixture) for lead in each.leads}
        assert named & set(slip.leads), (setup.name, slip)
    assert changed


AMPLIFIERS = ("amplifier +6 dB", "inverting amplifier")


@pytest.mark.parametrize("kind", AMPLIFIERS)
def test_exchanged_legs_behind_an_amplifier_are_seen_against_the_driven_port(
    tmp_path: Path, kind: str
) -> None:
    """Both legs have one level, so magnitudes show nothing. Closed form: -g/2 and g/2 exchanged."""
    job = make_job(KINDS[kind], tmp_path / "job")
    setup = views(job)[0]
    hot, cold = leads_of(setup)[-2:]
    slip = Slip(places=((hot, (cold.pin,)), (cold, (hot.pin,))))
    right, wrong = (looks_at(job, setup, (IDLE_STATE,), each)[0] for each in (None, slip))
    assert abs(wrong.values) == pytest.approx(abs(right.values), abs=0.02)
    found = LeadsPredicted(job, BenchImpedances()).explain([wrong])
    assert found is not None
    assert "inputs 3 and 4 are swapped" in slips_in_words(setup, found.of_fixture)
    assert "left.out legs swapped" in {fault.name for fault in found.faults}  # at the pins the same


@pytest.mark.parametrize("kind", AMPLIFIERS)
def test_a_generators_lead_that_is_off_is_named_behind_an_amplifier_with_long_cables(
    tmp_path: Path, kind: str
) -> None:
    """The leg that is not driven follows the other, late by the cable: closed form, 0.03 rad.

    So what the amplifier makes of their difference is none of what the circuit without cables predicts.
    """
    job = make_job(KINDS[kind], tmp_path / "job")
    setup = views(job)[0]
    slip = Slip(places=((leads_of(setup)[1], ()),))
    look = looks_at(job, setup, (IDLE_STATE,), slip)[0]
    gain = np.abs(looks_at(job, setup, (IDLE_STATE,))[0].values[2, 0])
    late = 0.03j * look.values[1, 0]
    look.values[1:, 0] += np.array([-late, gain * late, -gain * late])
    found = LeadsPredicted(job, BenchImpedances()).explain([look])
    assert found is not None
    assert slip in (*found.slips, *found.of_fixture)


def test_a_contact_that_fails_in_one_state_alone_is_no_lead(tmp_path: Path) -> None:
    job = make_job(KINDS["two-loop switcher"], tmp_path / "job")
    setup = views(job)[0]
    states = single_control_states(job.module.state_controls)
    looks = looks_at(job, setup, states, fault="K1 never operates")
    found = LeadsPredicted(job, BenchImpedances()).explain(looks)
    assert found is not None
    assert found.slips == ()


def test_a_lead_that_is_off_in_one_setup_is_no_fault_that_would_show_in_others(tmp_path: Path) -> None:
    job = make_job(KINDS["two-loop switcher"], tmp_path / "job")
    first, second = views(job)[:2]
    lead = Lead(end="input", pin="left.out.cold")
    looks = looks_at(job, first, (IDLE_STATE,), Slip(places=((lead, ()),)))
    looks += looks_at(job, second, (IDLE_STATE,))
    found = LeadsPredicted(job, BenchImpedances()).explain(looks)
    assert found is not None
    assert slips_in_words(first, found.slips) == (
        "input 4 shows nothing: its lead is off, or not on left.out.cold"
    )
    assert found.faults == ()


def test_a_lead_is_named_though_a_channel_that_nothing_drives_picks_up_a_little(tmp_path: Path) -> None:
    """Closed form: 0.2 pF from a driven net of the other channel, against 100 pF of cable and input: 2e-3."""
    job = make_job(KINDS["two-loop switcher"], tmp_path / "job")
    setup = next(each for each in views(job) if each.name.endswith("view both outputs"))
    driven = setup.drive.channel if setup.drive is not None else ""
    lead = Lead(end="input", pin=f"{driven}.out.cold")
    right, wrong = (
        looks_at(job, setup, (IDLE_STATE,), slip)[0] for slip in (None, Slip(places=((lead, ()),)))
    )
    picked_up = 0.2 / 100.2
    undriven = [row for row in range(len(right.values)) if np.abs(right.values[row]).max() < picked_up / 10]
    assert len(undriven) == 2
    wrong.values[undriven] = picked_up
    found = LeadsPredicted(job, BenchImpedances()).explain([wrong])
    assert found is not None
    assert {each for slip in (*found.slips, *found.of_fixture) for each in slip.leads} == {lead}


def test_wires_exchanged_between_two_setups_are_found_in_both(tmp_path: Path) -> None:
    """One setup views the one, another one both: no slip of the first alone explains the second."""
    job = make_job(KINDS["two-loop switcher"], tmp_path / "job")
    first, second = views(job)[:2]
    hot, cold = (Lead(end="input", pin=pin) for pin in ("left.out.hot", "right.out.cold"))
    slip = Slip(places=((hot, (cold.pin,)), (cold, (hot.pin,))))
    part = Slip(places=((hot, (cold.pin,)),))
    looks = looks_at(job, first, (IDLE_STATE,), part) + looks_at(job, second, (IDLE_STATE,), slip)
    found = LeadsPredicted(job, BenchImpedances()).explain(looks)
    assert found is not None
    assert slips_in_words(second, found.slips) == (
        "inputs 1 and 4 are swapped: input 1 belongs on left.out.hot and input 4 on right.out.cold"
    )


def test_a_through_connection_that_stays_is_found_in_every_setup_that_needs_another(tmp_path: Path) -> None:
    job = make_job(KINDS["two-loop switcher"], tmp_path / "job")
    through = next(setup for setup in job.fixture.setups if setup.through)
    setups = [setup for setup in job.fixture.setups if setup.drive is not None][:2]
    values = (
        np.tile(np.eye(2), (2, 1)) * 1e6 / (1e6 + 50)
    )  # closed form: inputs of 1 Mohm on outputs of 50 ohm
    looks = [
        replace(look, setup=setup, values=values.astype(complex))
        for setup in setups
        for look in looks_at(job, setup, single_control_states(job.module.state_controls)[:2])
    ]
    found = LeadsPredicted(job, BenchImpedances()).shown_instead(looks)
    assert found[0] == through
    assert "those of setup 'through reference'" in instead_in_words(setups, found)


def test_setups_that_show_nothing_are_not_connected_unless_a_fault_silences_them(tmp_path: Path) -> None:
    job = make_job(KINDS["two-loop switcher"], tmp_path / "job")
    predicted = LeadsPredicted(job, BenchImpedances())
    outputs = [
        setup for setup in job.fixture.setups if setup.name.endswith("view both outputs")
    ]  # the driven port is not in view
    looks = [look for setup in outputs for look in looks_at(job, setup, (IDLE_STATE,))]
    silent = [replace(look, values=np.zeros_like(look.values)) for look in looks]
    assert predicted.shown_instead(silent) == (None,)
    assert "channels 11, 14" in instead_in_words(outputs, (None,))
    shorted = looks_at(job, outputs[0], (IDLE_STATE,), fault="left.out legs shorted")
    assert predicted.shown_instead(shorted) == ()
