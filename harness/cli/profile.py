"""`switchwalk profile`: a profile of an instrument is tried on it, and asked for key by key."""

import sys
from collections.abc import Mapping, Sequence
from contextlib import ExitStack, closing, nullcontext
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated, Any

import typer
from pydantic import TypeAdapter, ValidationError

from drivers.bench import open_alone
from drivers.claim import claim
from drivers.profile import KINDS, NAME, load_any_profile, parse_profile, profile_values
from drivers.safe_end import safe_end
from drivers.transcript import Transcript
from harness.cli import options
from harness.cli.bench import likely_cause
from harness.cli.person import ask_hands, ask_line, tell
from harness.cli.terminal import print_json, say, stoppable
from harness.errors import EXIT_BENCH, EXIT_PASS, SwitchwalkError, UsageError, nearest
from harness.report.words import TERMINAL_CAUTIONS
from harness.session.profile_trials.answers import ProfileAnswers, flat
from harness.session.profile_trials.check import ProfileAt, ProfileCheck, files_of, refuse_beside
from harness.session.profile_trials.interview import Interview
from harness.session.profile_trials.trial import ProfileTrial, SentLines, Unproven, unproven
from harness.toml_files.values import Address
from harness.units import counted

app = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Make an instrument's profile, or try one, on the instrument itself.",
)

PREPARE = {
    "generator": "Take everything off its outputs",
    "oscilloscope": "Take everything off its inputs",
    "supply": "Take everything off its output",
    "switchboard": "Unplug what its relays switch",
}
BY_HAND = "hand-supply"
CABLES = (
    "Join output 1 of the generator and input 1 of the oscilloscope by a cable, and outputs and inputs 2 by "
    "another; take everything else off both"
)
Beside = Annotated[
    str | None,
    typer.Option(
        metavar="PROFILE=ADDRESS",
        help="A generator beside an oscilloscope, or the other way round: cables join output 1 and input 1, "
        "2 and 2, and each is seen by the other.",
    ),
]
AtAddress = Annotated[str, typer.Option(metavar="ADDRESS", help="The instrument, as in bench.toml.")]


@dataclass(frozen=True, kw_only=True)
class Tried:
    """What was tried, what failed at last ("" if nothing did) and why, and what is not proven."""

    trials: Sequence[ProfileTrial]
    failed: str
    cause: str
    unproven: Sequence[Unproven]


@app.command()
def check(
    name: Annotated[str, typer.Argument(metavar="NAME", help="A profile, here, of your own or shipped.")],
    address: AtAddress,
    beside: Beside = None,
    transcript: options.TranscriptPath = None,
    as_json: options.AsJson = False,
) -> None:
    """Try a finished profile on its instrument, and list what could not be proven.

    Sets the instrument, reads it back and switches it on, at small levels and with nothing connected.
    """
    folder = Path.cwd()
    subject = _profile_at(name, address, folder)
    other = _beside(beside, folder)
    files_of(subject, other)  # refused before anybody is asked
    if not as_json:
        typer.echo(TERMINAL_CAUTIONS)
        say(f"{_preparation(subject, other)}.")
    if not as_json and sys.stdin.isatty():
        with stoppable():
            ask_hands("Press Enter when that is done: ", undone="nobody prepared the instrument")
    tried = try_profile(subject, other, folder=folder, transcript=transcript, quiet=as_json)
    ok = not tried.failed
    if as_json:
        print_json({"profile": name, "address": address, "ok": ok, **asdict(tried)})
    else:
        print_tried(name, tried)
    raise typer.Exit(EXIT_PASS if ok else EXIT_BENCH)


@app.command()
def new(
    kind: Annotated[str, typer.Argument(metavar="KIND", help=f"Of the instrument: {', '.join(KINDS)}.")],
    name: Annotated[str, typer.Option(metavar="NAME", help="Its name; NAME.toml is written here.")],
    address: AtAddress = "",
    like: Annotated[
        str | None, typer.Option(metavar="PROFILE", help="A profile whose values Enter takes.")
    ] = None,
    beside: Beside = None,
    transcript: options.TranscriptPath = None,
) -> None:
    """Ask what an instrument's manual says, try each command as it goes, and write a profile.

    Answers are kept after each; the same command goes on with them. Enter takes what is in brackets, - leaves
    a key out. Answers can be piped, a line each.
    """
    folder = Path.cwd()
    path, answers = _begun(kind, name, folder)
    if kind != BY_HAND and not address:
        raise UsageError("--address is missing: where the instrument is, as in bench.toml")
    if address:
        _check_address(name, address)
    other = _beside(beside, folder)
    values = _like(like, kind, folder)
    if other is not None:
        refuse_beside(other, name=name, role=KINDS[kind].role, address=address)
    typer.echo(TERMINAL_CAUTIONS)
    if kind != BY_HAND:
        say(f"{CABLES if other else PREPARE[KINDS[kind].role]}.")
    say("Enter takes what is in brackets, - leaves a key out; Ctrl-C stops, and keeps what was answered.")
    try:
        _hold(answers, address, values, transcript)
        profile = parse_profile(answers.text(), str(answers.path))
        _write_new(path, answers.text())
    except BaseException:
        if answers.path.exists():
            kept = counted(len(answers.values), "answer")
            tell(f"{answers.path.name} keeps {kept}; the same command goes on from there")
        raise
    answers.path.unlink(missing_ok=True)
    say(f"{path.name} is written")
    if kind == BY_HAND:
        raise typer.Exit(EXIT_PASS)
    subject = ProfileAt(name=name, address=address, profile=profile)
    tried = try_profile(subject, other, folder=folder, transcript=transcript, quiet=False)
    print_tried(name, tried)
    if tried.failed:
        say(f"Correct {path.name}, and try it again: switchwalk profile check {name} --address {address}")
    raise typer.Exit(EXIT_BENCH if tried.failed else EXIT_PASS)


