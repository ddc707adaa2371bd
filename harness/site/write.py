"""Write the site as files: nothing runs and nothing is fetched but the style sheet beside them."""

import os
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.errors import RecordsError
from harness.records.store import RunStore
from harness.site.model import Catalogue, Unit, make_catalogue
from harness.site.pages import REPORT_NAME, Pages, going
from harness.site.study import Study, study_batch
from harness.site.unit import view_units

_UNITS_AT_ONCE = 100
_MARK = ".switchwalk-site"


@dataclass(frozen=True, kw_only=True)
class Written:
    """What became of a site; `reports` lay beside the records and were brought along."""

    units: int
    batches: int
    runs: int
    reports: int
    removed: int
    index: Path


def write_site(store: RunStore, folder: Path, report_of: Callable[[int, str], Path]) -> Written:
    """Write all pages, and take away those of an earlier writing that are no more.

    report_of: where a run's report would be, by its number and serial number.
    Raises RecordsError for a folder that holds something else, or a disk that refuses.
    """
    catalogue = make_catalogue(store.lines())
    try:
        _claim(folder)
        reports = _bring_reports(catalogue, folder, report_of)
        pages = Pages(lambda run: REPORT_NAME.format(run) if run in reports else "")
        made = {folder / REPORT_NAME.format(run) for run in reports}
        _put(folder / "style.css", pages.style)
        studies: dict[str, Study] = {}
        for slug, batch in catalogue.batches.items():
            studies[slug] = study_batch(store, batch)
            made.add(_put(folder / "batches" / f"{slug}.html", pages.batch(studies[slug])))
        for path, text in _unit_pages(store, pages, catalogue, studies):
            made.add(_put(folder / "units" / path, text))
        removed = _clear(folder, made)
        index = _put(folder / "index.html", pages.index(catalogue, store.details(going(catalogue))))
    except OSError as error:
        raise RecordsError(
            f"{error.filename or folder}: the pages cannot be written: {error.strerror or error}. "
            "See to the disk or the folder, or give another"
        ) from error
    return Written(
        units=len(catalogue.units),
        batches=len(catalogue.batches),
        runs=catalogue.runs,
        reports=len(reports),
        removed=removed,
        index=index,
    )


def _unit_pages(
    store: RunStore, pages: Pages, catalogue: Catalogue, studies: Mapping[str, Study]
) -> Iterator[tuple[str, str]]:
    by_key = {batch.key: slug for slug, batch in catalogue.batches.items()}
    # Units whose runs lie together in the records are read together.
    units = sorted(catalogue.units.values(), key=lambda unit: unit.runs[-1].run_id)
    for some in _portions(units):
        for view in view_units(store, some, studies):
            slug = by_key.get(view.unit.batch, "")
            yield f"{view.unit.slug}.html", pages.unit(view, batch_slug=slug)


def _portions(units: Sequence[Unit]) -> Iterator[Sequence[Unit]]:
    for start in range(0, len(units), _UNITS_AT_ONCE):
        yield units[start : start + _UNITS_AT_ONCE]


def _claim(folder: Path) -> None:
    """Make the folder ours, so that nothing else of anybody's is ever overwritten or taken away in it."""
    folder.mkdir(parents=True, exist_ok=True)
    mark = folder / _MARK
    if not mark.exists():
        strange = next(iter(folder.iterdir()), None)
        if strange is not None:
            raise RecordsError(
                f"{folder}: holds something else ({strange.name}), so nothing is written. Give an empty or a "
                "new folder"
            )
        mark.write_text("Written by switchwalk site; what is in this folder is written anew each time.\n")
    for name in ("units", "batches", "reports"):
        (folder / name).mkdir(exist_ok=True)


def _bring_reports(catalogue: Catalogue, folder: Path, report_of: Callable[[int, str], Path]) -> set[int]:
    """Bring the reports that there are, as further names of the same files where the disk can."""
    brought: set[int] = set()
    for unit in catalogue.units.values():
        for run in unit.runs:
            source, target = report_of(run.run_id, run.serial), folder / REPORT_NAME.format(run.run_id)
            if not source.is_file():
                continue
            brought.add(run.run_id)
            if target.exists() and target.samefile(source):
                continue
            target.unlink(missing_ok=True)
            try:
                os.link(source, target)
            except OSError:
                shutil.copyfile(source, target)
    return brought


def _put(path: Path, text: str) -> Path:
    """Write a page whole or not at all."""
    unfinished = path.with_name(f".{path.name}.part")
    unfinished.write_text(text, encoding="utf-8")
    os.replace(unfinished, path)
    return path


def _clear(folder: Path, made: set[Path]) -> int:
    old = [
        path
        for name in ("units", "batches", "reports")
        for path in (folder / name).iterdir()
        if path not in made
    ]
    for path in old:
        path.unlink()
    return len(old)
