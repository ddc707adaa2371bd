"""`switchwalk certificate`: one page about a run, as text, in a browser and on paper."""

import re
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness.errors import RecordsError
from harness.reading import Reading
from harness.records.run import Outcome
from harness.records.store import RunStore, open_records
from harness.report import page_files
from harness.report.certificate import MOST_LINES, Standing, render_certificate
from tests.cli.commands import Printed, switchwalk
from tests.records.outside_broadcast import ENDED, HEADER, changed
from tests.report.invented_run import faulty_walk, run_record, walk
from tests.report.test_report import Page

HOSTILE = "<script>alert(1)</script>\"'>{{ 7 * 7 }}"


def add(
    store: RunStore, outcome: Outcome | None, readings: list[Reading], *, reason: str = "", **header: Any
) -> int:
    result = [changed(reading, acquisitions=()) for reading in readings]
    run = store.begin(replace(HEADER, planned_readings=len(result) or 386, **header))
    store.add_readings(run, result)
    if outcome:
        store.finish(run, outcome, reason, ENDED)
    return run


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """1 passed, 2 failed, 3 stopped, 4 not ended, 5 simulated, 6 a known-bad unit, 7 and 8 one unit twice.

    9 failed before anything was measured.
    """
    path = tmp_path_factory.mktemp("certified") / "records.sqlite"
    with open_records(path) as store:
        add(store, "pass", walk(), serial="OB-1", batch="autumn")
        add(store, "fail", faulty_walk(), serial="OB-2")
        add(store, "stopped", walk()[:5], serial="OB-3")
        add(store, None, walk()[:5], serial="OB-4")
        add(store, "pass", walk()[:5], serial="OB-1", simulated=True)
        add(store, "fail", walk()[:5], serial="OB-6", purpose="known-bad")
        add(store, "pass", walk()[:5], serial=HOSTILE, operator=HOSTILE, module_name=HOSTILE)
        add(store, "fail", faulty_walk()[:5], serial=HOSTILE)
        add(store, "fail", [], serial="OB-9", reason="over-current in state loop_a: look for a shorted coil")
    return path


