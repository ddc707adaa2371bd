"""What a study and the checks of a bench print, within eighty columns; and the same as JSON values."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from harness.cli.terminal import hanging, printable, wrapped
from harness.records.history import labels
from harness.session.admission import Golden, KnownBad
from harness.statistics.batch import plain
from harness.statistics.drift import Shift
from harness.statistics.gauge import By, Crossing, ReadingStudy
from harness.units import counted, format_difference, format_value

SHOWN = 20
STUDY_MEANS = (
    "repeat.: sigma of the same unit run again by the same {by}; reproduc.: sigma from {by} to {by}; the "
    "bench's sigma is both together.",
    "% of tol.: six sigmas of the bench, of the limits' width, or of twice the distance from the mean to the "
    "only limit; at most: the upper end of its 95 % interval, far up where few {by}s took part. Below 10 % "
    "is good, above 30 % unfit.",
    "study: the bench's sigma, of the sigma of all these values. Units that are all alike bring it to 100 %, "
    "however good the bench.",
    "ndc: number of distinct categories, into how many groups the bench could sort these units: 1.41 times "
    "the sigma of the units over that of the bench, rounded down. 5 or more tell units apart; units that are "
    "all alike leave few to a good bench. (AIAG MSA, 4th edition)",
)


@dataclass(frozen=True, kw_only=True)
class StudyResult:
    """A study of the bench: of which part, by which runs, and what came of every reading.

    name: "" for one without. by: what the runs differ by.
    """

    part: str
    simulated: bool
    name: str
    by: By
    crossing: Crossing
    readings: Sequence[ReadingStudy]


def study_lines(study_result: StudyResult) -> Iterator[str]:
    """A line for each reading, the largest share of its tolerance first."""
    crossing, result, by = study_result.crossing, study_result.readings, study_result.by
    simulated = "   SIMULATED" if study_result.simulated else ""
    named = f" {printable(study_result.name)}" if study_result.name else ""
    yield f"Gauge study{named}: {printable(study_result.part)}{simulated}"
    yield from wrapped(
        f"{counted(len(crossing.units), 'unit')} ({', '.join(map(printable, crossing.units))}) by "
        f"{len(crossing.appraisers)} {by}s ({', '.join(map(printable, crossing.appraisers))}), "
        f"{crossing.trials} times each; crossed, analysis of variance"
    )
    if crossing.left_out:
        yield f"left out, since they don't fit into the crossed study: {counted(crossing.left_out, 'run')}"
    studied = [reading for reading in result if reading.study is not None]
    yield ""
    yield f"Readings, the worst first ({min(SHOWN, len(studied))} of {len(studied)})"
    yield "% of tol.  at most  study ndc     repeat.   reproduc.  reading"
    names = labels(reading.key for reading in result)
    for reading in studied[:SHOWN]:
        yield from _study_lines(reading, names[reading.key])
    if len(studied) > SHOWN:
        yield f"and {len(studied) - SHOWN} more; --json has them all"
    reasons = sorted({reading.reason for reading in result if reading.study is None})
    for reason in reasons:
        count = sum(reading.reason == reason for reading in result)
        yield from wrapped(f"{counted(count, 'reading')} without a study: {reason}")
    yield ""
    for means in STUDY_MEANS:
        yield from wrapped(means.format(by=by))


def _study_lines(reading: ReadingStudy, label: str) -> Iterator[str]:
    study, unit = reading.study, reading.unit
    if study is None:
        return
    share = study.gauge.tolerance_percent
    most = None
    if share is not None and study.gauge.sigma > 0:
        most = share * study.gauge_high / study.gauge.sigma
    start = (
        f"{'' if share is None else f'{share:.2f} %':>9} "
        f"{'' if most is None else f'{math.ceil(most)} %':>8} {study.gauge.study_percent:4.0f} % "
        f"{study.categories:3d} {format_difference(study.repeatability.sigma, unit):>11} "
        f"{format_difference(study.reproducibility.sigma, unit):>11}  "
    )
    caveats = f" ({'; '.join(study.caveats)})" if study.caveats else ""
    yield from hanging(start, label + caveats)


def study_to_json(result: StudyResult) -> dict[str, Any]:
    """Keys: part, simulated, study, by, units, appraisers, trials, left_out, runs, readings.

    runs: numbers by unit, appraiser and trial. readings: key, study (the fields of `GaugeStudy`, null if
    there is none), reason.
    """
    crossing = result.crossing
    return {
        "part": result.part,
        "simulated": result.simulated,
        "study": result.name,
        "by": result.by,
        "units": list(crossing.units),
        "appraisers": list(crossing.appraisers),
        "trials": crossing.trials,
        "left_out": crossing.left_out,
        "runs": plain(crossing.runs),
        "readings": [plain(reading) for reading in result.readings],
    }


def golden_lines(result: Golden) -> Iterator[str]:
    """Whether the bench reads as before, and which readings moved."""
    word = "BENCH OK" if result.check.good else "BENCH DRIFTED" if result.moved else "BENCH NOT OK"
    yield ""
    yield printable(f"{word}  bench {result.bench!r} by golden unit {result.serial}, run {result.run_id}")
    yield from wrapped(printable(f"{result.check.why}."))
    if result.history:
        yield (
            f"{counted(len(result.shifts), 'reading')} against {counted(len(result.history), 'earlier run')}"
        )
    elif result.check.good:
        reason = f" anew: {result.check.new_history}" if result.check.new_history else ""
        yield from wrapped(printable(f"With this run its history begins{reason}."))
    if result.moved:
        yield ""
        yield "      moved by  from its mean     claimed  reading"
        labels_of = labels(shift.key for shift in result.shifts)
        for shift in result.moved[:SHOWN]:
            yield from _shift_lines(shift, labels_of[shift.key])
        if len(result.moved) > SHOWN:
            yield f"and {len(result.moved) - SHOWN} more; --json has them all"
    if not result.check.good:
        yield from wrapped(
            "Runs and batches are refused on this bench until a check is good again. Check leads, plugs, "
            "loads and probes, then the golden unit. If the bench was changed on purpose, --new-history "
            "REASON starts a new history with the next check."
        )


def _shift_lines(shift: Shift, label: str) -> Iterator[str]:
    unit = shift.unit
    moved = "no value" if shift.shift is None else format_difference(shift.shift, unit)
    below = f", now below {format_value(shift.value, unit)}" if shift.is_bound and shift.value else ""
    mean = format_value(shift.mean, unit, digits=3) if unit else f"{shift.mean:.3g}"
    start = f"  {moved:>12} {mean:>14} {format_difference(shift.expanded, unit):>11}  "
    text = "" if shift.p is None else f", p {shift.p:.2g}"
    yield from hanging(start, label + text + below)


def golden_to_json(result: Golden) -> dict[str, Any]:
    """Keys: serial, bench, run, outcome, bench_ok, why, new_history, history (runs), shifts.

    shifts: the fields of `Shift`, and shift.
    """
    return {
        "serial": result.serial,
        "bench": result.bench,
        "run": result.run_id,
        "outcome": result.outcome,
        "bench_ok": result.check.good,
        "why": result.check.why,
        "new_history": result.check.new_history,
        "history": list(result.history),
        "shifts": [plain(shift) | {"shift": shift.shift} for shift in result.shifts],
    }


def known_bad_lines(result: Sequence[KnownBad], missed: Mapping[tuple[str, str], str]) -> Iterator[str]:
    """A line for each known fault, and whether all of them failed and were named.

    missed: serial numbers and faults that were not tested, since the sequence misses them, and why.
    """
    good = sum(fault.good for fault in result)
    yield ""
    if result:
        yield "   run verdict   known fault, and what was named where that is another"
    for fault in result:
        start = f"{fault.run_id:6d} {fault.outcome.upper():<8}  "
        yield from hanging(start, f"{fault.serial}, {fault.fault}{_beside(fault)}")
    if result:
        word = "SEES ALL" if good == len(result) else "DOES NOT SEE ALL"
        yield f"{word}  {good} of {len(result)} known faults failed and were named"
    if not missed:
        return
    yield from wrapped(
        f"{counted(len(missed), 'fault')} missed by the sequence and not tested, which says nothing about "
        "the bench. `switchwalk coverage` prints what would detect them."
    )
    for (serial, fault_name), why in missed.items():
        yield from hanging("  ", f"{serial}, {fault_name}: {why}")


def _beside(fault: KnownBad) -> str:
    if not fault.named:
        return ": none named"
    if fault.named[0] == fault.fault:
        return f" (or {len(fault.named) - 1} not told apart)" if len(fault.named) > 1 else ""
    kind = "among" if fault.good else "named"
    return f": {kind} {', '.join(fault.named[:4])}{' …' if len(fault.named) > 4 else ''}"


def known_bad_to_json(result: Sequence[KnownBad], missed: Mapping[tuple[str, str], str]) -> dict[str, Any]:
    """Keys: good; faults: serial, fault, run, outcome, named, good; missed: serial, fault, why."""
    return {
        "good": all(fault.good for fault in result),
        "faults": [_known_bad(fault) for fault in result],
        "missed": [{"serial": serial, "fault": fault, "why": why} for (serial, fault), why in missed.items()],
    }


def _known_bad(fault: KnownBad) -> dict[str, Any]:
    content = asdict(fault)
    return {"run": content.pop("run_id")} | content | {"named": list(fault.named), "good": fault.good}
