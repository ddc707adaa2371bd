"""The pages served live from the records: to this machine alone, and only to read.

Bound to loopback. A page of somebody else's that a browser here has open must not read along by having its
own name point at this machine: only requests that name this machine as their host are answered.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence, Set
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import parse_qs, urlsplit

from harness.errors import NoSuchRun, RecordsError
from harness.records.history import RunLine
from harness.records.run import INTERRUPTED, FaultsNamed, RunRecord
from harness.records.store import RunStore
from harness.report.certificate import certify
from harness.report.explanation import kept_explained
from harness.report.write import Beside, render_report
from harness.site.model import Catalogue, Unit, make_catalogue
from harness.site.pages import EVERY_UNIT, Pages, UnitSearch, going
from harness.site.study import BatchStudy, study_batch, view_units
from harness.statistics.yields import COMPLETE, tests_of_units

HOST = "127.0.0.1"
LONGEST_WAIT_S = 20.0  # for a request that does not come to its end
_CACHED = 16  # studies and reports
_LONGEST_SEARCH = 200
Made = TypeVar("Made")
_Page = tuple[str, Callable[[str], str]]
"""The state of a page, and what makes it when that is given."""


class Changes:
    """Remembers in which state of the records each unit last changed."""

    def __init__(self) -> None:
        self._units: Mapping[str, Unit] = {}
        self._looks: dict[str, int] = {}
        self._changed_at: dict[str, int] = {}

    def look(self, state: str, units: Mapping[str, Unit]) -> None:
        """Take in all units by the names of their pages, as they are in a state of the records."""
        if self._units.keys() - units.keys():  # these are other records
            self._looks.clear()
            self._changed_at.clear()
        now = self._looks[state] = len(self._looks)
        for slug, unit in units.items():
            if self._units.get(slug) != unit:
                self._changed_at[slug] = now
        self._units = units

    def since(self, state: str) -> Set[str] | None:
        """Names of the pages of units that have changed since a state; None if it is not known."""
        then = self._looks.get(state)
        return None if then is None else {slug for slug, at in self._changed_at.items() if at > then}


class LiveSite:
    """Makes pages from records as they are now; caches expensive pages until the records change.

    report_of: where a run's report would be, by its number and serial number. Safe to be asked from many
    threads.
    """

    def __init__(self, open_store: Callable[[], RunStore], report_of: Callable[[int, str], Path]) -> None:
        self._open_store, self._report_of = open_store, report_of
        self._store: RunStore | None = None
        self._lock = threading.Lock()
        self._dear = threading.Lock()  # one thing at a time that takes long; drawing is not safe in threads
        self._catalogue: tuple[tuple[int, ...], Catalogue] | None = None
        self._changes = Changes()
        self._cache: OrderedDict[tuple[Any, ...], Any] = OrderedDict()
        self.pages = Pages(_has, live=True)

    def close(self) -> None:
        """Let the records go."""
        if self._store is not None:
            self._store.close()

    def answer(self, path: str, query: str, known: str) -> tuple[str, str] | None:
        """Return a page and its state, or a page of "" if the state is `known`; None if there is no page.

        Raises RecordsError where the records cannot be read.
        """
        if path == "/style.css":
            return self.pages.style, ""
        parts = path.strip("/").removesuffix(".html").split("/")
        store = self._opened()
        state = store.state()
        page: _Page | None = None
        match parts:
            case [""] | ["index"]:
                asked = parse_qs(query[:_LONGEST_SEARCH], keep_blank_values=True)
                search = UnitSearch(words=asked.get("q", [""])[0], not_passed="bad" in asked)
                known = known if search == EVERY_UNIT else ""
                page = self._index(store, state, search, asked.get("list"))
            case ["now"]:
                page = f"now-{_tag(state)}", lambda _: self._now(store, state)
            case ["units", name]:
                page = self._unit(store, state, name)
            case ["batches", name]:
                page = self._batch(store, state, name)
            case ["reports", name]:
                page = self._report(store, state, name)
            case ["certificates", name]:
                page = self._certificate(store, state, name)
        if page is None:
            return None
        tag, make = page
        new = f'"{tag}"'
        return ("" if known == new else make(new)), new

    def _index(
        self, store: RunStore, state: tuple[int, ...], search: UnitSearch, newer_than: Sequence[str] | None
    ) -> _Page:
        catalogue = self._catalogue_at(store, state)
        of_list = _index_tag(_list_state(state))
        with self._lock:
            newer = self._changes.since(newer_than[0] if newer_than else "")

        def make(_: str) -> str:
            details = store.details(going(catalogue))
            return self.pages.index(catalogue, details, search=search, state=f'"{of_list}"', newer=newer)

        # A page's own script asks elsewhere for what is under way: it wants the list as that changes, and of
        # it what is newer than the state that it names.
        return of_list if newer_than is not None or not catalogue.open else _index_tag(state), make

    def _now(self, store: RunStore, state: tuple[int, ...]) -> str:
        catalogue = self._catalogue_at(store, state)
        return self.pages.now(catalogue, store.details(going(catalogue)))

    def _unit(self, store: RunStore, state: tuple[int, ...], name: str) -> _Page | None:
        catalogue = self._catalogue_at(store, state)
        unit = catalogue.units.get(name)
        if unit is None:
            return None
        slug = next((slug for slug, batch in catalogue.batches.items() if batch.key == unit.batch), "")

        def make(tag: str) -> str:
            studies = {slug: self._study(store, state, slug)} if slug else {}
            view = view_units(store, [unit], studies)[0]
            return self.pages.unit(view, batch_slug=slug, state=tag)

        # Only a unit that is being run changes with every reading.
        running = any(run.outcome == INTERRUPTED for run in unit.runs)
        return f"unit-{_tag(state if running else _list_state(state))}", make

    def _batch(self, store: RunStore, state: tuple[int, ...], name: str) -> _Page | None:
        if name not in self._catalogue_at(store, state).batches:
            return None
        tag = f"batch-{_tag(_list_state(state))}"
        return tag, lambda tag: self.pages.batch(self._study(store, state, name), state=tag)

    def _report(self, store: RunStore, state: tuple[int, ...], name: str) -> _Page | None:
        record = _run_named(store, name)
        if record is None:
            return None
        path = self._report_of(record.run_id, record.header.serial)
        # The report that is written at the end of a run has its diagnosis; until then there is one from the
        # records.
        moving = _written_at(path) if record.ended is not None else ()
        moving = moving or (state if record.ended is None else _list_state(state))
        key = ("report", record.run_id, moving)
        tag = f"report-{_tag(moving)}"
        return tag, lambda _: self._cached(key, lambda: _report_text(store, record, path))

    def _certificate(self, store: RunStore, state: tuple[int, ...], name: str) -> _Page | None:
        record = _run_named(store, name)
        if record is None or record.outcome not in COMPLETE or record.header.purpose:
            return None
        run = record.run_id
        key = ("certificate", run, _list_state(state))  # a later run of the unit is on it as well
        tag = f"certificate-{_tag(_list_state(state))}"
        return tag, lambda _: self._cached(key, lambda: certify(store, run))

    def _study(self, store: RunStore, state: tuple[int, ...], slug: str) -> BatchStudy:
        batch = self._catalogue_at(store, state).batches[slug]
        # A study is made of complete runs, whose readings never change, and of what was diagnosed after them.
        runs = tuple((run.run_id, run.outcome) for run in batch.runs)
        diagnosed = store.latest_events(FaultsNamed, (run.run_id for run in batch.runs))
        known = tuple((run, event.at) for run, event in diagnosed.items())
        return self._cached(("study", slug, hash((runs, known))), lambda: study_batch(store, batch))

    def _cached(self, key: tuple[Any, ...], make: Callable[[], Made]) -> Made:
        with self._dear:
            if key not in self._cache:
                self._cache[key] = make()
                while len(self._cache) > _CACHED:
                    self._cache.popitem(last=False)
            self._cache.move_to_end(key)
            result: Made = self._cache[key]
            return result

    def _opened(self) -> RunStore:
        with self._lock:
            if self._store is None:
                self._store = self._open_store()
            return self._store

    def _catalogue_at(self, store: RunStore, state: tuple[int, ...]) -> Catalogue:
        key = _list_state(state)
        with self._lock:
            if self._catalogue is None or self._catalogue[0] != key:
                self._catalogue = key, make_catalogue(store.lines())
                self._changes.look(_index_tag(key), self._catalogue[1].units)
            return self._catalogue[1]


def _has(kind: str, run: RunLine) -> bool:
    return kind == "reports" or bool(tests_of_units([run]))


def _run_named(store: RunStore, name: str) -> RunRecord | None:
    """The run of a document's name, `run-00001`; None if there is none."""
    number = name.removeprefix("run-")
    if not (number.isascii() and number.isdigit() and len(number) < 10):
        return None
    try:
        return store.run(int(number))
    except NoSuchRun:
        return None


