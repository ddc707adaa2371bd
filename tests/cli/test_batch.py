"""`switchwalk batch`, unattended on a simulated bench: one batch for all, of a short job."""

import json
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from harness.cli.batch import draw_faults
from harness.cli.outcome import banner_lines, show_banner
from harness.cli.person import read_serials
from harness.errors import JobError, UsageError
from harness.job.job import load_job
from harness.records.run import FaultsNamed, RetestAllowed
from harness.records.store import open_records
from tests.cli.commands import Printed, switchwalk
from tests.jobs import ROUTE_AND_GAIN, edit, job_in
from tests.wire.standing_bench import SERIAL_PATTERN, tiny_job

SERIALS = ("OB-0001", "OB-0002", "OB-0003", "OB-0004")
SEED = 4  # faults that two states show
SHARE = 0.5


@dataclass(frozen=True)
class Place:
    """A folder with a job, a list of serial numbers, and records that fill up."""

    folder: Path

    @property
    def job(self) -> Path:
        return self.folder / "tiny"

    @property
    def records(self) -> Path:
        return self.folder / "records.sqlite"

    @property
    def serials(self) -> Path:
        return self.folder / "serials.txt"

    def prepare(self) -> "Place":
        """Write the job and the list of serial numbers."""
        tiny_job(self.folder, serial_pattern=SERIAL_PATTERN, retests=1)
        self.serials.write_text("# the autumn batch\n" + "\n".join(SERIALS) + "\n\n", encoding="utf-8")
        return self

    def arguments(self, *more: str) -> list[str]:
        return [
            *("batch", str(self.job), "--serials", str(self.serials), "--simulate", "--speed", "20"),
            *("--records", str(self.records), *more),
        ]

    def batch(self, capsys: pytest.CaptureFixture[str], *more: str) -> Printed:
        return switchwalk(capsys, *self.arguments(*more))


@pytest.fixture
def place(tmp_path: Path) -> Place:
    return Place(tmp_path / "batch").prepare()


@dataclass(frozen=True, kw_only=True)
class Autumn:
    """A batch that was run once for this module, in its folder, and what it printed."""

    folder: Path
    printed: Printed


@pytest.fixture(scope="module")
def autumn_once(tmp_path_factory: pytest.TempPathFactory) -> Autumn:
    """In a process of its own: what a module shares cannot use a test's captured output."""
    place = Place(tmp_path_factory.mktemp("autumn") / "batch").prepare()
    arguments = place.arguments(
        *("--faulty", str(SHARE), "--seed", str(SEED), "--batch", "autumn", "--operator", "Ada"),
        *("--notes", "relays of lot 7", "--json"),
    )
    done = subprocess.run(
        [sys.executable, "-m", "harness.cli", *arguments],
        cwd=place.folder, capture_output=True, text=True, encoding="utf-8", timeout=120, check=False,
    )  # fmt: skip
    return Autumn(
        folder=place.folder, printed=Printed(code=done.returncode, out=done.stdout, err=done.stderr)
    )


@pytest.fixture
def autumn(autumn_once: Autumn, tmp_path: Path) -> Place:
    """The folder of that batch, copied: a test may add to it."""
    return Place(Path(shutil.copytree(autumn_once.folder, tmp_path / "autumn")))


