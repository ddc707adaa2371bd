"""What a run's sequence would see of every single fault, as a picture: seen of possible, by part and kind.

Drawn without colour: what is seen is filled, what isn't is hatched, and every cell has its figures.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from harness.faults.coverage import FaultSeen
from harness.job.faults import Fault, FaultKind
from harness.report.plotter import Figure, Picture

PANELS: dict[str, dict[FaultKind, str]] = {
    "Relays": {
        "relay never operates": "armature",
        "relay always operated": "armature",
        "coil open": "coil",
        "coil shorted": "coil",
        "pole stuck at rest": "one pole stuck",
        "pole stuck operated": "one pole stuck",
        "throw stuck open": "throw open",
        "throw stuck closed": "throw closed",
    },
    "Connectors": {
        "leg open": "leg open",
        "leg grounded": "leg grounded",
        "legs swapped": "legs swapped",
        "legs shorted": "legs shorted",
        "channels bridged": "channels bridged",
        "channels swapped": "channels swapped",
    },
    "Control lines": {"line dead": "dead", "lines swapped": "swapped with another"},
    "Plugs": {
        "link missing": "missing",
        "link straight": "straight",
        "link legs swapped": "legs swapped",
        "link channels swapped": "channels swapped",
    },
    "Parts": {
        "part open": "open",
        "part shorted": "shorted",
        "part tenfold": "tenfold",
        "part a tenth": "a tenth",
    },
}
MOST_TOLD = 12  # faults that are not seen, each with its reason

WIDTH, NAME, CELL, ROW, HEAD, GAP = 922, 126, 131, 20, 40, 14
LEFT = 4
BAR, BAR_HEIGHT = 60, 11
_HATCHED = (
    '<defs><pattern id="unseen" width="5" height="5" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><rect width="5" height="5" fill="#fff"/>'
    '<path d="M0 0V5" stroke="#33332f" stroke-width="2"/></pattern></defs>'
)
_LOOKS = {
    "text": "font-size:12px",
    ".title,.short": "font-weight:bold",
    ".title": "font-size:13px",
    ".rule": "stroke:#d9d9d4",
    ".unseen": "fill:url(#unseen);stroke:#33332f",
}


@dataclass(frozen=True, kw_only=True)
class CoverageFigure:
    """A picture, how much is seen in words, and the faults that are not seen.

    unseen: names with reasons, no more than MOST_TOLD; more: how many there are beyond these.
    """

    figure: Figure
    headline: str
    unseen: tuple[tuple[str, str], ...]
    more: int


@dataclass(frozen=True, kw_only=True)
class Tally:
    """How many faults of one part and kind are seen, of how many."""

    seen: int
    possible: int


Cells = dict[str, dict[str, Tally]]  # by part, by column


def draw_coverage(faults: Sequence[FaultSeen]) -> CoverageFigure | None:
    """Draw it; None where there is nothing to draw."""
    if not faults:
        return None
    panels = {title: cells for title, kinds in PANELS.items() if (cells := _cells(faults, kinds))}
    seen = sum(one.seen for one in faults)
    unseen = [(one.fault.name, one.why) for one in faults if not one.seen]
    return CoverageFigure(
        figure=_draw(panels),
        headline=f"{seen} of {len(faults)} single faults ({100 * seen / len(faults):.1f} %)",
        unseen=tuple(unseen[:MOST_TOLD]),
        more=max(0, len(unseen) - MOST_TOLD),
    )


def _cells(faults: Sequence[FaultSeen], kinds: dict[FaultKind, str]) -> Cells:
    cells: Cells = {}
    for one in faults:
        if one.fault.kind in kinds:
            row = cells.setdefault(_part(one.fault), {})
            before = row.get(kinds[one.fault.kind], Tally(seen=0, possible=0))
            row[kinds[one.fault.kind]] = Tally(seen=before.seen + one.seen, possible=before.possible + 1)
    return cells


def _part(fault: Fault) -> str:
    """The relay of a pole, the part of a leg: `K1` of `K1.1.hot`, `R1` of `R1.hot`."""
    return fault.subject.split(".")[0]


def _columns(title: str, cells: Cells) -> list[str]:
    known = dict.fromkeys(PANELS[title].values())
    return [name for name in known if any(name in row for row in cells.values())]


def _text(panels: dict[str, Cells]) -> str:
    """The picture in words: how many of each sort, and every cell that is not full."""
    told = []
    for title, cells in panels.items():
        tallies = [tally for row in cells.values() for tally in row.values()]
        seen, possible = sum(t.seen for t in tallies), sum(t.possible for t in tallies)
        short = [
            f"{part} {column} {tally.seen} of {tally.possible}"
            for part, row in cells.items()
            for column, tally in row.items()
            if tally.seen < tally.possible
        ]
        told.append(f"{title}: {seen} of {possible}" + (f", of which {', '.join(short)}" if short else ""))
    return f"Faults detected, of those possible. {'. '.join(told)}."


def _draw(panels: dict[str, Cells]) -> Figure:
    height = 4 + sum(HEAD + ROW * len(cells) + GAP for cells in panels.values())
    picture = Picture(WIDTH, height)
    y = 4
    for title, cells in panels.items():
        columns = _columns(title, cells)
        picture.text(LEFT, y + 14, title, kind="title")
        for place, column in enumerate(columns):
            picture.text(LEFT + NAME + CELL * place, y + 32, column)
        y += HEAD
        for number, (part, row) in enumerate(cells.items()):
            if number:
                picture.line(LEFT, y, LEFT + NAME + CELL * len(columns), y, "rule")
            picture.text(LEFT, y + 14, part)
            for place, column in enumerate(columns):
                if column in row:
                    _draw_cell(picture, row[column], LEFT + NAME + CELL * place, y)
            y += ROW
        y += GAP
    return picture.alone(_text(panels), _LOOKS, definitions=_HATCHED)


def _draw_cell(picture: Picture, tally: Tally, x: int, y: int) -> None:
    """A bar, as much filled as is seen, hatched where it isn't; and the figures."""
    top = y + (ROW - BAR_HEIGHT) // 2
    filled = round(BAR * tally.seen / tally.possible)
    if 0 < tally.seen < tally.possible:
        filled = min(max(filled, 2), BAR - 8)  # what is left out must show
    picture.box(x, top, BAR, BAR_HEIGHT, "unseen")
    if filled:
        picture.box(x, top, filled, BAR_HEIGHT, "full")
    full = tally.seen == tally.possible
    picture.text(x + BAR + 7, y + 14, f"{tally.seen} of {tally.possible}", kind="" if full else "short")
