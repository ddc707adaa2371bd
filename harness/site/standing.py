"""Which pages of an earlier writing still stand: told by what they were made of, and by what is on the disk.

A run's seal, the digest of its last entry in the ledger, changes with whatever is recorded of the run. So a
page whose runs have the seals that they had, made by the same program, would be made the same again. A unit's
page shows some of its batch too: another run there makes it anew only where that is other than it was. A page
that somebody has touched since is made anew, and so is one of runs that have no seal.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping, Set
from functools import cached_property
from pathlib import Path
from typing import NamedTuple

import harness
from harness.records.history import RunLine
from harness.report.page_files import write_whole
from harness.site.model import BatchOfUnits, Unit
from harness.site.pages import PAPERS, paper_name

MARK = ".switchwalk-site"
_ABOUT = "Written by switchwalk site; files in this folder are overwritten when there are new records."
_OWN = {".py", ".html", ".css", ".js"}


class Ingredients:
    """What pages are made of, in a digest; "" where that cannot be told.

    seals: of the runs that have one; papers: the names of those that there are.
    """

    def __init__(self, seals: Mapping[int, str], papers: Set[str]) -> None:
        self._seals, self._papers = seals, papers

    def of_batch(self, batch: BatchOfUnits) -> str:
        """What a batch's page is made of."""
        return self._digest([batch.slug], batch.runs)

    def of_unit(self, unit: Unit, lent: str) -> str:
        """What a unit's page is made of; its charts have in them what its batch has lent."""
        names = (paper_name(kind, run.run_id) for run in unit.runs for kind in PAPERS)
        papers = [name for name in names if name in self._papers]
        return self._digest([unit.slug, lent, *papers], unit.runs)

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
        """What a page that belongs there lends to others, in a digest; "" where there is no such page."""
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
