"""A setup that hands make, lead by lead: as rows for a terminal, and as a picture."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from harness.job.fixture import Setup
from harness.job.job import Job
from harness.job.module import LEGS
from harness.report.plotter import Figure, Picture

BOX, WIRE, ROW, EDGE, LETTER = 34, 150, 26, 8, 7.3
_STYLES = {
    "text": "font-size:13px",
    ".title": "font-weight:bold",
    ".frame": "fill:none",
    ".lead": "stroke:#33332f;stroke-width:2",
    ".cold-lead": "stroke-dasharray:5 3",
}
TEXT_WIRE = " ------> "
GROUND_CLIPS = "every ground clip on pin 1 of its connector"


@dataclass(frozen=True, kw_only=True)
class SetupFigure:
    """A setup's picture with its name."""

    name: str
    figure: Figure


def leads_of(job: Job, setup: Setup) -> tuple[tuple[str, str], ...]:
    """From where to where each lead and plug of a setup goes, in words."""
    return (*_generator(job, setup), *_scope(job, setup), *_plugs(job, setup))


def drawing(job: Job, setup: Setup) -> str:
    """Draw a setup in plain text: the generator's leads, the scope's, the plugs."""
    rows = leads_of(job, setup)
    width = max(len(left) for left, _ in rows)
    lines = [f"  {left:<{width}}{TEXT_WIRE}{right}" for left, right in rows]
    return "\n".join([f"Setup {setup.name!r}:", *lines, f"  {GROUND_CLIPS}"])


def lead_words(job: Job, lead: str) -> str:
    """Name a lead as the drawing does: `generator hot` is `generator output 1 (hot)`."""
    words = {f"generator {leg}": output_words(job, leg) for leg in LEGS}
    return words.get(lead, f"scope {lead}")


def output_words(job: Job, leg: str) -> str:
    """Name the generator's output for a leg."""
    if job.bench is None:
        return f"generator {leg} output"
    if len(job.bench.generators) > 1:
        return f"{leg} generator, output {job.bench.sources[f'generator {leg}'].output}"
    return f"generator output {job.bench.feeds[leg == 'cold']} ({leg})"


def _generator(job: Job, setup: Setup) -> Iterator[tuple[str, str]]:
    for offset, leg in enumerate(LEGS):
        if setup.through:
            offset = 1 - offset if setup.inputs_swapped else offset
            pairs = len(setup.view) or max(len(other.view) for other in job.fixture.setups)
            numbers = [str(2 * pair + 1 + offset) for pair in range(pairs)]
            inputs = f"scope input {numbers[0]}" if pairs == 1 else f"scope inputs {' and '.join(numbers)}"
            yield output_words(job, leg), inputs
        elif setup.drive is not None:
            added = setup.source_added
            through = f"{added.series_ohm:g} ohm, then " if added is not None and added.leg == leg else ""
            yield output_words(job, leg), f"{through}{setup.drive} {leg}"


def _scope(job: Job, setup: Setup) -> Iterator[tuple[str, str]]:
    legs = LEGS[::-1] if setup.inputs_swapped else LEGS
    if not setup.through:
        probe = job.bench.oscilloscope.probe if job.bench is not None else 1.0
        how = f" (probe {probe:g}x)" if probe != 1.0 else ""
        for index, port in enumerate(setup.view):
            for offset, leg in enumerate(legs):
                yield f"scope input {2 * index + 1 + offset}{how}", f"{port} {leg}"
    for control, number in setup.controls_viewed.items():
        yield f"scope input {number}", f"control line {control}"


def _plugs(job: Job, setup: Setup) -> Iterator[tuple[str, str]]:
    for name in setup.loopbacks:
        loopback = job.fixture.loopbacks[name]
        yield f"plug {name}, in every channel", f"from {loopback.from_net} to {loopback.to_net}"


def draw_setups(job: Job, setups: Sequence[Setup]) -> tuple[SetupFigure, ...]:
    """Draw those that no switchboard channel selects, each once."""
    by_hand = {setup.name: setup for setup in setups if setup.select is None}
    return tuple(_draw(job, setup) for setup in by_hand.values())


def _draw(job: Job, setup: Setup) -> SetupFigure:
    rows = leads_of(job, setup)
    left, right = (round(LETTER * max(len(row[side]) for row in rows)) + 2 * EDGE for side in (0, 1))
    picture = Picture(left + WIRE + right + 2 * EDGE, BOX + ROW * len(rows))
    picture.text(EDGE, 20, setup.name, kind="title")
    for number, row in enumerate(rows):
        _draw_lead(picture, row, number, left, right)
    text = "; ".join(f"{start} to {end}" for start, end in rows) + f"; {GROUND_CLIPS}"
    return SetupFigure(name=setup.name, figure=picture.alone(text, _STYLES))


def _draw_lead(picture: Picture, row: tuple[str, str], number: int, left: int, right: int) -> None:
    """Two boxes and a wire between them; a cold lead is dashed, so that it shows without colour."""
    y, end_x = BOX + ROW * number, EDGE + left + WIRE
    for x, width, text in ((EDGE, left, row[0]), (end_x, right, row[1])):
        picture.box(x, y, width, ROW - 4, "frame")
        picture.text(x + EDGE, y + 15, text)
    middle = y + (ROW - 4) / 2
    picture.line(EDGE + left, middle, end_x, middle, "lead cold-lead" if "cold" in "".join(row) else "lead")
