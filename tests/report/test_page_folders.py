"""Where pages are written: no two records share a page."""

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from harness.records.run import DEFAULT_RECORDS
from harness.report.page_files import write_whole
from harness.report.run_report import page_beside, report_path


def test_records_of_the_default_name_have_their_pages_in_reports_beside_them() -> None:
    assert report_path(DEFAULT_RECORDS, 1, "OB-1") == DEFAULT_RECORDS.parent / "reports/run-00001-OB-1.html"


def test_two_record_files_in_one_folder_have_pages_of_their_own(tmp_path: Path) -> None:
    pages = {
        report_path(tmp_path / name, 1, "OB-1") for name in ("records.sqlite", "spring.sqlite", "old.db")
    }
    assert len({page.parent for page in pages}) == 3


def test_databases_on_servers_have_pages_of_their_own_and_show_no_password() -> None:
    urls = [f"postgresql://ada:secret@{host}/{name}" for host in ("van", "desk") for name in ("ob", "test")]
    pages = {page_beside(url, "certificates", 1, "OB/1") for url in urls}
    assert len(pages) == 4
    assert all("secret" not in str(page) and page.name == "run-00001-OB_1.html" for page in pages)


def test_a_pipe_is_written_to_and_stays_one(tmp_path: Path) -> None:
    pipe = tmp_path / "page.html"
    os.mkfifo(pipe)
    with ThreadPoolExecutor(1) as reader:
        read = reader.submit(pipe.read_bytes)
        write_whole(pipe, b"<html>")
        assert read.result() == b"<html>"
    assert pipe.is_fifo()
