"""`switchwalk bench`, `find`, `simulate`, `hands`: a bench, what is on the wires, a simulated one."""

import errno
import json
import os
import re
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated, Protocol, TypeVar

import typer

from drivers import find as wires
from drivers.bench import Opening, make_left_safe, open_singly
from drivers.wire import Unterminated
from harness.bench_file import BenchFile, InstrumentFile
from harness.cli import options
from harness.cli.person import ask_at_supply, ask_hands, simulation_for, tell
from harness.cli.terminal import print_json, printable, say, stoppable
from harness.errors import (
    EXIT_BENCH,
    EXIT_PASS,
    BadReply,
    BenchError,
    BenchTimeout,
    Desynchronised,
    InstrumentError,
    InUse,
    JobError,
    LinkLost,
    ProfileMismatch,
    RunStopped,
    SetupError,
    SwitchwalkError,
    UnknownCommand,
    UsageError,
    WrongInstrument,
)
from harness.job.fixture import Setup
from harness.job.job import Job, load_job
from harness.plan.setups import through_setup
from harness.report.words import TERMINAL_CAUTIONS
from harness.roles import Generator, Identity, Oscilloscope, Supply, Switchboard
from harness.session import self_test
from harness.session.open_bench import bench_started
from harness.session.planned_job import profile_folder
from harness.session.simulated import Simulation, plug, simulator_command

KINDS = ("frame", "text", "modbus", "route")  # of switchboards that the simulator has
NO_ENTRY = (errno.EACCES, errno.EPERM)
TAKEN = (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK)
SAFE = "left safe"
WORDS = {True: "OK", False: "NOT OK", None: "-"}


class _Instrument(Protocol):
    @property
    def identity(self) -> Identity: ...


Made = TypeVar("Made", bound=_Instrument)


@dataclass(frozen=True, kw_only=True)
class Checked:
    """One thing that was checked.

    message: what was done, with what result. cause: the likely one if not ok. ok: None if it was not checked.
    """

    what: str
    ok: bool | None
    message: str
    address: str = ""
    profile: str = ""
    identity: str = ""
    cause: str = ""


def bench(
    job: options.JobFolder,
    bench: options.BenchPath = None,
    fixture: options.FixturePath = None,
    sequence: options.SequencePath = None,
    simulate: Annotated[bool, typer.Option("--simulate", help="Check a simulated bench.")] = False,
    speed: options.Speed = 1.0,
    as_json: options.AsJson = False,
) -> None:
    """Check a bench without a unit: does each instrument answer, is it the right one, and does it obey?

    Drives the generator, closes every channel of the relay board and switches the relay supply on. Take the
    unit out of the fixture first.
    """
    described = load_job(job, bench, sequence_file=sequence, fixture_file=fixture)
    simulation = simulation_for(described, bench, Simulation(speed=speed), simulate=simulate)
    if not as_json:
        typer.echo(TERMINAL_CAUTIONS)
    if not simulate and sys.stdin.isatty():
        with stoppable():
            ask_hands(
                "Take the unit out of the fixture, and press Enter: ", undone="nobody took the unit out"
            )
    with bench_started(described, bench, simulation) as (described, bench, simulator):
        if described.bench is None:
            raise UsageError(f"{job}: no bench.toml in the job; give --bench FILE, or --simulate")
        file = described.bench
        checked = _checked(described, file, profile_folder(described, bench), marked=simulator is None)
    ready = not any(each.ok is False for each in checked)
    if as_json:
        result = {"bench": file.name, "ready": ready, "checked": [asdict(each) for each in checked]}
        print_json(result)
    else:
        _print(file.name, checked, ready=ready)
    raise typer.Exit(EXIT_PASS if ready else EXIT_BENCH)


def _checked(job: Job, bench: BenchFile, folder: Path, *, marked: bool) -> list[Checked]:
    checked: list[Checked] = []
    try:
        with stoppable():
            if marked:
                make_left_safe(bench, folder=folder, tell=tell, ask=ask_at_supply)
            with open_singly(bench, folder=folder, ask=ask_at_supply, marked=marked) as singly:
                _look(job, bench, singly, checked)
    except InUse as error:
        cause = likely_cause(error, address="", profile="")
        checked.append(Checked(what=SAFE, ok=False, message=str(error), cause=cause))
    except (BenchError, JobError) as error:  # what could not be made safe, before or after
        checked.append(
            Checked(
                what=SAFE, ok=False, message=str(error), cause="switch it off by hand before anything else"
            )
        )
    return checked


