"""How a run ends for the person who started it, and a batch: one word across the room, lines, or JSON."""

import os
import shutil
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import typer

from harness.cli.terminal import WIDTH, hanging, print_json, printable, say, wrapped
from harness.errors import EXIT_BENCH, EXIT_FAIL, EXIT_PASS, EXIT_UNPROVEN, EXIT_USAGE, SwitchwalkError
from harness.reading import Reading
from harness.records.run import Extent, Outcome
from harness.report.explanation import Explained, percent
from harness.report.run_report import RunReport
from harness.report.words import EXTENT_WORDS, reading_line, worst_first
from harness.session.unit_run import RunResult
from harness.units import counted

EXIT_OF = {"pass": EXIT_PASS, "fail": EXIT_FAIL, "unproven": EXIT_UNPROVEN, "stopped": EXIT_BENCH}
WORST_SHOWN = 5
MOST_NAMED = 4  # faults that can't be told apart
LONGEST_SERIAL_SHOWN = 16


def say_likely(result: Explained | None, run_id: int, outcome: str) -> None:
    """What would explain a failed run best, in two or three lines, or what would tell."""
    if result is None:
        if outcome == "fail":
            say(f"`switchwalk diagnose {run_id}` tells the likely fault.", indent=2)
        return
    if not result.names:
        say("No single fault on the list explains this; `switchwalk diagnose` tries pairs.", indent=2)
        return
    group = result.explanation.groups[0]
    alone = len(group.faults) == 1
    if not alone:
        say(
            f"most likely one of these {len(group.faults)}, which the readings can't tell apart "
            f"({group.likelihood} together); `switchwalk diagnose {run_id}` prints where to probe:",
            indent=2,
        )
    for name, words in group.faults[:MOST_NAMED]:
        say(f"most likely: {name} ({group.likelihood})" if alone else name, indent=2 if alone else 4)
        say(words, indent=15 if alone else 6, hang=0)
    if len(group.faults) > MOST_NAMED:
        say(f"… and {len(group.faults) - MOST_NAMED} more", indent=4)


def say_worst(readings: Sequence[Reading], count: int) -> None:
    """The worst of these readings, a line each."""
    for reading in worst_first(readings)[:count]:
        say(reading_line(reading), indent=2)


def say_outcome(result: RunResult, serial: str, report: RunReport, *, as_json: bool) -> None:
    """The worst readings, the likely fault, the report's path, and one line with the verdict."""
    counts = Counter(reading.verdict for reading in result.readings)
    if as_json:
        summary = {
            "run": result.run_id,
            "serial": serial,
            "outcome": result.outcome,
            "reason": result.reason,
            "extent": result.extent,
            "readings": dict(counts),
            "report": str(report.page),
            "likely": [] if report.result is None else list(report.result.names),
        }
        print_json(summary, indent=None)
        return
    typer.echo(f"\nworst of {counted(len(result.readings), 'reading')}:")
    say_worst(result.readings, WORST_SHOWN)
    if result.reason:
        say(result.reason, hang=0)
    say_likely(report.result, result.run_id, result.outcome)
    typer.echo(f"report: {report.page}")
    message = ", ".join(f"{count} {verdict}" for verdict, count in sorted(counts.items()))
    extent = "" if result.extent == "whole" else f" ({EXTENT_WORDS[result.extent]})"
    typer.echo(
        f"{result.outcome.upper()}  unit {serial}, run {result.run_id}: {message or 'no readings'}{extent}"
    )


@dataclass(frozen=True, kw_only=True)
class UnitResult:
    """One unit of a batch.

    faults: not told apart, the likeliest first; () if none is named. injected: the simulated fault, "" for
    none. seconds: of the run; ready_s: from its verdict until the next unit could come. extent: how much of
    the sequence it measured. unseen: whether a whole run failed by readings alone that no shortest run takes.
    """

    serial: str
    run_id: int
    outcome: Outcome
    reason: str
    faults: tuple[str, ...] = ()
    probability: float = 0.0
    injected: str
    seconds: float
    ready_s: float = 0.0
    retest: int
    report: str = ""
    extent: Extent = "whole"
    unseen: bool = False


