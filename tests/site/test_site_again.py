"""A folder of pages written again: what the records say as before is not touched, all else is made anew."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from harness.records.run import FaultsNamed
from harness.records.store import RunStore, open_records
from harness.site.model import Unit
from harness.site.study import BatchStudy, UnitView, view_units
from harness.site.write import Written, write_site
from tests.records.outside_broadcast import ENDED, HEADER, READING, changed
from tests.report.test_report import Page
from tests.site.invented_batch import fill


def record(path: Path, serial: str, *, batch: str = "1", value: float = -0.09, ended: bool = True) -> int:
    with open_records(path) as store:
        run = store.begin(replace(HEADER, serial=serial, batch=batch))
        store.add_readings(run, [changed(READING, acquisitions=(), value=value)])
        if ended:
            store.finish(run, "pass", "", ENDED)
    return run


def write(records: Path, folder: Path) -> Written:
    with open_records(records, read_only=True) as store:
        return write_site(store, folder, lambda kind, run, serial: records.parent / f"{kind}-{run}.html")


def looks(folder: Path) -> dict[str, tuple[int, int]]:
    """Every file by its name, with what changes when it is written again."""
    result = {path: path.stat() for path in folder.rglob("*") if path.is_file()}
    return {str(path.relative_to(folder)): (one.st_ino, one.st_mtime_ns) for path, one in result.items()}


def touched(before: dict[str, tuple[int, int]], folder: Path) -> set[str]:
    """What is new or was written again, pages without what tells one unit from another of the same name."""
    names = (name for name, look in looks(folder).items() if before.get(name) != look)
    return {name.rpartition("-")[0] if "/" in name else name for name in names}


@pytest.fixture
def records(tmp_path: Path) -> Path:
    path = tmp_path / "records.sqlite"
    for serial, batch in (("OB-1", "1"), ("OB-2", "1"), ("OB-3", "2")):
        record(path, serial, batch=batch)
    return path


def test_the_same_records_written_again_touch_no_file(records: Path, tmp_path: Path) -> None:
    folder = tmp_path / "site"
    first = write(records, folder)
    assert (first.pages, first.changed) == (6, 6)
    before = looks(folder)
    assert (write(records, folder).changed, looks(folder)) == (0, before)


def test_the_same_records_make_the_same_pages_in_any_folder(records: Path, tmp_path: Path) -> None:
    texts = []
    for name in ("a", "b"):
        write(records, tmp_path / name)
        texts.append(
            {path.name: path.read_bytes() for path in (tmp_path / name).rglob("*") if path.is_file()}
        )
    assert texts[0] == texts[1]


def test_another_run_changes_the_index_and_the_pages_of_its_unit_and_its_batch(
    records: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "site"
    write(records, folder)
    before = looks(folder)
    record(records, "OB-4", batch="2")
    write(records, folder)
    assert touched(before, folder) == {"index.html", ".switchwalk-site", "batches/TLS-2-2", "units/OB-4"}
    before = looks(folder)
    record(records, "OB-1", batch="1", value=-0.12)
    write(records, folder)
    assert touched(before, folder) == {"index.html", ".switchwalk-site", "batches/TLS-2-1", "units/OB-1"}


@pytest.mark.parametrize(
    ("serial", "ended", "made"),
    [("OB-00003", True, {"OB-00003"}), ("OB-9", False, {"OB-9"}), ("OB-9", True, {"OB-9", "OB-00001"})],
    ids=["a retest", "a run under way", "a new unit's run"],
)
def test_pages_of_other_units_are_made_again_where_the_batch_that_they_show_is_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, serial: str, ended: bool, made: set[str]
) -> None:
    records, folder = tmp_path / "records.sqlite", tmp_path / "site"
    fill(records, units=12, readings=20, bad=0.0)
    write(records, folder)
    with open_records(records) as store:
        run = store.begin(replace(HEADER, serial=serial, batch="1"))
        store.add_readings(run, store.readings(1))
        if ended:
            store.finish(run, "pass", "", ENDED)
    seen: list[str] = []

    def view_and_tell(
        store: RunStore, units: Sequence[Unit], studies: Mapping[str, BatchStudy]
    ) -> list[UnitView]:
        seen.extend(unit.key.serial for unit in units)
        return view_units(store, units, studies)

    monkeypatch.setattr("harness.site.write.view_units", view_and_tell)
    write(records, folder)
    assert made <= set(seen)
    assert len(seen) == (13 if len(made) > 1 else 1)


def test_a_run_under_way_is_shown_as_far_as_it_has_come(records: Path, tmp_path: Path) -> None:
    folder = tmp_path / "site"
    run = record(records, "OB-5", ended=False)
    write(records, folder)
    (page,) = (folder / "units").glob("OB-5-*")
    assert "1 of " in page.read_text(encoding="utf-8")
    with open_records(records) as store:
        store.add_readings(run, [changed(READING, acquisitions=(), verdict="fail")])
    assert write(records, folder).changed > 0
    assert "2 of " in page.read_text(encoding="utf-8")


def test_a_unit_that_failed_names_its_fault_as_soon_as_it_is_diagnosed(records: Path, tmp_path: Path) -> None:
    folder = tmp_path / "site"
    with open_records(records) as store:
        run = store.begin(replace(HEADER, serial="OB-6", batch="1"))
        lost = changed(READING, acquisitions=(), value=-118.06, floor=True, verdict="fail")
        store.add_readings(run, [lost])
        store.finish(run, "fail", "", ENDED)
    write(records, folder)
    (page,) = (folder / "units").glob("OB-6-*")
    words = Page(page.read_text(encoding="utf-8")).words
    assert "Likely fault: not diagnosed" in words
    assert f"−118.06 dB, the bench's floor, in run {run}" in words.replace("\u00a0", " ")
    with open_records(records) as store:
        store.add_event(run, FaultsNamed(faults=("K3 never operates",), probability=0.9))
    write(records, folder)
    words = Page(page.read_text(encoding="utf-8")).words
    assert "Likely fault: K3 never operates" in words
    assert "✕ fail K3 never operates" in words


def test_papers_that_are_put_beside_the_records_later_are_led_to(records: Path, tmp_path: Path) -> None:
    folder = tmp_path / "site"
    write(records, folder)
    before = looks(folder)
    (tmp_path / "reports-3.html").write_text("the report of run 3")
    (tmp_path / "certificates-3.html").write_text("the certificate of run 3")
    assert write(records, folder).changed == 1
    documents = {"reports/run", "certificates/run"}
    assert touched(before, folder) == {".switchwalk-site", "units/OB-3", *documents}
    (page,) = (folder / "units").glob("OB-3-*")
    links = {link["href"] for link in Page(page.read_text(encoding="utf-8")).all("a")}
    assert {"../reports/run-00003.html", "../certificates/run-00003.html"} < links


def test_a_page_that_was_changed_or_lost_is_put_right(records: Path, tmp_path: Path) -> None:
    folder = tmp_path / "site"
    write(records, folder)
    one, other = sorted((folder / "units").iterdir())[:2]
    text = one.read_text(encoding="utf-8")
    one.write_text(text.replace("PASS", "FAIL"), encoding="utf-8")
    other.unlink()
    assert write(records, folder).changed == 2
    assert one.read_text(encoding="utf-8") == text
    assert other.is_file()


@pytest.mark.parametrize("mark", ["", "{}", '{"pages": 3}', '{"pages": {"index.html": 1}}', "[" * 100_000])
def test_a_folder_whose_own_notes_say_nothing_is_written_anew(
    records: Path, tmp_path: Path, mark: str
) -> None:
    folder = tmp_path / "site"
    write(records, folder)
    (folder / ".switchwalk-site").write_text(mark)
    before = looks(folder)
    assert write(records, folder).changed == 0  # each was made, and found to be there
    assert touched(before, folder) == {".switchwalk-site"}


def test_other_records_with_the_same_run_numbers_get_pages_of_their_own(
    records: Path, tmp_path: Path
) -> None:
    folder, others = tmp_path / "site", tmp_path / "others.sqlite"
    write(records, folder)
    for serial in ("OB-1", "OB-2", "OB-3"):
        record(others, serial, value=0.05)
    write(others, folder)
    write(others, tmp_path / "new")
    for page in (tmp_path / "new").rglob("*.html"):
        assert (folder / page.relative_to(tmp_path / "new")).read_bytes() == page.read_bytes()


def test_what_is_written_again_is_what_would_be_written_anew(tmp_path: Path) -> None:
    records, folder = tmp_path / "records.sqlite", tmp_path / "site"
    fill(records, units=12, readings=20, bad=0.3)
    write(records, folder)
    before = looks(folder)
    with open_records(records) as store:
        run = store.begin(replace(HEADER, serial="OB-00003", batch="1"))
        store.add_readings(run, store.readings(1))
        store.finish(run, "pass", "", ENDED)
    write(records, folder)
    assert len(touched(before, folder)) > 1
    write(records, tmp_path / "new")
    for page in (tmp_path / "new").rglob("*.html"):
        assert (folder / page.relative_to(tmp_path / "new")).read_bytes() == page.read_bytes()
