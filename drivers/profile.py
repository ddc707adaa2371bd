"""Instrument profiles: which command does what on one kind of instrument, and what its limits are.

A profile is a TOML file of numbers and command templates, such as `SOURce{n}:FREQuency {hz}`; nothing in it
is evaluated, and only checked numbers reach an instrument, never text. A user's own,
`NAME.toml` beside the bench file or else in the user's configuration folder, comes before a shipped one of
the same name. Every mistake in one is reported with its line and what was expected. Keys carry their units
(`_v _vpp _hz _s _ohm _f`).
"""

import difflib
import re
from importlib import resources
from pathlib import Path
from typing import Any, ClassVar, Literal, get_args

from platformdirs import user_config_path
from pydantic import ValidationError

from drivers.models.any_instrument import InstrumentProfile
from drivers.models.sources import GeneratorProfile, HandSupplyProfile, SupplyProfile
from drivers.models.switchboards import SwitchboardProfile
from drivers.scope.oscilloscope_profile import OscilloscopeKeys
from harness.errors import JobError, Mistake
from harness.toml_files.located import Key, UnreadableError, read_located, refusal, unseen
from harness.toml_files.messages import expected


class OscilloscopeProfile(OscilloscopeKeys, InstrumentProfile):
    """A scope: its limits, its commands, and what it sends."""

    role: ClassVar[str] = "oscilloscope"
    kind: Literal["oscilloscope"]


Profile = GeneratorProfile | SupplyProfile | HandSupplyProfile | OscilloscopeProfile | SwitchboardProfile
KINDS: dict[str, type[Profile]] = {
    get_args(model.model_fields["kind"].annotation)[0]: model for model in get_args(Profile)
}


NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]*")
LARGEST_BYTES = 50_000


def shipped_profiles() -> tuple[str, ...]:
    """Names of the profiles that come with the program."""
    folder = resources.files("drivers") / "profiles"
    return tuple(
        sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml"))
    )


def own_profiles() -> Path:
    """The folder of a user's own profiles, for every bench of this user; it need not be there."""
    return user_config_path("switchwalk", appauthor=False) / "profiles"


def own_profile(name: str, folder: Path) -> Path | None:
    """A person's own profile of that name: beside the bench file first, then in their folder; else None."""
    paths = (folder / f"{name}.toml", own_profiles() / f"{name}.toml")
    return next((path for path in paths if path.is_file()), None)


def load_profile(name: str, *, role: str, folder: Path) -> Profile:
    """Read a profile: `NAME.toml` in the folder of the bench file first, then the user's own, then a shipped.

    `role` is generator, oscilloscope, supply or switchboard. Raises JobError.
    """
    profile, file = _loaded(name, folder, at=("bench.toml", f"{role}.profile"))
    if profile.role != role:
        raise _job_error(file, "kind", f"a profile for the {profile.role} cannot be the {role}'s")
    return profile


def load_any_profile(name: str, *, folder: Path) -> Profile:
    """As `load_profile`, for an instrument of whatever role."""
    return _loaded(name, folder, at=("", ""))[0]


def profile_values(name: str, *, folder: Path) -> dict[str, Any]:
    """What a profile's file says, as TOML has it. Raises JobError."""
    text, file = _found(name, folder, at=("", ""))
    parse_profile(text, file)
    return dict(read_located(text).values)


def _loaded(name: str, folder: Path, *, at: tuple[str, str]) -> tuple[Profile, str]:
    """A profile and the file that it is in."""
    text, file = _found(name, folder, at=at)
    return parse_profile(text, file), file


def _found(name: str, folder: Path, *, at: tuple[str, str]) -> tuple[str, str]:
    """A profile's text and the file that it is in. at: the file and the key that name it, for messages."""
    if not NAME.fullmatch(name):
        raise _job_error(*at, f"expected a plain name, found {name!r}")
    own = own_profile(name, folder)
    if own is not None:
        return _read(own), str(own)
    if name in shipped_profiles():
        text = (resources.files("drivers") / "profiles" / f"{name}.toml").read_text(encoding="utf-8")
        return text, f"{name}.toml (shipped)"
    raise _job_error(*at, _unknown(name, folder))


def _read(path: Path) -> str:
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise _job_error(str(path), "", "larger than 50 kB; expected a profile written by hand")
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise _job_error(str(path), "", f"cannot be read: {error.strerror or error}") from None
    except UnicodeDecodeError:
        message = "a byte that is not UTF-8; expected the file saved as UTF-8"
        raise _job_error(str(path), "", message) from None


def _unknown(name: str, folder: Path) -> str:
    known = shipped_profiles()
    near = difflib.get_close_matches(name, known, n=2, cutoff=0.4)
    hint = f"did you mean {' or '.join(near)}?" if near else f"shipped are {', '.join(known)}"
    return (
        f"no profile {name!r}, neither as {folder / (name + '.toml')}, nor in {own_profiles()}, nor shipped; "
        f"{hint}"
    )


def parse_profile(text: str, file: str) -> Profile:
    """Read a profile's text; `file` is for messages. Raises JobError with every mistake found."""
    try:
        located = read_located(text)
    except UnreadableError as error:
        raise JobError([Mistake(file=file, line=error.line, key="", message=str(error))]) from None

    def mistake(key: Key, message: str) -> Mistake:
        return Mistake(file=file, line=located.line(key), key=".".join(map(str, key)), message=message)

    for key, character in unseen(located.values):
        raise JobError([mistake(key, refusal(character))])
    kind = located.values.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        near = difflib.get_close_matches(str(kind), KINDS, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise JobError([mistake(("kind",), f"expected one of {', '.join(KINDS)}, found {kind!r}{hint}")])
    try:
        return KINDS[kind].model_validate(located.values)
    except ValidationError as error:
        raise JobError(
            [mistake(item["loc"], mistake_in(item, KINDS[kind])) for item in error.errors()]
        ) from None


def mistake_in(item: Any, model: type[Profile]) -> str:
    """What was found and expected; a check of our own says so itself, or says only what is wrong."""
    value, kind = item["input"], item["type"]
    if kind == "extra_forbidden":
        *tables, name = map(str, item["loc"])
        near = difflib.get_close_matches(name, _keys(model, tables), n=1)
        return "unknown key" + (f"; did you mean {near[0]!r}?" if near else "")
    if kind == "missing":
        return "is missing"
    if kind == "literal_error":
        return f"found {value!r}; expected {item['ctx']['expected']}"
    if kind != "value_error":
        return f"found {value!r}; expected {expected(kind, item.get('ctx', {}))}"
    message = str(item["ctx"]["error"])
    return (
        message
        if "found" in message or isinstance(value, dict)
        else f"{message[:1].lower()}{message[1:]}, found {value!r}"
    )


def _keys(model: Any, tables: list[str]) -> tuple[str, ...]:
    for table in tables:
        model = model.model_fields[table].annotation
    return tuple(model.model_fields)


def _job_error(file: str, key: str, message: str) -> JobError:
    return JobError([Mistake(file=file, line=None, key=key, message=message)])