def test_a_batch_says_of_each_unit_its_verdict_the_fault_named_and_the_true_one(
    autumn_once: Autumn, autumn: Place
) -> None:
    printed = autumn_once.printed
    message = json.loads(printed.out)
    units = {one["serial"]: one for one in message["units"]}
    assert list(units) == list(SERIALS)
    injected = draw_faults(SERIALS, SHARE, load_job(autumn.job), seed=SEED)
    assert len(injected) == 2
    assert {serial: one["injected"] for serial, one in units.items() if one["injected"]} == injected
    for serial, one in units.items():
        assert one["outcome"] == ("fail" if serial in injected else "pass")
        assert not one["faults"] or one["injected"] in one["faults"]
    assert any(unit["faults"] for unit in units.values())
    assert printed.code == 1
    assert (message["batch"], message["operator"], message["not_run"], message["stopped"]) == (
        "autumn",
        "Ada",
        [],
        None,
    )
    with open_records(autumn.records, read_only=True) as store:
        headers = [store.run(unit["run"]).header for unit in units.values()]
        diagnoses = store.latest_events(FaultsNamed)
        assert store.verify().findings == ()
    assert {(header.batch, header.operator, header.notes.splitlines()[-1]) for header in headers} == {
        ("autumn", "Ada", "relays of lot 7")
    }
    assert set(diagnoses) == {unit["run"] for unit in units.values() if unit["outcome"] == "fail"}
    kept = {run: list(event.event.faults) for run, event in diagnoses.items()}
    assert all(unit["faults"] == kept[unit["run"]] for unit in units.values() if unit["faults"])


