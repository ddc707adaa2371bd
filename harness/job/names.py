"""The names that module.toml defines, which the other files are held against.

They stand even where something else is wrong with module.toml, so that a mistake in one file hides none in
the next. A list that did not read in full is empty here: nothing can be said about what it does not have.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.job.module_file import ModuleFile
from harness.toml_files.source import Source


@dataclass(frozen=True, kw_only=True)
class Names:
    """What module.toml names. A port's role is "" where it did not read."""

    channels: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    ports: Mapping[str, str] = field(default_factory=dict)  # net → role

    @property
    def known(self) -> bool:
        """Whether ports can be told from what is none."""
        return bool(self.channels and self.ports)

    def with_role(self, *roles: str) -> tuple[str, ...]:
        """Give the ports of these roles."""
        return tuple(net for net, role in self.ports.items() if role in roles)

    def port_names(self, *roles: str) -> tuple[str, ...]:
        """Give every port as `channel.net`, of these roles or of all."""
        nets = self.with_role(*roles) if roles else tuple(self.ports)
        return tuple(f"{channel}.{net}" for channel in self.channels for net in nets)


def names_of(source: Source, file: ModuleFile) -> Names:
    """Take the names out of module.toml."""
    return Names(
        channels=file.module.channels if source.reads("module", "channels") else (),
        lines=tuple(file.lines),
        ports=file.ports,
    )
