"""How a run ends for the person who started it: its report, its worst readings, one line with the verdict."""

import json
from collections import Counter
from typing import TYPE_CHECKING

import typer

from harness.cli.wrapping import say
from harness.units import counted

if TYPE_CHECKING:
    from harness.report.explanation import Explained
    from harness.session.run import Ended
    from harness.workbench.report import Reported

WORST_SHOWN = 5


def say_likely(found: "Explained | None", run_id: int, outcome: str) -> None:
    """What would explain a failed run best, in two or three lines, or what would tell."""
    if found is None:
        if outcome == "fail":
            say(f"`switchwalk diagnose {run_id}` tells the likely fault, after a moment.", indent=2)
        return
    if not found.names:
        say("No single fault of the list explains this; `switchwalk diagnose` tries pairs.", indent=2)
        return
    name, words = found.explanation.groups[0].faults[0]
    say(f"most likely: {name} ({found.explanation.groups[0].likelihood})", indent=2)
    say(words, indent=15, hang=0)
    if len(found.names) > 1:
        say(f"not told apart from: {', '.join(found.names[1:])}", indent=2)


def say_outcome(run_id: int, serial: str, ended: "Ended", reported: "Reported", *, as_json: bool) -> None:
    """The worst readings, the likely fault, the report's path, and one line with the verdict."""
    from harness.report.words import reading_line, worst_first

    counts = Counter(reading.verdict for reading in ended.readings)
    if as_json:
        summary = {
            "run": run_id,
            "serial": serial,
            "outcome": ended.outcome,
            "reason": ended.reason,
            "readings": dict(counts),
            "report": str(reported.page),
            "likely": [] if reported.found is None else list(reported.found.names),
        }
        typer.echo(json.dumps(summary, ensure_ascii=False))
        return
    typer.echo(f"\nworst of {counted(len(ended.readings), 'reading')}:")
    for reading in worst_first(ended.readings)[:WORST_SHOWN]:
        say(reading_line(reading), indent=2)
    if ended.reason:
        say(ended.reason, hang=0)
    say_likely(reported.found, run_id, ended.outcome)
    typer.echo(f"report: {reported.page}")
    said = ", ".join(f"{count} {verdict}" for verdict, count in sorted(counts.items()))
    typer.echo(f"{ended.outcome.upper()}  unit {serial}, run {run_id}: {said or 'no readings'}")
