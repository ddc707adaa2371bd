"""Good units at benches whose leads are on wrong pins: 0 may fail, and the lead has to be named.

Run it as `python benchmarks/lead_slips.py --runs 1000`; `--seed` draws other slips. Jobs are the shipped ones
and a module with amplifiers, each with few checks and states; a simulated bench at twenty times real speed.
Two processes share the runs. In a setup by hand every setup has a slip; of a fixture's wires one has.
A slip changes a reading if a reading differs from that of the same unit with right leads by more than twice
their expanded uncertainties, or has another verdict, or if the leads had to be put right first. Where a wire
of a fixture shows just what a fault of the unit would, the unit fails and both are named: a column apart.
"""

import argparse
import json
import math
import random
import shutil
import socket
import sys
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from harness.errors import BenchError
from harness.job.fixture import Setup
from harness.job.job import Job, load_job
from harness.job.module import GROUND, LEGS
from harness.reading import Reading
from harness.records.run import LeadsLookedAt
from harness.records.store import RunStore, open_records
from harness.session.open_bench import OpenBench, at_bench
from harness.session.request.header import RunRequest
from harness.session.simulated import SimulatedBench, Simulation
from harness.session.unit_run import run_one_of_many

SHIPPED = Path(__file__).resolve().parents[1] / "sequences"
SPEED = 20.0
SERIALS = 2  # units of each job
APART = 2.0  # expanded uncertainties
TRIES = 3  # with right leads: a busy computer may stop a run
Places = dict[str, tuple[str, ...]]

SEQUENCE = """\
[sequence]
name = "Leads"
states = {states}
channels = "all"
tone = {{ frequency = "1 kHz", level = "+4 dBu" }}
settle = "20 ms"
{checks}"""
CHECKS = """
[[check]]
name = "Gain"
quantity = "gain"
at = ["out"]
within = "0.3 dB"
silent_ports_below = "-60 dB"

[[check]]
name = "Polarity"
quantity = "polarity"
at = ["out"]

[[check]]
name = "Leg gain difference"
quantity = "leg_gain_difference"
at = ["out"]
within = "0.3 dB"
"""
ACROSS = """
[[check]]
name = "Channel gain difference"
quantity = "channel_gain_difference"
at = ["out"]
within = "0.3 dB"

[[check]]
name = "Crosstalk"
quantity = "crosstalk"
at = ["out"]
below = "-40 dB"
"""

AMPLIFIER = """\
[module]
name = "Line driver with mute"
part = "LMX-AMP"
revision = "A"
channels = ["left", "right"]

[supply]
voltage = "12 V"
limit = "400 mA"
quiescent = "40 mA"

[controls]
mute = "Output to ground"

[ports]
in = "input"
out = "output"

[relay_types.signal]
coil = "1028 ohm"
contact = "50 mohm"
contact_max = "100 mohm"
operate_max = "4 ms"
release_max = "4 ms"
bounce_max = "3 ms"
off_capacitance = "1 pF"

[[relay]]
names = { left = "K1", right = "K2" }
control = "mute"
type = "signal"
contacts = [{ common = "out", released = "driven", operated = "ground" }]

[[amplifier]]
names = { left = "U1", right = "U2" }
from = "in"
to = "driven"
gain = "6 dB"
inverting = INVERTING
input_impedance = "20 kohm"
output_impedance = "100 ohm"
common_mode_rejection = "60 dB"
"""
AMPLIFIER_FIXTURE = """\
[fixture]
name = "Two pairs of leads"
undriven_inputs = { legs = "50 ohm" }

[controls]
mute = 1

[loads]
out = "10 kohm"

[[setup]]
name = "through reference"
through = true
SELECT [9]

[[setup]]
name = "drive left, view input and output"
drive = "left.in"
view = ["left.in", "left.out"]
SELECT [10]

[[setup]]
name = "drive right, view input and output"
drive = "right.in"
view = ["right.in", "right.out"]
SELECT [11]
"""


@dataclass(frozen=True, kw_only=True)
class Kind:
    """A job of the benchmark: what it is made of."""

    of: str
    states: tuple[str, ...]
    across: bool = False
    by_hand: bool = False
    amplifier: str = ""  # "false" or "true": whether it inverts