@pytest.fixture
def certify(records: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Callable[..., Any]:
    def run(number: int, *more: str, place: Path = records) -> tuple[Printed, Path]:
        page = tmp_path / "page.html"
        done = switchwalk(
            capsys, "certificate", str(number), "--records", str(place), "--out", str(page), *more
        )
        return done, page

    return run


def test_a_unit_that_passed_gets_what_was_measured_how_well_and_what_is_not_claimed(
    certify: Callable[..., Any], records: Path
) -> None:
    done, page = certify(1)
    assert (done.code, done.out) == (0, f"{page}\n")
    text = Page(page.read_text(encoding="utf-8"))
    with open_records(records, read_only=True) as store:
        seal = store.seal(1)
        assert store.verify(1, expected=seal).findings == ()
    for message in (
        "Test certificate", "serial OB-1", "✓ PASS", "batch autumn", "Ada, Van bench", "8: idle, loop_a",
        "Example,G2,1001,1.0", "U: expanded uncertainty, k = 2.", "It is not a calibration and not by an",
        "Nothing is claimed for any state, port, frequency", seal, "at most −80.00 dB",
    ):  # fmt: skip
        assert message in text.words, message
    assert text.badly_nested == []
    assert len(text.all("caption")) == len(text.all("table"))
    assert all(head.get("scope") in {"col", "row"} for head in text.all("th"))
    assert "Not the latest" not in text.words  # the simulated pass of that serial is another unit's


def test_a_certificate_counts_changes_beside_states_and_ports_not_their_legs() -> None:
    one = walk()[0]
    result = [
        changed(one, state=state, channel="left", port=port)
        for state in ("idle", "loop_a", "idle > loop_a", "loop_a > idle", "idle > swap")
        for port in ("out", "out.hot", "out.cold", "in.hot")
    ]
    result.append(changed(one, state="idle", channel="", port=""))
    standing = Standing(seal="0" * 64, later=None)

    def words_of(readings: list[Reading]) -> str:
        return Page(render_certificate(run_record(readings, outcome="pass"), readings, standing)).words

    words = words_of(result)
    assert "States 2: idle, loop_a Changes of state 3: idle > loop_a, loop_a > idle, idle > swap" in words
    assert "Ports 2: left.out, left.in " in words
    assert "Changes of state" not in words_of([one for one in result if ">" not in one.key.measurand.state])


def test_isolation_in_a_check_of_gain_has_a_line_and_an_uncertainty_of_its_own() -> None:
    gain = changed(walk()[0], check="Route and gain", quantity="gain", value=-0.1, low=-0.12, high=-0.08)
    isolation = changed(
        gain, port="loop_a_send", quantity="isolation", value=-96.0, low=-104.0, high=-88.0,
        expected=None, limit_low=None, limit_high=-80.0, route="",
    )  # fmt: skip
    standing = Standing(seal="0" * 64, later=None)
    readings = [gain, isolation]
    page = Page(render_certificate(run_record(readings, outcome="pass"), readings, standing))
    rows = [" ".join(row.split()) for row in page.words.split("Route and gain: ")[1:]]
    assert [row.split(" 1 ")[0] for row in rows] == ["gain", "isolation"]  # then one reading each
    assert " dB 0.02 dB" in rows[0]  # the limit, then the largest U
    assert "at most −80.0 dB 8 dB" in rows[1]


def test_a_unit_that_failed_gets_no_certificate_but_a_record_that_says_so(
    certify: Callable[..., Any],
) -> None:
    _, page = certify(2)
    words = Page(page.read_text(encoding="utf-8")).words
    assert "Test record of a unit that did not pass" in words
    assert "✕ FAIL" in words
    assert "Test certificate" not in words.replace("Test certificate, FAIL", "")
    assert "2 not passed" in words


def test_a_unit_that_failed_before_anything_was_measured_is_said_to_have_failed_by_that(
    certify: Callable[..., Any],
) -> None:
    _, page = certify(9)
    words = Page(page.read_text(encoding="utf-8")).words
    assert "✕ FAIL Over-current in state loop_a: look for a shorted coil" in words
    assert "lies outside its limit" not in words
    assert "Readings 0 of 386 Nothing was measured." in words
    assert "k = ." not in words


def test_a_place_that_names_no_file_is_told(capsys: pytest.CaptureFixture[str], records: Path) -> None:
    done = switchwalk(capsys, "certificate", "1", "--records", str(records), "--out", "")
    assert done.code == 2
    assert "cannot be written: Is a directory. Give another --out" in done.err


@pytest.mark.parametrize(
    ("run", "why"),
    [
        (3, "run 3 was stopped and has no verdict on unit OB-3"),
        (4, "run 4 was interrupted and has no verdict"),
        (6, "run 6 tested the bench (known-bad), not unit OB-6"),
        (99, "there is no run 99"),
    ],
)
def test_a_run_that_says_nothing_of_a_unit_gets_none(certify: Callable[..., Any], run: int, why: str) -> None:
    done, page = certify(run)
    assert done.code == 2
    assert why in done.err
    assert not page.exists()


def test_a_simulated_run_and_one_that_is_not_the_latest_are_marked(certify: Callable[..., Any]) -> None:
    _, page = certify(5)
    assert "SIMULATED. No board was measured" in Page(page.read_text(encoding="utf-8")).words
    _, page = certify(7)
    text = page.read_text(encoding="utf-8")
    assert "Not the latest. This unit was tested again: run 8" in Page(text).words
    assert Page(text).all("script") == []
    assert "{{ 7 * 7 }}" in text


def test_records_that_were_changed_are_not_certified(
    certify: Callable[..., Any], records: Path, tmp_path: Path
) -> None:
    with open_records(records, read_only=True) as store:
        assert store.verify(1).findings == ()
    copy = tmp_path / "changed.sqlite"
    with sqlite3.connect(records) as source, sqlite3.connect(copy) as target:
        source.backup(target)
        target.execute("UPDATE readings SET value = value + 0.001 WHERE run_id = 1 AND check_name = 'Offset'")
    source.close()
    target.close()
    done, page = certify(1, place=copy)
    assert done.code == 4
    assert "run 1 is not as it was recorded" in done.err
    assert not page.exists()


def test_a_page_that_is_asked_for_as_a_pdf_is_one(
    capsys: pytest.CaptureFixture[str], records: Path, tmp_path: Path
) -> None:
    if page_files.find_browser() is None:
        pytest.skip("no browser is installed")
    paper_file = tmp_path / "page.pdf"
    done = switchwalk(capsys, "certificate", "1", "--records", str(records), "--out", str(paper_file))
    assert done.out == f"{tmp_path / 'page.html'}\n{paper_file}\n"
    assert paper_file.read_bytes().startswith(b"%PDF-")


def test_it_prints_to_one_page(certify: Callable[..., Any]) -> None:
    if page_files.find_browser() is None:
        pytest.skip("no browser is installed")
    done, page = certify(2, "--pdf")
    assert done.out.splitlines()[-1] == str(page.with_suffix(".pdf"))
    content = page.with_suffix(".pdf").read_bytes()
    assert content.startswith(b"%PDF-")
    assert len(re.findall(rb"/Type\s*/Page\b", content)) == 1


def test_without_a_browser_it_says_what_to_do(
    monkeypatch: pytest.MonkeyPatch, certify: Callable[..., Any], tmp_path: Path
) -> None:
    _, page = certify(1)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(
        RecordsError, match=r"no browser to print with .* Install chromium, or open .*page\.html"
    ):
        page_files.print_page(page, tmp_path / "page.pdf")


def test_a_page_holds_as_many_checks_as_there_may_be_with_every_warning(tmp_path: Path) -> None:
    if page_files.find_browser() is None:
        pytest.skip("no browser is installed")
    states = walk(controls=tuple(f"step_{2**power}" for power in range(6)))[:2000:29]
    readings = [
        changed(state, check=f"A rather long name of check number {number}", frequency_hz=20.0 + 100 * index)
        for number in range(MOST_LINES)
        for index, state in enumerate(states)
    ]
    run = run_record(readings, outcome="pass", header=replace(HEADER, simulated=True))
    page = tmp_path / "page.html"
    standing = Standing(seal="0" * 64, later=run)
    page.write_text(render_certificate(run, readings, standing), encoding="utf-8")
    page_files.print_page(page, tmp_path / "page.pdf")
    assert len(re.findall(rb"/Type\s*/Page\b", (tmp_path / "page.pdf").read_bytes())) == 1
