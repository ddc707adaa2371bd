"""Small units of the outside-broadcast rack, one for each kind of part, and the ways to solve them.

    job = box(tmp_path, parts, check_of("gain", within="0.2 dB"))

writes a job whose unit has one control line, an input and an output in each channel, and these parts.
"""

from collections.abc import Iterable, Sequence
from itertools import count
from pathlib import Path

import numpy as np

from harness.arrays import Complex
from harness.circuit.elements import BenchImpedances
from harness.circuit.solve import transfer
from harness.faults.effects import FaultyCircuits
from harness.faults.signatures import as_suspects, batch_transfers, plain_transfers
from harness.job.faults import Fault, single_faults
from harness.job.job import Job, load_job
from harness.job.state import all_states
from harness.plan.build import build_plan
from tests.circuit import spice
from tests.circuit.test_against_ngspice import NOTHING, compare
from tests.faults.test_fault_effects import simulated
from tests.jobs import sequence

BENCH = BenchImpedances()
PASSED = 'series = ["in", "out"]'

MODULE = """
[module]
name = "Line box"
part = "OB-TEST"
revision = "A"
channels = {channels}
[supply]
voltage = "12 V"
limit = "200 mA"
quiescent = "5 mA"
[controls]
{controls}
[ports]
{ports}
[relay_types.signal]
coil = "1028 ohm"
contact = "50 mohm"
contact_max = "100 mohm"
operate_max = "4 ms"
release_max = "4 ms"
bounce_max = "3 ms"
off_capacitance = "1 pF"
"""
FIXTURE = """
[fixture]
name = "Bench board"
undriven_inputs = { legs = "50 ohm" }
[loads]
out = { legs = "10 kohm", tolerance = "0.1 %" }
[[setup]]
name = "through"
through = true
select = [9]
"""


def mute(channels: Sequence[str], net: str = "out") -> str:
    """A relay of the control line `go` in each channel, which shorts a net to ground when operated."""
    names = ", ".join(f'{channel} = "K{number}"' for number, channel in enumerate(channels, start=1))
    return (
        f'[[relay]]\nnames = {{ {names} }}\ncontrol = "go"\ntype = "signal"\n'
        f'contacts = [{{ common = "{net}", operated = "ground" }}]\n'
    )


def box(
    folder: Path,
    parts: str,
    *checks: str,
    channels: Sequence[str] = ("left", "right"),
    controls: str = 'go = "Go"',
    ports: str = 'in = "input"\nout = "output"',
    states: Iterable[str] = ("all",),
    level: str = "0 dBu",
    without: Sequence[str] = (),
) -> Path:
    """Write the job; a setup for each channel drives its input and views its output beside another's.

    without: channels that have no output, and none of these setups.
    """
    lines = [f"{name.split()[0]} = {number}" for number, name in enumerate(controls.splitlines(), start=1)]
    fixture = FIXTURE.replace("[loads]", "[controls]\n" + "\n".join(lines) + "\n[loads]")
    select = count(10)
    for channel in channels:
        if channel in without:
            continue
        beside = [f"{other}.out" for other in channels if other not in (channel, *without)]
        beside = beside or [f"{channel}.in"]
        for other in beside:
            fixture += (
                f'[[setup]]\nname = "drive {channel}, view {other}"\ndrive = "{channel}.in"\n'
                f'view = ["{channel}.out", "{other}"]\nselect = [{next(select)}]\n'
            )
    head = MODULE.format(channels=list(channels), controls=controls, ports=ports).replace("'", '"')
    for name, text in (
        ("module", head + parts),
        ("fixture", fixture),
        ("sequence", sequence(*checks, states=tuple(states), level=level)),
    ):
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    return folder


MICRO_OHMS = 1e-7  # of an e.m.f.: what the joints leave of a pin that is grounded


def agree_with_ngspice(job: Job, folder: Path, *, nothing: float = NOTHING) -> None:
    """Harness and ngspice, which reads the descriptions by itself, in every state of every setup."""
    setups = [setup for setup in job.fixture.setups if not setup.through]
    made_db, silent_db = compare(
        job.module, job.fixture, setups, spice.described_block, folder, nothing=nothing
    )
    assert made_db < 0.001
    assert silent_db < 0.1


def agree_with_simulated_units(job: Job, faults: Iterable[Fault], *, within: float = 0.01) -> int:
    """Harness and simulator, good and with each fault, in every state; returns how many were compared.

    within: of an e.m.f., for what tolerances and strays of a simulated unit allow.
    """
    circuits = FaultyCircuits(job.module, job.fixture, BENCH)
    setup = next(setup for setup in job.fixture.setups if not setup.through)
    compared = 0
    for fault_set in ((), *((fault,) for fault in faults)):
        for state in all_states(job.module.control_names):
            ours = np.abs(transfer(circuits.of(fault_set, setup, state), (1e3, 1e3)))
            theirs = simulated(job, fault_set, setup, state.on)
            np.testing.assert_allclose(ours, theirs, atol=within, err_msg=f"{fault_set} in {state.name}")
            compared += 1
    return compared


def all_at_once_as_one_by_one(job: Job) -> Complex:
    """Every fault by the batch solver and by a solve of its own; returns the transfers."""
    plan = build_plan(job, impedances=BENCH)
    fault_sets = as_suspects([(), *single_faults(job.module, job.fixture)])
    plain = plain_transfers(job, plan, fault_sets)
    np.testing.assert_allclose(batch_transfers(job, plan, fault_sets), plain, rtol=0, atol=1e-9)
    return plain


def loaded(folder: Path) -> Job:
    """The job of a folder without a bench."""
    return load_job(folder)
