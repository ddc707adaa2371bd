"""The report of a run, as text and as a browser shows it."""

import re
import sys
import time
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from PIL import Image

from harness.errors import RecordsError
from harness.job.state import all_states
from harness.records.run import Outcome
from harness.report.waveforms import draw_waveform
from harness.report.write import make_matrix, render_report, write_report
from harness.toml_files.located import JobFile
from tests.records.outside_broadcast import HEADER, READING, capture, changed
from tests.report.chromium import browse
from tests.report.invented_run import FAULTY, LINES, SIMULATED, faulty_walk, run_record, walk, waveforms

VOID = {"meta", "img", "link", "br", "hr", "input", "col", "wbr"}


class Page(HTMLParser):
    """A page taken apart: every element with its attributes, and the text that a reader meets."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.text = ""
        self._open: list[str] = []
        self.badly_nested: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open.pop() != tag:
            self.badly_nested.append(f"{tag} at {self.getpos()}")

    def handle_data(self, data: str) -> None:
        if "style" not in self._open:
            self.text += f" {data}"

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attributes for name, attributes in self.elements if name == tag]

    @property
    def words(self) -> str:
        return " ".join(self.text.split())


@pytest.fixture(scope="module")
def failed() -> str:
    readings = faulty_walk()
    return render_report(
        run_record(readings, header=SIMULATED, reason="K6 looks dead"), readings, waveforms()
    )


@pytest.fixture
def failed_file(failed: str, tmp_path: Path) -> Path:
    file = tmp_path / "report.html"
    file.write_text(failed, encoding="utf-8")
    return file


def test_the_page_is_well_formed_and_its_links_lead_somewhere(failed: str) -> None:
    page = Page(failed)
    assert page.badly_nested == []
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    targets = {link["href"] for link in page.all("a")}
    assert targets <= {f"#{name}" for name in ids}
    assert len(targets) > 10


def test_the_verdict_is_said_in_words_with_everything_about_the_run(failed: str) -> None:
    words = Page(failed).words
    for message in (
        "SIMULATED No board was measured",
        "✕ FAIL",
        "At least one limit was not met.",
        "K6 looks dead",
        "Two-loop line switcher",
        "serial OB-0023",
        "2026-11-25 09:30:12 to 09:31:35 UTC",
        "switchwalk 0.1.0",
        "Example,S4,2002,2.1",
        HEADER.files[0].sha256,
        "U is the expanded uncertainty, k = 2.",
        "input 3 clipped on the least sensitive range",
        "left.in > K1 > left.out",
        "Phantom power",
        "Never lift the earth of an instrument",
        "Not measured in this run: phase, gain difference of the legs, phase error of the legs, "
        "gain difference of",
    ):
        assert message in words, message


def test_a_real_run_is_not_called_simulated() -> None:
    readings = walk()
    assert "SIMULATED" not in render_report(run_record(readings, outcome="pass"), readings, {})


@pytest.mark.parametrize(
    ("outcome", "word"),
    [
        ("pass", "✓ PASS Every reading is inside its limit."),
        ("unproven", "? UNPROVEN No reading is certainly outside"),
        (
            "stopped",
            "■ STOPPED The run was stopped by the bench or by hand. There is no verdict on the unit.",
        ),
        ("interrupted", "■ INTERRUPTED The run was never finished. There is no verdict on the unit."),
    ],
)
def test_each_outcome_has_its_word_and_its_sign(outcome: Outcome | Literal["interrupted"], word: str) -> None:
    readings = walk()[:5]
    assert word in Page(render_report(run_record(readings, outcome=outcome), readings, {})).words


def test_a_run_without_a_reading_still_has_a_report() -> None:
    words = Page(
        render_report(run_record([], outcome="stopped", reason="the supply is not there"), [], {})
    ).words
    assert "the supply is not there" in words
    assert "The run ended before its first reading." in words


def test_every_reading_is_in_the_report_with_limit_and_uncertainty(failed: str) -> None:
    page = Page(failed)
    rows = {attributes["id"] for attributes in page.all("tr") if "id" in attributes}
    assert rows == {f"r{index}" for index in range(len(faulty_walk()))}
    words = page.words
    assert "−6.110 ± 0.008 dB −3.806 to −3.406 dB ✕ fail" in words
    assert "2.304 dB outside" in words
    assert "29.52 ± 0.80 mA" in words
    assert re.search(r"−9\d\.\d dB \(−9\d\.\d to −\d\d\.\d\) at most −80\.0 dB ✓ pass", words)
    assert re.search(r"below −9\d\.\d\d dB at most −80\.00 dB ✓ pass", words)


def test_the_matrix_has_a_row_for_each_state_and_shows_the_worst() -> None:
    matrix = make_matrix(faulty_walk())
    assert matrix.states == tuple(state.name for state in all_states(LINES))
    assert matrix.columns == {
        "left": ("out", "a_send", "b_send"),
        "right": ("out", "a_send", "b_send"),
        "": ("supply current",),
    }
    assert len(matrix.cells) == 8 * 7
    worst = matrix.cells[FAULTY, "right", "out"]
    assert (worst.verdict, worst.value, worst.others) == ("fail", "-6.11", ("polarity", "crosstalk"))
    assert matrix.cells["loop_a", "left", "b_send"].verdict == "unproven"
    silent = matrix.cells["idle", "left", "a_send"]
    assert (silent.verdict, silent.value[:3], silent.anchor) == ("pass", "< -", None)
    others = [
        cell.verdict
        for place, cell in matrix.cells.items()
        if place not in {(FAULTY, "right", "out"), ("loop_a", "left", "b_send")}
    ]
    assert set(others) == {"pass"}


def test_ports_have_one_order_in_all_channels_whichever_was_read_first() -> None:
    readings = faulty_walk()
    left = [each for each in readings if each.key.measurand.channel == "left"]
    right = [each for each in readings if each.key.measurand.channel == "right"]
    columns = make_matrix([*left, *reversed(right)]).columns
    assert columns["right"] == columns["left"] == ("out", "a_send", "b_send")


def test_tables_tell_a_screen_reader_what_heads_what(failed: str) -> None:
    page = Page(failed)
    assert page.all("html") == [{"lang": "en"}]
    assert len(page.all("h1")) == 1
    assert all(head.get("scope") in {"col", "row", "colgroup", "rowgroup"} for head in page.all("th"))
    assert len(page.all("caption")) == len(page.all("table")) > 5
    assert all(
        (picture["alt"] or "").startswith("Voltage over time: input 1 ") for picture in page.all("img")
    )
    assert {
        region["aria-label"] for region in page.all("div") if "scroll" in (region.get("class") or "")
    } >= {
        "States and ports",
        "Worst readings",
    }


def test_nothing_is_fetched_and_nothing_runs(failed: str) -> None:
    page = Page(failed)
    assert {tag for tag, _ in page.elements} & {"script", "link", "iframe", "object", "form"} == set()
    for tag, attributes in page.elements:
        assert not [name for name in attributes if name.startswith("on")], tag
        for name in ("src", "href", "action", "srcset"):
            address = attributes.get(name)
            assert address is None or address.startswith(("#", "data:image/svg+xml;base64,")), (tag, address)
    assert "url(" not in failed
    assert "@import" not in failed
    policy = next(meta for meta in page.all("meta") if meta.get("http-equiv") == "Content-Security-Policy")
    assert (policy["content"] or "").startswith("default-src 'none'")


def test_no_name_becomes_markup() -> None:
    hostile = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>{{ 7 * 7 }}"
    header = replace(
        HEADER,
        serial=hostile,
        module_name=hostile,
        part=hostile,
        revision=hostile,
        sequence_name=hostile,
        bench_name=hostile,
        operator=hostile,
        notes=hostile,
        software_version=hostile,
        instruments=tuple(
            replace(instrument, text=hostile, address=hostile) for instrument in HEADER.instruments
        ),
        files=(JobFile(name=hostile, sha256="0" * 64, text=hostile),),
    )
    names = dict.fromkeys(
        ("check", "state", "channel", "port", "driven", "setup", "reason", "route"), hostile
    )
    readings = [changed(READING, **names, verdict="fail", unit=hostile)]
    html = render_report(run_record(readings, header=header, reason=hostile), readings, {1: capture(seed=1)})
    page = Page(html)
    assert page.all("script") == []
    assert len(page.all("img")) == 1  # the waveform
    assert not [attributes for _, attributes in page.elements if "onerror" in attributes]
    assert page.badly_nested == []
    assert "{{ 7 * 7 }}" in page.text
    assert html.count("&lt;script&gt;") > 15


def test_a_picture_keeps_the_peaks_and_needs_no_state() -> None:
    made = capture(seed=4, samples=200_000)
    made.volts[0, 77_777] = 1.9  # one sample that a stride would step over
    picture = draw_waveform(made, window_s=0.02).svg
    assert picture == draw_waveform(made, window_s=0.02).svg
    assert picture.startswith("<svg")
    assert len(picture) < 100_000
    assert "input 2, cold" in picture
    tall = [float(y) for y in re.findall(r"L[\d.]+ ([\d.]+)", picture)]
    flat_picture = draw_waveform(capture(seed=4), window_s=0.02).svg
    flat = [float(y) for y in re.findall(r"L[\d.]+ ([\d.]+)", flat_picture)]
    assert np.median(tall) > np.median(flat)  # the scale makes room for the peak
    assert "matplotlib" not in sys.modules


def test_a_clipped_input_is_named(failed: str) -> None:
    readings = [changed(READING, verdict="missing", value=None, reason="clipped")]
    html = render_report(run_record(readings), readings, {1: replace(capture(seed=1), clipped=(0, 12, 0, 0))})
    assert "clipped on input 2" in Page(html).words
    assert "clipped on input" not in Page(failed).words.replace("clipped on the least", "")


def test_a_64_state_job_stays_small_quick_and_folded() -> None:
    lines = tuple(f"step_{2**power}" for power in range(6))
    readings = walk(controls=lines, ports=("out", "tap_a", "tap_b", "tap_c", "tap_d", "tap_e", "tap_f"))
    assert len(readings) > 2000
    started = time.process_time()
    html = render_report(run_record(readings, outcome="pass"), readings, {})
    assert time.process_time() - started < 2.0
    assert len(html) < 1_000_000
    assert all("open" not in details for details in Page(html).all("details"))


def test_few_readings_stand_open_for_the_print(failed: str) -> None:
    sections = Page(failed).all("details")
    assert [("open" in details) for details in sections] == [True] * 6 + [False]  # the routes


def test_many_failures_fold_only_what_passed() -> None:
    readings = faulty_walk(controls=("loop_a", "loop_b", "swap", "mute", "dim"))
    assert len(readings) > 400
    html = render_report(run_record(readings), readings, {})
    opened = re.findall(r'<details open>\n<summary><span class="check">([^<]*)', html)
    assert opened == ["Route and gain", "Polarity", "Crosstalk"]


def test_the_file_is_whole_or_not_there(tmp_path: Path) -> None:
    readings = walk()
    file = tmp_path / "reports" / "41.html"
    write_report(run_record(readings), readings, {}, file)
    assert file.read_text(encoding="utf-8").rstrip().endswith("</html>")
    assert [one.name for one in file.parent.iterdir()] == ["41.html"]
    with pytest.raises(
        RecordsError, match=r"41\.html/deeper\.html: the report can't be written: .*safe in the records"
    ):
        write_report(run_record(readings), readings, {}, file / "deeper.html")


# --- as a browser shows it


@pytest.mark.parametrize("width", [1200, 500], ids=["desktop", "phone"])
def test_the_page_fits_its_window_and_shows_the_verdict_in_colour_at_the_top(
    failed_file: Path, tmp_path: Path, width: int
) -> None:
    shot = tmp_path / "shot.png"
    browse(failed_file, f"--window-size={width},700", f"--screenshot={shot}")
    image = np.asarray(Image.open(shot).convert("RGB")).astype(int)
    assert image.shape[:2] == (700, width)
    red = (abs(image - [0x9B, 0x16, 0x20]).sum(axis=2) < 12).sum()
    assert red > 1000  # the verdict's edge and word
    paper = (abs(image - [0xFC, 0xFB, 0xF8]).sum(axis=2) < 6).mean()
    assert 0.3 < paper < 0.98
    right_edge = image[:, -8:]
    assert (abs(right_edge - [0xFC, 0xFB, 0xF8]).sum(axis=2) < 6).all()  # nothing sticks out


def test_the_browser_keeps_every_table_and_reports_no_blocked_request(failed_file: Path) -> None:
    dom = browse(failed_file, "--dump-dom")
    page = Page(dom)
    assert "✕ FAIL" in page.words
    assert page.all("script") == []
    assert len(page.all("table")) == len(page.all("caption"))
    assert len([row for row in page.all("tr") if "id" in row]) == len(faulty_walk())
    assert all(head.get("scope") for head in page.all("th"))


def test_it_prints_to_a_few_pages(failed_file: Path, tmp_path: Path) -> None:
    paper = tmp_path / "report.pdf"
    browse(failed_file, "--no-pdf-header-footer", f"--print-to-pdf={paper}")
    content = paper.read_bytes()
    assert content.startswith(b"%PDF-")
    pages = len(re.findall(rb"/Type\s*/Page\b", content))
    assert 4 <= pages <= 9
