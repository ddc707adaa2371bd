"""`switchwalk serve`: a real server in a process of its own, asked by raw requests and by a browser."""

import http.client
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from harness.records.run import (
    CurrentsDrawn,
    ExplainedGroup,
    Explanation,
    FaultsNamed,
    Outcome,
    Purpose,
    RelaysOperated,
)
from harness.records.store import open_records
from harness.report.explanation import Explained, keep_explained
from harness.site.live import LiveSite
from tests.cli.commands import switchwalk
from tests.known import known
from tests.records.outside_broadcast import ENDED, HEADER, READING, changed
from tests.report.test_report import Page
from tests.simulator.listeners import reachable_at
from tests.site.devtools import Tab, browser
from tests.site.invented_batch import fill

ROOT = Path(__file__).resolve().parents[2]
Server = subprocess.Popen[str]


def start(records: Path) -> tuple[Server, str]:
    process = subprocess.Popen(
        [sys.executable, "-m", "harness.cli", "serve", "--records", str(records)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    return process, known(process.stdout).readline().strip()


def end(process: Server, by: int = signal.SIGINT) -> tuple[int, str]:
    process.send_signal(by)
    _, message = process.communicate(timeout=30)
    return process.returncode, message


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("live") / "records.sqlite"
    fill(path, units=30, readings=20, bad=0.2)
    return path


@pytest.fixture(scope="module")
def serving(records: Path) -> Iterator[tuple[Server, str]]:
    process, address = start(records)
    yield process, address
    assert end(process)[0] == 0


@pytest.fixture(scope="module")
def served(serving: tuple[Server, str]) -> str:
    return serving[1]


@pytest.fixture(scope="module")
def tab() -> Iterator[Tab]:
    with browser() as tab:
        yield tab


def ask(
    address: str, path: str, *, method: str = "GET", host: str | None = None, **headers: str
) -> tuple[int, http.client.HTTPMessage, str]:
    """One request as it is given, and the answer's status, headers and text."""
    place = urlsplit(address)
    connection = http.client.HTTPConnection(known(place.hostname), place.port, timeout=30)
    connection.putrequest(method, path, skip_host=True)
    connection.putheader("Host", place.netloc if host is None else host)
    for name, value in headers.items():
        connection.putheader(name.replace("_", "-"), value)
    connection.endheaders()
    answer = connection.getresponse()
    text = answer.read().decode()
    connection.close()
    return answer.status, answer.headers, text


def answer(site: LiveSite, path: str, query: str, state: str) -> tuple[str, str]:
    """A page that the site has, and its state."""
    return known(site.answer(path, query, state))


def links(text: str, start: str) -> list[str]:
    return [link["href"] for link in Page(text).all("a") if link["href"].startswith(start)]


def test_every_kind_of_page_is_served_with_what_a_browser_must_not_do(served: str) -> None:
    status, headers, index = ask(served, "/")
    assert status == 200
    assert "script-src 'sha256-" in headers["Content-Security-Policy"]
    assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    for address in ("style.css", "now.html", links(index, "units/")[0], links(index, "batches/")[0]):
        assert ask(served, f"/{address}")[0] == 200
    status, _, report = ask(served, "/reports/run-00001.html")
    assert status == 200
    assert "Test record, run 1" in report


def test_a_run_with_a_verdict_has_a_certificate_and_no_other_has_one(tmp_path: Path) -> None:
    records = tmp_path / "records.sqlite"
    with open_records(records) as store:
        ends: list[tuple[Outcome, Purpose]] = [
            ("pass", ""),
            ("stopped", ""),
            ("pass", "golden"),
            ("fail", ""),
        ]
        for outcome, purpose in ends:
            run = store.begin(replace(HEADER, purpose=purpose))
            store.add_readings(run, [changed(READING, acquisitions=())])
            store.finish(run, outcome, "", ENDED)
    site = LiveSite(lambda: open_records(records, read_only=True), lambda run, serial: tmp_path / "none")
    result = [site.answer(f"/certificates/run-0000{run}.html", "", "") for run in range(1, 6)]
    (unit,) = links(answer(site, "/", "", "")[0], "units/")
    led_to = links(answer(site, f"/{unit}", "", "")[0], "../certificates/")
    site.close()
    assert [one is not None for one in result] == [True, False, False, True, False]
    assert "Not the latest" in known(result[0])[0]
    assert "Test record of a unit that did not pass" in known(result[3])[0]
    assert led_to == ["../certificates/run-00004.html", "../certificates/run-00001.html"]


@pytest.mark.skipif(not Path("/proc/net/tcp").exists(), reason="needs Linux's list of sockets")
def test_only_this_machine_reaches_it_by_what_the_kernel_says(serving: tuple[Server, str]) -> None:
    process, address = serving
    ask(address, "/")
    assert reachable_at(process.pid) == [("127.0.0.1", urlsplit(address).port)]


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "127.0.0.1", "localhost:1", ""])
def test_a_request_for_another_host_is_refused(served: str, host: str) -> None:
    assert ask(served, "/", host=host)[0] == 421


