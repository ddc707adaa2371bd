"""The names that a module defines, read leniently.

A mistake in one file must not hide those in the next, so the other files are held against these names even
where module.toml itself could not be read in full.
"""

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from harness.job.located import Located


@dataclass(frozen=True, kw_only=True)
class Names:
    """What module.toml names; `known` is false where the file could not be read at all."""

    known: bool
    channels: tuple[str, ...]
    lines: tuple[str, ...]
    ports: Mapping[str, str]  # net → role

    def with_role(self, *roles: str) -> tuple[str, ...]:
        """Give the ports of these roles."""
        return tuple(net for net, role in self.ports.items() if role in roles)

    def port_names(self, *roles: str) -> tuple[str, ...]:
        """Give every port as `channel.net`, of these roles or of all."""
        nets = self.with_role(*roles) if roles else tuple(self.ports)
        return tuple(f"{channel}.{net}" for channel in self.channels for net in nets)


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Give the known name that is most like a misspelt one, or None where none is like it."""
    found = difflib.get_close_matches(name, list(known), n=1, cutoff=0.6)
    return found[0] if found else None


def names_of(located: Located | None) -> Names:
    """Take the names out of module.toml's values, whatever else may be wrong with them."""
    if located is None:
        return Names(known=False, channels=(), lines=(), ports={})
    values = located.values
    channels = _table(values.get("module")).get("channels")
    ports = {net: role for net, role in _table(values.get("ports")).items() if isinstance(role, str)}
    return Names(
        known=True,
        channels=tuple(name for name in channels if isinstance(name, str))
        if isinstance(channels, list)
        else (),
        lines=tuple(_table(values.get("lines"))),
        ports=ports,
    )


def _table(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}