def _look(job: Job, bench: BenchFile, singly: Opening, checked: list[Checked]) -> None:
    """Look at the four, then at the signal from one to the other; what fails hides nothing of the others."""
    outputs = bench.feeds
    generator: Generator | None = _one(
        checked, "generator", bench.generator, singly.generator,
        lambda instrument: self_test.try_generator(instrument, outputs),
    )  # fmt: skip
    board: Switchboard | None = _one(
        checked, "switchboard", bench.switchboards[0], singly.switchboard,
        lambda instrument: self_test.try_switchboard(instrument, job),
    )  # fmt: skip

    def try_supply(instrument: Supply) -> str:
        if board is None:
            return "off, verified; not switched on, as the switchboard is not known to be open"
        return self_test.try_supply(instrument, job)

    _one(checked, "supply", bench.supply, singly.supply, try_supply)
    scope: Oscilloscope | None = _one(
        checked, "oscilloscope", bench.oscilloscope, singly.oscilloscope, self_test.try_oscilloscope
    )
    throughs = [through_setup(job.fixture, inputs_swapped=swapped) for swapped in (False, True)]
    for through in filter(None, throughs):
        checked.append(_through(job, generator, scope, board, through))
    if not any(throughs):
        message = "not looked at: fixture.toml has no through setup"
        checked.append(Checked(what="through", ok=None, message=message))


def _one(
    checked: list[Checked],
    role: str,
    file: InstrumentFile,
    open_it: Callable[[], Made],
    try_it: Callable[[Made], str],
) -> Made | None:
    """Open an instrument and try it; returns None if it failed."""
    identity = ""
    try:
        made = open_it()
        identity = made.identity.text
        message, ok, cause = try_it(made), True, ""
    except SwitchwalkError as error:
        message, ok = str(error), False
        cause = likely_cause(error, address=file.address, profile=file.profile)
    checked.append(
        Checked(
            what=role,
            ok=ok,
            message=message,
            address=file.address,
            profile=file.profile,
            identity=identity,
            cause=cause,
        )
    )
    return made if ok else None


def _through(
    job: Job,
    generator: Generator | None,
    scope: Oscilloscope | None,
    board: Switchboard | None,
    through: Setup,
) -> Checked:
    """Check the generator's signal at the scope, if board channels can select a through setup."""
    ok, cause = None, ""
    if through.select is None:
        message = f"not looked at: hands make {through.name!r}; a run proves its leads"
    elif generator is None or scope is None or board is None:
        message = "not looked at: it needs what is not ready"
    else:
        try:
            message, ok = self_test.try_through(generator, scope, board, job, through), True
        except SwitchwalkError as error:
            is_profile = isinstance(error, ProfileMismatch) and job.bench is not None
            profile = job.bench.oscilloscope.profile if is_profile and job.bench else ""
            message, ok, cause = str(error), False, likely_cause(error, address="", profile=profile)
    what = "swapped through" if through.inputs_swapped else "through"
    return Checked(what=what, ok=ok, message=message, cause=cause)


def _print(name: str, checked: list[Checked], *, ready: bool) -> None:
    for each in checked:
        head = f"{WORDS[each.ok]:<7} {each.what:<13}"
        say(" ".join(filter(None, (head, each.identity or each.address))))
        say(each.message, indent=8)
        if each.cause:
            say(f"Likely: {each.cause}.", indent=8)
    off = "" if any(each.what == SAFE for each in checked) else "; everything that was opened is off"
    typer.echo((f"{name} is ready" if ready else f"{name} is NOT ready") + off)


_BY_KIND: tuple[tuple[type[SwitchwalkError], str], ...] = (
    (JobError, "the profile named in the bench file: its name, its kind, or a mistake in it"),
    (InUse, "another run has it: wait for that, or end it"),
    (
        WrongInstrument,
        "the address is another instrument's, or `identity` in the bench file is not this one's; "
        "`switchwalk find` shows what is there",
    ),
)
_BY_ANSWER: tuple[tuple[type[SwitchwalkError], str], ...] = (
    (UnknownCommand, "it does not know a command of {profile!r}: take another profile, or write one for it"),
    (InstrumentError, "it refuses a value or a setting: the limits in {profile!r}, or its present mode"),
    (ProfileMismatch, "a key of {profile!r} is not as the instrument is: the message names those to look at"),
    (
        BadReply,
        "what answers here is not the kind of instrument that {profile!r} is for, or two programs talk to it "
        "at once",
    ),
    (Desynchronised, "another program talks to it at the same time"),
    (SetupError, "the leads between generator, scope and the relays that select the setup"),
    (
        SwitchwalkError,
        "it does not behave as {profile!r} says: compare its manual with the profile's commands and limits",
    ),
)