def test_this_machine_may_be_called_localhost(served: str) -> None:
    assert ask(served, "/", host=f"localhost:{urlsplit(served).port}")[0] == 200


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "BREW"])
def test_nothing_but_reading_is_allowed(served: str, method: str) -> None:
    status, headers, _ = ask(served, "/", method=method)
    assert (status, headers["Allow"]) == (405, "GET, HEAD")


def test_head_says_what_get_would_without_the_page(served: str) -> None:
    _, wanted, page = ask(served, "/")
    status, headers, text = ask(served, "/", method="HEAD")
    assert (status, text) == (200, "")
    assert abs(int(headers["Content-Length"]) - len(page.encode())) < 100
    assert headers["ETag"] == wanted["ETag"]


@pytest.mark.parametrize(
    "path",
    [
        "/../records.sqlite", "/%2e%2e/records.sqlite", "/units/../../etc/passwd", "/units/", "/units/x.html",
        "/batches/x.html", "/reports/run-99999.html", "/reports/run-1e3.html", "/reports/run-%C2%B2",
        "/nothing", "/a/b/c", "/reports/run-" + "9" * 400, "//etc/passwd",
    ],
)  # fmt: skip
def test_a_path_that_is_no_page_is_none(served: str, path: str) -> None:
    assert ask(served, path)[0] == 404


def test_what_has_not_changed_is_not_sent_again(served: str) -> None:
    state = ask(served, "/")[1]["ETag"]
    assert ask(served, "/", If_None_Match=state)[0] == 304
    assert ask(served, "/", If_None_Match='"older"')[0] == 200
    (page,) = Page(ask(served, "/")[2]).all("html")
    assert ask(served, "/?list", If_None_Match=page["data-state"])[0] == 304  # what its script asks first


def test_a_page_that_has_the_list_is_sent_what_is_newer_than_that(tmp_path: Path) -> None:
    records = tmp_path / "records.sqlite"
    fill(records, units=30, readings=10, bad=0.0)
    site = LiveSite(lambda: open_records(records, read_only=True), lambda run, serial: tmp_path / "none")
    state = answer(site, "/", "", "")[1]
    with open_records(records) as store:
        run = store.begin(replace(HEADER, serial="OB-00007", batch="1"))
        store.begin(replace(HEADER, serial="OB-90000", batch="1"))
        text, later = answer(site, "/", f"list={state[1:-1]}", state)
        assert [link.rpartition("-")[0] for link in links(text.partition('id="list"')[2], "units/")] == [
            "units/OB-90000",
            "units/OB-00007",
        ]
        store.finish(run, "fail", "", ENDED)
        text, last = answer(site, "/", f"list={later[1:-1]}", later)
        assert [link.rpartition("-")[0] for link in links(text.partition('id="list"')[2], "units/")] == [
            "units/OB-00007"
        ]
    assert answer(site, "/", f"list={last[1:-1]}", last) == ("", last)
    for unknown in ("", "index-1-1", "?"):
        text, _ = answer(site, "/", f"list={unknown}", "")
        assert len(links(text.partition('id="list"')[2], "units/")) == 31
    site.close()