KINDS: Mapping[str, Kind] = {
    "two-loop switcher": Kind(of="two_loop_switcher", states=("idle", "loop_a", "swap"), across=True),
    "two-loop switcher by hand": Kind(of="two_loop_switcher", states=("idle", "loop_a"), by_hand=True),
    "source selector": Kind(of="source_selector", states=("idle", "select_low", "mute"), across=True),
    "stepped attenuator": Kind(of="stepped_attenuator", states=("idle", "db_8"), across=True),
    "amplifier +6 dB": Kind(of="two_loop_switcher", states=("idle", "mute"), amplifier="false"),
    "inverting amplifier": Kind(of="two_loop_switcher", states=("idle", "mute"), amplifier="true"),
    "amplifier +6 dB by hand": Kind(
        of="two_loop_switcher", states=("idle", "mute"), by_hand=True, amplifier="false"
    ),
    "inverting amplifier by hand": Kind(
        of="two_loop_switcher", states=("idle", "mute"), by_hand=True, amplifier="true"
    ),
}


def make_job(kind: Kind, folder: Path) -> Job:
    """Write the job's files."""
    shutil.copytree(SHIPPED / kind.of, folder)
    if kind.amplifier:
        select = "# made by hand instead of select =" if kind.by_hand else "select ="
        (folder / "module.toml").write_text(AMPLIFIER.replace("INVERTING", kind.amplifier), encoding="utf-8")
        fixture = AMPLIFIER_FIXTURE.replace("SELECT", select)
        (folder / "fixture.toml").write_text(fixture, encoding="utf-8")
    elif kind.by_hand:
        (folder / "by_hand_fixture.toml").replace(folder / "fixture.toml")
    checks = CHECKS + (ACROSS if kind.across else "")
    if kind.amplifier:  # its two ports are seen on different ranges
        checks = checks.replace("0.3 dB", "1 dB")
    text = SEQUENCE.format(states=json.dumps(kind.states), checks=checks)
    (folder / "sequence.toml").write_text(text, encoding="utf-8")
    return load_job(folder)


def leads_of(setup: Setup, *, by_hand: bool) -> dict[str, str]:
    """Every lead of a setup, by the name that the simulator has for it, and the node it belongs on."""
    driven = [f"pin {setup.drive}.{leg}" for leg in LEGS] if setup.drive is not None else []
    viewed = [f"pin {port}.{leg}" for port in setup.view for leg in LEGS]
    if not by_hand:
        return {
            f"{end} {pin}": pin for end, pins in (("generator", driven), ("input", viewed)) for pin in pins
        }
    generator = {f"generator {leg}": pin for leg, pin in zip(LEGS, driven, strict=False)}
    return generator | {f"input {number}": pin for number, pin in enumerate(viewed, start=1)}


def draw(rng: random.Random, job: Job, setup: Setup, *, by_hand: bool) -> Places:
    """One slip of a setup: exchanged, doubled, on another pin, off, on or shorted to ground, or shifted."""
    leads = leads_of(setup, by_hand=by_hand)
    lead = rng.choice(list(leads))
    alike = [each for each in leads if each[:5] == lead[:5] and each != lead]
    inputs = [each for each in leads if each.startswith("input")]
    ports = [f"{channel}.{port.net}" for channel in job.module.channels for port in job.module.ports]
    pins = [f"pin {port}.{leg}" for port in ports for leg in LEGS]
    match rng.choice(["exchanged", "legs", "doubled", "elsewhere", "off", "ground", "shorted", "shifted"]):
        case "exchanged":
            other = rng.choice(alike)
            return {lead: (leads[other],), other: (leads[lead],)}
        case "legs":
            first = list(leads).index(lead) // 2 * 2
            hot, cold = list(leads)[first : first + 2]
            return {hot: (leads[cold],), cold: (leads[hot],)}
        case "doubled":
            return {lead: (leads[rng.choice(alike)],)}
        case "elsewhere":
            return {lead: (rng.choice([pin for pin in pins if pin != leads[lead]]),)}
        case "off":
            return {lead: ()}
        case "ground":
            return {lead: (GROUND,)}
        case "shorted":
            return {lead: (leads[lead], GROUND)}
        case _ if len(inputs) > 2:
            on = [*inputs[1:], inputs[0]]
            return {each: (leads[next_one],) for each, next_one in zip(inputs, on, strict=True)}
        case _:
            return {lead: ()}