def _written_at(path: Path) -> tuple[int, ...]:
    """What changes where a file is written again; nothing where there is none."""
    try:
        result = path.stat()
    except OSError:
        return ()
    return result.st_mtime_ns, result.st_size


def _report_text(store: RunStore, record: RunRecord, path: Path) -> str:
    if record.ended is not None:
        try:
            return path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            pass  # it was put away, or is on another computer: the records have all but what is never seen
    run_id = record.run_id
    result = kept_explained(store, run_id)
    beside = Beside(explanation=None if result is None else result.explanation)
    return render_report(record, store.readings(run_id), store.waveforms(run_id), beside)


def _list_state(state: tuple[int, ...]) -> tuple[int, ...]:
    """What changes where a run begins or ends: the last run and the last event that tells something."""
    return state[0], state[-1]


def _index_tag(state: tuple[int, ...]) -> str:
    return f"index-{_tag(state)}"


def _tag(state: tuple[int, ...]) -> str:
    return "-".join(map(str, state))


class SiteServer(ThreadingHTTPServer):
    """Serves a live site on loopback; `port` 0 takes any that is free. Raises OSError where it is taken."""

    daemon_threads = True

    def __init__(self, site: LiveSite, port: int) -> None:
        super().__init__((HOST, port), _Handler)
        self.site = site

    @property
    def address(self) -> str:
        """Where the site is."""
        return f"http://{HOST}:{self.server_port}/"

    def handle_error(self, request: object, client_address: object) -> None:
        """Say nothing where a browser has hung up."""


