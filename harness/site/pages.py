"""From units, batches and what is under way to the text of pages; the same for files and served live."""

import base64
import hashlib
from collections.abc import Callable, Iterable, Mapping, Set
from dataclasses import dataclass
from datetime import datetime
from functools import cache, cached_property, lru_cache
from pathlib import Path
from typing import Any

import jinja2
from markupsafe import Markup, escape

from harness.records.history import RunDetail, RunLine
from harness.records.run import INTERRUPTED
from harness.report.page_files import templates_in
from harness.report.words import EXTENT_WORDS, OUTCOME_MEANS, SYMBOLS
from harness.site.model import Catalogue, Unit
from harness.site.study import BatchStudy, UnitView
from harness.statistics.yields import YIELD_DEFINITION, Proportion
from harness.units import difference_unit, format_value

LIMIT_DECIMALS = 3  # of a limit in dB or degrees: what is derived from a prediction has more
_RATIOS = ("dB", "dBu", "dBV", "deg")  # that are written without a prefix
HERE = Path(__file__).parent
MOST_GOING = 5
_MEANING = {
    **OUTCOME_MEANS,
    INTERRUPTED: "The run has not finished: it is running, or was interrupted. There is no verdict yet.",
}
DOCUMENTS = ("reports", "certificates")
"""The folders of what there may be of a run beside the records."""


def in_words(outcome: str) -> str:
    """An outcome or a verdict as pages call it: a run that has not ended may be under way as well."""
    return "not ended" if outcome == INTERRUPTED else outcome


@cache
def mark(outcome: str) -> Markup:
    """An outcome or a verdict by sign, word and colour."""
    return Markup(f'<span class="mark {outcome}">{SYMBOLS[outcome]} {in_words(outcome)}</span>')


def moment(time: datetime) -> Markup:
    """A time in UTC, to the minute."""
    return Markup(f'<time datetime="{time.isoformat(timespec="seconds")}">{time:%Y-%m-%d %H:%M}</time>')


def sign_of_life(time: datetime) -> Markup:
    """A time in UTC, to the second."""
    return Markup(f'<time datetime="{time.isoformat(timespec="seconds")}">{time:%Y-%m-%d %H:%M:%S}</time>')


@lru_cache(maxsize=4096)
def breakable(text: str) -> Markup:
    """A reading's or a state's name that may be broken at its signs; thousands of pages share them."""
    return escape(text).replace("+", "+\u200b")


def share(result: Proportion) -> str:
    """A yield with its limits."""
    if result.value is None:
        return "–"
    return f"{100 * result.value:.1f} % ({100 * result.low:.0f} to {100 * result.high:.0f})"


def number(value: float | None, unit: str) -> str:
    """A figure of a batch: more decimals than a reading has, since many were averaged."""
    if value is None:
        return ""
    if unit in _RATIOS:
        text = f"{value:.3g} {unit}" if abs(value) < 1 else f"{value:.3f} {unit}"
    elif unit == "":
        text = f"{value:+.3g}"
    else:
        text = format_value(value, unit)
    return text.replace("-", "−")


def limits(low: float | None, high: float | None, unit: str) -> str:
    """The limits of a reading, to as many decimals as its report has them."""
    if low is not None and high is not None:
        return f"{_end(low, unit)} to {_end(high, unit)}"
    if high is not None:
        return f"at most {_end(high, unit)}"
    return "" if low is None else f"at least {_end(low, unit)}"


def _end(value: float, unit: str) -> str:
    if unit not in _RATIOS:
        return number(value, unit)
    return f"{round(value, LIMIT_DECIMALS):g} {unit}".replace("-", "−")


@dataclass(frozen=True, kw_only=True)
class UnitSearch:
    """What the list of units is narrowed to: words that all must occur, and units that have not passed."""

    words: str = ""
    not_passed: bool = False

    def keeps(self, unit: Unit) -> bool:
        """Whether a unit is searched for, by what its line in the list says."""
        run = unit.stands
        if self.not_passed and run.outcome == "pass":
            return False
        simulated = "simulated" if unit.key.simulated else ""
        day = f"{unit.runs[-1].started:%Y-%m-%d %H:%M}"
        outcome = in_words(run.outcome)
        if run.extent != "whole":
            outcome = f"{outcome}, {EXTENT_WORDS[run.extent]}"
        line = f"{unit.key.serial} {outcome} {unit.key.part} {run.revision} {run.batch} {simulated} {day}"
        return all(word in line.casefold() for word in self.words.casefold().split())


EVERY_UNIT = UnitSearch()


