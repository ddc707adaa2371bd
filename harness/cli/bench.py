"""`switchwalk bench`: whether a job's bench is ready, instrument by instrument."""

import json
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Protocol, TypeVar

import typer

from harness.cli.bench_causes import likely_cause
from harness.cli.options import BenchPath, Hasten, JobFolder
from harness.cli.stopping import stoppable
from harness.cli.wrapping import say
from harness.errors import EXIT_BENCH, EXIT_PASS, BenchError, JobError, SwitchwalkError, UsageError
from harness.workbench.planning import profile_folder
from harness.workbench.simulated import simulated_bench

if TYPE_CHECKING:
    from drivers.bench import Singly
    from harness.bench_file import BenchFile, InstrumentFile
    from harness.job.job import Job
    from harness.roles import Generator, Identity, Oscilloscope, Supply, Switchboard


class _Instrument(Protocol):
    @property
    def identity(self) -> "Identity": ...


Made = TypeVar("Made", bound=_Instrument)

SAFE = "left safe"


@dataclass(frozen=True, kw_only=True)
class Checked:
    """One thing that was looked at. said: what was done and found; cause: the likely one, where it is not ok.

    ok: None for what could not be looked at.
    """

    what: str
    ok: bool | None
    said: str
    address: str = ""
    profile: str = ""
    identity: str = ""
    cause: str = ""


def bench(
    job: JobFolder,
    bench: BenchPath = None,
    simulate: Annotated[bool, typer.Option("--simulate", help="Check a simulated bench.")] = False,
    hasten: Hasten = 1.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for another program.")] = False,
) -> None:
    """Check a bench: each instrument answers, is what the file says, and does what it is told."""
    from harness.job.load import load_job

    if simulate and bench is not None:
        raise UsageError("--simulate brings a bench of its own; leave --bench out")
    with ExitStack() as open_things:
        described = load_job(job, bench)
        if simulate:
            simulated = open_things.enter_context(
                simulated_bench(job, serial="none", faults=[], hasten=hasten)
            )
            bench = simulated.bench_file
            described = load_job(job, bench)
        if described.bench is None:
            raise UsageError(f"{job}: no bench.toml in the job; give --bench FILE, or --simulate")
        checked = _checked(described, described.bench, profile_folder(described, bench), marked=not simulate)
    ready = not any(each.ok is False for each in checked)
    if as_json:
        found = {"bench": described.bench.name, "ready": ready, "checked": [asdict(each) for each in checked]}
        typer.echo(json.dumps(found, indent=2, ensure_ascii=False))
    else:
        _print(described.bench.name, checked, ready=ready)
    raise typer.Exit(EXIT_PASS if ready else EXIT_BENCH)


def _checked(job: "Job", bench: "BenchFile", folder: Path, *, marked: bool) -> list[Checked]:
    from drivers.bench import make_left_safe, open_singly

    checked: list[Checked] = []
    try:
        with stoppable():
            if marked:
                make_left_safe(bench, folder=folder, tell=lambda text: typer.echo(text, err=True))
            with open_singly(bench, folder=folder, marked=marked) as singly:
                _look(job, bench, singly, checked)
    except (BenchError, JobError) as error:  # what could not be made safe, before or after
        checked.append(
            Checked(what=SAFE, ok=False, said=str(error), cause="see to it by hand before anything else")
        )
    return checked


def _look(job: "Job", bench: "BenchFile", singly: "Singly", checked: list[Checked]) -> None:
    """Look at the four, then at the signal from one to the other; what fails hides nothing of the others."""
    from harness.session import self_test

    outputs = (bench.generator.hot, bench.generator.cold)
    generator: Generator | None = _one(
        checked, "generator", bench.generator, singly.generator,
        lambda one: self_test.try_generator(one, outputs),
    )  # fmt: skip
    board: Switchboard | None = _one(
        checked, "switchboard", bench.switchboard, singly.switchboard,
        lambda one: self_test.try_switchboard(one, job),
    )  # fmt: skip

    def try_supply(one: "Supply") -> str:
        if board is None:
            return "off, verified; not switched on, as the switchboard is not known to be open"
        return self_test.try_supply(one, job)

    _one(checked, "supply", bench.supply, singly.supply, try_supply)
    scope: Oscilloscope | None = _one(
        checked, "oscilloscope", bench.oscilloscope, singly.oscilloscope, self_test.try_oscilloscope
    )
    checked.append(_through(job, generator, scope, board))


def _one(
    checked: list[Checked],
    role: str,
    file: "InstrumentFile",
    open_it: Callable[[], Made],
    try_it: Callable[[Made], str],
) -> Made | None:
    """Open an instrument and try it; None where it is not to be relied on."""
    identity = ""
    try:
        made = open_it()
        identity = made.identity.text
        said, ok, cause = try_it(made), True, ""
    except SwitchwalkError as error:
        said, ok = str(error), False
        cause = likely_cause(error, address=file.address, profile=file.profile)
    checked.append(
        Checked(
            what=role,
            ok=ok,
            said=said,
            address=file.address,
            profile=file.profile,
            identity=identity,
            cause=cause,
        )
    )
    return made if ok else None


def _through(
    job: "Job", generator: "Generator | None", scope: "Oscilloscope | None", board: "Switchboard | None"
) -> Checked:
    """Look at the generator's own signal where channels can select a through hookup."""
    from harness.session.self_test import try_through

    what = "through"
    through = next((each for each in job.fixture.hookups if each.through), None)
    if through is None:
        return Checked(what=what, ok=None, said="not looked at: fixture.toml has no through hookup")
    if through.select is None:
        return Checked(
            what=what, ok=None, said=f"not looked at: hands make {through.name!r}; a run proves its leads"
        )
    if generator is None or scope is None or board is None:
        return Checked(what=what, ok=None, said="not looked at: it needs what is not ready")
    try:
        said = try_through(generator, scope, board, job, through, time.sleep)
    except SwitchwalkError as error:
        cause = likely_cause(error, address="", profile="")
        return Checked(what=what, ok=False, said=str(error), cause=cause)
    return Checked(what=what, ok=True, said=said)


WORDS = {True: "OK", False: "NOT OK", None: "-"}


def _print(name: str, checked: list[Checked], *, ready: bool) -> None:
    for each in checked:
        head = f"{WORDS[each.ok]:<7} {each.what:<13}"
        say(" ".join(filter(None, (head, each.identity or each.address))))
        say(each.said, indent=8)
        if each.cause:
            say(f"Likely: {each.cause}.", indent=8)
    off = "" if any(each.what == SAFE for each in checked) else "; everything that was opened is off"
    typer.echo((f"{name} is ready" if ready else f"{name} is NOT ready") + off)