def likely_cause(error: SwitchwalkError, *, address: str, profile: str) -> str:
    """Say in a sentence what is most likely wrong, by the kind of error and of what lies under it."""
    for kind, cause in _BY_KIND:
        if isinstance(error, kind):
            return cause
    by_answer = next(cause for kind, cause in _BY_ANSWER if isinstance(error, kind))
    return (
        _of_the_device(error, address)
        or _of_the_connection(error, address)
        or by_answer.format(profile=profile)
    )


def _of_the_device(error: SwitchwalkError, address: str) -> str:
    """Device files: no permission, held by another program, missing."""
    numbers = {each.errno for each in wires.causes(error) if isinstance(each, OSError) and each.errno}
    if numbers & set(NO_ENTRY):
        return f"no permission on the device file{_whose(address)}"
    if numbers & set(TAKEN):
        return "another program holds it: a terminal program, a logger; close that one"
    if errno.ENOENT in numbers:
        return "nothing is plugged in under this name; `switchwalk find` lists what is there"
    return ""


def _whose(address: str) -> str:
    """The group that may open a device file, if it is known."""
    result = re.search(r"(/dev/[\w./-]+?)(::INSTR)?$", address)
    if result is None or os.name != "posix":
        return ": USB instruments need a rule that lets their users open them"
    try:
        group = Path(result[1]).group()
    except (OSError, KeyError):
        return ""
    return f" {result[1]}: join its group {group!r} and log in again"


def _of_the_connection(error: SwitchwalkError, address: str) -> str:
    behind = list(wires.causes(error))
    if isinstance(error, BenchTimeout) and any(isinstance(each, Unterminated) for each in behind):
        return (
            "the termination: it ends its answers with something else; set it so in its menu, or write "
            "answer_terminator into the `wire` of the bench file"
        )
    if isinstance(error, BenchTimeout):
        if "::" in address or "://" in address:
            return (
                "it takes the connection and says nothing: another program may hold it (some have a single "
                "connection), this port may not be the one for commands, or the termination is another"
            )
        return "a wrong baud rate in its profile, another kind of board, or another device on this port"
    if isinstance(error, LinkLost) and any(isinstance(each, socket.gaierror) for each in behind):
        return "the name in the address is no name on this network: write its number"
    if isinstance(error, LinkLost):
        return (
            "the address or the port is another, it is switched off, its cable is out, or another program "
            "has its only connection"
        )
    return ""


def find(
    host: Annotated[
        list[str] | None,
        typer.Option(
            metavar="HOST",
            help="Ask *IDN? here as well: HOST:PORT, a VISA name, or a host alone, by HiSLIP and VXI-11; "
            "may be repeated.",
        ),
    ] = None,
    announced: Annotated[
        bool,
        typer.Option("--announced", help="List instruments that announce themselves on the network (3 s)."),
    ] = False,
    as_json: options.AsJson = False,
) -> None:
    """List serial ports, USB and GPIB instruments, and what answers at the hosts given."""
    for text in host or []:
        wires.addresses(text)  # refused before anybody is asked
    notes: list[str] = []
    seen = [*wires.serial_ports(), *wires.usb_and_gpib(notes)]
    seen += wires.announced(notes) if announced else []
    seen += [entry for text in host or [] for entry in wires.asked(text)]
    if as_json:
        result = {"seen": [asdict(each) for each in seen], "notes": notes}
        print_json(result)
        raise typer.Exit(_found(seen))
    for each in seen:
        for line in _to_paste(each):
            typer.echo(printable(line))
    if not seen:
        typer.echo("nothing found: no serial port, no USB or GPIB instrument, and no --host was given")
    for note in notes:
        typer.echo(note, err=True)
    raise typer.Exit(_found(seen))


