"""A batch at its end: a line for each unit within eighty columns, or JSON."""

import json
import textwrap
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from harness.cli.batch_units import UnitResult, Units
from harness.cli.wrapping import WIDTH, printable
from harness.errors import SwitchwalkError
from harness.report.explanation import percent
from harness.units import counted

LONGEST_SERIAL_SHOWN = 16


def summary_lines(units: Units, left: Sequence[str], *, seed: int | None) -> Iterator[str]:
    """The table of a batch, and what it comes to."""
    results, errand = units.results, units.errand
    named = f" {printable(errand.batch)}" if errand.batch else ""
    simulated = "   SIMULATED" if errand.simulated else ""
    count = counted(len({one.serial for one in results}), "unit")
    runs = f" in {len(results)} runs" if len({one.serial for one in results}) < len(results) else ""
    yield f"Batch{named}: {printable(errand.job.module.part)}, {count}{runs}{simulated}"
    if seed is not None:
        yield f"simulated faults were drawn with --seed {seed}"
    if results:
        width = min(LONGEST_SERIAL_SHOWN, max(6, *(len(one.serial) for one in results)))
        yield f"{'serial':<{width}} {'run':>5} {'verdict':<8} {'time':>7}  fault named"
        for one in results:
            yield from _unit_lines(one, width)
    yield f"{_counts(results)}{_escapes(results)}"
    if results:
        yield (
            f"ready for the next after {max(one.ready_s for one in results):.1f} s at most, "
            f"{sum(one.ready_s for one in results) / len(results):.1f} s on average"
        )
    if units.refused:
        yield f"not tested, for the reasons given: {len(units.refused)}"
    if left:
        yield from textwrap.wrap(f"not run: {', '.join(map(printable, left))}", WIDTH, subsequent_indent="  ")


def _unit_lines(one: UnitResult, width: int) -> Iterator[str]:
    serial = printable(one.serial)
    serial = serial if len(serial) <= width else serial[: width - 1] + "~"
    start = f"{serial:<{width}} {one.run_id:5d} {one.outcome.upper():<8} {one.seconds:5.1f} s  "
    told = []
    if one.faults:
        more = f" or {len(one.faults) - 1} more" if len(one.faults) > 1 else ""
        told.append(f"{one.faults[0]}{more} ({percent(one.probability)})")
    elif one.outcome == "stopped":
        told.append(one.reason)
    if one.injected:
        told.append(f"[{_beside(one)}]")
    if one.retest:
        told.append(f"(retest {one.retest})")
    yield from textwrap.wrap(
        printable(" ".join(told)), WIDTH, initial_indent=start, subsequent_indent=" " * len(start)
    ) or [start.rstrip()]


def _beside(one: UnitResult) -> str:
    """What was injected, against what was named."""
    if one.faults and one.injected == one.faults[0]:
        return "as injected"
    return f"injected: {one.injected}"


def _counts(results: Sequence[UnitResult]) -> str:
    counts = Counter(one.outcome for one in results)
    told = ", ".join(f"{count} {outcome}" for outcome, count in sorted(counts.items()))
    return told or "no unit was run"


def _escapes(results: Sequence[UnitResult]) -> str:
    """How the injected faults fared: failed, and named."""
    faulty = [one for one in results if one.injected]
    if not faulty:
        return ""
    caught = [one for one in faulty if one.outcome == "fail"]
    named = sum(one.injected in one.faults for one in caught)
    return f"; of {counted(len(faulty), 'injected fault')} {len(caught)} failed their unit, {named} named"


def batch_to_json(
    units: Units, left: Sequence[str], trouble: SwitchwalkError | None, *, seed: int | None
) -> str:
    """Keys: batch, part, simulated, operator, seed, units, counts, not_tested, not_run, stopped.

    units: the fields of `UnitResult`, `run` for its run_id. not_tested: serial, why. stopped: why the batch
    ended before its end, null where it did not.
    """
    results, errand = units.results, units.errand
    content: dict[str, Any] = {
        "batch": errand.batch,
        "part": errand.job.module.part,
        "simulated": errand.simulated,
        "operator": errand.operator,
        "seed": seed,
        "units": [_unit(one) for one in results],
        "counts": dict(Counter(one.outcome for one in results)),
        "not_tested": [asdict(one) for one in units.refused],
        "not_run": list(left),
        "stopped": None if trouble is None else str(trouble),
    }
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False)


def _unit(one: UnitResult) -> dict[str, Any]:
    content = asdict(one)
    return {"serial": one.serial, "run": content.pop("run_id")} | content