def test_the_search_works_without_a_script(served: str) -> None:
    _, _, text = ask(served, "/?q=ob-00007")
    assert len(links(text, "units/")) == 1
    assert "1 of 30 units" in Page(text).words
    assert "No matching unit." in ask(served, "/?q=%3Cscript%3E")[2]


def test_a_run_of_another_process_shows_while_it_goes_on(tab: Tab, served: str, records: Path) -> None:
    tab.size(1280, 900)
    tab.open(served)
    tab.find("document.getElementById('q').value = 'ob-9'")
    tab.find("document.getElementById('q').dispatchEvent(new Event('input', {bubbles: true}))")
    assert tab.find("document.getElementById('now').hidden")
    with open_records(records) as store:
        run = store.begin(replace(HEADER, serial="OB-90000", batch="1", planned_readings=40))
        store.add_readings(run, [changed(READING, acquisitions=())] * 10)
        assert tab.find(until("document.getElementById('now').textContent.includes('10 of 40 readings')"))
        assert re.search(r"\d+ (s|min|h) ago", tab.find("document.getElementById('now').textContent"))
        store.add_readings(run, [changed(READING, acquisitions=(), verdict="fail")] * 30)
        assert tab.find(until("document.getElementById('now').textContent.includes('30 not passed')"))
        assert (
            tab.find("document.getElementById('said').textContent") == "1 of 31 units"
        )  # it is still filtered
        store.finish(run, "fail", "", ENDED)
    assert tab.find(until("document.querySelector('#list tr:not([hidden]) .fail')"))
    assert tab.find("document.getElementById('now').hidden")
    assert tab.find("document.getElementById('q').value") == "ob-9"
    assert tab.message == []


def test_what_comes_along_with_readings_does_not_send_the_list_again(tmp_path: Path) -> None:
    records = tmp_path / "records.sqlite"
    with open_records(records) as store:
        run = store.begin(HEADER)
        site = LiveSite(lambda: open_records(records, read_only=True), lambda run, serial: tmp_path / "none")
        state = answer(site, "/", "list", "")[1]
        store.add_event(run, CurrentsDrawn(currents_a={}))
        store.add_readings(run, [changed(READING, acquisitions=())])
        store.add_event(run, RelaysOperated(operations={}, read_back=False))
        assert answer(site, "/", f"list={state[1:-1]}", state) == ("", state)
        store.finish(run, "pass", "", ENDED)
        assert "✓ pass" in answer(site, "/", f"list={state[1:-1]}", state)[0]
    site.close()


def test_rows_stay_and_newer_ones_come_in_their_place(tab: Tab, served: str, records: Path) -> None:
    tab.size(1280, 900)
    tab.open(served)
    rows = "document.querySelectorAll('#list tbody tr')"
    serials = f"Array.from({rows}, (row) => row.cells[0].textContent)"
    tab.find(f"for (const row of {rows}) row.was = true")
    before = tab.find(serials)
    with open_records(records) as store:
        first = store.begin(replace(HEADER, serial=before[3], batch="1"))
        second = store.begin(replace(HEADER, serial="OB-95000", batch="1"))
        assert tab.find(until(f"{rows}[0].cells[0].textContent === 'OB-95000'"))
        rest = [serial for serial in before if serial != before[3]]
        assert tab.find(serials) == ["OB-95000", before[3], *rest]
        assert tab.find(f"Array.from({rows}).filter((row) => row.was).length") == len(rest)
        store.finish(first, "fail", "", ENDED)  # ends before the one that was begun after it
        assert tab.find(until(f"{rows}[1].cells[1].className === 'fail'"))
        assert tab.find(serials) == ["OB-95000", before[3], *rest]
        store.finish(second, "pass", "", ENDED)
    assert tab.find(until("document.getElementById('now').hidden"))
    assert tab.message == []


