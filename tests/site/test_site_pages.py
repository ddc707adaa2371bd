"""`switchwalk site`: the pages as text, as files, and as a browser shows them."""

import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from functools import partial
from itertools import pairwise
from pathlib import Path

import pytest

from harness.records.history import RunLine
from harness.records.store import open_records
from harness.report.plotter import ticks
from harness.site.model import make_catalogue
from harness.site.pages import Pages, UnitSearch
from harness.site.study import study_batch
from tests.cli.commands import exit_code, switchwalk
from tests.records.outside_broadcast import HEADER, READING, changed
from tests.report.test_report import Page
from tests.site.devtools import Tab, browser
from tests.site.invented_batch import fill

HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>../../{{ 7 * 7 }} \u202e" + 90 * "W"
LINE = RunLine(
    run_id=1,
    serial="OB-1",
    part="TLS-2",
    revision="B",
    sequence_name="Production test",
    bench_name="Van bench",
    operator="Ada",
    simulated=False,
    started=HEADER.started,
    outcome="pass",
    batch="1",
)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site of 60 units of which some failed at first, one with a name that means harm, one not ended."""
    folder = tmp_path_factory.mktemp("site")
    records = folder / "records.sqlite"
    fill(records, units=60, readings=20, bad=0.2)
    with open_records(records) as store:
        header = replace(
            HEADER, serial=HOSTILE, batch=HOSTILE, operator=HOSTILE, notes=HOSTILE, simulated=True
        )
        run = store.begin(header)
        store.add_readings(
            run, [changed(READING, acquisitions=(), check=HOSTILE, verdict="fail", reason=HOSTILE)]
        )
        store.finish(run, "fail", HOSTILE, HEADER.started)
        store.begin(replace(HEADER, serial="OB-00001", batch="1"))
    report = folder / "reports" / "run-00001-OB-00001.html"
    report.parent.mkdir()
    report.write_text("the report of run 1")
    return folder


@pytest.fixture(scope="module")
def written(site: Path) -> Path:
    from harness.report.run_report import page_beside
    from harness.site.write import write_site

    records, out = site / "records.sqlite", site / "out"
    with open_records(records, read_only=True) as store:
        write_site(store, out, partial(page_beside, records))
    return out


@pytest.fixture(scope="module")
def tab() -> Iterator[Tab]:
    with browser() as tab:
        yield tab


def every_page(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*.html") if path.parent.name != "reports")


def unit_page(folder: Path, start: str) -> Path:
    return next((folder / "units").glob(f"{start}-*.html"))


def test_every_page_is_well_formed_names_its_parts_and_leads_somewhere(written: Path) -> None:
    pages = every_page(written)
    assert len(pages) == 1 + 61 + 2
    for path in pages:
        page = Page(path.read_text(encoding="utf-8"))
        assert page.badly_nested == [], path
        assert page.all("html") == [{"lang": "en"}]
        assert len(page.all("h1")) == len(page.all("main")) == len(page.all("header")) == 1
        assert len(page.all("caption")) == len(page.all("table"))
        assert all(head.get("scope") in {"col", "row"} for head in page.all("th"))
        ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
        assert len(ids) == len(set(ids))
        for link in page.all("a"):
            file, _, anchor = link["href"].partition("#")
            assert not anchor or anchor in ids
            assert not file or (path.parent / file).resolve().is_file(), (path, file)
        assert all(picture.get("aria-label") for picture in page.all("svg"))
        for outer, inner in pairwise(int(tag[1]) for tag, _ in page.elements if tag in ("h1", "h2", "h3")):
            assert inner <= outer + 1


def test_no_name_becomes_markup_or_a_path(written: Path) -> None:
    for path in every_page(written):
        text = path.read_text(encoding="utf-8")
        page = Page(text)
        assert len(page.all("script")) == (path.name == "index.html")
        assert page.all("img") == []
        assert not [attributes for _, attributes in page.elements if "onerror" in attributes]
    assert re.fullmatch(r"[A-Za-z0-9-]+\.html", unit_page(written, "script-alert").name)
    assert "{{ 7 * 7 }}" in unit_page(written, "script-alert").read_text(encoding="utf-8")


def test_a_unit_says_how_it_stands_what_did_not_pass_and_where_its_report_is(written: Path) -> None:
    words = Page(unit_page(written, "OB-00001").read_text(encoding="utf-8")).words
    assert "OB-00001 Two-loop line switcher, TLS-2 revision B" in words
    assert "■ NOT ENDED The run has not finished: it is running, or was interrupted." in words
    assert "switchwalk resume" in words
    assert "0 of 96" in words
    assert (written / "reports" / "run-00001.html").read_text() == "the report of run 1"
    simulated = Page(unit_page(written, "script-alert").read_text(encoding="utf-8")).words
    assert "SIMULATED No board was measured" in simulated
    assert "✕ fail <script>alert(1)</script>" in simulated


def test_a_batch_has_its_yields_causes_and_charts(written: Path) -> None:
    words = Page(next((written / "batches").glob("TLS-2-1-*.html")).read_text(encoding="utf-8")).words
    with open_records(written.parent / "records.sqlite", read_only=True) as store:
        failed = {line.serial for line in store.lines(simulated=False) if line.outcome == "fail"}
    assert f"{60 - len(failed)} of 60 units; 95 % interval" in words
    assert "60 of 60 units" in words
    assert "at most −80 dB" in words
    for title in ("Faults diagnosed", "Checks not passed in the first run", "Unit by unit", "cold leg open"):
        assert title in words


def test_readings_that_differ_by_what_is_driven_alone_are_told_apart_on_the_page_of_their_batch(
    tmp_path: Path,
) -> None:
    records = tmp_path / "records.sqlite"
    sources = ("left.source_1", "left.source_2")
    with open_records(records) as store:
        for number in range(6):
            run = store.begin(replace(HEADER, serial=f"OB-{number}", batch="autumn"))
            store.add_readings(
                run,
                [
                    changed(
                        READING, driven=source, value=-0.08 + 0.001 * number, verdict="fail", acquisitions=()
                    )
                    for source in sources
                ],
            )
            store.finish(run, "fail", "", HEADER.started)
    pages_folder = tmp_path / "site"
    exit_code("site", str(pages_folder), "--records", str(records))
    (batch,) = (pages_folder / "batches").glob("*.html")
    page = Page(batch.read_text(encoding="utf-8"))
    messages = [f"Route and gain: loop_a left.out 1 kHz, {source} driven" for source in sources]
    for label in messages:
        assert f"{label} 6" in page.words  # the Pareto: each of them in six units
        assert (
            sum(one.get("aria-label", "").startswith(f"{label}, unit by unit.") for one in page.all("svg"))
            == 1
        )


def test_a_batch_has_a_chart_of_moving_ranges_beside_each_of_its_readings(written: Path) -> None:
    page = Page(next((written / "batches").glob("TLS-2-1-*.html")).read_text(encoding="utf-8"))
    message = [picture["aria-label"] for picture in page.all("svg")]
    charted = [one.partition(", unit by unit.")[0] for one in message if ", unit by unit." in one]
    assert charted
    for label in charted:
        (ranges,) = (one for one in message if one.startswith(f"{label}, moving ranges. 59 ranges, mean "))
        values = next(one for one in message if one.startswith(f"{label}, unit by unit."))
        assert ("Met: one point beyond three sigma" not in values) or ("Beyond it: none." not in ranges)


def test_the_table_of_a_batch_leads_to_every_chart_also_where_a_reading_has_none(tmp_path: Path) -> None:
    records = tmp_path / "records.sqlite"
    fill(records, units=12, readings=20, bad=0.0)
    with closing(sqlite3.connect(records)) as plain:
        # The first in the table are those that failed: one of them has no value in most units, so no chart.
        plain.execute(
            "UPDATE readings SET verdict = 'fail', value = CASE WHEN run_id < 4 THEN 0.2 * run_id END "
            "WHERE check_name = 'Contact resistance' AND state = 'idle' AND channel = 'left'"
        )
        plain.commit()
    with open_records(records, read_only=True) as store:
        (batch,) = make_catalogue(store.lines()).batches.values()
        study = study_batch(store, batch)
    assert study.figures[0].key not in study.chart_numbers
    page = Page(Pages(lambda kind, run: False).batch(study))
    led_to = [link["href"] for link in page.all("a") if link["href"].startswith("#chart")]
    assert led_to == [f"#{article['id']}" for article in page.all("article")] != []


def test_a_batch_whose_channels_differ_shows_which_readings_and_by_how_much(tmp_path: Path) -> None:
    records = tmp_path / "records.sqlite"
    fill(records, units=30, readings=20, bad=0.0)
    with closing(sqlite3.connect(records)) as plain:
        plain.execute(
            "UPDATE readings SET value = (SELECT other.value FROM readings AS other WHERE other.run_id = "
            "readings.run_id AND other.channel = 'left' AND other.check_name = readings.check_name AND "
            "other.state = readings.state) + 0.05 + 0.001 * (run_id % 2) "
            "WHERE channel = 'right' AND quantity = 'gain'"
        )
        plain.commit()
    with open_records(records, read_only=True) as store:
        (batch,) = make_catalogue(store.lines()).batches.values()
        study = study_batch(store, batch)
    assert study.sides is not None
    assert {side.key.measurand.quantity for side in study.sides.differing} == {"gain"}
    assert len(study.sides.pictures) == len(study.sides.differing) == 2
    words = Page(Pages(lambda kind, run: False).batch(study)).words
    assert "Left less right 2 of 10 readings differ between the channels, in the latest" in words
    assert "−0.0505 dB" in words


def test_a_second_writing_takes_away_what_is_no_more_and_no_folder_of_somebody_else_is_touched(
    site: Path, written: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stale = written / "units" / "gone-0123456789.html"
    stale.write_text("old")
    records = str(site / "records.sqlite")
    done = switchwalk(capsys, "site", str(written), "--records", records)
    assert (done.code, done.out) == (0, f"{written / 'index.html'}\n")
    assert "61 units in 2 batches" in done.err
    assert not stale.exists()
    (tmp_path / "thesis.txt").write_text("mine")

    for place in (tmp_path / "thesis.txt", tmp_path / "thesis.txt" / "below"):
        on_a_file = switchwalk(capsys, "site", str(place), "--records", records)
        assert on_a_file.code == 2
        assert on_a_file.err.startswith(f"{tmp_path / 'thesis.txt'}: is a file")
    refused = switchwalk(capsys, "site", str(tmp_path), "--records", records)
    assert refused.code == 4
    assert "holds something else (thesis.txt)" in refused.err
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def test_units_whose_serials_differ_by_a_sign_have_pages_of_their_own() -> None:
    lines = [
        replace(LINE, run_id=n, serial=s) for n, s in enumerate(("a/b", "a-b", "A-B", "a b", "äb", "…"), 1)
    ]
    assert len({slug.casefold() for slug in make_catalogue(lines).units}) == len(lines)


def test_runs_that_test_the_bench_do_not_say_how_a_unit_stands() -> None:
    lines = [LINE, replace(LINE, run_id=2, outcome="fail", purpose="known-bad")]
    catalogue = make_catalogue(lines)
    (unit,) = catalogue.units.values()
    assert (unit.stands.run_id, len(unit.runs)) == (1, 2)
    assert [len(batch.runs) for batch in catalogue.batches.values()] == [1]


@pytest.mark.parametrize(
    ("search", "count"), [("", 2), ("ob-2 tls", 1), ("FAIL", 1), ("ob-1 fail", 0), ("2026-11-25", 2)]
)
def test_the_list_can_be_searched_without_a_script(search: str, count: int) -> None:
    catalogue = make_catalogue([LINE, replace(LINE, run_id=2, serial="OB-2", outcome="fail")])
    assert sum(UnitSearch(words=search).keeps(unit) for unit in catalogue.units.values()) == count


def test_axes_have_round_numbers() -> None:
    assert [text for _, text in ticks(-0.11, 0.23)] == ["−0.1", "0.0", "0.1", "0.2"]
    assert [text for _, text in ticks(0.0, 10.1, most=4)] == ["0", "5", "10"]
    assert [text for _, text in ticks(0.0, 8.6, most=4)] == ["0.0", "2.5", "5.0", "7.5"]
    assert [text for _, text in ticks(0.0, 8.6, most=4, whole=True)] == ["0", "5"]
    assert [text for _, text in ticks(0.0, 2.1, most=4, whole=True)] == ["0", "1", "2"]


FURTHEST_RIGHT = """(() => {
  const seen = document.querySelectorAll('body *:not(.skip, .quiet, .units *)');
  return Math.floor(Math.max(...Array.from(seen, (one) => one.getBoundingClientRect().right)));
})()"""


CUT_OFF = """Array.from(document.querySelectorAll('h1, .units th'))
  .filter((one) => one.scrollWidth > one.clientWidth).map((one) => one.textContent)"""


# --- as a browser shows them


@pytest.mark.parametrize("width", [1280, 360], ids=["desktop", "phone"])
def test_no_page_is_wider_than_its_window_and_nothing_is_blocked(tab: Tab, written: Path, width: int) -> None:
    tab.size(width, 844)
    batch = next((written / "batches").glob("TLS-2-1-*.html"))
    for path in (written / "index.html", unit_page(written, "script-alert"), batch):
        tab.open(path.as_uri())
        assert tab.find("document.documentElement.scrollWidth") == width
        assert tab.find(CUT_OFF) == []
        assert (
            tab.find("getComputedStyle(document.body).backgroundColor") == "rgb(252, 251, 248)"
        )  # has its style
    assert tab.message == []


# Of WCAG 2.1, from memory: letters need 4.5 to 1 (1.4.3), what else is to be seen 3 to 1 (1.4.11).
LETTERS = (
    *((ink, on) for on in ("paper", "raised") for ink in ("ink", "soft", "fail", "accent")),
    *((verdict, "paper") for verdict in ("pass", "fail", "unproven", "missing")),
    *((verdict, f"{verdict}-bg") for verdict in ("pass", "fail", "unproven", "missing")),
    *(("ink", f"{verdict}-bg") for verdict in ("pass", "fail", "unproven", "missing")),
    ("ink", "band"),
)
MARKS = (("accent", "swath"), ("fail", "swath"), ("signal", "raised"), ("unproven", "raised"),
         ("unproven", "unproven-bg"), ("ink", "swath"), ("focus", "paper"), ("focus", "raised"))  # fmt: skip


def luminance(colour: str) -> float:
    """Relative luminance of #rrggbb, as WCAG 2.1 defines it."""
    long = "#" + "".join(2 * digit for digit in colour[1:]) if len(colour) == 4 else colour
    parts = [int(long[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_letters_and_marks_stand_out_by_day_and_by_night(tab: Tab, written: Path, scheme: str) -> None:
    tab.scheme(scheme)
    try:
        tab.open((written / "index.html").as_uri())
        names = sorted({name for pair in (*LETTERS, *MARKS) for name in pair})
        asked = f"{names}.map((n) => getComputedStyle(document.documentElement).getPropertyValue('--' + n))"
        colours = dict(zip(names, (result.strip() for result in tab.find(asked)), strict=True))
        shown = tab.find("getComputedStyle(document.body).backgroundColor")
    finally:
        tab.scheme("")
    assert (luminance(colours["paper"]) < 0.1) == (scheme == "dark") == (shown == "rgb(22, 25, 28)")
    for pairs, least in ((LETTERS, 4.5), (MARKS, 3.0)):
        for ink, on in pairs:
            dark, bright = sorted((luminance(colours[ink]), luminance(colours[on])))
            assert (bright + 0.05) / (dark + 0.05) >= least, f"{ink} on {on}, {scheme}"


def test_the_keyboard_reaches_the_content_the_search_and_the_units_and_shows_where_it_is(
    tab: Tab, written: Path
) -> None:
    tab.size(1280, 844)
    tab.open((written / "index.html").as_uri())
    tab.press("Tab")
    assert tab.find("document.activeElement.textContent") == "Skip to the content"
    assert tab.find("document.activeElement.getBoundingClientRect().left >= 0")
    assert tab.find("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    tab.press("Enter")
    assert tab.find("document.activeElement.id") == "main"
    tab.find("document.getElementById('q').focus()")
    tab.write("OB-00007")
    assert tab.find("document.getElementById('said').textContent") == "1 of 61 units"
    tab.press("Tab")
    tab.press("Tab")
    assert tab.find("document.activeElement.textContent") == "OB-00007"


def test_whoever_comes_back_from_a_unit_finds_the_list_as_it_was(tab: Tab, written: Path) -> None:
    tab.open((written / "index.html").as_uri())
    tab.find("document.getElementById('q').focus()")
    tab.write("OB-0000")
    message = tab.find("document.getElementById('said').textContent")
    tab.open(unit_page(written, "OB-00007").as_uri())
    tab.back()
    assert tab.find("document.getElementById('q').value") == "OB-0000"
    assert tab.find("document.getElementById('said').textContent") == message == "9 of 61 units"


def test_a_screen_reader_is_told_of_landmarks_headings_and_tables(tab: Tab, written: Path) -> None:
    tab.open((written / "index.html").as_uri())
    told = tab.tree()
    assert {"main", "banner", "contentinfo", "search", "table"} <= {role for role, _ in told}
    assert ("heading", "Units") in told
    assert ("searchbox", "Find") in told
    assert ("checkbox", "only units that have not passed") in told
    assert ("columnheader", "Status") in told


def test_without_a_script_the_whole_list_is_there_and_no_search_that_would_do_nothing(
    tab: Tab, written: Path
) -> None:
    tab.scripts(run=False)
    try:
        tab.open((written / "index.html").as_uri())
        told = tab.tree()
    finally:
        tab.scripts(run=True)
    assert ("searchbox", "Find") not in told
    assert len({name for role, name in told if role == "link" and name.startswith("OB-")}) == 60


def test_ten_thousand_units_are_searched_at_once(tab: Tab, tmp_path: Path) -> None:
    lines = [
        replace(
            LINE,
            run_id=n,
            serial=f"OB-{n:05d}",
            outcome="fail" if n % 10 == 0 else "pass",
            batch=str(n // 500),
            started=HEADER.started + timedelta(minutes=n),
        )
        for n in range(1, 10_001)
    ]
    pages = Pages(lambda kind, run: False)
    page = tmp_path / "index.html"
    page.write_text(pages.index(make_catalogue(lines), {}), encoding="utf-8")
    (tmp_path / "style.css").write_text(pages.style, encoding="utf-8")
    assert page.stat().st_size < 2_500_000
    tab.open(page.as_uri())
    took_ms = tab.find(
        """(async () => {
          const q = document.getElementById('q'), start = performance.now();
          q.value = 'ob-0421';
          q.dispatchEvent(new Event('input', {bubbles: true}));
          await new Promise((shown) => requestAnimationFrame(() => setTimeout(shown, 0)));
          return performance.now() - start;
        })()"""
    )
    assert tab.find("document.getElementById('said').textContent") == "10 of 10000 units"
    assert took_ms < 1500  # about 50 ms on a quiet machine
    tab.find("document.getElementById('bad').click()")
    assert tab.find("document.getElementById('said').textContent") == "1 of 10000 units"


def test_pages_print(tab: Tab, written: Path) -> None:
    batch = next((written / "batches").glob("TLS-2-1-*.html"))
    tab.open(batch.as_uri())
    pages = len(re.findall(rb"/Type\s*/Page\b", tab.paper()))
    assert 2 <= pages <= 9
    width = 690  # of A4, 210 mm less two margins of 13 mm, at 96 dots to the inch
    tab.size(width, 1000)
    tab.media("print")
    for path in (written / "index.html", unit_page(written, "script-alert"), batch):
        tab.open(path.as_uri())
        assert tab.find(FURTHEST_RIGHT) <= width, f"{path.name} is cut off on paper"
    tab.media("")
