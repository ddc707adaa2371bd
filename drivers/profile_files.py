"""Find a profile by name and read it; every mistake in it is reported with its line and what was expected."""

import difflib
import re
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

from platformdirs import user_config_path
from pydantic import ValidationError

from drivers.profile import KINDS, Profile
from harness.errors import JobError, Mistake
from harness.toml_files.located import refusal, unseen
from harness.toml_files.messages import expected

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]*")
LARGEST_BYTES = 50_000
LONGEST_LINE = 2_000  # what reads a key takes time that grows with the square of its parts


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
    places = (folder / f"{name}.toml", own_profiles() / f"{name}.toml")
    return next((place for place in places if place.is_file()), None)


def load_profile(name: str, *, role: str, folder: Path) -> Profile:
    """Read a profile: `NAME.toml` in the folder of the bench file first, then the user's own, then a shipped.

    `role` is generator, oscilloscope, supply or switchboard. Raises JobError.
    """
    if not NAME.fullmatch(name):
        raise _one_mistake("bench.toml", f"{role}.profile", f"expected a plain name, found {name!r}")
    own = own_profile(name, folder)
    if own is not None:
        file, text = str(own), _read(own)
    elif name in shipped_profiles():
        file = f"{name}.toml (shipped)"
        text = (resources.files("drivers") / "profiles" / f"{name}.toml").read_text(encoding="utf-8")
    else:
        raise _one_mistake("bench.toml", f"{role}.profile", _unknown(name, folder))
    profile = parse_profile(text, file)
    if profile.role != role:
        raise _one_mistake(file, "kind", f"a profile for the {profile.role} cannot be the {role}'s")
    return profile


def _read(path: Path) -> str:
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise _one_mistake(str(path), "", "larger than 50 kB; expected a profile written by hand")
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise _one_mistake(str(path), "", f"cannot be read: {error.strerror or error}") from None
    except UnicodeDecodeError:
        raise _one_mistake(
            str(path), "", "a byte that is not UTF-8; expected the file saved as UTF-8"
        ) from None


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
    for number, each in enumerate(text.splitlines(), start=1):
        if len(each) > LONGEST_LINE:
            message = f"a line of {len(each)} characters; expected {LONGEST_LINE} at most"
            raise JobError([Mistake(file=file, line=number, key="", message=message)])
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also Python's own limits on digits and on nesting
        line = re.search(r"line (\d+)", str(error))
        raise JobError(
            [Mistake(file=file, line=int(line[1]) if line else None, key="", message=str(error))]
        ) from None
    for key, character in unseen(data):
        path = tuple(str(part) for part in key)
        place = _line(text, path) if path else None
        raise JobError([Mistake(file=file, line=place, key=".".join(path), message=refusal(character))])
    kind = data.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        near = difflib.get_close_matches(str(kind), KINDS, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise JobError(
            [
                Mistake(
                    file=file,
                    line=_line(text, ("kind",)),
                    key="kind",
                    message=f"expected one of {', '.join(KINDS)}, found {kind!r}{hint}",
                )
            ]
        )
    try:
        return KINDS[kind].model_validate(data)
    except ValidationError as error:
        raise JobError([_mistake(item, text, file, KINDS[kind]) for item in error.errors()]) from None


def _mistake(item: Any, text: str, file: str, model: type[Profile]) -> Mistake:
    path = tuple(str(part) for part in item["loc"])
    if item["type"] == "extra_forbidden":
        near = difflib.get_close_matches(path[-1], _keys(model, path[:-1]), n=1)
        message = "unknown key" + (f"; did you mean {near[0]!r}?" if near else "")
    elif item["type"] == "missing":
        message = "is missing"
    else:
        message = _in_words(item)
    return Mistake(file=file, line=_line(text, path), key=".".join(path), message=message)


def _in_words(item: Any) -> str:
    """What was found and expected; a check of our own says so itself, or says only what is wrong."""
    result = item["input"]
    if item["type"] == "literal_error":
        return f"found {result!r}; expected {item['ctx']['expected']}"
    if item["type"] != "value_error":
        return f"found {result!r}; expected {expected(item['type'], item.get('ctx', {}))}"
    message = str(item["ctx"]["error"])
    return message if "found" in message else f"{message[:1].lower()}{message[1:]}, found {result!r}"


def _keys(model: Any, path: tuple[str, ...]) -> tuple[str, ...]:
    for part in path:
        model = model.model_fields[part].annotation
    return tuple(model.model_fields)


def _line(text: str, path: tuple[str, ...]) -> int | None:
    """The line of a key, or of the table it is missing from."""
    section, table_line = "", None
    *tables, key = path[:2]
    for number, line in enumerate(text.splitlines(), start=1):
        header = re.fullmatch(r"\s*\[([^\[\]]+)\]\s*(#.*)?", line)
        if header:
            section = header[1].strip()
            table_line = number if [section] == tables else table_line
        elif [section] == (tables or [""]) and re.match(rf"\s*{re.escape(key)}\s*=", line):
            return number
    return table_line


def _one_mistake(file: str, key: str, message: str) -> JobError:
    return JobError([Mistake(file=file, line=None, key=key, message=message)])
