"""Write the site as files: nothing runs and nothing is fetched but the style sheet beside them.

What would be written as it is already there stays untouched, so that a second writing is quick and whatever
copies the folder elsewhere has little to copy.

Pages of an earlier writing still stand if they were made of the same and are the same on the disk.

A run's seal, the digest of its last entry in the ledger, changes with whatever is recorded of the run. So a
page whose runs have the seals that they had, made by the same program, would be made the same again. A unit's
page shows some of its batch too: another run there makes it anew only where that is other than it was. A page
that somebody has touched since is made anew, and so is one of runs that have no seal.
"""

import filecmp
import hashlib
import json
import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import NamedTuple

import harness
from harness.errors import RecordsError, UsageError
from harness.records.history import RunLine
from harness.records.store import RunStore
from harness.report.page_files import write_whole
from harness.site.model import BatchOfUnits, Catalogue, Unit, make_catalogue
from harness.site.pages import DOCUMENTS, Pages, document_name, going
from harness.site.study import BatchStudy, study_batch, view_units

MARK = ".switchwalk-site"
_ABOUT = "Written by switchwalk site; files in this folder are overwritten when there are new records."
_OWN = {".py", ".html", ".css", ".js"}
_FOLDERS = ("units", "batches", *DOCUMENTS)
_UNITS_AT_ONCE = 250


class Ingredients:
    """What pages are made of, in a digest; "" if a run has no seal.

    seals: of the runs that have one; documents: the names of those that there are.
    """

    def __init__(self, seals: Mapping[int, str], documents: Set[str]) -> None:
        self._seals, self._documents = seals, documents

    def of_batch(self, batch: BatchOfUnits) -> str:
        """What a batch's page is made of."""
        return self._digest([batch.slug], batch.runs)

    def of_unit(self, unit: Unit, lent: str) -> str:
        """What a unit's page is made of; its charts have in them what its batch has lent."""
        names = (document_name(kind, run.run_id) for run in unit.runs for kind in DOCUMENTS)
        documents = [name for name in names if name in self._documents]
        return self._digest([unit.slug, lent, *documents], unit.runs)

    def _digest(self, words: Iterable[str], runs: Iterable[RunLine]) -> str:
        seals = [(run.run_id, self._seals.get(run.run_id, "")) for run in runs]
        if not all(seal for _, seal in seals):
            return ""
        return _digest(repr((self._program, list(words), seals)).encode())

    @cached_property
    def _program(self) -> str:
        """The program itself, since another one makes other pages of the same records."""
        here = Path(harness.__file__).parent
        files = sorted(path for path in here.rglob("*") if path.suffix in _OWN)
        return _digest(b"".join(path.read_bytes() for path in files))


class _Page(NamedTuple):
    """What a page was made of, what it was like, and what it lends to others; each a digest."""

    made_of: str
    text: str
    lent: str


class Shelf:
    """The pages in a folder, by their names: which of them stand, and what is put there.

    `changed`: those of the `names` that were not there before as they are now.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._before = _remembered(folder / MARK)
        self._now: dict[str, _Page] = {}
        self.changed: list[str] = []

    @property
    def names(self) -> Set[str]:
        """The pages that belong there by now."""
        return self._now.keys()

    def stands(self, name: str, ingredients: str) -> bool:
        """Whether a page is there that was made of just this, and is as it was put there."""
        page = self._before.get(name)
        if not ingredients or page is None or page.made_of != ingredients:
            return False
        if _digest_of(self._folder / name) != page.text:
            return False
        self._now[name] = page
        return True

    def put(self, name: str, ingredients: str, text: str, *, lent: str = "") -> None:
        """Put a page there, whole or not at all, unless it is there already. lent: what others show of it."""
        content = text.encode("utf-8")
        path = self._folder / name
        page = _Page(made_of=ingredients, text=_digest(content), lent=_digest(lent.encode()))
        if _digest_of(path) != page.text:
            write_whole(path, content)
            self.changed.append(name)
        self._now[name] = page

    def lent(self, name: str) -> str:
        """What a page that belongs there lends to others, in a digest; "" if there is no such page."""
        return self._now[name].lent if name in self._now else ""

    def remember(self) -> None:
        """Keep what the pages were made of for the next writing."""
        if self._now != self._before:
            text = json.dumps({"about": _ABOUT, "pages": dict(sorted(self._now.items()))}, indent=0)
            write_whole(self._folder / MARK, text.encode("utf-8"))


def _remembered(mark: Path) -> dict[str, _Page]:
    """What an earlier writing kept; nothing where it kept nothing that can be read."""
    try:
        pages = json.loads(mark.read_text(encoding="utf-8"))["pages"]
        return {str(name): _Page(*map(str, page)) for name, page in pages.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:32]


def _digest_of(path: Path) -> str:
    try:
        return _digest(path.read_bytes())
    except OSError:
        return ""


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

    beside: where a document of a run would be, by its kind, one of DOCUMENTS, and the run's and serial
    number. Raises RecordsError for a folder that holds something else, or a disk that refuses.
    """
    # Seals before runs: what is recorded in between is then taken for unfinished, and made anew next time.
    seals = store.seals()
    catalogue = make_catalogue(store.lines())
    try:
        _claim(folder)
        documents = _bring_documents(catalogue, folder, beside)
        pages = Pages(lambda kind, run: document_name(kind, run.run_id) in documents)
        shelf, ingredients = Shelf(folder), Ingredients(seals, documents)
        shelf.put("style.css", "", pages.style)
        _write_pages(store, catalogue, pages, shelf, ingredients)
        removed = _clear(folder, shelf.names | documents)
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
        reports=sum(name.startswith("reports/") for name in documents),
        certificates=sum(name.startswith("certificates/") for name in documents),
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
    studies: dict[str, BatchStudy] = {}

    def study(batch: BatchOfUnits) -> BatchStudy:
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
    in_the_way = next(
        (each for each in (folder, *folder.parents) if each.exists() and not each.is_dir()), None
    )
    if in_the_way is not None:
        raise UsageError(f"{in_the_way}: is a file, and the pages need a folder. Give another folder")
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


def _bring_documents(catalogue: Catalogue, folder: Path, beside: Callable[[str, int, str], Path]) -> set[str]:
    """Bring the documents that there are, as further names of the same files where the disk can."""
    brought: set[str] = set()
    runs = (run for unit in catalogue.units.values() for run in unit.runs)
    for run in runs:
        for kind in DOCUMENTS:
            name = document_name(kind, run.run_id)
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