@dataclass
class ClumsyHands:
    """Hands that make every setup wrong once, but for the through setup; asked to look they put it right."""

    simulator: SimulatedBench
    job: Job
    rng: random.Random
    clumsy: bool = True
    slips: dict[str, Places] = field(default_factory=dict)  # by setup, as they were made
    left: Places = field(default_factory=dict)

    def make(self, setup: Setup) -> None:
        """Make a setup, with a slip."""
        slips = self.clumsy and not setup.through
        self.left = draw(self.rng, self.job, setup, by_hand=True) if slips else {}
        self.slips[setup.name] = self.left
        self._move(setup)

    def correct(self, setup: Setup, leads: Sequence[str], message: str) -> None:
        """Put the named leads right, all if none is named."""
        self.left = {lead: place for lead, place in self.left.items() if leads and lead not in leads}
        self._move(setup)

    def _move(self, setup: Setup) -> None:
        ask(self.simulator, {"setup": setup.name, "leads": self.left})


def ask(simulator: SimulatedBench, request: dict[str, object]) -> None:
    """Ask the simulator's control port for something."""
    with socket.create_connection(simulator.control, timeout=10) as link:
        link.sendall(json.dumps(request).encode() + b"\n")
        with link.makefile("rb") as lines:
            answer = json.loads(lines.readline())
    if not answer["ok"]:
        raise BenchError(str(answer), instrument="the simulated hands")


@dataclass(frozen=True, kw_only=True)
class Result:
    """How a run with a slip ended."""

    kind: str
    slip: str
    outcome: str
    changed: bool
    named: bool
    reason: str


class Bench:
    """A simulated bench of one job, and what its units read with right leads."""

    def __init__(self, kind: str, folder: Path, stack: ExitStack) -> None:
        self.kind, self.made = kind, KINDS[kind]
        self.store: RunStore = stack.enter_context(open_records(folder / f"{kind}.sqlite"))
        job = make_job(self.made, folder / kind)
        self.bench: OpenBench = stack.enter_context(
            at_bench(job, simulation=Simulation(serial="0", speed=SPEED))
        )
        self._right: dict[str, dict[object, Reading]] = {}

    def run(self, rng: random.Random) -> Result:
        """Run a good unit with a slip."""
        bench, simulator = self.bench, self.bench.simulator
        assert simulator is not None
        serial = str(rng.randrange(SERIALS))
        right = self._with_right_leads(serial)
        hands = ClumsyHands(simulator, bench.job, rng)
        slip: Places = {}
        if not self.made.by_hand:
            setup = rng.choice([visit.setup for visit in bench.planned.plan.visits])
            slip = draw(rng, bench.job, setup, by_hand=False)
        ask(simulator, {"wires": slip})
        bench.place_unit(serial, ())
        bench.reference = None
        result = run_one_of_many(bench, self.store, RunRequest(serial=serial), hands=hands)
        ask(simulator, {"wires": {}})
        events = [event.event for event in self.store.events(result.run_id)]
        looked = [event for event in events if isinstance(event, LeadsLookedAt) and event.leads]
        changed = (
            bool(looked)
            or result.outcome != "pass"
            or any(
                reading.key in right and not alike(right[reading.key], reading) for reading in result.readings
            )
        )
        told = [event.text for event in self.store.events(result.run_id)]
        text = " ".join([result.reason, *told, *(reading.reason for reading in result.readings)])
        named = all(
            not places or any(set(event.leads) & set(places) for event in looked if event.setup == name)
            for name, places in hands.slips.items()
        )
        if slip:
            named = is_named(slip, bench.job, text, stopped=result.outcome == "stopped")
        return Result(
            kind=self.kind,
            slip=json.dumps(slip or hands.slips),
            outcome=result.outcome,
            changed=changed,
            named=named,
            reason=text[:1500],
        )

    def _with_right_leads(self, serial: str) -> dict[object, Reading]:
        if serial not in self._right:
            simulator = self.bench.simulator
            assert simulator is not None
            for _ in range(TRIES):
                self.bench.place_unit(serial, ())
                self.bench.reference = None
                hands = ClumsyHands(simulator, self.bench.job, random.Random(0), clumsy=False)
                result = run_one_of_many(self.bench, self.store, RunRequest(serial=serial), hands=hands)
                if result.outcome != "stopped":
                    break
            if result.outcome != "pass":
                wrong = [reading for reading in result.readings if reading.verdict != "pass"]
                raise SystemExit(f"{self.kind}, right leads: {result.outcome} {result.reason} {wrong[:2]}")
            self._right[serial] = {reading.key: reading for reading in result.readings}
        return self._right[serial]


