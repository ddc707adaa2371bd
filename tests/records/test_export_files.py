"""`switchwalk export`: every format read back by a reader that is not ours."""

import csv
import io
import json
import os
import subprocess
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.io import wavfile

from harness.records.export import csv_text, readings_frame, runs_frame
from harness.records.store import open_records
from tests.cli.commands import exit_code
from tests.records.outside_broadcast import ACQUISITION, ENDED, HEADER, READING, capture, changed

FAILED = changed(READING, state="loop_a+loop_b", value=-6.11, low=-6.118, high=-6.102, verdict="fail")
UNPROVEN = changed(READING, state="swap", value=0.11, high=0.12, verdict="unproven", reason="near & <close>")
FLOOR = changed(
    READING,
    check="Crosstalk",
    quantity="crosstalk",
    value=-101.0,
    standard=None,
    low=float("-inf"),
    high=-101.0,
    floor=True,
    limit_low=None,
    limit_high=-80.0,
)
MISSING = changed(
    READING, check='Click, "loud"', value=None, standard=None, low=None, high=None, verdict="missing",
    reason="input 3 clipped\x07",
)  # fmt: skip
ALL = [READING, FAILED, UNPROVEN, FLOOR, MISSING]
CAPTURE = capture(seed=4)


@pytest.fixture
def place(tmp_path: Path) -> Path:
    path = tmp_path / "records.sqlite"
    with open_records(path) as store:
        run = store.begin(HEADER)
        acquisition = store.add_acquisition(run, ACQUISITION)
        store.add_readings(run, ALL)
        store.add_waveform(run, acquisition, CAPTURE)
        store.finish(run, "fail", "1 reading outside its limit", ENDED)
        store.finish(store.begin(replace(HEADER, serial="OB-0024")), "stopped", "lead fell off", ENDED)
    return path


@pytest.fixture
def export(place: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., Any]:
    """Exports run 1, or another, and gives the path."""

    def run(form: str, out: Path | str, *, number: int = 1, expect: int = 0) -> Path | str:
        code = exit_code("export", str(number), "--format", form, "--out", str(out), "--records", str(place))
        printed = capsys.readouterr()
        assert code == expect, printed.err
        return printed.err if expect else out

    return run


