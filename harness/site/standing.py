"""Which pages of an earlier writing still stand: told by what they were made of, and by what is on the disk.

A run's seal, the digest of its last entry in the ledger, changes with whatever is recorded of the run. So a
page whose runs have the seals that they had, made by the same program, would be made the same again. A page
that somebody has touched since is made anew, and so is one of runs that have no seal.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping, Set
from functools import cached_property
from pathlib import Path

import harness
from harness.report.whole import write_whole
from harness.site.model import BatchOfUnits, Unit
from harness.site.pages import PAPERS, paper_name

MARK = ".switchwalk-site"
_ABOUT = "Written by switchwalk site; what is in this folder is written anew as the records grow."
_OWN = {".py", ".html", ".css", ".js"}


class Ingredients:
    """What pages are made of, in a digest; "" where that cannot be told.

    seals: of the runs that have one; papers: the names of those that there are.
    """

    def __init__(self, seals: Mapping[int, str], papers: Set[str]) -> None:
        self._seals, self._papers = seals, papers
        self._batches: dict[str, str] = {}

    def of_batch(self, batch: BatchOfUnits) -> str:
        """What a batch's page is made of."""
        if batch.slug not in self._batches:
            self._batches[batch.slug] = self._digest([batch.slug], (run.run_id for run in batch.runs))
        return self._batches[batch.slug]

    def of_unit(self, unit: Unit, batch: BatchOfUnits | None) -> str:
        """What a unit's page is made of; its charts have the unit's batch in them."""
        of_batch = "none" if batch is None else self.of_batch(batch)
        runs = [run.run_id for run in unit.runs]
        names = (paper_name(kind, run) for run in runs for kind in PAPERS)
        papers = [name for name in names if name in self._papers]
        return self._digest([unit.slug, of_batch, *papers], runs) if of_batch else ""

    def _digest(self, words: Iterable[str], runs: Iterable[int]) -> str:
        seals = [(run, self._seals.get(run, "")) for run in runs]
        if not all(seal for _, seal in seals):
            return ""
        return _digest(repr((self._program, list(words), seals)).encode())

    @cached_property
    def _program(self) -> str:
        """The program itself, since another one makes other pages of the same records."""
        here = Path(harness.__file__).parent
        files = sorted(path for path in here.rglob("*") if path.suffix in _OWN)
        return _digest(b"".join(path.read_bytes() for path in files))


class Shelf:
    """The pages in a folder, by their names: which of them stand, and what is put there.

    `changed`: those of the `names` that were not there before as they are now.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._before = _remembered(folder / MARK)
        self._now: dict[str, tuple[str, str]] = {}
        self.changed: list[str] = []

    @property
    def names(self) -> Set[str]:
        """The pages that belong there by now."""
        return self._now.keys()

    def stands(self, name: str, ingredients: str) -> bool:
        """Whether a page is there that was made of just this, and is as it was put there."""
        made_of, digest = self._before.get(name, ("", ""))
        if not ingredients or made_of != ingredients or _digest_of(self._folder / name) != digest:
            return False
        self._now[name] = made_of, digest
        return True

    def put(self, name: str, ingredients: str, text: str) -> None:
        """Put a page there, whole or not at all, unless it is there already."""
        content = text.encode("utf-8")
        path, digest = self._folder / name, _digest(content)
        if _digest_of(path) != digest:
            write_whole(path, content)
            self.changed.append(name)
        self._now[name] = ingredients, digest

    def remember(self) -> None:
        """Keep what the pages were made of for the next writing."""
        if self._now != self._before:
            pages = {name: list(how) for name, how in sorted(self._now.items())}
            text = json.dumps({"about": _ABOUT, "pages": pages}, indent=0)
            write_whole(self._folder / MARK, text.encode("utf-8"))


def _remembered(mark: Path) -> dict[str, tuple[str, str]]:
    """What an earlier writing kept; nothing where it kept nothing that can be read."""
    try:
        pages = json.loads(mark.read_text(encoding="utf-8"))["pages"]
        return {str(name): (str(made_of), str(digest)) for name, (made_of, digest) in pages.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:32]


def _digest_of(path: Path) -> str:
    try:
        return _digest(path.read_bytes())
    except OSError:
        return ""
