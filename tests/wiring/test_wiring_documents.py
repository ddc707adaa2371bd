"""Pins, preferred values and pads against the standards; the command on shipped and awkward jobs."""

import json
import re
from html import unescape
from pathlib import Path

import pytest

from harness.circuit.expand import pad_resistors
from harness.errors import JobError
from harness.job.job import load_job
from harness.report.plotter import COLD, HOT
from harness.report.words import CAUTIONS
from harness.wiring.connections import (
    AES59,
    SERIES,
    XLR,
    choose,
    fitted,
    nearest_value,
    pad_loss_db,
    pin_of,
    plugs,
)
from harness.wiring.document import wiring_of, xlr
from tests.cli.commands import switchwalk
from tests.jobs import SWITCHER, job_in


def test_the_d_connector_is_the_one_of_aes59() -> None:
    # AES59, eight analogue channels: hot, cold, ground (Focusrite, Red 16Line manual, page 24).
    printed = "24 12 25  10 23 11  21 9 22  7 20 8  18 6 19  4 17 5  15 3 16  1 14 2"
    assert " ".join(pin for channel in AES59 for pin in channel) == " ".join(printed.split())
    assert {int(pin) for channel in AES59 for pin in channel} == set(range(1, 26)) - {13}


def test_an_xlr_has_its_shield_on_1_hot_on_2_and_cold_on_3() -> None:
    assert XLR == ("2", "3", "1")  # IEC 60268-12 (from memory)


def test_e96_has_the_values_that_the_standard_prints() -> None:
    # IEC 60063, first and last dozen of the E96 column (from memory of the printed table).
    printed = SERIES["E96"]
    assert printed[:12] == (1.0, 1.02, 1.05, 1.07, 1.1, 1.13, 1.15, 1.18, 1.21, 1.24, 1.27, 1.3)
    assert printed[-12:] == (7.5, 7.68, 7.87, 8.06, 8.25, 8.45, 8.66, 8.87, 9.09, 9.31, 9.53, 9.76)
    assert len(SERIES["E24"]) == 24


@pytest.mark.parametrize(
    ("wanted_ohm", "e24_ohm", "e96_ohm"),
    [(301.0, 300.0, 301.0), (99.0, 100.0, 100.0), (9.9e6, 10e6, 10e6), (0.5, 0.51, 0.499)],
)
def test_the_nearest_value_is_the_nearest_by_ratio(wanted_ohm: float, e24_ohm: float, e96_ohm: float) -> None:
    # By hand from the printed series.
    assert nearest_value(wanted_ohm, "E24") == pytest.approx(e24_ohm)
    assert nearest_value(wanted_ohm, "E96") == pytest.approx(e96_ohm)


@pytest.mark.parametrize("loss_db", [1.0, 3.0, 6.0, 10.0, 20.0, 40.0])
def test_a_pad_of_exact_resistors_loses_exactly_what_was_asked(loss_db: float) -> None:
    # The handbooks' table of 600 ohm H pads has 99.7 and 803 ohm for 6 dB, 245.5 and 121.2 ohm for 20 dB
    # (from memory).
    arm_ohm, shunt_ohm = pad_resistors(loss_db, 600.0)
    assert pad_loss_db(arm_ohm, shunt_ohm, 600.0) == pytest.approx(loss_db, abs=1e-9)
    known = {6.0: (99.7, 803.0), 20.0: (245.5, 121.2)}.get(loss_db)
    assert known is None or (arm_ohm, shunt_ohm) == pytest.approx(known, rel=2e-3)


def test_e24_is_bought_unless_it_is_off_by_more_than_the_tolerance() -> None:
    assert choose("x", 390.0, 0.01).series == "E24"
    fifty = choose("x", 50.0, 0.01)
    assert fifty.series == "E96"
    assert fifty.bought_ohm == pytest.approx(49.9)
    assert fifty.error == pytest.approx(-0.002)


def test_every_leg_of_every_port_is_on_one_pin_of_its_own() -> None:
    job = load_job(SWITCHER)
    connectors = fitted(job.module, job.fixture)
    places = pin_of(connectors)
    assert set(places) == {
        (f"{channel}.{port.net}", signal)
        for channel in job.module.channels
        for port in job.module.ports
        for signal in ("hot", "cold", "ground")
    }
    assert len({str(pin) for pin in places.values()}) == len(places)


def test_a_measured_plug_is_bought_as_what_it_was_made_of() -> None:
    job = load_job(SWITCHER)
    bought = {each.bought_ohm for plug in plugs(job.module, job.fixture) for each in plug.resistors}
    assert bought == {390, 510, 620, 750, 1100, 2000, 2400, 3000, 3600, 5100}  # fixture.toml's nominal ones


def test_the_command_reads_at_eighty_columns_and_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    printed = switchwalk(capsys, "wiring", str(SWITCHER), "--setups")
    assert printed.code == 0
    assert max(map(len, printed.out.splitlines())) <= 80
    assert "J1.21" in printed.out
    listed = json.loads(switchwalk(capsys, "wiring", str(SWITCHER), "--json").out)
    assert [each["name"] for each in listed["connectors"]] == ["J1", "J2"]


