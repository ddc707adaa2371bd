"""What a change of contacts leaves in capacitors, and coils in contacts: against scipy and ngspice."""

import os
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from harness.job.job import load_job
from simulator.circuit import GROUND, Contact, Element, Network, Parts, Source
from simulator.dynamics import COIL_EDGE_S, LEAD_F, CoilEdge, Memory, Steady, coupled, induced
from simulator.unit import Click, Damage, build

NGSPICE = shutil.which("ngspice")
SOURCE_OHM, LOAD_OHM, BLEED_OHM = 50.0, 10e3, 100e3
COUPLING_F, SHUNT_F = 1e-6, 10e-9
EMF_V = 1.0
CLOSED, OPEN = np.array([True]), np.array([False])


def coupled_network() -> Network:
    """1 V behind 50 ohm and a contact, a coupling capacitor, 10 kohm; the contact's near side is bled."""
    return Network(
        Parts(
            wires=(),
            resistors=(
                Element(a="far", b=GROUND, value=BLEED_OHM),
                Element(a="out", b=GROUND, value=LOAD_OHM),
            ),
            capacitors=(
                Element(a="far", b="out", value=COUPLING_F),
                Element(a="far", b=GROUND, value=SHUNT_F),
            ),
            contacts=(Contact(a="in", b="far", closed_ohm=0.05, open_f=1e-12, emf_v=0.0),),
            amplifiers=(),
            sources=(Source(node="in", ohm=SOURCE_OHM),),
            probes=("out",),
        )
    )


def steady(network: Network, closed: np.ndarray, start_s: float) -> Steady:
    volts = network.solve_at(closed, (True,), (0.0,))[0].real
    return Steady(start_s=start_s, constant_v=volts[:, 0] * EMF_V + volts[:, -1], tones={}, inputs=1)


def click(at_s: np.ndarray) -> np.ndarray:
    """What the simulator shows at the output after the contact closes at 0, having been open for ever."""
    network, memory = coupled_network(), Memory()
    assert memory.change(steady(network, OPEN, -1.0), network, OPEN, (True,)) == ()
    after = steady(network, CLOSED, 0.0)
    decays = memory.change(after, network, CLOSED, (True,))
    volts = np.full(len(at_s), after.constant_v[0])
    for decay in decays:
        volts += (decay.amplitudes_v[0] * np.exp(-decay.rate_per_s * at_s)).real
    return volts


def test_a_click_through_a_coupling_capacitor_is_that_of_its_differential_equations() -> None:
    """Source: scipy's implicit integrator on the two capacitors' equations, written down by hand."""
    at_s = np.geomspace(1e-7, 0.1, 60)

    def slopes(_: float, volts: np.ndarray) -> list[float]:
        far, coupling = volts
        out_a = (far - coupling) / LOAD_OHM
        into_far = (EMF_V - far) / (SOURCE_OHM + 0.05) - far / BLEED_OHM - out_a
        return [into_far / SHUNT_F, out_a / COUPLING_F]

    solved = solve_ivp(slopes, (0, 0.1), [0.0, 0.0], method="Radau", t_eval=at_s, rtol=1e-9, atol=1e-12)
    expected = solved.y[0] - solved.y[1]
    assert np.max(expected) > 0.9
    assert click(at_s) == pytest.approx(expected, abs=2e-5)


def test_the_same_click_in_ngspice(tmp_path: Path) -> None:
    if NGSPICE is None:
        if os.environ.get("CI"):
            pytest.fail("ngspice is not installed, and CI must have it")
        pytest.skip("ngspice is not installed: apt-get install ngspice")
    deck = tmp_path / "click.cir"
    table = tmp_path / "click.txt"
    deck.write_text(
        f"""click
V1 emf 0 DC {EMF_V}
Rs emf in {SOURCE_OHM}
S1 in far gate 0 contact OFF
.model contact SW(Vt=0.5 Vh=0.1 Ron=0.05 Roff=1e12)
Vg gate 0 PULSE(0 1 1m 1n 1n 1 2)
Cs far 0 {SHUNT_F}
Rb far 0 {BLEED_OHM}
Cc far out {COUPLING_F}
Rl out 0 {LOAD_OHM}
.control
set wr_singlescale
tran 1u 60m 0 2u
wrdata {table} v(out)
quit
.endc
.end
"""
    )
    subprocess.run([NGSPICE, "-b", deck], check=True, capture_output=True)
    shown = np.loadtxt(table)
    late = shown[shown[:, 0] > 1e-3 + 5e-6]
    assert len(late) > 1000
    assert click(late[:, 0] - 1e-3) == pytest.approx(late[:, 1], abs=2e-3)