class Pages:
    """Makes pages. `has` says whether there is a document of a run, one of DOCUMENTS.

    live: pages keep themselves up to date, which takes a server; else they are files.
    """

    def __init__(self, has: Callable[[str, RunLine], bool], *, live: bool = False) -> None:
        self._has = has
        self._live = live

    @property
    def style(self) -> str:
        """The style sheet, which every page asks for as `style.css` at the top."""
        return _read("site.css")

    @property
    def policy(self) -> str:
        """What a browser may do with these pages: run the scripts that are ours, and fetch nothing else."""
        return _policy(self._scripts(index=True), live=self._live)

    def index(
        self,
        catalogue: Catalogue,
        details: Mapping[int, RunDetail],
        *,
        search: UnitSearch = EVERY_UNIT,
        state: str = "",
        newer: Set[str] | None = None,
    ) -> str:
        """Make the page of all units. details: of the runs that have not ended, as `going` gives them.

        newer: for a page that has all other units already, the names of the pages of those that it lacks.
        """
        wanted = search.words or search.not_passed
        units = [unit for slug, unit in catalogue.units.items() if newer is None or slug in newer]
        shown = [unit for unit in units if not wanted or search.keeps(unit)]
        return self._render(
            "index.html",
            index=True,
            state=state,
            catalogue=catalogue,
            shown=shown,
            newer=newer is not None,
            q=search.words,
            bad=search.not_passed,
            going=list(_going(catalogue, details)),
            up_to=next((unit.runs[-1] for unit in catalogue.units.values()), None),
        )

    def now(self, catalogue: Catalogue, details: Mapping[int, RunDetail]) -> str:
        """Make the part of the index that says what is under way."""
        return self._templates.get_template("now.html").render(going=list(_going(catalogue, details)))

    def unit(self, view: UnitView, *, batch_slug: str, state: str = "") -> str:
        """Make the page of a unit. batch_slug: "" where its runs belong to no batch."""
        return self._render(
            "unit.html",
            state=state,
            root="../",
            view=view,
            up_to=view.unit.runs[-1],
            batch_slug=batch_slug,
            documents=self._documents,
            meaning=_MEANING,
        )

    def batch(self, study: BatchStudy, *, state: str = "") -> str:
        """Make the page of a batch."""
        return self._render(
            "batch.html",
            state=state,
            root="../",
            study=study,
            up_to=study.batch.latest,
            definition=YIELD_DEFINITION,
        )

    def _documents(self, run: RunLine) -> list[tuple[str, str]]:
        """The documents that there are of a run: in a word, and the address from the site's top."""
        words = ("report", "certificate" if run.outcome == "pass" else "test record")
        named = zip(words, DOCUMENTS, strict=True)
        return [(word, document_name(kind, run.run_id)) for word, kind in named if self._has(kind, run)]

    def _render(self, name: str, *, index: bool = False, root: str = "", **content: Any) -> str:
        scripts = self._scripts(index=index)
        return self._templates.get_template(name).render(
            root=root,
            live=self._live,
            scripts=scripts,
            policy=_policy(scripts, live=self._live),
            **content,
        )

    def _scripts(self, *, index: bool) -> list[str]:
        names = ["filter.js"] * index + ["live.js"] * self._live
        return [_read(name) for name in names]

    @cached_property
    def _templates(self) -> jinja2.Environment:
        environment = templates_in(HERE)
        environment.globals["symbols"] = SYMBOLS
        environment.globals["extents"] = EXTENT_WORDS
        for write in (
            in_words, mark, moment, sign_of_life, breakable, share, number, limits, difference_unit,
        ):  # fmt: skip
            environment.filters[write.__name__] = write
        return environment


def document_name(kind: str, run_id: int) -> str:
    """Where a document of a run is, from the site's top."""
    return f"{kind}/run-{run_id:05d}.html"


def going(catalogue: Catalogue) -> list[int]:
    """The runs that have not ended and are shown as such, the latest first."""
    return [run.run_id for run in catalogue.open[:MOST_GOING]]


def _going(
    catalogue: Catalogue, details: Mapping[int, RunDetail]
) -> Iterable[tuple[RunLine, RunDetail, str]]:
    for run in catalogue.open[:MOST_GOING]:
        if run.run_id in details:
            yield run, details[run.run_id], f"units/{catalogue.unit_of(run).slug}.html"


def _policy(scripts: Iterable[str], *, live: bool) -> str:
    digests = [base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() for script in scripts]
    allowed = ["default-src 'none'", "style-src 'self' file: 'unsafe-inline'", "img-src data:"]
    allowed += ["script-src " + " ".join(f"'sha256-{digest}'" for digest in digests)] if digests else []
    allowed += ["connect-src 'self'", "form-action 'self'"] if live else []
    return "; ".join([*allowed, "base-uri 'none'"])


@cache
def _read(name: str) -> str:
    return (HERE / name).read_text(encoding="utf-8")