def test_the_page_has_drawings_and_escapes_what_the_files_say(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = job_in(tmp_path / "job", edits=[("fixture.toml", "Drawer fixture", "<script>Drawer")])
    page = tmp_path / "wiring.html"
    assert switchwalk(capsys, "wiring", str(job), "--html", str(page)).code == 0
    text = page.read_text("utf-8")
    assert text.count("<svg") == 2 + 4  # two connectors, two plugs in two channels
    assert "<script" not in text
    assert "http://" not in text


def test_the_cautions_of_the_reports_come_first_on_the_terminal_and_on_the_page(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "wiring.html"
    assert switchwalk(capsys, "wiring", str(SWITCHER), "--html", str(page)).code == 0
    printed = " ".join(switchwalk(capsys, "wiring", str(SWITCHER)).out.split())
    on_page = " ".join(unescape(page.read_text("utf-8")).split())
    for text, pins in ((printed, "J1: 25-way"), (on_page, "<h2>J1: 25-way")):
        places = [text.index(words) for caution in CAUTIONS for words in caution]
        assert places == sorted(places)
        assert places[-1] < text.index(pins)


def test_a_clamp_for_every_control_line_is_to_buy() -> None:
    job = load_job(SWITCHER)
    clamps = [each for each in wiring_of(job).bill if "coil clamp" in each.what]
    assert [(each.count, each.where) for each in clamps] == [(3, "loop_a, loop_b, swap")]


def test_hot_and_cold_have_the_colours_of_the_waveforms_and_ground_is_grey(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "wiring.html"
    assert switchwalk(capsys, "wiring", str(SWITCHER), "--html", str(page)).code == 0
    colours = dict(re.findall(r"\.(hot|cold|earth) \{ fill: (#[0-9a-f]{6})", page.read_text("utf-8")))
    assert (colours["hot"], colours["cold"]) == (HOT, COLD)
    red, green, blue = (colours["earth"][place : place + 2] for place in (1, 3, 5))
    assert red == green == blue


CONNECTORS = """
[connectors.P1]
kind = "xlr"
ports = ["left.in"]
[connectors.P2]
kind = "pins"
pins."left.out" = { hot = "A", cold = "B", ground = "C" }
"""


def test_connectors_may_be_given_in_the_files(tmp_path: Path) -> None:
    job = job_in(tmp_path / "job")
    fixture = job / "fixture.toml"
    fixture.write_text(fixture.read_text("utf-8") + CONNECTORS, "utf-8")
    described = load_job(job)
    places = pin_of(fitted(described.module, described.fixture))
    assert str(places["left.in", "hot"]) == "P1.2"
    assert str(places["left.out", "cold"]) == "P2.B"


def test_an_xlr_into_the_unit_is_male_one_out_of_it_female_and_each_is_drawn_from_its_solder_side(
    tmp_path: Path,
) -> None:
    # Male, at its mating face: 1 left, 2 right, 3 below; female mirrored, and a solder side mirrors again
    # (IEC 60268-12, from memory).
    job = job_in(tmp_path / "job")
    fixture = job / "fixture.toml"
    out = CONNECTORS.partition("[connectors.P2]")[0].replace("P1", "P2").replace("left.in", "left.out")
    into = CONNECTORS.partition("[connectors.P2]")[0]
    fixture.write_text(fixture.read_text("utf-8") + into + out, "utf-8")
    described = load_job(job)
    male, female = fitted(described.module, described.fixture)
    assert (male.title, female.title) == ("XLR, IEC 60268-12, male", "XLR, IEC 60268-12, female")
    lefts = [
        re.findall(r'<path class="\w+" d="M([0-9.]+) [^>]*><title>pin ([123])', xlr(one))
        for one in (male, female)
    ]
    assert [min(places, key=lambda place: float(place[0]))[1] for places in lefts] == ["2", "1"]


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ('kind = "xlr"\nports = ["left.in", "right.in"]', "1 to 1"),
        ('kind = "aes59"\nports = ["left.inn"]', "did you mean left.in"),
        ('kind = "aes59"\nports = ["left.in", "left.in"]', "every port once"),
        ('kind = "pins"\npins."left.in" = { hot = "1", cold = "1", ground = "2" }', "is listed twice"),
    ],
)
def test_a_mistake_in_a_connector_is_told_with_its_line(tmp_path: Path, wrong: str, message: str) -> None:
    job = job_in(tmp_path / "job")
    fixture = job / "fixture.toml"
    fixture.write_text(fixture.read_text("utf-8") + f"\n[connectors.J9]\n{wrong}\n", "utf-8")
    with pytest.raises(JobError, match=message) as raised:
        load_job(job)
    assert all(mistake.line for mistake in raised.value.mistakes)