@dataclass(frozen=True, kw_only=True)
class Refused:
    """A serial number of which no unit was tested, and why."""

    serial: str
    why: str


@dataclass(kw_only=True)
class BatchResult:
    """A batch and what became of its units. seed: that drew the simulated faults, None if none were drawn."""

    name: str
    part: str
    simulated: bool
    operator: str | None
    seed: int | None
    units: list[UnitResult] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """The worst of it: bench trouble, a failed unit, an unproven one, a refused serial number."""
        outcomes = {unit.outcome for unit in self.units}
        for outcome in ("stopped", "fail", "unproven"):
            if outcome in outcomes:
                return EXIT_OF[outcome]
        return EXIT_USAGE if self.refused or not outcomes else EXIT_PASS

    def left_of(self, wanted: Sequence[str]) -> list[str]:
        """Serial numbers of a list that nothing became of."""
        ended = {unit.serial for unit in self.units} | {refused.serial for refused in self.refused}
        return [serial for serial in wanted if serial not in ended]


def summary_lines(batch: BatchResult, left: Sequence[str]) -> Iterator[str]:
    """The table of a batch, within eighty columns, and its totals."""
    results = batch.units
    named = f" {printable(batch.name)}" if batch.name else ""
    simulated = "   SIMULATED" if batch.simulated else ""
    serials = {unit.serial for unit in results}
    runs = f" in {len(results)} runs" if len(serials) < len(results) else ""
    yield f"Batch{named}: {printable(batch.part)}, {counted(len(serials), 'unit')}{runs}{simulated}"
    if batch.seed is not None:
        yield f"simulated faults were drawn with --seed {batch.seed}"
    if results:
        width = min(LONGEST_SERIAL_SHOWN, max(6, *(len(unit.serial) for unit in results)))
        yield f"{'serial':<{width}} {'run':>5} {'verdict':<8} {'time':>7}  likely fault"
        for unit in results:
            yield from _unit_lines(unit, width)
    counts = sorted(Counter(unit.outcome for unit in results).items())
    text = ", ".join(f"{count} {outcome}" for outcome, count in counts)
    yield f"{text or 'no unit was run'}{_escapes(results)}"
    if results:
        yield (
            f"ready for the next after {max(unit.ready_s for unit in results):.1f} s at most, "
            f"{sum(unit.ready_s for unit in results) / len(results):.1f} s on average"
        )
    yield from _extent_lines(results)
    if batch.refused:
        yield f"not tested, for the reasons above: {len(batch.refused)}"
    if left:
        yield from wrapped(f"not run: {', '.join(map(printable, left))}")


def _unit_lines(unit: UnitResult, width: int) -> Iterator[str]:
    serial = printable(unit.serial)
    serial = serial if len(serial) <= width else serial[: width - 1] + "~"
    start = f"{serial:<{width}} {unit.run_id:5d} {unit.outcome.upper():<8} {unit.seconds:5.1f} s  "
    messages = []
    if unit.faults:
        more = f" or {len(unit.faults) - 1} more" if len(unit.faults) > 1 else ""
        messages.append(f"{unit.faults[0]}{more} ({percent(unit.probability)})")
    elif unit.outcome == "stopped":
        messages.append(unit.reason)
    if unit.injected:
        named = unit.faults[:1] == (unit.injected,)
        messages.append("[as injected]" if named else f"[injected: {unit.injected}]")
    if unit.extent != "whole":
        messages.append(f"({EXTENT_WORDS[unit.extent]})")
    if unit.retest:
        messages.append(f"(retest {unit.retest})")
    yield from hanging(start, " ".join(messages))


def _extent_lines(results: Sequence[UnitResult]) -> Iterator[str]:
    """How many runs were not whole, and what the whole ones among them say of that."""
    counts = Counter(unit.extent for unit in results)
    if counts.total() == counts["whole"]:
        return
    yield "; ".join(f"{EXTENT_WORDS[name]}: {counts[name]}" for name in EXTENT_WORDS if counts[name])
    unseen = [unit.serial for unit in results if unit.unseen]
    if unseen:
        yield from wrapped(
            "whole runs that failed only by what a shortest run does not measure: "
            + ", ".join(map(printable, unseen))
        )


