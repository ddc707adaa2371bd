"""A hookup as a drawing in plain text: which lead is on which pin."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.descriptions.fixture import Hookup
    from harness.descriptions.job import Job

WIRE = " ------> "


def drawing(job: "Job", hookup: "Hookup") -> str:
    """Draw a hookup: the generator's leads, the scope's, the plugs. At most 80 columns for short names."""
    rows = [*_generator(job, hookup), *_scope(job, hookup), *_plugs(job, hookup)]
    width = max(len(left) for left, _ in rows) if rows else 0
    lines = [f"  {left:<{width}}{WIRE}{right}" for left, right in rows]
    ground = "  every ground clip on pin 1 of its connector"
    return "\n".join([f"Hookup {hookup.name!r}:", *lines, ground])


def lead_words(job: "Job", lead: str) -> str:
    """Name a lead as the drawing does: `generator hot` is `generator output 1 (hot)`."""
    words = {f"generator {leg}": _output(job, leg) for leg in ("hot", "cold")}
    return words.get(lead, f"scope {lead}")


def _output(job: "Job", leg: str) -> str:
    if job.bench is None:
        return f"generator {leg} output"
    number = job.bench.generator.hot if leg == "hot" else job.bench.generator.cold
    return f"generator output {number} ({leg})"


def _generator(job: "Job", hookup: "Hookup") -> Iterator[tuple[str, str]]:
    for offset, leg in enumerate(("hot", "cold")):
        if hookup.through:
            pairs = len(hookup.view) or max(len(other.view) for other in job.fixture.hookups)
            numbers = [str(2 * pair + 1 + offset) for pair in range(pairs)]
            inputs = f"scope input {numbers[0]}" if pairs == 1 else f"scope inputs {' and '.join(numbers)}"
            yield _output(job, leg), inputs
        elif hookup.drive is not None:
            added = hookup.source_added
            through = f"{added.series_ohm:g} ohm, then " if added is not None and added.leg == leg else ""
            yield _output(job, leg), f"{through}{hookup.drive} {leg}"


def _scope(job: "Job", hookup: "Hookup") -> Iterator[tuple[str, str]]:
    legs = ("cold", "hot") if hookup.exchanged else ("hot", "cold")
    if not hookup.through:
        probe = job.bench.oscilloscope.probe if job.bench is not None else 1.0
        how = f" (probe {probe:g}x)" if probe != 1.0 else ""
        for index, port in enumerate(hookup.view):
            for offset, leg in enumerate(legs):
                yield f"scope input {2 * index + 1 + offset}{how}", f"{port} {leg}"
    for line, number in hookup.lines_on.items():
        yield f"scope input {number}", f"control line {line}"


def _plugs(job: "Job", hookup: "Hookup") -> Iterator[tuple[str, str]]:
    for name in hookup.links:
        link = job.fixture.links[name]
        yield f"plug {name}, in every channel", f"from {link.from_net} to {link.to_net}"
