"""Both ways to mute by shorting that docs/files.md shows."""

import re
import shutil
from pathlib import Path

import pytest

from harness.circuit.predict import differential, predict
from harness.job.job import load_job
from harness.job.state import State
from harness.plan.build import build_plan
from tests.cli.commands import exit_code
from tests.jobs import SWITCHER, check_of, edit
from tests.parts.box import BENCH, agree_with_ngspice, box, mute

DOCS = (Path(__file__).resolve().parents[2] / "docs" / "files.md").read_text(encoding="utf-8")
SHOWN = re.findall(r"(?m)^contacts = .*operated = \"(?:out\.cold|ground)\".*$", DOCS)
SOURCE = '[[resistor]]\nname = "R1"\nseries = ["in", "out"]\nvalue = "1 kohm"\n'


def test_the_document_shows_both() -> None:
    assert len(SHOWN) == 2


@pytest.mark.parametrize(("contacts", "shorts_ohm"), [*zip(SHOWN, (0.05, 0.1), strict=True)])
def test_a_mute_leaves_what_its_contacts_leave(tmp_path: Path, contacts: str, shorts_ohm: float) -> None:
    """Closed form: between the legs one contact of 50 mohm, or two in series by way of the ground."""
    relay = re.sub(r"(?m)^contacts = .*$", contacts, mute(["left"]))
    job = load_job(box(tmp_path, SOURCE + relay, check_of("gain", within="0.2 dB"), channels=["left"]))
    made = predict(
        job.module,
        job.fixture,
        job.fixture.setups[1],
        State(on=("go",)),
        frequencies_hz=(1e3, 1e3),
        impedances=BENCH,
    )
    assert abs(differential(made.transfer)[0]) == pytest.approx(shorts_ohm / (shorts_ohm + 2100), rel=2e-3)
    assert not made.live[0]
    agree_with_ngspice(job, tmp_path)


def test_a_mute_that_shorts_one_leg_to_the_other_is_timed_by_that_leg(tmp_path: Path) -> None:
    """The other leg has no contact that could be late or bounce, though its signal changes as well."""
    relay = re.sub(r"(?m)^contacts = .*$", SHOWN[0], mute(["left"]))
    checks = (check_of("operate_time", below="5 ms"), check_of("bounce_time", below="5 ms"))
    job = load_job(box(tmp_path, SOURCE + relay, *checks, channels=["left"]))
    readings = build_plan(job, impedances=BENCH).change_readings
    assert {(reading.quantity.name, reading.measurand.port) for reading in readings} == {
        ("operate_time", "out.hot"),
        ("bounce_time", "out.hot"),
    }


def test_a_good_mute_of_one_leg_passes_its_times(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    relay = re.sub(r"(?m)^contacts = .*$", SHOWN[0], mute(["left"]))
    checks = (check_of("operate_time", below="5 ms"), check_of("bounce_time", below="5 ms"))
    folder = box(tmp_path, SOURCE + relay, *checks, channels=["left"])
    edit(folder / "fixture.toml", "select = [10]", "controls_viewed = { go = 3 }\nselect = [10]")
    edit(folder / "fixture.toml", 'view = ["left.out", "left.in"]', 'view = ["left.out"]')
    shutil.copy(SWITCHER / "bench.toml", folder)
    monkeypatch.chdir(tmp_path)
    options = ["--simulate", "--serial", "OB-0001", "--speed", "5"]
    assert exit_code("run", folder, *options) == 0