def _escapes(results: Sequence[UnitResult]) -> str:
    """How the injected faults fared: failed, and named."""
    faulty = [unit for unit in results if unit.injected]
    if not faulty:
        return ""
    caught = [unit for unit in faulty if unit.outcome == "fail"]
    named = sum(unit.injected in unit.faults for unit in caught)
    return f"; of {counted(len(faulty), 'injected fault')} {len(caught)} failed their unit, {named} named"


def batch_to_json(batch: BatchResult, left: Sequence[str], trouble: SwitchwalkError | None) -> dict[str, Any]:
    """Keys: batch, part, simulated, operator, seed, units, counts, not_tested, not_run, stopped.

    units: the fields of `UnitResult`, `run` for its run_id. not_tested: serial, why. stopped: why the batch
    ended before its end, null if it did not.
    """
    return {
        "batch": batch.name,
        "part": batch.part,
        "simulated": batch.simulated,
        "operator": batch.operator,
        "seed": batch.seed,
        "units": [_unit(unit) for unit in batch.units],
        "counts": dict(Counter(unit.outcome for unit in batch.units)),
        "not_tested": [asdict(refused) for refused in batch.refused],
        "not_run": list(left),
        "stopped": None if trouble is None else str(trouble),
    }


def _unit(unit: UnitResult) -> dict[str, Any]:
    content = asdict(unit)
    return {"serial": unit.serial, "run": content.pop("run_id")} | content


_LETTERS = {
    "A": (" ### ", "#   #", "#   #", "#####", "#   #", "#   #", "#   #"),
    "D": ("#### ", "#   #", "#   #", "#   #", "#   #", "#   #", "#### "),
    "E": ("#####", "#    ", "#    ", "#### ", "#    ", "#    ", "#####"),
    "F": ("#####", "#    ", "#    ", "#### ", "#    ", "#    ", "#    "),
    "I": ("#####", "  #  ", "  #  ", "  #  ", "  #  ", "  #  ", "#####"),
    "L": ("#    ", "#    ", "#    ", "#    ", "#    ", "#    ", "#####"),
    "N": ("#   #", "##  #", "##  #", "# # #", "#  ##", "#  ##", "#   #"),
    "O": (" ### ", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "P": ("#### ", "#   #", "#   #", "#### ", "#    ", "#    ", "#    "),
    "R": ("#### ", "#   #", "#   #", "#### ", "# #  ", "#  # ", "#   #"),
    "S": (" ####", "#    ", "#    ", " ### ", "    #", "    #", "#### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#   #", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "V": ("#   #", "#   #", "#   #", "#   #", " # # ", " # # ", "  #  "),
}
PITCH = 6  # columns of a letter with the gap after it
WIDEST = 3
_COLOURS = {"PASS": "green", "FAIL": "red", "UNPROVEN": "yellow", "STOPPED": "yellow"}


def banner_lines(word: str, width: int = WIDTH) -> Iterator[str]:
    """A word in block letters, as wide as the columns allow; the plain word if they are too narrow."""
    scale = min(WIDEST, (width + 1) // (PITCH * len(word)))
    if scale < 1:
        yield word
        return
    for row in range(7):
        line = " ".join(_LETTERS[letter][row] for letter in word)
        wide = "".join(character * scale for character in line).rstrip()
        yield from [wide] * (2 if scale == WIDEST else 1)


def show_banner(word: str) -> None:
    """Print a word big on standard output; in colour on a terminal that has any, unless NO_COLOR is set."""
    plain = bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") == "dumb"
    colour = _COLOURS[word] if sys.stdout.isatty() and not plain else None
    typer.echo("")
    for line in banner_lines(word, min(WIDTH, shutil.get_terminal_size().columns)):
        typer.echo(line if colour is None else typer.style(line, fg=colour, bold=True))
    typer.echo("")
