"""What a draft could not derive: one sentence for all parts that it is true of."""

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

MOST_NAMED = 8


@dataclass(frozen=True, kw_only=True)
class Doubts:
    """Reasons in the order in which they came up, each with the names of the parts or nets it is true of."""

    by_reason: dict[str, dict[str, None]] = field(default_factory=dict)

    def note(self, reason: str, *names: str) -> None:
        """Note a reason of some names, or a sentence that has none."""
        self.by_reason.setdefault(reason, {}).update(dict.fromkeys(names))

    def sentences(self) -> tuple[str, ...]:
        """`K1 to K10: reason`, one for each reason."""
        return tuple(f"{listed(names)}: {why}" if names else why for why, names in self.by_reason.items())


def listed(names: Iterable[str]) -> str:
    """`K1 to K4, K7 and 3 more`: runs of numbered names as their ends, in natural order."""
    runs: list[list[str]] = []
    for name in sorted(names, key=natural):
        if runs and _is_next(runs[-1][-1], name):
            runs[-1].append(name)
        else:
            runs.append([name])
    shown = [f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(run) for run in runs[:MOST_NAMED]]
    more = sum(len(run) for run in runs[MOST_NAMED:])
    return ", ".join(shown) + (f" and {more} more" if more else "")


def natural(name: str) -> tuple[tuple[int, int, str], ...]:
    """A key that sorts K2 before K10."""
    return tuple(
        (1, int(piece), "") if piece.isdecimal() else (0, 0, piece)
        for piece in re.split(r"([0-9]{1,12})", name)
        if piece
    )


def _is_next(name: str, after: str) -> bool:
    stems = [re.fullmatch(r"(.*?)([0-9]{1,9})", each) for each in (name, after)]
    first, second = stems
    return bool(first and second and first[1] == second[1] and int(second[2]) == int(first[2]) + 1)