def test_what_is_left_of_a_click_goes_on_where_the_contact_bounces() -> None:
    """A capacitor's volts do not jump: opening again holds what it has, less what the bleeder takes."""
    network, memory = coupled_network(), Memory()
    memory.change(steady(network, OPEN, -1.0), network, OPEN, (True,))
    memory.change(steady(network, CLOSED, 0.0), network, CLOSED, (True,))
    decays = memory.change(steady(network, OPEN, 5e-3), network, OPEN, (True,))
    start_v = sum(decay.amplitudes_v[0] for decay in decays).real
    charged = 1 - np.exp(-5e-3 / ((LOAD_OHM + SOURCE_OHM) * COUPLING_F))
    # far holds 0.9945 V or so on 10 nF, the coupling capacitor what 5 ms gave it; out is their difference
    assert start_v == pytest.approx(0.9945 - charged, abs=0.01)


@pytest.mark.parametrize("ohm", [50.0, 5e3, 1e6])
def test_a_coils_edge_couples_as_charge_into_a_resistor_and_a_lead(ohm: float) -> None:
    """Source: the first-order equation C0 dv/dt = i(t) - v/R, integrated by scipy."""
    farads, step_v = 1e-12, 12.0
    network = Network(
        Parts(
            wires=(),
            resistors=(Element(a="pole", b=GROUND, value=ohm),),
            capacitors=(),
            contacts=(Contact(a="in", b="pole", closed_ohm=0.05, open_f=1e-12, emf_v=0.0),),
            amplifiers=(),
            sources=(Source(node="in", ohm=SOURCE_OHM),),
            probes=("pole",),
        )
    )
    edge = CoilEdge(at_s=0.0, step_v=step_v, nodes=("pole",), farads=(farads,), relay=0)
    at_s = np.linspace(0, 20e-6, 80)
    shown = sum(
        decay.amplitudes_v[0].real * np.exp(-decay.rate_per_s * at_s)
        for decay in coupled(network, OPEN, (False,), [edge])
    )

    def slope(t: float, volts: np.ndarray) -> np.ndarray:
        current_a = farads * step_v / COIL_EDGE_S * np.exp(-t / COIL_EDGE_S)
        return np.asarray((current_a - volts / ohm) / LEAD_F)

    solved = solve_ivp(slope, (0, 20e-6), [0.0], method="Radau", t_eval=at_s, rtol=1e-8, atol=1e-12)
    assert shown == pytest.approx(solved.y[0], abs=2e-3 * float(np.max(solved.y[0])) + 1e-9)


def test_a_coils_field_puts_an_emf_in_series_with_a_closed_contact(job_folder: Path) -> None:
    """Closed form: e R/(R + Rs + Rc) at the load, e = 4 mV (exp(-t/1 ms) - exp(-t/0.1 ms))."""
    network = Network(
        Parts(
            wires=(),
            resistors=(Element(a="out", b=GROUND, value=LOAD_OHM),),
            capacitors=(),
            contacts=(Contact(a="in", b="out", closed_ohm=0.05, open_f=1e-12, emf_v=0.0),),
            amplifiers=(),
            sources=(Source(node="in", ohm=SOURCE_OHM),),
            probes=("out",),
        )
    )
    built = replace(
        build(load_job(job_folder).module, "S1", Damage()),
        contacts=(Contact(a="in", b="out", closed_ohm=0.05, open_f=1e-12, emf_v=0.0),),
        throws=((0, 2),),
        poles=((0, 0),),
        clicks=(Click(emf_v=(4e-3,), rise_s=0.1e-3, fall_s=1e-3),),
    )
    edge = CoilEdge(at_s=0.0, step_v=12.0, nodes=("in",), farads=(0.0,), relay=0)
    at_s = np.linspace(2e-3, 10e-3, 50)
    shown = sum(
        decay.amplitudes_v[0].real * np.exp(-decay.rate_per_s * (at_s - 2e-3))
        for decay in induced(network, built, CLOSED, (True,), [edge], start_s=2e-3, nominal_v=12.0)
    )
    share = LOAD_OHM / (LOAD_OHM + SOURCE_OHM + 0.05)
    expected = 4e-3 * share * (np.exp(-at_s / 1e-3) - np.exp(-at_s / 0.1e-3))
    assert np.abs(shown) == pytest.approx(expected, rel=1e-6)
    assert induced(network, built, OPEN, (True,), [edge], start_s=2e-3, nominal_v=12.0) == ()
