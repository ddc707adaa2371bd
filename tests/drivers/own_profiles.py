"""Profiles for tests: a shipped one, or one that a user has changed."""

from importlib import resources
from typing import Any

from drivers.profile import parse_profile


def profile_text(name: str, changes: dict[str, str] | None = None) -> str:
    """A shipped profile's text with some passages replaced."""
    text = (resources.files("drivers") / "profiles" / f"{name}.toml").read_text(encoding="utf-8")
    for old, new in (changes or {}).items():
        if old not in text:
            raise ValueError(f"{old!r} is not in {name}")
        text = text.replace(old, new)
    return text


def profile(name: str, changes: dict[str, str] | None = None) -> Any:
    """A shipped profile with some passages replaced."""
    return parse_profile(profile_text(name, changes), f"{name}.toml")