def _to_paste(entry: wires.WireEntry) -> Iterator[str]:
    """Lines for bench.toml, and a comment; a comment alone where nothing was found that could be used."""
    if entry.trouble or not entry.usable:
        yield f"# {entry.wire} {entry.address}: {entry.trouble or entry.what}"
        return
    yield f'address = "{entry.address}"'
    if entry.identity:
        plain = "'" not in entry.identity
        # In single quotes a backslash is itself; in double ones TOML reads what JSON writes.
        yield f"identity = '{entry.identity}'" if plain else f"identity = {json.dumps(entry.identity)}"
    yield f"# {entry.wire}: {entry.what}"


def _found(seen: Sequence[wires.WireEntry]) -> int:
    """The exit code: whether every address that was asked answered."""
    return EXIT_BENCH if any(entry.trouble for entry in seen) else EXIT_PASS


def simulate(
    job: options.JobFolder,
    serial: Annotated[
        str, typer.Option(metavar="SERIAL", help="The unit's serial number, which decides its values.")
    ] = "SIM-1",
    fault: options.Faults = None,
    trouble: Annotated[
        list[str] | None,
        typer.Option(
            metavar="TEXT",
            help="Trouble with an instrument, such as oscilloscope late 800 ms "
            "after 20 (docs/profiles.md); may be repeated.",
        ),
    ] = None,
    speed: options.Speed = 1.0,
    lead_errors: options.LeadErrors = 0.0,
    imperfection: options.ImperfectionSizes = None,
    switchboard: Annotated[str, typer.Option(metavar="KIND", help="frame, text, route or modbus.")] = "frame",
    bench_seed: Annotated[int, typer.Option(metavar="NUMBER", help="Decides the bench's own errors.")] = 1,
    fixture: options.FixturePath = None,
    sequence: options.SequencePath = None,
    bench_file: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a bench.toml that leads to it.")
    ] = None,
) -> None:
    """Start a simulated bench with a unit on it, print its addresses, and run until Ctrl-C."""
    simulation = Simulation(
        serial=serial,
        faults=fault or (),
        speed=speed,
        lead_errors=lead_errors,
        imperfections=imperfection or (),
        bench_seed=bench_seed,
    )
    command = simulator_command(job, simulation, sequence_file=sequence, fixture_file=fixture)
    arguments = [*command, "--switchboard", switchboard]
    for text in trouble or []:
        arguments += ["--trouble", text]
    if bench_file is not None:
        arguments += ["--bench-file", str(bench_file)]
    if switchboard not in KINDS:
        raise UsageError(f"--switchboard {switchboard}: no such kind; expected one of {', '.join(KINDS)}")
    # The simulator ends when its standard input does: with this process, however that ends.
    with subprocess.Popen(arguments, stdin=subprocess.PIPE) as process:
        try:
            with stoppable():
                code = process.wait()
        except RunStopped:
            process.terminate()
            process.wait()
            code = EXIT_PASS
    raise typer.Exit(code)


def hands(
    control: Annotated[
        str, typer.Argument(metavar="HOST:PORT", help="The control port that `simulate` prints.")
    ],
    setup: Annotated[str, typer.Argument(metavar="SETUP", help="The setup's name in fixture.toml.")],
    lead: Annotated[
        list[str] | None,
        typer.Option(
            metavar="LEAD=PIN",
            help="A lead that is elsewhere: input 2=left.out.hot; nothing after = for a lead that is off; "
            "may be repeated.",
        ),
    ] = None,
) -> None:
    """Tell the hands of a simulated bench which setup to make, or which leads were plugged elsewhere."""
    host, _, port = control.rpartition(":")
    if not host or not port.isdecimal() or not 0 < int(port) < 65_536:
        raise UsageError(
            f"{control}: expected a host and a port such as 127.0.0.1:40123, as `simulate` prints"
        )
    leads = dict(map(_lead, lead or ()))
    plug((host, int(port)), setup, leads)
    elsewhere = "".join(f"; {name} on {', '.join(pins) or 'nothing'}" for name, pins in leads.items())
    typer.echo(f"made: {setup}{elsewhere}")


def _lead(text: str) -> tuple[str, tuple[str, ...]]:
    """`input 1=left.out.hot,ground`: a lead, and the pins that it is on."""
    name, found, pins = text.partition("=")
    if not found or not name.strip():
        raise UsageError(f"--lead {text}: expected a lead and its pin, such as input 1=left.out.cold")
    return name.strip(), tuple(filter(None, (pin.strip() for pin in pins.split(","))))