def test_units_that_were_run_are_run_again_with_a_name_and_a_reason_and_not_for_ever(
    autumn: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    refused = autumn.batch(capsys)
    assert refused.code == 2
    assert f"unit {SERIALS[3]}: " in refused.err
    assert "--operator NAME --again REASON" in refused.err
    autumn.serials.write_text("OB-0001\n", encoding="utf-8")
    assert autumn.batch(capsys, "--again", "relay cleaned").code == 2  # who says so?
    again = autumn.batch(capsys, "--again", "relay cleaned", "--operator", "Grace")
    assert "(retest 1)" in again.out
    with open_records(autumn.records, read_only=True) as store:
        (event,) = store.latest_events(RetestAllowed).values()
    assert event.text.startswith("retest 1 of 1, by Grace: relay cleaned. Before it ")
    shown = switchwalk(capsys, "show", "5", "--records", str(autumn.records))
    assert "by Grace: relay cleaned" in shown.out
    third = autumn.batch(capsys, "--again", "once more", "--operator", "Grace")
    assert third.code == 2
    assert "unit OB-0001 has been run 2 times" in third.err
    assert "sequence.toml allows 1 retest (key sequence.retests)" in third.err
    assert third.err.endswith("Leave units that have had all their retests out of the list\n")
    assert "--again" not in third.err  # which was said, and would not help


def test_trends_know_the_batch_its_first_runs_and_what_was_diagnosed(
    autumn: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    records = ("--records", str(autumn.records), "--simulated")
    result = json.loads(switchwalk(capsys, "trends", *records, "--batch", "autumn", "--json").out)
    assert result["units"] == 4
    assert result["yields"]["first_pass"]["count"] == 2
    assert sum(line["count"] for line in result["diagnosed_faults"]) == 2
    injected = set(draw_faults(SERIALS, SHARE, load_job(autumn.job), seed=SEED).values())
    assert any(fault in line["label"] for fault in injected for line in result["diagnosed_faults"])
    message = switchwalk(capsys, "trends", *records).out
    assert "Likely faults of units that failed their first run" in message
    assert max(map(len, message.splitlines())) <= 80
    none = switchwalk(capsys, "trends", *records, "--batch", "spring")
    assert none.code == 2
    assert "there is no batch spring. There are: autumn" in none.err


def test_a_job_too_large_to_keep_a_person_waiting_is_diagnosed_where_nobody_waits(
    place: Place, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("harness.report.run_report.LARGEST_AT_RUN_END", 0)
    place.serials.write_text("OB-0031\n", encoding="utf-8")
    (unit,) = json.loads(place.batch(capsys, "--faulty", "1", "--seed", "9", "--json").out)["units"]
    assert unit["outcome"] == "fail"
    assert unit["injected"] in unit["faults"]
    alone = switchwalk(
        capsys, "run", str(place.job), "--serial", "OB-0032", "--fault", "K1 never operates", "--simulate",
        "--speed", "20", "--records", str(place.records),
    )  # fmt: skip
    run = re.search(r"run (\d+): ", alone.out)
    assert run is not None
    assert f"`switchwalk diagnose {run[1]}` tells the likely fault." in alone.out
    assert "most likely" not in alone.out


def test_faults_are_drawn_by_seed_and_share_alone(place: Place) -> None:
    job = load_job(place.job)
    serials = [f"OB-{number:04d}" for number in range(40)]
    first = draw_faults(serials, 0.25, job, seed=1)
    assert len(first) == 10
    assert first == draw_faults(serials, 0.25, job, seed=1)
    assert first != draw_faults(serials, 0.25, job, seed=2)
    assert not any("pad_a" in fault for fault in first.values())  # plugs are the fixture's


def test_a_list_with_mistakes_is_told_line_by_line(tmp_path: Path, place: Place) -> None:
    path = tmp_path / "list.txt"
    path.write_text("OB-0001\nPA-1\nOB-0001\n", encoding="utf-8")
    with pytest.raises(UsageError) as told:
        read_serials(path, load_job(place.job).sequence)
    assert str(told.value).splitlines() == [
        f"{path}:2: serial 'PA-1': the sequence wants the pattern OB-[0-9]{{4}}",
        f"{path}:3: serial 'OB-0001': is also in line 1; expected every serial number once",
    ]
    path.write_text("\n", encoding="utf-8")
    with pytest.raises(UsageError, match="contains no serial number"):
        read_serials(path, load_job(place.job).sequence)


def test_only_line_ends_part_the_serial_numbers_of_a_list(tmp_path: Path, place: Place) -> None:
    path = tmp_path / "scanned.txt"
    path.write_bytes("\ufeffOB-0001\r\n# OB-0009\r\n\rOB-0002\x1dOB-0003\x1c\u2028OB-0004\nOB-0005".encode())
    with pytest.raises(UsageError) as told:
        read_serials(path, load_job(place.job).sequence)
    assert str(told.value) == (
        f"{path}:4: serial 'OB-0002\\x1dOB-0003\\x1c\\u2028OB-0004': expected 1 to 64 printable characters, "
        "no space at the ends"
    )
    path.write_bytes(path.read_bytes().replace(b"\x1d", b"\r").replace(b"\x1c", b"\r"))
    path.write_text(path.read_text(encoding="utf-8-sig").replace("\u2028", ""), encoding="utf-8")
    assert read_serials(path, load_job(place.job).sequence) == [f"OB-000{number}" for number in range(1, 6)]


@pytest.mark.parametrize(
    ("key", "message"),
    [
        ('serial_pattern = "OB-[0-9"', "sequence.toml:6: sequence.serial_pattern: "),
        ("retests = -1", "sequence.toml:6: sequence.retests: "),
        ('retests = "2"', "sequence.toml:6: sequence.retests: "),
    ],
)
def test_a_pattern_that_is_none_and_retests_that_are_no_number_are_told_with_their_place(
    tmp_path: Path, key: str, message: str
) -> None:
    job = job_in(tmp_path / "job", ROUTE_AND_GAIN)
    settle = 'settle = "20 ms"\n'
    assert edit(job / "sequence.toml", settle, f"{settle}{key}\n") == 5
    with pytest.raises(JobError) as told:
        load_job(job)
    assert message in str(told.value)


@pytest.mark.parametrize("word", ["PASS", "FAIL", "UNPROVEN", "STOPPED"])
@pytest.mark.parametrize("width", [80, 50, 20])
def test_the_big_word_fits_its_columns_and_is_plain(word: str, width: int) -> None:
    lines = list(banner_lines(word, width))
    assert max(map(len, lines)) <= width
    assert set("".join(lines)) <= {"#", " "} or lines == [word]
    if width == 80:
        assert len(lines) == (14 if len(word) == 4 else 7)


@pytest.mark.parametrize(
    ("name", "value", "coloured"),
    [("TERM", "xterm", True), ("TERM", "dumb", False), ("NO_COLOR", "1", False)],
)
def test_the_big_word_is_coloured_where_the_terminal_has_colours(
    name: str, value: str, coloured: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv(name, value)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    show_banner("PASS")
    assert ("\x1b[" in capsys.readouterr().out) is coloured
