"""Good units at benches whose leads are on wrong pins: 0 may fail, and the lead has to be named.

Run it as `python benchmarks/lead_slips.py --runs 1000`; `--seed` draws other slips. Jobs are the shipped ones
and a module with amplifiers, each with few checks and states; a simulated bench at twenty times real speed.
Two processes share the runs, and Ctrl-C prints the table of those that are done. In a setup by hand every
setup has a slip; of a fixture's wires one has.
A slip changes a reading if a reading differs from that of the same unit with right leads by more than twice
their expanded uncertainties, or has another verdict, or if the leads had to be put right first. Where a wire
of a fixture shows just what a fault of the unit would, the unit fails and both are named: a column apart.
"""

import argparse
import json
import math
import random
import signal
import socket
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass, field
from multiprocessing import get_context
from multiprocessing.queues import Queue
from pathlib import Path
from tempfile import TemporaryDirectory, mkdtemp

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.lead_jobs import KINDS, make_job
from harness.errors import BenchError, RunStopped
from harness.job.fixture import Setup
from harness.job.job import Job
from harness.job.module import GROUND, LEGS
from harness.reading import Reading
from harness.records.run import LeadsLookedAt
from harness.records.store import RunStore, open_records
from harness.session.open_bench import OpenBench, at_bench
from harness.session.request.header import RunRequest
from harness.session.simulated import SimulatedBench, Simulation
from harness.session.unit_run import run_one_of_many

SPEED = 20.0
SERIALS = 2  # units of each job
APART = 2.0  # expanded uncertainties
TRIES = 3  # with right leads: a busy computer may stop a run
Places = dict[str, tuple[str, ...]]


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
    number: int
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

    def run(self, number: int, seed: int | str) -> Result:
        """Run a good unit with the slip of this number."""
        rng = random.Random(f"{seed} {number}")
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
            number=number,
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


def runs_of(seed: int, numbers: Sequence[int], minutes: float) -> Iterator[Result]:
    """Some runs of a seed, one after another, until the time is up; a bench that fails is built again."""
    until_s = time.monotonic() + 60 * minutes
    with TemporaryDirectory() as folder, ExitStack() as every:
        benches: dict[str, tuple[Bench, ExitStack]] = {}
        for number in numbers:
            kind = list(KINDS)[number % len(KINDS)]
            for _ in range(TRIES):
                if time.monotonic() > until_s:
                    return
                if kind not in benches:
                    stack = every.enter_context(ExitStack())
                    benches[kind] = Bench(kind, Path(mkdtemp(dir=folder)), stack), stack
                bench, opened = benches[kind]
                try:
                    yield bench.run(number, seed)
                    break
                except (BenchError, RunStopped) as error:
                    print(f"{number} {kind}: the bench is built again: {error}", file=sys.stderr, flush=True)
                    del benches[kind]
                    opened.close()


def lane(seed: int, numbers: Sequence[int], minutes: float, results: "Queue[Result | None]") -> None:
    """Put the results of a lane into the queue, and None at its end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process is interrupted, and ends this one
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # in order, so that its benches end too
    try:
        for result in runs_of(seed, numbers, minutes):
            results.put(result)
    finally:
        results.put(None)


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
    context = get_context("spawn")
    queue: Queue[Result | None] = context.Queue()
    lanes = []
    for number in range(asked.lanes):
        numbers = [run for run in range(asked.runs) if run % kinds % asked.lanes == number]
        lanes.append(context.Process(target=lane, args=(asked.seed, numbers, asked.minutes, queue)))
        lanes[-1].start()
    results: list[Result] = []
    ended = 0
    try:
        while ended < asked.lanes:
            result = queue.get()
            if result is None:
                ended += 1
            else:
                results.append(result)
                print(json.dumps(asdict(result)), file=sys.stderr, flush=True)
    except KeyboardInterrupt:
        for each in lanes:
            each.terminate()
    for result in results:
        if result.changed and not result.named:
            print(result)
    print(table(results))


if __name__ == "__main__":
    main()