class _Handler(BaseHTTPRequestHandler):
    server: SiteServer
    protocol_version = "HTTP/1.1"
    timeout = LONGEST_WAIT_S
    disable_nagle_algorithm = True  # a page need not wait until its head has been received

    def __getattr__(self, name: str) -> Any:
        """Every other method is refused by its name, where the base class would not know it."""
        if name.startswith("do_"):
            return self._refuse
        raise AttributeError(name)

    def do_GET(self) -> None:
        """Answer with a page."""
        hosts = [value.lower() for value in self.headers.get_all("Host", [])]
        port = self.server.server_port
        if len(hosts) != 1 or hosts[0] not in (f"{HOST}:{port}", f"localhost:{port}"):
            self._say(HTTPStatus.MISDIRECTED_REQUEST, f"This is {self.server.address} and nothing else.")
            return
        if self.headers.get("Content-Length", "0") != "0" or "Transfer-Encoding" in self.headers:
            self._say(HTTPStatus.BAD_REQUEST, "GET requests must not carry a body.")
            return
        address = urlsplit(self.path)
        known = self.headers.get("If-None-Match", "")
        try:
            result = self.server.site.answer(address.path, address.query, known)
        except RecordsError as error:
            self._say(HTTPStatus.SERVICE_UNAVAILABLE, str(error))
            return
        if result is None:
            self._say(HTTPStatus.NOT_FOUND, "No such page.")
            return
        text, state = result
        if state and state == known:
            self._send(HTTPStatus.NOT_MODIFIED, "", state=state)
        else:
            kind = "text/css" if address.path.endswith(".css") else "text/html"
            self._send(HTTPStatus.OK, text, kind=kind, state=state)

    do_HEAD = do_GET

    def log_message(self, format: str, *arguments: object) -> None:
        """Keep the terminal for what matters."""

    def version_string(self) -> str:
        """Name the program and nothing more."""
        return "switchwalk"

    def _refuse(self) -> None:
        self.close_connection = True
        self._say(HTTPStatus.METHOD_NOT_ALLOWED, "These pages are read-only.")

    def _say(self, status: HTTPStatus, sentence: str) -> None:
        self.close_connection = True
        self._send(status, f"{sentence}\n", kind="text/plain")

    def _send(self, status: HTTPStatus, text: str, *, kind: str = "text/html", state: str = "") -> None:
        body = text.encode("utf-8", "replace")
        self.send_response(status)
        for name, value in self._headers(kind, status).items():
            self.send_header(name, value)
        if state:
            self.send_header("ETag", state)
        if status != HTTPStatus.NOT_MODIFIED:
            self.send_header("Content-Length", str(len(body)))
        if self.close_connection:
            self.send_header("Connection", "close")
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)

    def _headers(self, kind: str, status: HTTPStatus) -> dict[str, str]:
        headers = {
            "Content-Type": f"{kind}; charset=utf-8",
            "Cache-Control": "no-cache",
            "X-Content-Type-Options": "nosniff",
            "Referrer-Policy": "no-referrer",
            "Cross-Origin-Resource-Policy": "same-origin",
            "Content-Security-Policy": f"{self.server.site.pages.policy}; frame-ancestors 'none'",
        }
        if status == HTTPStatus.SERVICE_UNAVAILABLE:  # a browser looks again by itself
            headers["Refresh"] = "5"
        if status == HTTPStatus.METHOD_NOT_ALLOWED:
            headers["Allow"] = "GET, HEAD"
        return headers
