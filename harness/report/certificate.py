"""One page about a tested unit: what was measured, how well, with what, and what that does not claim."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.errors import UsageError
from harness.job.state import BECOMES
from harness.reading import Reading
from harness.records.in_part import InPart, in_part
from harness.records.run import RunRecord
from harness.records.store import RunStore
from harness.report import words
from harness.report.page_files import templates_in
from harness.statistics.yields import tests_of_units
from harness.units import format_difference, format_value

MOST_LINES = 20
"""So many lines fit on the page; with more, checks are taken together by what they measure."""

_MOST_NAMED = 8
_VERDICTS = ("pass", "fail", "unproven")


@dataclass(frozen=True, kw_only=True)
class CertificateLine:
    """Readings of one quantity of a check: where, within which limits, and the one closest to its limit."""

    title: str
    count: int
    not_passed: int
    tones: str
    worst: Reading
    worst_words: words.Words
    uncertainty: str  # the largest, expanded; "" if none is known


@dataclass(frozen=True, kw_only=True)
class Standing:
    """The run's seal in the ledger, and the unit's later run, if there is one.

    seal: digest of the run's last entry in the ledger. in_part: what the run did not measure of its sequence;
    None if it measured all.
    """

    seal: str
    later: RunRecord | None
    in_part: InPart | None = None


def certify(store: RunStore, run_id: int) -> str:
    """Make the page of a run as the records have it.

    Raises NoSuchRun, UsageError as `render_certificate` does, and RecordsError for a run that is not as it
    was recorded.
    """
    record = store.run(run_id)
    standing = Standing(
        seal=store.seal(run_id), later=_later(store, record), in_part=in_part(store.events(run_id))
    )
    text = render_certificate(record, store.readings(run_id), standing)
    store.refuse_edited(run_id, "No certificate is written")
    return text


def _later(store: RunStore, record: RunRecord) -> RunRecord | None:
    """The unit's latest run after this one that tested it and has a verdict."""
    header = record.header
    lines = store.lines(part=header.part, serial=header.serial, simulated=header.simulated)
    after = [line for line in tests_of_units(lines) if line.run_id > record.run_id]
    return store.run(after[-1].run_id) if after else None


def render_certificate(run: RunRecord, readings: Sequence[Reading], standing: Standing) -> str:
    """Make the page. Raises UsageError for a run that has no verdict or tested the bench and not a unit."""
    if run.outcome not in _VERDICTS or run.ended is None:
        raise UsageError(
            f"run {run.run_id} was {run.outcome} and has no verdict on unit {run.header.serial}: there is "
            f"nothing to certify. `switchwalk resume {run.run_id}` continues it, or test the unit again"
        )
    if run.header.purpose:
        what = "measured a part" if run.header.purpose == "custom tests" else "tested the bench"
        raise UsageError(
            f"run {run.run_id} {what} ({run.header.purpose}), not unit {run.header.serial}: "
            "there is nothing to certify. Run the unit"
        )
    here = Path(__file__).parent
    environment = templates_in(here)
    names = dict.fromkeys(reading.key.measurand.state for reading in readings)
    return environment.get_template("certificate.html").render(
        style=(here / "certificate.css").read_text(encoding="utf-8"),
        run=run,
        header=run.header,
        symbols=words.SYMBOLS,
        lines=_lines(readings),
        by_quantity=not _one_by_one(readings),
        states=_named(name for name in names if BECOMES not in name),
        changes=_named(name for name in names if BECOMES in name),
        ports=_named(dict.fromkeys(filter(None, (reading.key.measurand.pair for reading in readings)))),
        coverage=words.coverage_factors(readings),
        decision=words.DECISIONS[run.header.decision],
        meaning=_meaning(run, readings),
        not_claimed=_not_claimed(run, readings, standing.in_part),
        in_part=standing.in_part,
        seal=standing.seal,
        later=standing.later,
    )


def _meaning(run: RunRecord, readings: Sequence[Reading]) -> str:
    """The verdict in words; the run's own reason if no reading failed (an over-current did)."""
    by_itself = run.outcome == "fail" and all(reading.verdict != "fail" for reading in readings)
    message = run.reason if by_itself else ""
    return message[:1].upper() + message[1:] or words.OUTCOME_MEANS[run.outcome]


def _lines(readings: Sequence[Reading]) -> list[CertificateLine]:
    """A line for each quantity of each check: a check of gain judges silent ports by isolation."""
    names = {str(name): text for name, text in words.QUANTITIES_IN_WORDS.items()}
    one_by_one = _one_by_one(readings)
    groups: dict[tuple[str, str], list[Reading]] = {}
    for reading in readings:
        check, quantity = reading.key.check, reading.key.measurand.quantity
        groups.setdefault((check if one_by_one else "", quantity), []).append(reading)
    quantities_of = Counter(check for check, _ in groups)
    lines = []
    for (check, quantity), group in groups.items():
        words_of = (check, names.get(quantity, quantity))
        several = one_by_one and quantities_of[check] > 1
        title = ": ".join(words_of) if several else next(filter(None, words_of))
        lines.append(_line(title, group))
    return lines


def _one_by_one(readings: Sequence[Reading]) -> bool:
    """Whether each quantity of each check has a line of its own, and not only each quantity."""
    return len({(reading.key.check, reading.key.measurand.quantity) for reading in readings}) <= MOST_LINES


def _line(title: str, group: Sequence[Reading]) -> CertificateLine:
    worst = words.worst_first(group)[0]
    known = [
        half
        for reading in group
        if reading.unit == worst.unit
        and reading.estimate is not None
        and not reading.estimate.floor
        and (half := words.half_interval(reading.estimate)) is not None
    ]
    largest = max(known, default=0.0)
    return CertificateLine(
        title=title,
        count=len(group),
        not_passed=sum(reading.verdict != "pass" for reading in group),
        tones=_tones(group),
        worst=worst,
        worst_words=words.describe(worst),
        uncertainty=format_difference(largest, worst.unit, digits=2) if largest and worst.unit else "",
    )


def _tones(group: Iterable[Reading]) -> str:
    tones_hz = (reading.key.measurand.frequency_hz for reading in group)
    result = sorted({hz for hz in tones_hz if hz is not None})
    if len(result) > 3:
        return (
            f"{format_value(result[0], 'Hz')} to {format_value(result[-1], 'Hz')}, {len(result)} frequencies"
        )
    return ", ".join(format_value(hz, "Hz") for hz in result)


def _named(names: Iterable[str]) -> str:
    """Names in a line, as many as fit, and how many in all; "" if there are none."""
    all_of_them = list(names)
    if not all_of_them:
        return ""
    more = len(all_of_them) - _MOST_NAMED
    shown = ", ".join(all_of_them[:_MOST_NAMED])
    return f"{len(all_of_them)}: {shown}" + (f" and {more} more, listed in the report" if more > 0 else "")


def _not_claimed(run: RunRecord, readings: Sequence[Reading], left: InPart | None) -> list[str]:
    not_measured = [] if left is None else [f"Readings not measured: {'; '.join(left.lines)}."]
    return [
        *not_measured,
        "This is the maker's own test record. It is not a calibration and not by an accredited laboratory, "
        "and it is traceable only as far as the owner of the instruments can show.",
        "Nothing is claimed for any state, port, frequency or level that is not named here, for any other "
        "unit of this kind, or for another time or temperature.",
        *words.not_claimed(run.header, (reading.key.measurand.quantity for reading in readings)),
    ]