def test_csv_has_a_line_a_reading_in_si(export: Callable[..., Any], tmp_path: Path) -> None:
    with export("csv", tmp_path / "run.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["verdict"] for row in rows] == ["pass", "fail", "unproven", "pass", "missing"]
    assert (float(rows[0]["value"]), rows[0]["unit"], rows[0]["frequency_hz"]) == (-0.087, "dB", "1000.0")
    assert (rows[0]["run_id"], rows[0]["serial"], rows[0]["where"]) == ("1", "OB-0023", "left.out")
    assert (rows[3]["floor"], float(rows[3]["low"])) == ("True", float("-inf"))
    assert (rows[4]["check"], rows[4]["value"]) == ('Click, "loud"', "")


@pytest.mark.parametrize(("form", "name"), [("csv", "run.csv"), ("npz", "run.npz"), ("wav", "waves")])
def test_a_file_that_is_there_is_not_written_over_unless_it_is_asked_for(
    export: Callable[..., Any], tmp_path: Path, place: Path, form: str, name: str
) -> None:
    out = export(form, tmp_path / name)
    (file,) = out.iterdir() if out.is_dir() else [out]
    file.write_text("somebody's own", encoding="utf-8")
    refusal = export(form, out, expect=2)
    assert refusal == f"{file}: already exists. Give another --out, or --replace to overwrite it\n"
    assert file.read_text(encoding="utf-8") == "somebody's own"
    assert (
        exit_code("export", "1", "--format", form, "--out", str(out), "--records", str(place), "--replace")
        == 0
    )
    assert file.read_bytes() != b"somebody's own"


@pytest.mark.parametrize("form", ["csv", "json", "junit", "parquet"])
def test_no_export_holds_a_path_of_the_computer_that_ran_the_test(
    export: Callable[..., Any], tmp_path: Path, place: Path, form: str
) -> None:
    with open_records(place) as store:
        header = replace(HEADER, job_folder="/home/mara/jobs/tls-2", bench_file="/home/mara/bench_b.toml")
        number = store.begin(header)
        store.add_readings(number, ALL)
        store.finish(number, "fail", "", ENDED)
    content = export(form, tmp_path / "run", number=number).read_bytes()
    assert b"mara/" not in content
    if form == "json":
        told = json.loads(content)
        assert (told["job_folder"], told["bench_file"]) == ("tls-2", "bench_b.toml")


def test_json_is_what_show_prints(
    export: Callable[..., Any], tmp_path: Path, capsys: pytest.CaptureFixture[str], place: Path
) -> None:
    content = json.loads(export("json", tmp_path / "run.json").read_text(encoding="utf-8"))
    exit_code("show", "1", "--json", "--records", str(place))
    shown = json.loads(capsys.readouterr().out)
    # Told over all of the unit's runs, and by the run's events, which a run's own file does not hold.
    assert shown.pop("relays") is None
    assert (shown.pop("by_hand"), shown.pop("not_measured")) == ([], [])
    assert content == shown
    assert len(content["readings"]) == len(ALL)


def test_parquet_and_the_frame_are_the_same_table(
    export: Callable[..., Any], tmp_path: Path, place: Path
) -> None:
    import pandas  # with pyarrow one of the tests' own requirements

    frame = pandas.read_parquet(export("parquet", tmp_path / "run.parquet"))
    with open_records(place, read_only=True) as store:
        again = readings_frame(store, [1])
        runs = runs_frame(store, part="TLS-2", simulated=False)
    assert frame.columns.tolist() == pandas.read_csv(export("csv", tmp_path / "run.csv")).columns.tolist()
    assert frame.pop("serial").tolist() == ["OB-0023"] * 5
    pandas.testing.assert_frame_equal(frame, again)
    assert frame.value.tolist()[:2] == [-0.087, -6.11]
    assert np.isnan(frame.value.iloc[4])
    assert frame.low.iloc[3] == -np.inf
    assert frame[frame.verdict == "fail"].state.tolist() == ["loop_a+loop_b"]
    assert runs.outcome.tolist() == ["fail", "stopped"]
    assert str(runs.started.dt.tz) == "UTC"


def test_junit_has_a_case_a_reading_and_nothing_unproven_looks_passed(
    export: Callable[..., Any], tmp_path: Path
) -> None:
    suites = ET.parse(export("junit", tmp_path / "run.xml")).getroot()
    (suite,) = suites
    assert {name: suite.get(name) for name in ("tests", "failures", "errors", "time")} == {
        "tests": "5", "failures": "2", "errors": "1", "time": "83.000",
    }  # fmt: skip
    assert suite.get("name") == "TLS-2 OB-0023: Production test"
    cases = suite.findall("testcase")
    assert cases[0].get("classname") == "TLS-2.Route and gain"
    assert cases[0].get("name") == "loop_a left.out 1000 Hz"
    assert [[child.tag for child in case] for case in cases] == [[], ["failure"], ["failure"], [], ["error"]]
    failure = result(cases[1], "failure")
    assert failure.get("type") == "fail"
    assert failure.get("message") == "-6.11 dB (-6.118 to -6.102), limit -0.286 to 0.114 dB"
    assert result(cases[2], "failure").attrib["message"].endswith("near & <close>")
    assert result(cases[4], "error").attrib["message"].endswith("input 3 clipped\N{REPLACEMENT CHARACTER}")


def result(element: ET.Element, path: str) -> ET.Element:
    inner = element.find(path)
    assert inner is not None, path
    return inner


def test_junit_says_percent_of_what_the_records_keep_as_a_fraction(
    export: Callable[..., Any], place: Path, tmp_path: Path
) -> None:
    distorted = changed(
        READING, check="Distortion", quantity="distortion", unit="%", value=0.0061, low=0.0058, high=0.0064,
        expected=None, expected_standard=None, limit_low=None, limit_high=0.003, verdict="fail",
    )  # fmt: skip
    with open_records(place) as store:
        run = store.begin(replace(HEADER, serial="OB-0026"))
        store.add_acquisition(run, ACQUISITION)
        store.add_readings(run, [distorted])
        store.finish(run, "fail", "1 reading outside its limit", ENDED)
    (suite,) = ET.parse(export("junit", tmp_path / "run.xml", number=run)).getroot()
    message = result(suite, "testcase/failure").get("message")
    assert message == "0.61 % (0.58 to 0.64), limit open to 0.3 %"


def test_no_two_cases_of_junit_have_one_name(export: Callable[..., Any], place: Path, tmp_path: Path) -> None:
    with open_records(place) as store:
        run = store.begin(replace(HEADER, serial="OB-0027"))
        store.add_acquisition(run, ACQUISITION)
        both = [changed(READING, driven=f"left.source_{source}") for source in (1, 2)]
        store.add_readings(run, [*both, changed(READING, state="idle")])
        store.finish(run, "pass", "", ENDED)
    (suite,) = ET.parse(export("junit", tmp_path / "run.xml", number=run)).getroot()
    assert [case.get("name") for case in suite.findall("testcase")] == [
        "loop_a left.out 1000 Hz, left.source_1 driven",
        "loop_a left.out 1000 Hz, left.source_2 driven",
        "idle left.out 1000 Hz",
    ]


def test_a_dash_is_no_file_and_what_to_write_instead_is_said(
    export: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.iterdir())
    assert "give the name of a file, or on Linux /dev/stdout" in export("csv", "-", expect=2)
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.parametrize("place_of_out", ["", ".", "/"])
def test_a_place_that_names_no_file_is_told(export: Callable[..., Any], place_of_out: str) -> None:
    assert "names no file" in export("csv", place_of_out, expect=2)


def test_a_stopped_run_is_an_error_in_junit(export: Callable[..., Any], tmp_path: Path) -> None:
    (suite,) = ET.parse(export("junit", tmp_path / "run.xml", number=2)).getroot()
    assert (suite.get("tests"), suite.get("errors")) == ("1", "1")
    assert result(suite, "testcase/error").get("message") == "lead fell off"


def test_a_run_that_fails_by_no_reading_fails_in_junit(
    export: Callable[..., Any], place: Path, tmp_path: Path
) -> None:
    with open_records(place) as store:
        run = store.begin(replace(HEADER, serial="OB-0025"))
        store.finish(run, "fail", "over-current in state swap", ENDED)
    (suite,) = ET.parse(export("junit", tmp_path / "run.xml", number=run)).getroot()
    assert [suite.get(name) for name in ("tests", "failures", "errors")] == ["1", "1", "0"]
    assert result(suite, "testcase/failure").get("message") == "over-current in state swap"


def test_wav_holds_volts_a_channel_for_each_input(export: Callable[..., Any], tmp_path: Path) -> None:
    folder = export("wav", tmp_path / "waves")
    (path,) = folder.iterdir()
    rate_hz, samples = wavfile.read(path)
    assert (path.name, rate_hz, samples.dtype.type) == ("acquisition-1.wav", 100_000, np.float32)
    assert pytest.approx(CAPTURE.volts, abs=1e-6) == samples.T


def test_wav_is_read_by_a_library_that_did_not_write_it(export: Callable[..., Any], tmp_path: Path) -> None:
    import soundfile  # libsndfile; scipy wrote the file

    (path,) = export("wav", tmp_path / "waves").iterdir()
    samples, rate_hz = soundfile.read(path, dtype="float32")
    assert (rate_hz, soundfile.info(path).subtype) == (100_000, "FLOAT")
    assert pytest.approx(CAPTURE.volts, abs=1e-6) == samples.T


def test_csv_is_read_by_pandas_and_parquet_by_arrow_as_the_same_numbers(
    export: Callable[..., Any], tmp_path: Path
) -> None:
    import pandas
    import pyarrow.parquet

    text = pandas.read_csv(
        export("csv", tmp_path / "run.csv"), keep_default_na=False, na_values={"value": [""]}
    )
    table = pyarrow.parquet.read_table(export("parquet", tmp_path / "run.parquet"))
    assert text.value.dtype == "float64"
    assert np.array_equal(text.value, table["value"].to_numpy(), equal_nan=True)
    assert text.verdict.tolist() == table["verdict"].to_pylist()
    assert text["where"].tolist() == table["where"].to_pylist()
    assert str(table.schema.field("floor").type) == "bool"


# JUnit.xsd of Windy Road Technology, read in a public copy of 2015: by element its children in their order,
# and its attributes, all of which it must have (message may be away); nothing else is allowed.
SCHEMA = {
    "testsuites": (["testsuite"], set()),
    "testsuite": (
        ["properties", "testcase", "system-out", "system-err"],
        {"package", "id", "name", "timestamp", "hostname", "tests", "failures", "errors", "time"},
    ),
    "properties": (["property"], set()),
    "property": ([], {"name", "value"}),
    "testcase": (["error", "failure"], {"name", "classname", "time"}),
    "error": ([], {"message", "type"}),
    "failure": ([], {"message", "type"}),
    "system-out": ([], set()),
    "system-err": ([], set()),
}


@pytest.mark.parametrize("number", [1, 2])
def test_junit_keeps_to_the_schema_that_ci_servers_share(
    export: Callable[..., Any], tmp_path: Path, number: int
) -> None:
    (suite,) = suites = ET.parse(export("junit", tmp_path / "run.xml", number=number)).getroot()
    for element in suites.iter():
        children, attributes = SCHEMA[element.tag]
        assert set(element.keys()) == attributes
        places = [children.index(child.tag) for child in element]
        assert places == sorted(places)
    cases = suite.findall("testcase")
    assert [child.tag for child in suite if child not in cases] == ["properties", "system-out", "system-err"]
    assert all(len(case) <= 1 for case in cases)
    assert int(suite.attrib["tests"]) == len(cases)
    assert int(suite.attrib["failures"]) == len(suite.findall("testcase/failure"))
    assert int(suite.attrib["errors"]) == len(suite.findall("testcase/error"))
    datetime.strptime(suite.attrib["timestamp"], "%Y-%m-%dT%H:%M:%S")  # without a zone, as the schema has it


def test_a_run_without_a_reading_has_the_same_columns(export: Callable[..., Any], tmp_path: Path) -> None:
    texts = [export("csv", tmp_path / f"{number}.csv", number=number).read_text() for number in (1, 2)]
    assert texts[1].splitlines() == texts[0].splitlines()[:1]


def test_a_device_is_written_to_and_stays_one(export: Callable[..., Any], tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = subprocess.Popen(["cat", pipe], stdout=subprocess.PIPE, text=True)
    export("csv", pipe)
    assert reader.communicate(timeout=30)[0].startswith("run_id,serial,where")
    assert pipe.is_fifo()


def test_npz_holds_the_waveforms_exactly(export: Callable[..., Any], tmp_path: Path) -> None:
    with np.load(export("npz", tmp_path / "run.npz")) as arrays:
        assert np.array_equal(arrays["1_volts"], CAPTURE.volts)
        assert tuple(arrays["1_inputs"]) == CAPTURE.inputs
        assert float(arrays["1_interval_s"]) == CAPTURE.interval_s


def test_what_cannot_be_exported_is_said_and_nothing_is_left(
    export: Callable[..., Any], tmp_path: Path
) -> None:
    out = tmp_path / "new" / "run.txt"
    assert "no format 'xlsx'; expected one of csv, json" in export("xlsx", out, expect=2)
    assert "there is no run 9" in export("csv", out, number=9, expect=2)
    assert "run 2 has no waveforms" in export("npz", out, number=2, expect=2)
    assert not out.parent.exists()
    (tmp_path / "a folder").mkdir()
    assert "a folder: cannot be written" in export("csv", tmp_path / "a folder", expect=2)
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []


@pytest.mark.parametrize("serial", ["=1+1", "@SUM(A1)", "+44", "-2"])
def test_no_cell_of_a_csv_is_a_formula(serial: str, tmp_path: Path) -> None:
    """OWASP, "CSV Injection": such text gets an apostrophe; a number that is negative stays one."""
    with open_records(tmp_path / "records.sqlite") as store:
        run = store.begin(replace(HEADER, serial=serial))
        store.add_readings(run, [FLOOR])
        row = next(csv.DictReader(io.StringIO(csv_text(store.run(run), store.readings(run)))))
    assert row["serial"] == f"'{serial}"
    assert (float(row["value"]), float(row["low"])) == (-101.0, float("-inf"))