def test_a_fault_that_is_diagnosed_after_its_run_shows_on_the_page_of_its_batch(tmp_path: Path) -> None:
    records = tmp_path / "records.sqlite"
    with open_records(records) as store:
        run = store.begin(HEADER)
        store.add_readings(run, [changed(READING, acquisitions=(), verdict="fail")])
        store.finish(run, "fail", "", ENDED)
        site = LiveSite(lambda: open_records(records, read_only=True), lambda run, serial: tmp_path / "none")
        (batch,) = links(answer(site, "/", "", "")[0], "batches/")
        text, state = answer(site, f"/{batch}", "", "")
        assert "not diagnosed" in text
        store.add_event(run, FaultsNamed(faults=("K3 never operates",), probability=0.9))
        text, _ = answer(site, f"/{batch}", "", state)
        site.close()
    assert "K3 never operates" in text
    assert "not diagnosed" not in text


def test_a_report_that_is_written_after_its_run_is_the_one_that_is_shown(tmp_path: Path) -> None:
    records, written = tmp_path / "records.sqlite", tmp_path / "report.html"
    with open_records(records) as store:
        store.finish(store.begin(HEADER), "stopped", "by hand", ENDED)
    site = LiveSite(lambda: open_records(records, read_only=True), lambda run, serial: written)
    text, state = answer(site, "/reports/run-00001.html", "", "")
    assert "Test record, run 1" in text
    written.write_text("with its diagnosis")
    text, state = answer(site, "/reports/run-00001.html", "", state)
    assert text == "with its diagnosis"
    assert answer(site, "/reports/run-00001.html", "", state) == ("", state)
    site.close()


def test_a_report_that_lies_on_another_computer_says_what_was_kept_with_its_run(tmp_path: Path) -> None:
    records = tmp_path / "records.sqlite"
    words = Explanation(
        headline="One fault explains these readings:",
        groups=(ExplainedGroup(likelihood="> 99 %", faults=(("K3 never operates", "relay K3"),), others=()),),
        next_probe="",
        left_over=False,
        remarks=(),
    )
    with open_records(records) as store:
        run = store.begin(HEADER)
        store.finish(run, "fail", "", ENDED)
        keep_explained(
            store, run, Explained(names=("K3 never operates",), probability=0.999, explanation=words)
        )
    site = LiveSite(lambda: open_records(records, read_only=True), lambda run, serial: tmp_path / "none")
    text, _ = answer(site, "/reports/run-00001.html", "", "")
    site.close()
    assert "Diagnosis" in text
    assert "K3 never operates" in text


def until(condition: str) -> str:
    """A promise that is kept when the page comes to be so."""
    return f"""new Promise((kept) => {{
      const look = () => {condition} && kept(true);
      new MutationObserver(look).observe(document.body,
        {{subtree: true, childList: true, attributes: true, characterData: true}});
      look();
    }})"""


def test_records_that_are_not_there_yet_are_waited_for(tmp_path: Path) -> None:
    records = tmp_path / "records.sqlite"
    process, address = start(records)
    status, headers, text = ask(address, "/")
    assert (status, "no records here yet" in text, headers["Refresh"]) == (503, True, "5")
    with open_records(records) as store:
        store.begin(HEADER)
    assert "OB-0023" in ask(address, "/")[2]
    assert ask(address, "/reports/run-00001.html")[0] == 200
    code, message = end(process, signal.SIGTERM)
    assert (code, message.splitlines()[-1]) == (0, "ended")
    assert "Traceback" not in message


def test_a_port_that_is_taken_is_said(served: str, records: Path, capsys: pytest.CaptureFixture[str]) -> None:
    port = str(urlsplit(served).port)
    refused = switchwalk(capsys, "serve", "--records", str(records), "--port", port)
    assert refused.code == 2
    assert f"port {port}: cannot be listened on" in refused.err