def is_named(slip: Places, job: Job, text: str, *, stopped: bool) -> bool:
    """Whether a run tells of a fixture's wire: by a pin, or by a setup and the generator's lead there.

    A run that stops may tell of the port alone.
    """
    pins = [lead.partition(" pin ")[2] for lead in slip]
    ports = [pin.rpartition(".")[0] for pin in pins]
    driven = [
        setup
        for setup in job.fixture.setups
        if setup.drive is not None and any(f"generator pin {setup.drive}.{leg}" in slip for leg in LEGS)
    ]
    by_setup = any(
        said.startswith(repr(setup.name)) and "the generator's" in said
        for setup in driven
        for said in text.split("setup ")
    )
    return by_setup or any(pin in text for pin in pins) or (stopped and any(port in text for port in ports))


def alike(one: Reading, other: Reading) -> bool:
    """Whether two readings have one verdict, and values no further apart than chance makes them."""
    if one.verdict != other.verdict or one.estimate is None or other.estimate is None:
        return one.verdict == other.verdict
    if one.estimate.floor or other.estimate.floor:
        return True
    widths = [(each.high - each.low) / 2 for each in (one.estimate, other.estimate)]
    return abs(one.estimate.value - other.estimate.value) <= APART * math.hypot(*widths)


def slips(seed: int, numbers: Sequence[int], minutes: float) -> list[Result]:
    """Some runs of a seed, one after another, until the time is up."""
    results = []
    until_s = time.monotonic() + 60 * minutes
    with TemporaryDirectory() as folder, ExitStack() as stack:
        benches: dict[str, Bench] = {}
        for number in numbers:
            if time.monotonic() > until_s:
                break
            kind = list(KINDS)[number % len(KINDS)]
            if kind not in benches:
                benches[kind] = Bench(kind, Path(folder), stack)
            results.append(benches[kind].run(random.Random(f"{seed} {number}")))
            print(number, results[-1], file=sys.stderr, flush=True)
    return results


def table(results: Sequence[Result]) -> str:
    """By job: runs, good units that failed, slips that changed a reading, and how many were named."""
    lines = [
        "| job | runs | FAIL that names the unit alone | FAIL that names both | leads that changed a reading "
        "| of these named |",
        "|---|---|---|---|---|---|",
    ]
    for kind in (*KINDS, ""):
        of_kind = [result for result in results if kind in ("", result.kind)]
        changed = [result for result in of_kind if result.changed]
        failed = [result.named for result in of_kind if result.outcome == "fail"]
        counts = (len(of_kind), failed.count(False), failed.count(True), len(changed))
        named = sum(result.named for result in changed)
        lines.append(f"| {kind or 'together'} | {' | '.join(map(str, counts))} | {named} |")
    ends = Counter(result.outcome for result in results)
    return "\n".join([*lines, "", ", ".join(f"{count} {outcome}" for outcome, count in ends.most_common())])


def main() -> None:
    """Print the table, and every run whose slip was not named."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--lanes", type=int, default=2)
    parser.add_argument("--minutes", type=float, default=600.0, help="no run is begun after this")
    asked = parser.parse_args()
    kinds = len(KINDS)
    lanes = [
        [number for number in range(asked.runs) if number % kinds % asked.lanes == lane]
        for lane in range(asked.lanes)
    ]
    with ProcessPoolExecutor(asked.lanes, mp_context=get_context("spawn")) as pool:
        done = [pool.submit(slips, asked.seed, numbers, asked.minutes) for numbers in lanes]
        results = [result for each in done for result in each.result()]
    for result in results:
        if result.changed and not result.named:
            print(result)
    print(table(results))


if __name__ == "__main__":
    main()
