"""Write the site as files: nothing runs and nothing is fetched but the style sheet beside them.

What would be written as it is already there stays untouched, so that a second writing is quick and whatever
copies the folder elsewhere has little to copy.
"""

import filecmp
import os
import shutil
from collections.abc import Callable, Iterator, Sequence, Set
from dataclasses import dataclass
from pathlib import Path

from harness.errors import RecordsError
from harness.records.store import RunStore
from harness.report.page_files import write_whole
from harness.site.model import BatchOfUnits, Catalogue, Unit, make_catalogue
from harness.site.pages import PAPERS, Pages, going, paper_name
from harness.site.standing import MARK, Ingredients, Shelf
from harness.site.study import Study, study_batch
from harness.site.unit import view_units

_FOLDERS = ("units", "batches", *PAPERS)
_UNITS_AT_ONCE = 250


@dataclass(frozen=True, kw_only=True)
class Written:
    """What became of a site; `reports` and `certificates` lay beside the records and were brought along.

    changed: how many of the `pages` are new or other than they were.
    """

    units: int
    batches: int
    runs: int
    reports: int
    certificates: int
    removed: int
    pages: int
    changed: int
    index: Path


def write_site(store: RunStore, folder: Path, beside: Callable[[str, int, str], Path]) -> Written:
    """Write all pages, and take away those of an earlier writing that are no more.

    beside: where a paper of a run would be, by its kind, one of PAPERS, and the run's and serial number.
    Raises RecordsError for a folder that holds something else, or a disk that refuses.
    """
    # Seals before runs: what is recorded in between is then taken for unfinished, and made anew next time.
    seals = store.seals()
    catalogue = make_catalogue(store.lines())
    try:
        _claim(folder)
        papers = _bring_papers(catalogue, folder, beside)
        pages = Pages(lambda kind, run: paper_name(kind, run.run_id) in papers)
        shelf, ingredients = Shelf(folder), Ingredients(seals, papers)
        shelf.put("style.css", "", pages.style)
        _write_pages(store, catalogue, pages, shelf, ingredients)
        removed = _clear(folder, shelf.names | papers)
        shelf.put("index.html", "", pages.index(catalogue, store.details(going(catalogue))))
        shelf.remember()
    except OSError as error:
        raise RecordsError(
            f"{error.filename or folder}: the pages cannot be written: {error.strerror or error}. "
            "See to the disk or the folder, or give another"
        ) from error
    return Written(
        units=len(catalogue.units),
        batches=len(catalogue.batches),
        runs=catalogue.runs,
        reports=sum(name.startswith("reports/") for name in papers),
        certificates=sum(name.startswith("certificates/") for name in papers),
        removed=removed,
        pages=sum(name.endswith(".html") for name in shelf.names),
        changed=sum(name.endswith(".html") for name in shelf.changed),
        index=folder / "index.html",
    )


def _write_pages(
    store: RunStore, catalogue: Catalogue, pages: Pages, shelf: Shelf, ingredients: Ingredients
) -> None:
    """Write the pages of batches and units that do not stand as they are."""
    by_key = {batch.key: batch for batch in catalogue.batches.values()}
    studies: dict[str, Study] = {}

    def study(batch: BatchOfUnits) -> Study:
        if batch.slug not in studies:
            studies[batch.slug] = study_batch(store, batch)
        return studies[batch.slug]

    for batch in by_key.values():
        name, made_of = _page_of(batch), ingredients.of_batch(batch)
        if not shelf.stands(name, made_of):
            studied = study(batch)
            shelf.put(name, made_of, pages.batch(studied), lent=studied.lent)
    lent = {key: shelf.lent(_page_of(batch)) for key, batch in by_key.items()}
    # Units whose runs lie together in the records are read together.
    units = sorted(catalogue.units.values(), key=lambda unit: unit.runs[-1].run_id)
    made_of_unit = {unit.slug: ingredients.of_unit(unit, lent.get(unit.batch, "")) for unit in units}
    due = [unit for unit in units if not shelf.stands(_page_of(unit), made_of_unit[unit.slug])]
    for some in _portions(due):
        of_these = [by_key[key] for key in dict.fromkeys(unit.batch for unit in some) if key in by_key]
        views = view_units(store, some, {batch.slug: study(batch) for batch in of_these})
        for view in views:
            of_unit = by_key.get(view.unit.batch)
            text = pages.unit(view, batch_slug=of_unit.slug if of_unit else "")
            shelf.put(_page_of(view.unit), made_of_unit[view.unit.slug], text)


def _page_of(what: Unit | BatchOfUnits) -> str:
    return f"{'units' if isinstance(what, Unit) else 'batches'}/{what.slug}.html"


def _portions(units: Sequence[Unit]) -> Iterator[Sequence[Unit]]:
    for start in range(0, len(units), _UNITS_AT_ONCE):
        yield units[start : start + _UNITS_AT_ONCE]


def _claim(folder: Path) -> None:
    """Make the folder ours, so that nothing else of anybody's is ever overwritten or taken away in it."""
    folder.mkdir(parents=True, exist_ok=True)
    mark = folder / MARK
    if not mark.exists():
        strange = next(iter(folder.iterdir()), None)
        if strange is not None:
            raise RecordsError(
                f"{folder}: holds something else ({strange.name}), so nothing is written. Give an empty or a "
                "new folder"
            )
        write_whole(mark, b"{}")
    for name in _FOLDERS:
        (folder / name).mkdir(exist_ok=True)


def _bring_papers(catalogue: Catalogue, folder: Path, beside: Callable[[str, int, str], Path]) -> set[str]:
    """Bring the papers that there are, as further names of the same files where the disk can."""
    brought: set[str] = set()
    runs = (run for unit in catalogue.units.values() for run in unit.runs)
    for run in runs:
        for kind in PAPERS:
            name = paper_name(kind, run.run_id)
            source, target = beside(kind, run.run_id, run.serial), folder / name
            if not source.is_file():
                continue
            brought.add(name)
            # Another name of the same file, or a copy of the same size and time, needs no new one.
            if target.exists() and filecmp.cmp(source, target):
                continue
            target.unlink(missing_ok=True)
            try:
                os.link(source, target)
            except OSError:
                shutil.copy2(source, target)
    return brought


def _clear(folder: Path, names: Set[str]) -> int:
    old = [
        path for kind in _FOLDERS for path in (folder / kind).iterdir() if f"{kind}/{path.name}" not in names
    ]
    for path in old:
        path.unlink()
    return len(old)