def _begun(kind: str, name: str, folder: Path) -> tuple[Path, ProfileAnswers]:
    """The new profile's file, which must not be there, and the answers of before."""
    if kind not in KINDS:
        hint = nearest(kind, KINDS)
        raise UsageError(
            f"{kind!r} is no kind of profile; expected one of {', '.join(KINDS)}"
            + (f"; did you mean {hint}?" if hint else "")
        )
    if not NAME.fullmatch(name):
        raise UsageError(f"--name {name!r}: expected a plain name, such as my-scope")
    path, unfinished = folder / f"{name}.toml", folder / f"{name}.unfinished.toml"
    if path.exists():
        raise UsageError(f"{path.name} is there already, and is not overwritten; give another --name")
    if unfinished.exists() and not sys.stdin.isatty():
        raise UsageError(
            f"{unfinished.name} has answers of before, which piped ones would not fit; remove it, or go on "
            "in a terminal"
        )
    return path, ProfileAnswers(unfinished, kind)


def _like(like: str | None, kind: str, folder: Path) -> dict[str, Any]:
    """The values of the profile that Enter takes, by key."""
    if like is None:
        return {}
    values = dict(flat(profile_values(like, folder=folder)))
    of = values.pop("kind")
    if of != kind:
        raise UsageError(f"--like {like}: is for a {of}; expected one for a {kind}")
    return values


def _hold(answers: ProfileAnswers, address: str, like: Mapping[str, Any], transcript: Path | None) -> None:
    with stoppable(), ExitStack() as undo:
        if address:
            undo.enter_context(claim(address, instrument=KINDS[answers.kind].role))
        log = undo.enter_context(closing(Transcript(transcript))) if transcript else None
        interview = Interview(answers, _PersonAtKeyboard(), address=address, like=like, transcript=log)
        undo.callback(interview.close)
        with safe_end({}) as safe:
            interview.hold(safe.offs)


def _write_new(path: Path, text: str) -> None:
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise UsageError(f"{path.name}: can't be written: {error.strerror or error}") from error


class _PersonAtKeyboard:
    """Asks on the terminal, or takes piped lines."""

    @property
    def can_correct(self) -> bool:
        return sys.stdin.isatty()

    def ask(self, words: str) -> str:
        answer = ask_line(words)
        if not sys.stdin.isatty():
            tell(answer)  # as a terminal shows what is typed
        return answer

    def say(self, text: str) -> None:
        say(text, indent=4)


def try_profile(
    subject: ProfileAt, beside: ProfileAt | None, *, folder: Path, transcript: Path | None, quiet: bool
) -> Tried:
    """Try a profile and print each thing that was tried, unless quiet; everything is off at the end.

    Raises RunStopped if it is stopped, and BenchError for what could not be switched off.
    """
    files = files_of(subject, beside)
    trials: list[ProfileTrial] = []
    failed = cause = ""
    with stoppable(), closing(Transcript(transcript)) if transcript else nullcontext() as log:
        sent = SentLines(subject.profile.role, log)
        with open_alone(files, folder=folder, transcript=sent) as opening:
            checking = ProfileCheck(opening, subject, beside)
            try:
                opening.claim(*files)
                opening.make_left_safe(tell)
                for trial in checking.trials():
                    trials.append(trial)
                    if not quiet:
                        _print_trial("OK", trial.what, trial.message)
            except SwitchwalkError as error:
                failed = str(error)
                cause = likely_cause(error, address=subject.address, profile=subject.name)
    left = unproven(subject.profile, trials, sent=sent, understood=checking.understood, whole=not failed)
    return Tried(trials=trials, failed=failed, cause=cause, unproven=left)


def print_tried(name: str, tried: Tried) -> None:
    """Print what failed, and what is not proven."""
    if tried.failed:
        _print_trial("NOT OK", "", tried.failed)
        say(f"Likely: {tried.cause}.", indent=8)
    if tried.unproven:
        typer.echo("Not proven, or not tried after that:" if tried.failed else "Not proven:")
        for each in tried.unproven:
            say(f"{each.key}: {each.reason}", indent=8)
    end = "agrees, as far as it was tried, with"
    if tried.failed:
        end = "does NOT agree with" if tried.trials else "was NOT tried on"
    say(f"{name} {end} the instrument; everything that was opened is off")


def _print_trial(word: str, what: str, message: str) -> None:
    say(f"{word:<7} {what + ': ' if what else ''}{message}", hang=8)


def _preparation(subject: ProfileAt, beside: ProfileAt | None) -> str:
    return PREPARE[subject.profile.role] if beside is None else CABLES


def _beside(text: str | None, folder: Path) -> ProfileAt | None:
    """Read `PROFILE=ADDRESS`."""
    if text is None:
        return None
    name, equals, address = text.partition("=")
    if not equals:
        raise UsageError(f"--beside {text!r}: expected PROFILE=ADDRESS, such as scpi-generator=/dev/ttyUSB0")
    return _profile_at(name, address, folder)


def _profile_at(name: str, address: str, folder: Path) -> ProfileAt:
    _check_address(name, address)
    return ProfileAt(name=name, address=address, profile=load_any_profile(name, folder=folder))


def _check_address(name: str, address: str) -> None:
    try:
        TypeAdapter(Address).validate_python(address)
    except ValidationError as error:
        message = str(error.errors()[0]["ctx"]["error"])
        raise UsageError(f"the address of {name}: {message}") from None
